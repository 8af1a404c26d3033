/* Replay of a run in the browser: the moment, what moves it, and the numbers beside it. Everything
 * that follows the scrubber is drawn from the compact copy that the server sent once (see
 * figures/replay_copy.py). The other files named replay_… add parts to the page and share what
 * stands in window.slewtraceReplay; each adds to `drawers` what is to be drawn with a moment. */
(function () {
  "use strict";

  const GRAVITY = 9.80665; // m/s², standard acceleration (NIST SP 811)
  const REST_MS = 150;
  const UNKNOWN = -32768; // see figures/replay_copy.py
  const SPEEDS = ["0.25", "0.5", "1", "2", "5", "10"];

  const replay = {
    copy: null, found: null, t: 0, pin: null, exact: null, playing: false, speed: 1,
    axis: "time", overlay: { run: null, way: "start" },
    drawers: [], loaders: [], resters: [],
    frame: 0, lastFrameMs: 0, restTimer: 0, momentShown: null, times: [],
  };
  window.slewtraceReplay = replay;

  const byId = (id) => document.getElementById(id);
  const setProps = (id, props) => window.dash_clientside.set_props(id, props);
  const noUpdate = () => window.dash_clientside.no_update;
  const known = (value) => value !== null && value !== undefined && Number.isFinite(value);

  function decode(packed) {
    if (!packed) return null;
    const bytes = Uint8Array.from(atob(packed.bdata), (c) => c.charCodeAt(0));
    const kinds = { f4: Float32Array, f8: Float64Array, i2: Int16Array };
    return new kinds[packed.dtype](bytes.buffer);
  }

  function decodeGrid(packed) {
    if (!packed) return null;
    const steps = decode(packed);
    return { length: steps.length, at(i) {
      return steps[i] === UNKNOWN ? NaN : packed.low + (steps[i] + 32767) * packed.step;
    } };
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

  /* The readings at a time: exact where the server told them, else those of the grid. */
  function readingAt(t) {
    const { copy, exact } = replay;
    if (exact && exact.t_s === t) return exact;
    if (exact && exact.pin && exact.pin.t_s === t) return exact.pin;
    const index = Math.max(0, Math.floor((t - copy.start_s) / copy.step_s + 1e-6));
    const at = (grid) => (grid && index < grid.length ? grid.at(index) : NaN);
    return { slew_deg: at(copy.slew), load_kg: at(copy.load), radius_m: at(copy.radius) };
  }

  const momentOf = (reading) => (known(reading.load_kg) && known(reading.radius_m)
    ? reading.load_kg * GRAVITY * reading.radius_m : NaN);
  const fixed = (value, digits) => (known(value) ? value.toFixed(digits).replace("-", "−") : "—");

  /* A number in the units that are chosen, without the unit. */
  function inUnits(kind, si, more = 0) {
    const measure = replay.copy.units[kind];
    return fixed(known(si) ? si / measure.si : NaN, measure.digits + more);
  }

  function angleWords(slew, digits = 1) {
    if (!known(slew)) return "—";
    const size = Math.abs(slew).toFixed(digits);
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
    const moment = momentOf(reading), required = replay.found && replay.found.required_moment_nm;
    write("readout-slew", angleWords(reading.slew_deg));
    write("readout-load", inUnits("mass", reading.load_kg));
    write("readout-radius", inUnits("length", reading.radius_m));
    write("readout-moment", inUnits("moment", moment));
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

  const moments = () => (replay.found ? replay.found.moments.map((m) => m.t_s) : []);

  function markMoment(t) {
    const now = moments().filter((at) => at <= t + 1e-6).length - 1;
    if (now === replay.momentShown) return;
    replay.momentShown = now;
    document.querySelectorAll("#moments .moment").forEach((b, i) => b.classList.toggle("now", i === now));
  }

  function endWords(t) {
    const { copy } = replay;
    if (t >= copy.end_s - 1e-9) return "End of the run";
    return t <= copy.start_s + 1e-9 ? "Start of the run" : "";
  }

  function draw() {
    replay.frame = 0;
    const { copy, t } = replay;
    if (!copy || !byId("replay")) return;
    writeNumbers(readingAt(t));
    write("readout-time", clockWords(t));
    write("replay-end", endWords(t));
    moveScrubber();
    markMoment(t);
    replay.drawers.forEach((drawer) => drawer(t));
    byId("replay").dataset.shown = String(t);
  }

  const redraw = () => { if (!replay.frame) replay.frame = window.requestAnimationFrame(draw); };

  function rest() {
    const { t, playing, pin, copy } = replay;
    if (playing || !copy || !byId("replay")) return;
    setProps("replay-rest", { data: { t_s: t, pin_s: pin } });
    replay.resters.forEach((rester) => rester());
  }

  function restSoon() {
    window.clearTimeout(replay.restTimer);
    if (!replay.playing) replay.restTimer = window.setTimeout(rest, REST_MS);
  }

  function seek(t) {
    const { copy } = replay;
    if (!copy || !Number.isFinite(t)) return;
    replay.t = Math.min(Math.max(t, copy.start_s), copy.end_s);
    redraw();
    restSoon();
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

  function changeSpeed(direction) {
    const at = SPEEDS.indexOf(String(replay.speed)) + direction;
    if (at >= 0 && at < SPEEDS.length) setProps("speed", { value: SPEEDS[at] });
  }

  function seekMoment(direction) {
    const next = direction > 0
      ? moments().find((t) => t > replay.t + 1e-6)
      : moments().filter((t) => t < replay.t - 1e-6).pop();
    if (next !== undefined) seek(next);
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
  function whenDrawn(action, tries = 6000) {
    const traces = document.querySelector("#traces .js-plotly-plot");
    if (document.querySelector("#plan svg") && traces && traces._fullLayout && traces.data) action();
    else if (tries > 0 && byId("replay")) window.setTimeout(() => whenDrawn(action, tries - 1), 10);
  }

  function refresh() {
    whenDrawn(() => {
      if (!replay.copy || !byId("replay")) return;
      mountScrubber();
      replay.loaders.forEach((loader) => loader());
      draw();
      byId("replay").dataset.run = replay.copy.run;
    });
  }

  function load(data) {
    if (!data) return noUpdate();
    const same = replay.copy && replay.copy.run === data.run;
    play(false);
    replay.copy = Object.assign({}, data, {
      slew: decodeGrid(data.grid.slew), load: decodeGrid(data.grid.load),
      radius: decodeGrid(data.grid.radius),
      hanging: decode(data.hanging), grounded: decode(data.grounded),
      wheels: data.wheels.map((w) => ({ name: w.name, open: decode(w.open), unknown: decode(w.unknown) })),
    });
    if (!same) Object.assign(replay, { found: null, exact: null, times: [], pin: null, opened: false });
    replay.momentShown = null;
    seek(same ? replay.t : data.t_s);
    refresh();
    return data.run;
  }

  const ACTIONS = {
    play: () => play(!replay.playing),
    "previous-event": () => seekMoment(-1), "next-event": () => seekMoment(1),
    "previous-reading": () => replay.step(-1), "next-reading": () => replay.step(1),
  };

  function click(event) {
    const target = byId("replay") && event.target.closest("button");
    if (!target) return;
    if (target.dataset.seek !== undefined) seek(Number(target.dataset.seek));
    else if (ACTIONS[target.id]) ACTIONS[target.id]();
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    replay: {
      load,
      found(data) {
        if (!data) return noUpdate();
        Object.assign(replay, { found: data, momentShown: null });
        replay.drawFound();
        redraw();
        return data.run;
      },
      drawn() { refresh(); return noUpdate(); },
      traces(figure) { if (figure) replay.drawTraces(figure); return noUpdate(); },
      speed(value) { replay.speed = Number(value) || 1; return noUpdate(); },
      exact(reading) {
        if (!reading) return noUpdate();
        replay.exact = reading;
        if (reading.t_s === replay.t && !replay.playing) redraw();
        return noUpdate();
      },
      times(told) { replay.tookTimes(told); return noUpdate(); },
      axis(value) { replay.axis = value || "time"; redraw(); restSoon(); return replay.axis; },
      overlay(run, way) {
        replay.overlay = { run: run || null, way: way || "start" };
        if (replay.overlayChanged) replay.overlayChanged();
        return run ? "yes" : "no";
      },
      angles() { if (replay.anglesDrawn) replay.anglesDrawn(); return noUpdate(); },
    },
  });
  Object.assign(replay, {
    byId, setProps, decode, refresh, known, fixed, inUnits, angleWords, clockWords, write, momentOf, readingAt,
    loadPlace, wheelStates, draw, redraw, restSoon, seek, play, seekMoment, changeSpeed,
  });

  document.addEventListener("click", click);
})();
