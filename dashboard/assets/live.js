/* The live page in the browser: writes what the server pushes into places that stay as they are,
 * turns the boom, lets ages grow, and says loudly when nothing comes any more. */
(function () {
  "use strict";

  const LOST_AFTER_MS = 1600;   // the server speaks at least twice a second
  const FIRST_WAIT_MS = 3000;   // a server that has just begun may take so much longer, once
  const TICK_MS = 200, LATE_MS = 700;
  const FIRST_RETRY_MS = 1000, LONGEST_RETRY_MS = 15000;
  const BEEP_EVERY_MS = 1500, BEEP_MS = 350;
  const BUSY_MS = 700;          // a glove that presses twice notes once
  const SOUND_KEPT = "slewtrace-live-sound"; // as long as the browser's tab
  const SOUND_WORDS = {
    on: "Sound is on: turn off",
    off: "Sound is off: turn on",
    asked: "Sound is off till you press here", // a browser sounds only after a press
  };
  const LOUD = ["confirmed", "unknown", "waiting", "gone", "suspect"];

  const live = {
    state: null, gotMs: 0, newMs: 0, timer: 0, lost: false, retryMs: 0, retryAtMs: 0, presses: 0, tickMs: 0,
    sound: null, wanted: false, beepAtMs: 0, ask: null,
  };

  const byId = (id) => document.getElementById(id);
  const setProps = (id, props) => window.dash_clientside.set_props(id, props);
  const root = () => byId("live");

  function write(id, text) {
    const element = byId(id);
    if (element && element.textContent !== text) element.textContent = text;
  }

  function mark(element, state) {
    if (element && element.dataset.state !== state) element.dataset.state = state;
  }

  function show(state) {
    const page = root();
    if (page.dataset.phase !== state.phase) page.dataset.phase = state.phase;
    page.dataset.others = String(state.others || 0);
    if (!state.words || !byId("live-alarm")) return;
    Object.entries(state.words).forEach(([id, text]) => {
      if (text || !state.states[id]) write(id, text);
    });
    Object.entries(state.states).forEach(([id, word]) => mark(byId(id), word));
    const button = byId("live-acknowledge-button");
    button.disabled = state.states["live-acknowledge"] !== "due" || button.dataset.locked === "true";
    state.events.forEach((text, i) => write(`live-event-${i}`, text));
    drawPlan(state.plan);
    page.dataset.shown = String(state.t_ns);
  }

  function drawPlan(now) {
    const svg = document.querySelector("#live-plan svg");
    if (!svg) return;
    const words = now.wheels.map((_, i) => byId(`live-wheel-${i}-word`)?.textContent ?? "");
    window.slewtraceTruckPlan.draw(svg, Object.assign({ words }, now));
    window.slewtraceTruckPlan.drawSwept(svg, now.swept_deg);
  }

  function ageWords(age_s) {
    if (age_s < 10) return `${age_s.toFixed(1)} s`;
    return age_s < 120 ? `${age_s.toFixed(0)} s` : `${(age_s / 60).toFixed(0)} min`;
  }

  /* On the run's clock, since the recorder's latest state. */
  const elapsed_s = () => ((performance.now() - live.newMs) / 1000) * (live.state.clock_rate || 1);

  function writeAges() {
    if (!live.state) return;
    const since_s = live.state.phase === "sealed" ? 0 : elapsed_s();
    (live.state.ages_s || []).forEach((age_s, i) => {
      write(`live-channel-${i}-age`, age_s === null ? "—" : ageWords(age_s + since_s));
    });
  }

  /* Nothing comes from the dashboard: then nothing on the page may look fresh. */
  function lose() {
    live.lost = true;
    const page = root(), said = JSON.parse(page.dataset.lost);
    page.dataset.phase = "lost";
    write("live-lost", `✖ ${said.word}. ${said.text}`);
    if (!byId("live-alarm")) return;
    mark(byId("live-alarm"), "gone");
    write("live-alarm-sign", "✖");
    write("live-alarm-word", said.word);
    write("live-alarm-text", said.text);
    mark(byId("live-next"), "act");
    write("live-next-words", said.next);
    byId("live-acknowledge-button").disabled = true;
    document.querySelectorAll(".live-wheel").forEach((wheel) => {
      mark(wheel, "unknown");
      wheel.querySelector(".sign").textContent = "?";
      wheel.querySelector("strong").textContent = "UNKNOWN";
    });
    document.querySelectorAll(".live-numeral").forEach((numeral) => mark(numeral, "unknown"));
    document.querySelectorAll(".live-value").forEach((value) => { value.textContent = "?"; });
    document.querySelectorAll(".live-below").forEach((value) => { value.textContent = "no data"; });
    document.querySelectorAll(".live-details tr[data-state]").forEach((row) => {
      mark(row, "unknown");
      row.querySelector("td span").textContent = "? stale";
    });
    if (live.state && live.state.plan) {
      const wheels = live.state.plan.wheels.map(() => "unknown");
      drawPlan(Object.assign({}, live.state.plan, { slew_deg: null, load: "unknown", wheels }));
    }
  }

  /* A stream that ended is not begun again by itself, unless it is asked for. */
  function askAnew(changes) {
    const body = live.state ? live.state.body : null;
    const asked = Object.assign({}, live.ask, { body, stream: live.ask.stream + 1 }, changes);
    live.ask = asked;
    setProps("live-ask", { data: asked });
  }

  function retry(nowMs) {
    if (nowMs < live.retryAtMs) return;
    live.retryMs = Math.min(live.retryMs ? 2 * live.retryMs : FIRST_RETRY_MS, LONGEST_RETRY_MS);
    live.retryAtMs = nowMs + live.retryMs;
    askAnew({});
  }

  function isLoud() {
    const banner = byId("live-alarm");
    return Boolean(banner) && LOUD.includes(banner.dataset.state);
  }

  function beep(nowMs) {
    if (soundIs() !== "on" || !isLoud() || nowMs - live.beepAtMs < BEEP_EVERY_MS) return;
    live.beepAtMs = nowMs;
    const tone = live.sound.createOscillator(), gain = live.sound.createGain();
    tone.type = "square";
    tone.frequency.value = 880;
    gain.gain.value = 0.25;
    tone.connect(gain).connect(live.sound.destination);
    tone.start();
    tone.stop(live.sound.currentTime + BEEP_MS / 1000);
  }

  const mayBeHeard = () => Boolean(live.sound) && live.sound.state === "running";
  const soundIs = () => (!live.wanted ? "off" : mayBeHeard() ? "on" : "asked");

  function beginSound() {
    const Context = window.AudioContext || window.webkitAudioContext;
    const pressed = !navigator.userActivation || navigator.userActivation.hasBeenActive;
    live.wanted = Boolean(Context);
    if (!live.sound && Context && pressed) live.sound = new Context();
    if (!live.sound) return;
    live.sound.onstatechange = showSound;
    live.sound.resume();
  }

  function silence() {
    live.wanted = false;
    if (!live.sound) return;
    live.sound.onstatechange = null;
    live.sound.close();
    live.sound = null;
  }

  function showSound() {
    const banner = byId("live-alarm"), now = soundIs();
    if (banner && banner.dataset.sound !== now) banner.dataset.sound = now;
    write("live-sound", SOUND_WORDS[now]);
  }

  function switchSound() {
    if (soundIs() === "on") silence(); else beginSound();
    window.sessionStorage.setItem(SOUND_KEPT, live.wanted ? "on" : "off");
    showSound();
  }

  function writeTitle() {
    const banner = byId("live-alarm");
    const sign = banner && isLoud() ? `${byId("live-alarm-sign").textContent} ${byId("live-alarm-word").textContent} · ` : "";
    const title = `${sign}Slewtrace`;
    if (document.title !== title) document.title = title;
  }

  function tick() {
    const nowMs = performance.now(), late = nowMs - live.tickMs > LATE_MS;
    live.tickMs = nowMs;
    if (!root()) { leave(); return; }
    if (late) return; // this page stood still itself: what came meanwhile is read first
    if (nowMs - live.gotMs > LOST_AFTER_MS) {
      if (!live.lost) lose();
      retry(nowMs);
    }
    writeAges();
    writeTitle();
    showSound();
    beep(nowMs);
  }

  function leave() {
    window.clearInterval(live.timer);
    silence();
    Object.assign(live, { timer: 0, state: null, ask: null, lost: false });
    document.title = "Slewtrace";
  }

  function press(button) {
    const what = button.dataset.press;
    if (what === "sound") { switchSound(); return; }
    if (what === "again") { askAnew({ run: "", body: null }); return; }
    if (!live.state || button.dataset.busy) return;
    button.dataset.busy = "yes";
    window.setTimeout(() => { delete button.dataset.busy; }, BUSY_MS);
    const field = { radius: "live-radius-text", text: "live-note-text" }[what];
    setProps("live-press", {
      data: {
        do: what, number: ++live.presses, viewer: live.ask.viewer, units: live.ask.units,
        t_s: live.state.t_ns / 1e9 + elapsed_s(), seen: live.state.seen,
        text: field ? byId(field).value : "",
      },
    });
  }

  function click(event) {
    if (root() && soundIs() === "asked" && event.target.id !== "live-sound") beginSound();
    const button = event.target.closest("button[data-press]");
    if (button && root()) press(button);
  }

  function key(event) {
    const of = { "live-radius-text": "radius", "live-note-text": "text" }[event.target.id];
    if (event.key !== "Enter" || !of) return;
    event.preventDefault();
    press(document.querySelector(`button[data-press=${of}]`));
  }

  function begin(asked) {
    if (!live.timer) live.timer = window.setInterval(tick, TICK_MS);
    if (window.sessionStorage.getItem(SOUND_KEPT) === "on") beginSound();
    live.presses = Date.now() % 1e9;
    const now = performance.now();
    Object.assign(live, { ask: asked, state: null, gotMs: now + FIRST_WAIT_MS, lost: false });
    askAnew({});
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    live: {
      draw(state, asked) {
        const none = window.dash_clientside.no_update;
        if (!root() || !asked) return none;
        if (!live.ask || live.ask.viewer !== asked.viewer) begin(asked);
        if (!state || state.stream !== asked.stream) return none;
        live.gotMs = performance.now();
        if (state.phase === "connecting") return none; // what was lost stays loud until then
        if (!live.state || live.state.t_ns !== state.t_ns) live.newMs = live.gotMs;
        Object.assign(live, { state, ask: asked, retryMs: 0, retryAtMs: 0, lost: false });
        show(state);
        writeAges();
        return none;
      },
    },
  });

  document.addEventListener("click", click);
  document.addEventListener("keydown", key);
})();
