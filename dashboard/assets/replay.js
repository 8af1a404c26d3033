/* Replay of a run in the browser: everything that follows the scrubber is drawn here, from the
 * compact copy that the server sent once (see figures/replay_copy.py). */
(function () {
  "use strict";

  const GRAVITY = 9.80665; // m/s², standard acceleration (NIST SP 811)
  const REST_MS = 150;
  const BOOM = 0, LOAD = 1, WHEELS = 2; // places of the moving traces, as in plan_view.py

  const replay = {
    copy: null, t: 0, statesShown: "", momentShown: null, playing: false, speed: 1,
    frame: 0, lastFrameMs: 0, restTimer: 0, goToFromUs: null,
  };

  const byId = (id) => document.getElementById(id);
  const plot = (id) => document.querySelector(`#${id} .js-plotly-plot`);
  const noUpdate = () => window.dash_clientside.no_update;
  const setProps = (id, props) => window.dash_clientside.set_props(id, props);

  function decode(packed) {
    if (!packed) return null;
    const bytes = Uint8Array.from(atob(packed.bdata), (c) => c.charCodeAt(0));
    return packed.dtype === "f4" ? new Float32Array(bytes.buffer) : new Float64Array(bytes.buffer);
  }

  /* Whether t lies in one of the spans [a0, b0), [a1, b1) …, given as one flat array. */
  function inSpans(spans, t) {
    let low = 0, high = spans.length / 2;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (spans[2 * middle] <= t) low = middle + 1; else high = middle;
    }
    return low > 0 && t < spans[2 * low - 1];
  }

  function readingAt(t) {
    const { copy } = replay;
    const index = Math.max(0, Math.floor((t - copy.start_s) / copy.step_s + 1e-6));
    const at = (values) => (values && index < values.length ? values[index] : NaN);
    return { slew_deg: at(copy.slew), load_kg: at(copy.load), radius_m: at(copy.radius) };
  }

  const known = (value) => value !== null && value !== undefined && Number.isFinite(value);
  const fixed = (value, digits) => (known(value) ? value.toFixed(digits).replace("-", "−") : "—");

  function angleWords(slew) {
    if (!known(slew)) return "—";
    const size = Math.abs(slew).toFixed(1);
    return `${size}° ${Number(size) === 0 ? "rear" : slew > 0 ? "right" : "left"}`;
  }

  function clockWords(t) {
    const tenths = Math.round(t * 10);
    return `${Math.floor(tenths / 600)}:${((tenths % 600) / 10).toFixed(1).padStart(4, "0")}`;
  }

  function write(id, text) {
    const element = byId(id);
    if (element && element.textContent !== text) element.textContent = text;
  }

  function writeNumbers(reading) {
    const moment = known(reading.load_kg) && known(reading.radius_m)
      ? reading.load_kg * GRAVITY * reading.radius_m : NaN;
    const required = replay.copy.required_moment_nm;
    write("readout-slew", angleWords(reading.slew_deg));
    write("readout-load", fixed(reading.load_kg, 0));
    write("readout-radius", fixed(reading.radius_m, 2));
    write("readout-moment", fixed(moment / 1000, 2));
    write("readout-share", fixed(required ? (100 * moment) / required : NaN, 1));
  }

  function loadPlace(t) {
    if (inSpans(replay.copy.hanging, t)) return "hanging";
    return inSpans(replay.copy.grounded, t) ? "ground" : "unknown";
  }

  function wheelStates(t) {
    return replay.copy.wheels.map((wheel) =>
      inSpans(wheel.unknown, t) ? "unknown" : inSpans(wheel.open, t) ? "open" : "closed");
  }

  /* Moves boom and load and uncovers the states of wheels and load in the drawing itself: plotly
   * would take 20 ms and more to draw them anew. */
  function drawPlan(reading, place, states) {
    const graph = plot("plan");
    const meta = graph && graph.layout && graph.layout.meta;
    const traces = graph ? graph.querySelectorAll(".scatterlayer .trace") : [];
    if (!meta || traces.length <= WHEELS) return;
    moveBoom(graph, meta, traces, reading);
    uncover(meta, traces, place, states);
    write("readout-load-place", meta.load_words[place]);
    byId("readout-load-place").className = `place ${place}`;
    writePlanWords(reading, place, states, meta);
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
    if (key === replay.statesShown) return;
    replay.statesShown = key;
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

  function redrawPlan() {
    if (!replay.copy) return;
    replay.statesShown = "";
    drawPlan(readingAt(replay.t), loadPlace(replay.t), wheelStates(replay.t));
  }

  function writePlanWords(reading, place, states, meta) {
    const named = (state) => meta.names.filter((_, i) => states[i] === state).join(", ");
    const lifted = named("open"), unknown = named("unknown");
    const parts = [
      `Boom at ${angleWords(reading.slew_deg)}`,
      known(reading.radius_m) ? `radius ${fixed(reading.radius_m, 2)} m` : "radius —",
      meta.load_words[place], lifted ? `lifted: ${lifted}` : "no wheel lifted",
    ];
    if (unknown) parts.push(`unknown: ${unknown}`);
    write("plan-words", `${parts.join("; ")}.`);
  }

  function drawCursor(t) {
    const graph = plot("traces"), cursor = byId("cursor");
    const axis = graph && graph._fullLayout && graph._fullLayout.xaxis;
    if (!cursor || !axis || !axis.l2p) return;
    const x = axis.l2p(t);
    const inside = x >= -1 && x <= axis._length + 1;
    cursor.style.display = inside ? "block" : "none";
    cursor.style.transform = `translateX(${axis._offset + x - 1}px)`;
  }

  function markMoment(t) {
    const now = replay.copy.moments.filter((m) => m.t_s <= t + 1e-6).length - 1;
    if (now === replay.momentShown) return;
    replay.momentShown = now;
    document.querySelectorAll("#moments .moment").forEach((b, i) => b.classList.toggle("now", i === now));
  }

  function draw() {
    replay.frame = 0;
    const { copy, t } = replay;
    if (!copy || !byId("replay")) return;
    const reading = readingAt(t);
    writeNumbers(reading);
    write("readout-time", clockWords(t));
    drawPlan(reading, loadPlace(t), wheelStates(t));
    drawCursor(t);
    moveScrubber();
    markMoment(t);
    byId("replay").dataset.shown = String(t);
  }

  function rest() {
    const { t, playing } = replay;
    if (playing || !byId("replay")) return;
    setProps("replay-rest", { data: t });
    replay.goToFromUs = Math.round(t * 1e4) / 1e4;
    setProps("go-to", { value: replay.goToFromUs });
    const address = new URL(window.location.href);
    address.searchParams.set("t", String(replay.goToFromUs));
    window.history.replaceState(window.history.state, "", address);
  }

  function seek(t) {
    const { copy } = replay;
    if (!copy || !Number.isFinite(t)) return;
    replay.t = Math.min(Math.max(t, copy.start_s), copy.end_s);
    if (!replay.frame) replay.frame = window.requestAnimationFrame(draw);
    window.clearTimeout(replay.restTimer);
    if (!replay.playing) replay.restTimer = window.setTimeout(rest, REST_MS);
  }

  function play(on) {
    if (on === replay.playing || !replay.copy) return;
    replay.playing = on;
    write("play", on ? "Pause" : "Play");
    if (!on) { seek(replay.t); return; }
    if (replay.t >= replay.copy.end_s - 1e-6) replay.t = replay.copy.start_s;
    replay.lastFrameMs = performance.now();
    const step = (nowMs) => {
      if (!replay.playing || !byId("replay")) { replay.playing = false; return; }
      const t = replay.t + (Math.max(nowMs - replay.lastFrameMs, 0) / 1000) * replay.speed;
      replay.lastFrameMs = nowMs;
      seek(t);
      if (replay.t >= replay.copy.end_s) { play(false); return; }
      window.requestAnimationFrame(step);
    };
    window.requestAnimationFrame(step);
  }

  function seekMoment(direction) {
    const times = replay.copy ? replay.copy.moments.map((m) => m.t_s) : [];
    const next = direction > 0
      ? times.find((t) => t > replay.t + 1e-6)
      : times.filter((t) => t < replay.t - 1e-6).pop();
    if (next !== undefined) seek(next);
  }

  function click(event) {
    if (!byId("replay")) return;
    const target = event.target.closest("button");
    if (!target) return;
    if (target.dataset.seek !== undefined) seek(Number(target.dataset.seek));
    else if (target.id === "play") play(!replay.playing);
    else if (target.id === "previous-event") seekMoment(-1);
    else if (target.id === "next-event") seekMoment(1);
  }

  const KEYS = {
    " ": () => play(!replay.playing),
    n: () => seekMoment(1),
    p: () => seekMoment(-1),
    ArrowRight: () => seek(replay.t + replay.copy.step_s),
    ArrowLeft: () => seek(replay.t - replay.copy.step_s),
    PageDown: () => seek(replay.t + 10),
    PageUp: () => seek(replay.t - 10),
    Home: () => seek(replay.copy.start_s),
    End: () => seek(replay.copy.end_s),
  };

  function key(event) {
    const busy = event.target.closest("input, textarea, select, button, a, [role=slider]");
    if (!byId("replay") || !replay.copy || busy || event.ctrlKey || event.metaKey || event.altKey) return;
    const action = KEYS[event.key];
    if (action) { event.preventDefault(); action(); }
  }

  function watch(graph, events) {
    if (graph.slewtraceWatched) return;
    graph.slewtraceWatched = true;
    Object.entries(events).forEach(([name, action]) => graph.on(name, action));
  }

  function watchFigures() {
    watch(plot("traces"), {
      plotly_click: (event) => seek(event.points[0].x),
      plotly_afterplot: () => drawCursor(replay.t),
    });
    watch(plot("plan"), { plotly_afterplot: redrawPlan });
  }

  /* The scrubber is the browser's own control: it works by hand, with gloves and with keys, and
   * tells of each move at once. */
  function mountScrubber() {
    const place = byId("scrubber"), { copy } = replay;
    let scrubber = place.querySelector("input");
    if (!scrubber) {
      scrubber = document.createElement("input");
      scrubber.type = "range";
      scrubber.setAttribute("aria-label", "Moment of the run");
      scrubber.addEventListener("input", () => seek(Number(scrubber.value)));
      place.append(scrubber);
    }
    Object.assign(scrubber, { min: copy.start_s, max: copy.end_s, step: "any" });
    moveScrubber();
  }

  function moveScrubber() {
    const scrubber = document.querySelector("#scrubber input"), { copy, t } = replay;
    if (!scrubber) return;
    if (Math.abs(Number(scrubber.value) - t) > 1e-9) scrubber.value = t;
    const share = (t - copy.start_s) / Math.max(copy.end_s - copy.start_s, 1e-9);
    scrubber.style.setProperty("--share", `${100 * share}%`);
    scrubber.setAttribute("aria-valuetext", `${clockWords(t)}, ${angleWords(readingAt(t).slew_deg)}`);
  }

  /* Figures are drawn some time after their data has come. */
  function whenDrawn(action, tries = 200) {
    const ready = [plot("plan"), plot("traces")].every((g) => g && g._fullLayout && g.data);
    if (ready) action();
    else if (tries > 0 && byId("replay")) window.setTimeout(() => whenDrawn(action, tries - 1), 20);
  }

  function refresh() {
    whenDrawn(() => {
      watchFigures();
      if (replay.copy) mountScrubber();
      replay.statesShown = "";
      draw();
      if (replay.copy) byId("replay").dataset.run = replay.copy.run;
    });
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    replay: {
      load(data) {
        if (!data) return noUpdate();
        const same = replay.copy && replay.copy.run === data.run && byId("replay").dataset.run;
        play(false);
        replay.copy = Object.assign({}, data, {
          slew: decode(data.slew_deg), load: decode(data.load_kg), radius: decode(data.radius_m),
          hanging: decode(data.hanging), grounded: decode(data.grounded),
          wheels: data.wheels.map((w) => ({ open: decode(w.open), unknown: decode(w.unknown) })),
        });
        replay.momentShown = null;
        seek(same ? replay.t : data.t_s);
        refresh();
        return data.run;
      },
      drawn() { refresh(); return noUpdate(); },
      goTo(value) {
        if (known(value) && value !== replay.goToFromUs) seek(value);
        return noUpdate();
      },
      speed(value) { replay.speed = Number(value) || 1; return noUpdate(); },
      exact(reading) {
        if (reading && reading.t_s === replay.t && !replay.playing) writeNumbers(reading);
        return noUpdate();
      },
    },
  });

  document.addEventListener("click", click);
  document.addEventListener("keydown", key);
  window.addEventListener("resize", () => byId("replay") && window.setTimeout(() => drawCursor(replay.t), 100));
})();
