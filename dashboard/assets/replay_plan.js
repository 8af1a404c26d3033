/* The plan at the moment: boom and load are moved and the states of wheels and load uncovered in
 * the drawing itself, since plotly would take 20 ms and more to draw them anew. */
(function () {
  "use strict";

  const BOOM = 0, LOAD = 1, WHEELS = 2; // places of the moving traces, as in plan_view.py
  const replay = window.slewtraceReplay;
  const { byId, known, inUnits, angleWords, write } = replay;
  const plan = () => document.querySelector("#plan .js-plotly-plot");
  let statesShown = "";

  function drawPlan(t) {
    const graph = plan();
    const meta = graph && graph.layout && graph.layout.meta;
    const traces = graph ? graph.querySelectorAll(".scatterlayer .trace") : [];
    if (!meta || traces.length <= WHEELS) return;
    const reading = replay.readingAt(t), place = replay.loadPlace(t), states = replay.wheelStates(t);
    moveBoom(graph, meta, traces, reading);
    uncover(meta, traces, place, states);
    write("readout-load-place", meta.load_words[place]);
    byId("readout-load-place").className = `place ${place}`;
    writeWords(reading, place, states, meta);
  }

  function moveBoom(graph, meta, traces, reading) {
    const radius = known(reading.radius_m) ? reading.radius_m : meta.ring_m;
    const psi = ((known(reading.slew_deg) ? reading.slew_deg : 0) * Math.PI) / 180;
    const [x0, y0] = meta.column;
    const x1 = x0 + radius * Math.sin(psi), y1 = y0 - radius * Math.cos(psi);
    const { xaxis, yaxis } = graph._fullLayout;
    const at = (x, y) => `${xaxis.l2p(x).toFixed(2)},${yaxis.l2p(y).toFixed(2)}`;
    const line = traces[BOOM].querySelector("path.js-line");
    if (line) line.setAttribute("d", `M${at(x0, y0)}L${at(x1, y1)}`);
    traces[LOAD].querySelectorAll("path.point").forEach((mark) => {
      mark.setAttribute("transform", `translate(${at(x1, y1)})`);
    });
    const seen = known(reading.slew_deg) ? "1" : "0";
    traces[BOOM].style.opacity = seen;
    traces[LOAD].style.opacity = seen;
  }

  function uncover(meta, traces, place, states) {
    const key = [place, ...states].join();
    if (key === statesShown) return;
    statesShown = key;
    traces[LOAD].querySelectorAll("path.point").forEach((mark, i) => {
      mark.style.opacity = meta.load_places[i] === place ? "1" : "0";
    });
    const count = meta.wheel_states.length;
    const seen = (i) => (meta.wheel_states[i % count] === states[Math.floor(i / count)] ? "1" : "0");
    traces[WHEELS].querySelectorAll("path.point").forEach((mark, i) => { mark.style.opacity = seen(i); });
    traces[WHEELS].querySelectorAll("text").forEach((words, i) => {
      words.style.fill = meta.ink;
      words.style.fillOpacity = seen(i);
    });
  }

  function writeWords(reading, place, states, meta) {
    const named = (state) => meta.names.filter((_, i) => states[i] === state).join(", ");
    const lifted = named("open"), unknown = named("unknown");
    const unit = replay.copy.units.length.unit;
    const parts = [
      `Boom at ${angleWords(reading.slew_deg)}`,
      known(reading.radius_m) ? `radius ${inUnits("length", reading.radius_m)} ${unit}` : "radius —",
      meta.load_words[place], lifted ? `lifted: ${lifted}` : "no wheel lifted",
    ];
    if (unknown) parts.push(`unknown: ${unknown}`);
    write("plan-words", `${parts.join("; ")}.`);
  }

  function redrawn() {
    statesShown = "";
    if (replay.copy) drawPlan(replay.t);
  }

  replay.drawers.push(drawPlan);
  replay.loaders.push(() => {
    const graph = plan();
    statesShown = "";
    if (graph.slewtraceWatched) return;
    graph.slewtraceWatched = true;
    graph.on("plotly_afterplot", redrawn);
  });
})();
