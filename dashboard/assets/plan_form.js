/* The form of the page Plan, drawn from the description that the server gives of its fields.
 *
 * What stands in it is a flat table of paths and texts (see test_form/filled_in.py). Fields are
 * native, so that keyboards, gloves and screen readers find what they know. Words from files are
 * only ever set as text or as a value. */
(function () {
  "use strict";

  const THERE = "on";
  const idOf = (path) => `plan-f-${path}`;

  function h(tag, given, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(given || {})) {
      if (name === "text") element.textContent = value;
      else if (name === "class") element.className = value;
      else if (value !== null && value !== undefined && value !== false) {
        element.setAttribute(name, value === true ? "" : value);
      }
    }
    element.append(...children.filter(Boolean));
    return element;
  }

  const capital = (words) => words.charAt(0).toUpperCase() + words.slice(1);
  const says = (path) => h("p", { class: "says", id: `${idOf(path)}-says`, "data-says": path });
  const keyWord = (words) => h("code", { class: "key", text: words });

  /* A field that is written as text; what it holds is its value, whatever its kind. */
  function input(entry, path, value, named) {
    const common = {
      id: idOf(path), "data-path": path, "aria-label": named,
      "aria-describedby": `${idOf(path)}-says${entry.hint ? ` ${idOf(entry.at || path)}-hint` : ""}`,
      "aria-required": entry.required ? "true" : null,
    };
    if (entry.kind === "choice" || entry.kind === "flag") return choice(entry, common, value);
    if (entry.kind === "long" || entry.kind === "names") {
      const lines = Math.max(entry.kind === "names" ? 4 : 2, value.split("\n").length);
      const area = h("textarea", { ...common, rows: Math.min(lines, 12), spellcheck: "false" });
      area.value = value;
      return area;
    }
    const field = h("input", {
      ...common, type: "text", placeholder: entry.usual, autocomplete: "off", spellcheck: "false",
      autocapitalize: "off", class: entry.kind,
    });
    field.value = value;
    return field;
  }

  function choice(entry, common, value) {
    const select = h("select", common);
    const known = entry.options.some(([of]) => of === value);
    select.append(h("option", { value: "", text: entry.usual || "not stated" }));
    for (const [of, words] of entry.options) select.append(h("option", { value: of, text: words }));
    if (value && !known) select.append(h("option", { value, text: value }));
    select.value = value;
    return select;
  }

  function field(entry, path, values) {
    const hint = entry.hint && h("p", { class: "hint", id: `${idOf(path)}-hint`, text: entry.hint });
    const wide = ["long", "names"].includes(entry.kind) || entry.key === "preset" ? " wide" : "";
    if (entry.kind === "pair") {
      const axes = [["ahead", "x"], ["to the left", "y"]].map(([words, axis], n) => {
        const at = `${path}/${n}`;
        const one = input(
          { ...entry, kind: "quantity", usual: "like 1.2 m", at: path }, at, values[at] || "",
          `${entry.label}, ${words}`,
        );
        return h("div", { class: "axis" },
          h("span", { class: "axis-name", text: `${axis}, ${words}`, "aria-hidden": "true" }), one, says(at));
      });
      return h("div", { class: "field pair", role: "group", "aria-label": entry.label },
        h("span", { class: "label" }, entry.label, " ", keyWord(entry.key)), hint,
        h("div", { class: "axes" }, ...axes), says(path));
    }
    return h("div", { class: `field${wide}` },
      h("label", { for: idOf(path) }, entry.label, " ", keyWord(entry.key)), hint,
      input(entry, path, values[path] || ""), says(path));
  }

  const filled = (path, values) => Object.keys(values).some(
    (p) => (p === path || p.startsWith(`${path}/`)) && values[p] && !p.endsWith("/#"),
  );

  /* Entries of a table: the usual ones, and those that most tests leave out behind one word. */
  function entries(list, path, values) {
    const draw = (entry) => one(entry, `${path}${entry.key}`, values);
    const usual = list.filter((e) => !e.rare), rare = list.filter((e) => e.rare);
    const drawn = [h("div", { class: "fields" }, ...usual.map(draw), ...unknown(path, values))];
    if (rare.length) {
      const open = rare.some((e) => filled(`${path}${e.key}`, values));
      drawn.push(h("details", { class: "rare", open, "data-open": `${path}rare` },
        h("summary", { text: `More: ${rare.map((e) => e.label.toLowerCase()).join(", ")}` }),
        h("div", { class: "fields" }, ...rare.map(draw))));
    }
    return drawn;
  }

  function one(entry, path, values) {
    if (entry.kind === "rows" || entry.kind === "named") return rows(entry, path, values);
    if (entry.kind === "limit") {
      return h("fieldset", { class: "limit" },
        h("legend", {}, entry.label, " ", keyWord(entry.key)),
        entry.hint && h("p", { class: "hint", text: entry.hint }),
        ...entries(entry.entries, `${path}/`, values), says(path));
    }
    if (entry.kind === "table") return table(entry, path, values);
    return field(entry, path, values);
  }

  /* Keys that nobody knows: each may be taken out, and stays until it is. */
  function unknown(path, values) {
    const prefix = `${path}?`;
    return Object.keys(values).filter((p) => p.startsWith(prefix)).map((p) => {
      const box = h("input", { type: "checkbox", id: idOf(p), "data-path": p, "data-keeps": values[p] || "kept",
        "aria-describedby": `${idOf(p)}-says` });
      box.checked = Boolean(values[p]);
      return h("div", { class: "field wide unknown" },
        h("label", { for: idOf(p), class: "check" }, box, " keep ",
          h("code", { text: `${p.slice(prefix.length)} = ${values[p].slice(0, 60)}` })), says(p));
    });
  }

  function table(entry, path, values) {
    const inside = h("div", { class: "inside" }, ...entries(entry.entries, `${path}/`, values));
    const head = [h("legend", {}, entry.label, " ", keyWord(`[${path.replaceAll("/", ".")}]`)),
      entry.hint && h("p", { class: "hint", text: entry.hint })];
    return h("fieldset", { class: "table" }, ...head, ...switched(entry, path, values, inside), inside, says(path));
  }

  /* The switch of a table that may be left out; what is typed in it stays while it is off. */
  function switched(entry, path, values, inside) {
    if (!entry.optional) return [];
    const box = h("input", { type: "checkbox", id: idOf(`${path}/#`), "data-path": `${path}/#`, "data-keeps": THERE });
    box.checked = values[`${path}/#`] === THERE;
    inside.hidden = !box.checked;
    box.addEventListener("change", () => { inside.hidden = !box.checked; });
    return [h("label", { class: "check", for: box.id }, box, ` with ${entry.label.toLowerCase()}`)];
  }

  function rowNumbers(path, values) {
    const prefix = `${path}/`;
    const found = Object.keys(values).filter((p) => p.startsWith(prefix))
      .map((p) => p.slice(prefix.length).split("/")[0]).filter((s) => /^\d+$/.test(s)).map(Number);
    return [...new Set(found)].sort((a, b) => a - b);
  }

  function rows(entry, path, values) {
    const called = entry.hint || "row";
    const group = h("fieldset", { class: "rows", "data-rows": path },
      h("legend", {}, entry.label, " ", keyWord(entry.key)), says(path),
      h("input", { type: "hidden", "data-path": `${path}/#`, value: THERE }));
    for (const number of rowNumbers(path, values)) {
      const at = `${path}/${number}`;
      const origin = h("input", { type: "hidden", "data-path": `${at}/#` });
      origin.value = values[`${at}/#`] || "";
      group.append(h("fieldset", { class: "row", "data-row": at },
        h("legend", { text: `${capital(called)} ${number + 1}` }), origin, ...entries(entry.entries, `${at}/`, values),
        says(at),
        h("button", { type: "button", class: "button small-button take-out", "data-take": at,
          "aria-label": `Take out ${called} ${number + 1}`, text: "Take out" })));
    }
    group.append(h("button", { type: "button", class: "button small-button add", "data-add": path,
      text: `Add a ${called}` }));
    return group;
  }

  function section(entry, values, open) {
    const inside = h("div", { class: "inside" }, ...entries(entry.entries, `${entry.key}/`, values));
    return h("details", { class: "card plan-section", open, "data-section": entry.key, "data-open": entry.key },
      h("summary", {}, h("h2", { class: "section-name", text: entry.label }), keyWord(`[${entry.key}]`),
        h("span", { class: "count" })),
      entry.hint && h("p", { class: "hint section-hint", text: entry.hint }),
      ...switched(entry, entry.key, values, inside), inside, says(entry.key));
  }

  const FIRST_OPEN = ["test", "truck", "crane", "load", "method"];
  const opensFirst = (key) => FIRST_OPEN.slice(0, window.matchMedia("(max-width: 1080px)").matches ? 1 : 5).includes(key);

  /* Draws the form into its place; what was open stays open. */
  function draw(place, form, values) {
    const was = new Map([...place.querySelectorAll("[data-open]")].map((d) => [d.dataset.open, d.open]));
    place.replaceChildren(...form.map((entry) => section(entry, values, opensFirst(entry.key))),
      h("div", { class: "fields" }, ...unknown("", values)), says(""));
    for (const d of place.querySelectorAll("[data-open]")) {
      if (was.has(d.dataset.open)) d.open = was.get(d.dataset.open);
    }
  }

  function valueOf(element) {
    if (element.type === "checkbox") return element.checked ? element.dataset.keeps : "";
    return element.value;
  }

  const collect = (place) => Object.fromEntries(
    [...place.querySelectorAll("[data-path]")].map((e) => [e.dataset.path, valueOf(e)]),
  );

  /* The same values with one row less; those behind it move up. */
  function withoutRow(values, at) {
    const cut = at.lastIndexOf("/"), list = at.slice(0, cut), taken = Number(at.slice(cut + 1));
    const rest = {};
    for (const [path, value] of Object.entries(values)) {
      const step = path.startsWith(`${list}/`) ? path.slice(list.length + 1).split("/")[0] : "";
      if (!/^\d+$/.test(step)) rest[path] = value;
      else if (Number(step) < taken) rest[path] = value;
      else if (Number(step) > taken) {
        rest[`${list}/${Number(step) - 1}${path.slice(list.length + 1 + step.length)}`] = value;
      }
    }
    return rest;
  }

  function withRow(values, list) {
    return { ...values, [`${list}/${rowNumbers(list, values).length}/#`]: "" };
  }

  /* Where a mistake is told: at its field, or at what holds it. */
  function slotOf(place, path) {
    for (let at = path; ; at = at.slice(0, Math.max(0, at.lastIndexOf("/")))) {
      const slot = place.querySelector(`[data-says="${CSS.escape(at)}"]`);
      if (slot || !at) return slot;
    }
  }

  function mark(place, mistakes) {
    const told = new Map();
    for (const mistake of mistakes) {
      const slot = slotOf(place, mistake.path);
      if (slot && !told.has(slot)) told.set(slot, mistake.says);
    }
    for (const slot of place.querySelectorAll("[data-says]")) {
      const words = told.has(slot) ? `▲ ${told.get(slot)}` : "";
      if (slot.textContent !== words) slot.textContent = words;
      const at = document.getElementById(idOf(slot.dataset.says));
      if (!at) continue;
      if (words) at.setAttribute("aria-invalid", "true"); else at.removeAttribute("aria-invalid");
    }
    for (const part of place.querySelectorAll("[data-section]")) {
      const count = mistakes.filter((m) => m.path.split("/")[0] === part.dataset.section).length;
      part.querySelector(".count").textContent = count ? `▲ ${count} to mend` : "";
    }
  }

  /* Opens whatever a place is folded into, and goes there. */
  function goTo(place, path) {
    const slot = slotOf(place, path);
    const field = document.getElementById(idOf(path)) || slot?.closest("fieldset, .field, details");
    for (let at = field || slot; at && at !== place; at = at.parentElement) {
      if (at.tagName === "DETAILS") at.open = true;
    }
    if (!field) return;
    if (!field.matches("input, select, textarea")) field.tabIndex = -1;
    field.focus();
    field.scrollIntoView({ block: "center" });
  }

  window.slewtracePlanForm = { draw, collect, mark, goTo, withRow, withoutRow, idOf, h, rowNumbers };
})();
