/* The plan at the moment, and the same in words for those who don't see it. */
(function () {
  "use strict";

  const replay = window.slewtraceReplay;
  const { byId, known, inUnits, angleWords, write } = replay;
  const STATES = { closed: "down", open: "lifted", unknown: "unknown" };
  const WORDS = { closed: "down", open: "LIFTED", unknown: "UNKNOWN" };
  const LOADS = { hanging: "load hanging", ground: "load on the ground", unknown: "load unknown" };

  function drawPlan(t) {
    const svg = document.querySelector("#plan svg");
    if (!svg) return;
    const reading = replay.readingAt(t), load = replay.loadPlace(t), states = replay.wheelStates(t);
    window.slewtraceTruckPlan.draw(svg, {
      slew_deg: known(reading.slew_deg) ? reading.slew_deg : null,
      radius_m: known(reading.radius_m) ? reading.radius_m : null,
      load, wheels: states.map((s) => STATES[s]), words: states.map((s) => WORDS[s]),
    });
    write("readout-load-place", LOADS[load]);
    byId("readout-load-place").className = `place ${load}`;
    writeWords(reading, load, states);
  }

  function writeWords(reading, load, states) {
    const named = (state) => replay.copy.wheels.filter((_, i) => states[i] === state)
      .map((wheel) => wheel.name).join(", ");
    const lifted = named("open"), unknown = named("unknown");
    const unit = replay.copy.units.length.unit;
    const parts = [
      `Boom at ${angleWords(reading.slew_deg)}`,
      known(reading.radius_m) ? `radius ${inUnits("length", reading.radius_m)} ${unit}` : "radius —",
      LOADS[load], lifted ? `lifted: ${lifted}` : "no wheel lifted",
    ];
    if (unknown) parts.push(`unknown: ${unknown}`);
    write("plan-words", `${parts.join("; ")}.`);
  }

  replay.drawers.push(drawPlan);
})();
