/* The traces: drawn once with what the server sent of the whole run, and after a zoom with the
 * readings of the stretch, which are asked for while the zoom is still being dragged. The figure is
 * kept by this script and not by Dash, which would draw all of it twice more for each zoom. */
(function () {
  "use strict";

  const replay = window.slewtraceReplay;
  const { byId, decode } = replay;
  const EARLY_MS = 30, REST_MS = 300;
  const plot = () => byId("traces-plot");
  let key = "", early = null, earlyTimer = 0, lateTimer = 0, count = 0;

  function drawTraces(figure) {
    const place = plot();
    if (!place) return;
    count = figure.data.filter((trace) => (trace.name || "").startsWith("other ")).length;
    key = "";
    window.clearTimeout(lateTimer);
    window.Plotly.react(place, figure.data, figure.layout, figure.config).then(() => {
      drawFound();
      replay.refresh();
    });
  }

  /* What was found is put into the lanes and lines that wait for it. */
  function drawFound() {
    const { found } = replay, graph = plot();
    if (!found || !graph || !graph.data || found.run !== (replay.copy && replay.copy.run)) return;
    const told = JSON.stringify([found.lanes, found.shapes]);
    if (graph.slewtraceFound === told && graph.layout.shapes.length === found.shapes.length) return;
    graph.slewtraceFound = told;
    found.lanes.forEach((lane, i) => Object.assign(graph.data[found.lanes_place + i], lane));
    graph.layout.shapes = found.shapes;
    window.Plotly.react(graph, graph.data, graph.layout);
  }

  function addressOf([from, to]) {
    const { run, way } = replay.overlay, { copy } = replay;
    const graph = plot(), width = graph._fullLayout ? Math.round(graph._fullLayout.xaxis._length) : 800;
    const words = new URLSearchParams({ run: copy.run, from, to, width, units: copy.units_name });
    if (run) { words.set("with", run); words.set("by", way); }
    return `/replay/window?${words}`;
  }

  async function fetched(address) {
    const answer = await window.fetch(address);
    return answer.json();
  }

  /* While a zoom is dragged, its readings are asked for already. */
  function askEarly(view) {
    const range = [view["xaxis.range[0]"], view["xaxis.range[1]"]].map(Number);
    if (!range.every(Number.isFinite) || !replay.copy) return;
    window.clearTimeout(earlyTimer);
    window.clearTimeout(lateTimer);
    earlyTimer = window.setTimeout(() => {
      const address = addressOf(range);
      if (!early || early.address !== address) early = { address, answer: fetched(address) };
    }, EARLY_MS);
  }

  async function askWindow(anew = false) {
    if (!replay.copy || !plot() || !plot()._fullLayout) return;
    window.clearTimeout(earlyTimer);
    const range = replay.seen(), address = addressOf(range);
    if (address === key) return;
    const known = anew && replay.isWhole(range) && !replay.overlay.run;
    key = address;
    replay.restSoon();
    if (known) return;
    try {
      const told = await (early && early.address === address ? early.answer : fetched(address));
      if (key === address) put(told);
    } catch { key = ""; }
  }

  /* New arrays go into the figure's first traces: the run's own, then those of the other run.
   * Plotly takes some tenths of a second to take them in, so their lines are drawn first, and it
   * follows when the hand rests; then hovering reads them, and upright axes fit them. */
  function put(told) {
    const graph = plot();
    if (!graph || !graph.data) return;
    if (told.error) { replay.write("overlay-words", `✖ ${told.error}`); return; }
    const arrays = told.own.concat(told.other.slice(0, count));
    const x = arrays.map((a) => decode(a.x)), y = arrays.map((a) => decode(a.y));
    replay.write("overlay-words", told.words);
    const takeIn = () => { if (key) window.Plotly.restyle(graph, { x, y }, arrays.map((_, i) => i)); };
    window.clearTimeout(lateTimer);
    if (drawLines(graph, x, y)) lateTimer = window.setTimeout(takeIn, REST_MS);
    else takeIn();
  }

  /* Draws over the lines that Plotly drew; whether all of them could be. */
  function drawLines(graph, x, y) {
    const { _fullData: traces, _fullLayout: layout } = graph;
    const paths = x.map((_, i) => graph.querySelectorAll(`.trace${traces[i].uid} path.js-line`));
    if (x.some((xs, i) => xs.length && traces[i].mode === "lines" && !paths[i].length)) return false;
    x.forEach((xs, i) => {
      if (!paths[i].length) return; // points come with what Plotly draws
      const upright = layout[traces[i].yaxis.replace("y", "yaxis")];
      paths[i].forEach((path) => path.setAttribute("d", "M0,0"));
      paths[i][0].setAttribute("d", lineOf(xs, y[i], layout.xaxis, upright));
    });
    graph.dataset.stretch = JSON.stringify([x[0][0], x[0][x[0].length - 1]]);
    return true;
  }

  function lineOf(x, y, across, upright) {
    let line = "", broken = true;
    for (let i = 0; i < x.length; i += 1) {
      const known = Number.isFinite(x[i]) && Number.isFinite(y[i]);
      if (known) line += `${broken ? "M" : "L"}${across.l2p(x[i]).toFixed(2)},${upright.l2p(y[i]).toFixed(2)}`;
      broken = !known;
    }
    return line || "M0,0";
  }

  Object.assign(replay, { drawTraces, drawFound, askEarly, askWindow });
})();
