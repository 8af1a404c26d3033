/* What is seen of the run: cursors on the traces, zooms, the axis by time or angle, and the
 * address that holds it all. Plotly draws a zoom at once with the points it has; the readings of
 * the stretch follow from the server. */
(function () {
  "use strict";

  const replay = window.slewtraceReplay;
  const { byId, setProps, known, seek } = replay;
  const traces = () => document.querySelector("#traces .js-plotly-plot");
  const angles = () => document.querySelector("#angles .js-plotly-plot");
  const DIGITS = 1e6;

  function place(line, graph, value) {
    const axis = graph && graph._fullLayout && graph._fullLayout.xaxis;
    if (!line) return;
    const x = axis && axis.l2p && known(value) ? axis.l2p(value) : NaN;
    const inside = x >= -1 && x <= axis._length + 1;
    line.style.display = inside ? "block" : "none";
    if (inside) line.style.transform = `translateX(${axis._offset + x - 1}px)`;
  }

  function drawCursors(t) {
    if (replay.axis === "angle") place(byId("angle-cursor"), angles(), replay.readingAt(t).slew_deg);
    else {
      place(byId("cursor"), traces(), t);
      place(byId("pin-line"), traces(), replay.pin);
      placeMarks();
    }
  }

  function placeMarks() {
    const holder = byId("trace-marks"), marks = replay.marks ? replay.marks() : [];
    if (!holder) return;
    while (holder.children.length > marks.length) holder.lastChild.remove();
    while (holder.children.length < marks.length) {
      holder.append(Object.assign(document.createElement("div"), { className: "cursor mark-line" }));
    }
    marks.forEach((mark, i) => place(holder.children[i], traces(), mark.t_s));
  }

  const whole = () => [replay.copy.start_s, replay.copy.end_s];

  /* What is seen of the run, s, not beyond its ends. */
  function seen() {
    const graph = traces(), axis = graph && graph._fullLayout && graph._fullLayout.xaxis;
    if (!axis || !axis.range) return whole();
    const [start, end] = whole(), [low, high] = axis.range.map(Number);
    return [Math.max(low, start), Math.min(high, end)];
  }

  const isWhole = ([low, high]) => {
    const [start, end] = whole();
    return low <= start && high >= end;
  };

  function show(low, high) {
    const [start, end] = whole();
    const range = [Math.max(low, start), Math.min(high, end)];
    if (range[1] - range[0] > 1e-6) window.Plotly.relayout(traces(), { "xaxis.range": range });
  }

  /* Zooms around the moment; a factor under 1 shows less of the run. */
  function zoom(factor) {
    if (replay.axis === "angle" || !replay.copy || !traces()) return;
    const [low, high] = seen(), { t } = replay;
    const middle = t >= low && t <= high ? t : (low + high) / 2;
    show(middle - (middle - low) * factor, middle + (high - middle) * factor);
  }

  function showWhole() {
    if (replay.axis === "angle") window.Plotly.relayout(angles(), { "xaxis.autorange": true });
    else if (replay.copy && traces()) show(...whole());
  }

  /* The moment stays in sight while it moves through a stretch that was zoomed into. */
  function follow(t) {
    if (replay.axis === "angle" || !traces()) return;
    const range = seen();
    if (isWhole(range) || (t >= range[0] && t <= range[1])) return;
    const wide = range[1] - range[0], [start, end] = whole();
    const low = Math.min(Math.max(t - (t > range[1] ? 0.1 : 0.9) * wide, start), end - wide);
    if (replay.playing || replay.stepping) show(low, low + wide);
  }

  function watch(graph, events) {
    if (!graph || graph.slewtraceWatched) return;
    graph.slewtraceWatched = true;
    Object.entries(events).forEach(([name, action]) => graph.on(name, action));
  }

  function clicked(t, event) {
    if (!known(t)) return;
    if (event && event.event && event.event.shiftKey) replay.setPin(t);
    else seek(t);
  }

  function loaded() {
    watch(traces(), {
      plotly_click: (event) => clicked(Number(event.points[0].x), event),
      plotly_relayouting: (view) => replay.askEarly(view),
      plotly_relayout: () => replay.askWindow(),
      plotly_afterplot: () => drawCursors(replay.t),
    });
    if (!replay.opened) {
      replay.opened = true;
      const { from, to, pin } = replay.copy;
      if (known(pin)) replay.setPin(pin);
      if (known(from) && known(to) && from < to) show(from, to);
    }
    replay.askWindow(true);
  }

  function number(value) { return String(Math.round(value * DIGITS) / DIGITS); }

  /* The page's address with all that a link is to hold. */
  function address() {
    const link = new URL(window.location.href), { searchParams: words } = link;
    const range = seen(), { pin, overlay, axis, copy } = replay;
    const told = {
      run: copy.run,
      t: number(replay.t),
      from: isWhole(range) ? null : number(range[0]),
      to: isWhole(range) ? null : number(range[1]),
      pin: known(pin) ? number(pin) : null,
      with: overlay.run,
      by: overlay.run ? overlay.way : null,
      axis: axis === "angle" ? "angle" : null,
    };
    Object.entries(told).forEach(([key, value]) => {
      if (value === null) words.delete(key); else words.set(key, value);
    });
    words.delete("marks");
    return link;
  }

  function keepAddress() {
    if (replay.copy) window.slewtraceAddress.keep(address());
  }

  replay.drawers.push(follow, drawCursors);
  replay.loaders.push(loaded);
  replay.resters.push(keepAddress);
  replay.overlayChanged = () => { if (replay.opened) replay.askWindow(); };
  replay.anglesDrawn = (tries = 3000) => {
    const graph = angles();
    if ((!graph || !graph._fullLayout) && tries > 0) {
      window.setTimeout(() => replay.anglesDrawn(tries - 1), 20);
      return;
    }
    watch(graph, {
      plotly_click: (event) => clicked(Number(event.points[0].customdata), event),
      plotly_afterplot: () => drawCursors(replay.t),
    });
    if (replay.copy) drawCursors(replay.t);
  };
  Object.assign(replay, { zoom, showWhole, address, keepAddress, seen, isWhole });
  window.addEventListener("resize", () =>
    byId("replay") && replay.copy && window.setTimeout(() => drawCursors(replay.t), 100));
})();
