/* Keys of the replay page, their list, and the switch that turns them off (WCAG 2.2, 2.1.4). They
 * work wherever the page was clicked; while something is written, or a control was reached by the
 * keyboard, its own keys go first. */
(function () {
  "use strict";

  const replay = window.slewtraceReplay;
  const { byId, seek, seekMoment } = replay;
  const SWITCH = "slewtrace.keys";
  const by = (seconds) => () => seek(replay.t + seconds);
  const KEYS = [
    { key: " ", shown: "Space", words: "Play or pause", act: () => replay.play(!replay.playing) },
    { key: "ArrowRight", shown: "→", words: "One reading on", act: () => replay.step(1) },
    { key: "ArrowLeft", shown: "←", words: "One reading back", act: () => replay.step(-1) },
    { key: "Shift+ArrowRight", shown: "Shift →", words: "1 s on", act: by(1) },
    { key: "Shift+ArrowLeft", shown: "Shift ←", words: "1 s back", act: by(-1) },
    { key: "PageDown", shown: "Page down", words: "10 s on", act: by(10) },
    { key: "PageUp", shown: "Page up", words: "10 s back", act: by(-10) },
    { key: "Shift+PageDown", shown: "Shift page down", words: "1 min on", act: by(60) },
    { key: "Shift+PageUp", shown: "Shift page up", words: "1 min back", act: by(-60) },
    { key: "n", words: "Next event", act: () => seekMoment(1) },
    { key: "p", words: "Previous event", act: () => seekMoment(-1) },
    { key: "Home", words: "Start of the run", act: () => seek(replay.copy.start_s) },
    { key: "End", words: "End of the run", act: () => seek(replay.copy.end_s) },
    { key: "t", words: "Type in a time", act: () => replay.typeTime() },
    { key: "<", words: "Slower", act: () => replay.changeSpeed(-1) },
    { key: ">", words: "Faster", act: () => replay.changeSpeed(1) },
    { key: "+", words: "Zoom in around the moment", act: () => replay.zoom(0.5) },
    { key: "-", words: "Zoom out", act: () => replay.zoom(2) },
    { key: "0", words: "See the whole run", act: () => replay.showWhole() },
    { key: "a", words: "Axis by time or by slew angle", act: otherAxis },
    { key: "x", words: "Pin this moment", act: () => replay.setPin(replay.t) },
    { key: "s", words: "Swap pin and moment", act: () => replay.swapPin() },
    { key: "b", words: "Bookmark this moment", act: () => replay.addMark() },
    { key: "c", words: "Copy the link", act: () => replay.copyLink() },
    { key: "?", words: "This list", act: showList },
  ];
  const ACTIONS = Object.fromEntries(KEYS.map((k) => [k.key, k.act]));
  const OF_CONTROL = [" ", "Enter", "ArrowLeft", "ArrowRight", "Home", "End", "PageUp", "PageDown"];

  function areOn() {
    try { return window.localStorage.getItem(SWITCH) !== "off"; } catch { return true; }
  }

  function switchKeys(on) {
    try { window.localStorage.setItem(SWITCH, on ? "on" : "off"); } catch { /* a barred store */ }
  }

  function otherAxis() {
    replay.setProps("replay-axis", { value: replay.axis === "angle" ? "time" : "angle" });
  }

  function made(tag, props = {}, ...children) {
    const element = Object.assign(document.createElement(tag), props);
    element.append(...children);
    return element;
  }

  function makeList() {
    const dialog = made("dialog", { id: "keys" });
    dialog.setAttribute("aria-labelledby", "keys-head");
    const box = made("input", { type: "checkbox", id: "keys-on", checked: areOn() });
    box.addEventListener("change", () => switchKeys(box.checked));
    const close = made("button", { type: "button", className: "button", textContent: "Close" });
    close.addEventListener("click", () => dialog.close());
    const rows = KEYS.map((k) => made("tr", {},
      made("th", { scope: "row" }, made("kbd", { textContent: k.shown || k.key })),
      made("td", { textContent: k.words })));
    dialog.append(
      made("div", { className: "keys-head" },
        made("h2", { id: "keys-head", textContent: "Keys of this page" }), close),
      made("label", { className: "keys-switch" }, box, " Keys are on"),
      made("p", { className: "muted small", textContent:
        "Off, only what has the focus answers to keys; this browser remembers it." }),
      made("table", {}, made("tbody", {}, ...rows)),
    );
    return dialog;
  }

  function showList() {
    let dialog = byId("keys");
    if (!dialog) {
      dialog = makeList();
      byId("replay").append(dialog);
    }
    byId("keys-on").checked = areOn();
    if (!dialog.open) dialog.showModal();
  }

  function isWriting(target) {
    return target.isContentEditable || target.matches("textarea, select")
      || (target.matches("input") && !["range", "radio", "checkbox", "button"].includes(target.type));
  }

  /* A control that was reached by the keyboard answers to its own keys first. */
  function isOfControl(target, key) {
    return OF_CONTROL.includes(key) && target.matches(":focus-visible")
      && target.matches("button, a, summary, [role=tab], input[type=radio], input[type=checkbox]");
  }

  function pressed(event) {
    if (!byId("replay") || !replay.copy || event.ctrlKey || event.metaKey || event.altKey) return;
    const { target } = event;
    if (isWriting(target) || target.closest("dialog, [role=dialog], [role=listbox]")) return;
    if (!areOn() || isOfControl(target, event.key)) return;
    const named = event.shiftKey && event.key.length > 1 ? `Shift+${event.key}` : event.key;
    const action = ACTIONS[named];
    if (!action) return;
    event.preventDefault();
    replay.stepping = true;
    action();
    window.setTimeout(() => { replay.stepping = false; }, 400);
  }

  /* After a click the page has the keys again, not the button that was clicked. */
  function released(event) {
    const target = byId("replay") && event.target.closest("button, label, input, [role=tab]");
    if (!target || target.closest("dialog") || event.pointerType === "") return;
    window.setTimeout(() => {
      const held = document.activeElement;
      if (held && held.matches("#replay button, #replay input[type=radio], #replay input[type=range]")
        && !held.matches("[role=combobox]")) held.blur();
    }, 0);
  }

  document.addEventListener("keydown", pressed);
  document.addEventListener("pointerup", released);
  document.addEventListener("click", (event) => {
    if (byId("replay") && event.target.closest("#show-keys")) showList();
  });
})();
