/* The truck from above (see figures/truck_plan.py) as it stands at one moment: turns the boom, moves
 * the load and says of each part in which state it is, which the style sheet shows. */
(function () {
  "use strict";

  const OUT_CM = 100;

  function mark(element, key, state) {
    if (element.dataset[key] !== state) element.dataset[key] = state;
  }

  function set(element, name, value) {
    if (element.getAttribute(name) !== value) element.setAttribute(name, value);
  }

  /* now: slew_deg and radius_m or null, load, and of each wheel its state and its word. */
  function draw(svg, now) {
    const [x, y, ring] = ["x", "y", "ring"].map((key) => Number(svg.dataset[key]));
    const boom = svg.querySelector(".boom"), known = now.slew_deg !== null;
    boom.style.opacity = known ? "1" : "0";
    if (known) set(boom, "transform", `rotate(${(-now.slew_deg).toFixed(2)} ${x} ${y})`);
    const reach = now.radius_m === null ? ring : now.radius_m * OUT_CM;
    set(svg.querySelector(".beam"), "y2", (y + reach).toFixed(1));
    set(svg.querySelector(".load"), "transform", `translate(${x} ${(y + reach).toFixed(1)})`);
    mark(boom, "load", now.load);
    svg.querySelectorAll(".wheel").forEach((wheel, i) => {
      mark(wheel, "state", now.wheels[i]);
      const word = wheel.querySelector(".word");
      if (word.textContent !== now.words[i]) word.textContent = now.words[i];
    });
  }

  /* How far the boom has been on each side, deg. */
  function drawSwept(svg, swept_deg) {
    const [x, y, ring] = ["x", "y", "ring"].map((key) => Number(svg.dataset[key]));
    svg.querySelectorAll(".swept").forEach((arc) => {
      const sign = arc.dataset.side === "right" ? 1 : -1, degrees = swept_deg[arc.dataset.side];
      const psi = (sign * Math.min(degrees, 179.9) * Math.PI) / 180;
      const end = `${(x + ring * Math.sin(psi)).toFixed(1)} ${(y + ring * Math.cos(psi)).toFixed(1)}`;
      const way = degrees > 0 ? `M${x} ${y + ring}A${ring} ${ring} 0 0 ${sign > 0 ? 0 : 1} ${end}` : "";
      set(arc, "d", way);
    });
  }

  window.slewtraceTruckPlan = { draw, drawSwept };
})();
