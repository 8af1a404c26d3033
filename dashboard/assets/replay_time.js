/* The field for a time on the replay page: seconds, or minutes:seconds as the page shows them. It is
 * the browser's own, so that what is being typed is never drawn over by what the page shows. */
(function () {
  "use strict";

  const replay = window.slewtraceReplay;
  const { byId, known } = replay;
  const TIME = /^\s*\d+(:\d+){0,2}([.,]\d*)?\s*$/;
  const HINT = "Type seconds, as in 75.5, or minutes and seconds, as in 1:15.5";

  const secondsOf = (words) => (TIME.test(words)
    ? words.replace(",", ".").split(":").reduce((whole, part) => 60 * whole + Number(part), 0) : NaN);

  function write() {
    const field = byId("go-to");
    if (!field || field === document.activeElement) return;
    field.value = String(Math.round(replay.t * 1e6) / 1e6);
    field.setCustomValidity("");
  }

  /* Once the time is taken, or given up, the page has its keys again. */
  function pressed(event) {
    const { key, target } = event;
    if (key === "Escape") target.value = target.dataset.before;
    else if (key === "Enter") target.setCustomValidity(known(secondsOf(target.value)) ? "" : HINT);
    else return;
    if (key === "Escape" || target.reportValidity()) target.blur();
  }

  function left({ target }) {
    const t = secondsOf(target.value);
    if (target.value !== target.dataset.before && known(t)) replay.seek(t);
    write();
  }

  function mount() {
    const place = byId("time-field");
    if (!place || byId("go-to")) return;
    const field = Object.assign(document.createElement("input"),
      { id: "go-to", type: "text", inputMode: "decimal", autocomplete: "off", title: HINT });
    field.setAttribute("aria-label", "Time since the start, seconds");
    field.addEventListener("focus", () => { field.dataset.before = field.value; });
    field.addEventListener("input", () => field.setCustomValidity(""));
    field.addEventListener("keydown", pressed);
    field.addEventListener("blur", left);
    place.append(field);
  }

  replay.loaders.push(mount, write);
  replay.resters.push(write);
  replay.typeTime = () => {
    const field = byId("go-to");
    if (!field) return;
    field.focus();
    field.select();
  };
})();
