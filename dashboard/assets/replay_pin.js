/* The pin: a second cursor that stays where it is put. What lies between it and the moment is told
 * as differences at once, and with least, greatest and mean reading when the moment rests. */
(function () {
  "use strict";

  const replay = window.slewtraceReplay;
  const { byId, known, fixed, inUnits, angleWords } = replay;
  const HEADS = ["", "At the pin", "Now", "Difference", "Least", "Greatest", "Mean"];
  const ROWS = [
    { words: "Time, s", of: (r) => r.t_s, write: (v) => fixed(v, 4) },
    { words: "Slew, °", key: "slew_deg", of: (r) => r.slew_deg, write: (v) => fixed(v, 2) },
    { kind: "mass", words: "Load", key: "load_kg", of: (r) => r.load_kg },
    { kind: "length", words: "Radius", key: "radius_m", of: (r) => r.radius_m },
    { kind: "moment", words: "Moment", key: "moment_nm", of: replay.momentOf },
  ];

  const signed = (text) => (text === "—" || text.startsWith("−") ? text : `+${text}`);

  function cells(row, pinned, now, between) {
    const write = row.write || ((value) => inUnits(row.kind, value, 1));
    const [low, high, mean] = (row.key && between && between[row.key]) || [];
    const spread = row.key ? [low, high, mean].map((v) => (between ? write(v) : "…")) : ["", "", ""];
    const unit = row.kind ? `, ${replay.copy.units[row.kind].unit}` : "";
    return [
      row.words + unit, write(row.of(pinned)), write(row.of(now)),
      signed(write(row.of(now) - row.of(pinned))), ...spread,
    ];
  }

  function makeTable(holder) {
    const table = document.createElement("table");
    const line = (names, tag) => {
      const tr = document.createElement("tr");
      names.forEach((name, i) => {
        const cell = document.createElement(i === 0 ? "th" : tag);
        if (cell.tagName === "TH") cell.scope = tag === "th" ? "col" : "row";
        cell.textContent = name;
        tr.append(cell);
      });
      return tr;
    };
    const head = document.createElement("thead"), body = document.createElement("tbody");
    head.append(line(HEADS, "th"));
    ROWS.forEach(() => body.append(line(HEADS.map(() => ""), "td")));
    table.append(head, body);
    holder.replaceChildren(table);
    return table;
  }

  function drawTable(t) {
    const holder = byId("pin-table");
    if (!holder) return;
    const { pin, exact } = replay;
    byId("pin-swap").disabled = byId("pin-away").disabled = !known(pin);
    if (!known(pin)) {
      if (holder.childElementCount) holder.replaceChildren();
      return;
    }
    const table = holder.querySelector("table") || makeTable(holder);
    const pinned = Object.assign({ t_s: pin }, replay.readingAt(pin));
    const now = Object.assign({ t_s: t }, replay.readingAt(t));
    const rested = exact && exact.t_s === t && exact.pin && exact.pin.t_s === pin;
    ROWS.forEach((row, i) => {
      cells(row, pinned, now, rested ? exact.between : null).forEach((text, j) => {
        const cell = table.tBodies[0].rows[i].cells[j];
        if (cell.textContent !== text) cell.textContent = text;
      });
    });
  }

  function setPin(t) {
    if (!replay.copy) return;
    const { start_s, end_s } = replay.copy;
    replay.pin = known(t) ? Math.min(Math.max(t, start_s), end_s) : null;
    replay.redraw();
    replay.restSoon();
  }

  function swap() {
    const { pin, t } = replay;
    if (!known(pin)) return;
    setPin(t);
    replay.seek(pin);
  }

  const ACTIONS = { "pin-here": () => setPin(replay.t), "pin-swap": swap, "pin-away": () => setPin(null) };

  replay.drawers.push(drawTable);
  Object.assign(replay, { setPin, swapPin: swap, angleOf: angleWords });
  document.addEventListener("click", (event) => {
    const button = byId("replay") && event.target.closest("button");
    if (button && ACTIONS[button.id]) ACTIONS[button.id]();
  });
})();
