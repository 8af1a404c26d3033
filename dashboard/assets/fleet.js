/* The fleet's page in the browser: the fields by which runs are chosen, kept in the page's
 * address, and points that open their runs. Fields are made here because the system's own open at
 * once, also with a thousand trucks in them. Words from files are only ever text. */
(function () {
  "use strict";

  const TYPED_MS = 700;
  const FIELD = "fleet-f-";
  const setProps = (id, props) => window.dash_clientside.set_props(id, props);
  let shape = null, timer = 0, written = null;

  function go(address) {
    const [pathname, search] = address.split("?");
    setProps("url", { pathname, search: search ? `?${search}` : "" });
  }

  /* fields */
  function control(field) {
    const made = document.createElement(field.kind === "select" ? "select" : "input");
    if (field.kind === "select") fill(made, field);
    else made.type = field.kind;
    if (field.kind === "number") Object.assign(made, { min: 0, step: "any", inputMode: "decimal" });
    made.id = FIELD + field.key;
    made.value = field.value;
    return made;
  }

  function fill(select, field) {
    select.replaceChildren(...field.options.map(([value, words]) => new Option(words, value)));
  }

  function labelled(field) {
    const place = document.createElement("div"), label = document.createElement("label");
    place.className = `field ${field.key}`;
    label.htmlFor = FIELD + field.key;
    label.textContent = field.label;
    place.append(label, control(field));
    return place;
  }

  /* A field that is written in keeps its focus, and the rest of the form keeps its place. */
  function draw(told) {
    shape = told;
    if (!told) return;
    for (const id of new Set(told.fields.map((f) => f.place))) {
      const place = document.getElementById(id);
      if (place) drawIn(place, told.fields.filter((f) => f.place === id));
    }
  }

  function drawIn(place, fields) {
    const here = [...place.querySelectorAll("select, input")];
    if (here.map((f) => f.id).join() !== fields.map((f) => FIELD + f.key).join()) {
      place.replaceChildren(...fields.map(labelled));
      focusAgain(fields);
      return;
    }
    here.forEach((element, i) => {
      element.previousSibling.textContent = fields[i].label;
      if (fields[i].kind === "select") fill(element, fields[i]);
      else if (element === document.activeElement && element.type === "date") return;
      element.value = fields[i].value;
    });
  }

  /* A new choice makes the page anew; who moves by keyboard goes on from the same field. */
  function focusAgain(fields) {
    const there = document.activeElement;
    if ((there && there !== document.body) || !fields.some((f) => FIELD + f.key === written)) return;
    document.getElementById(written).focus({ preventScroll: true });
    written = null;
  }

  /* What stands in the fields, as the page's address. */
  function address() {
    const asked = new URLSearchParams();
    for (const field of shape.fields) {
      const element = document.getElementById(FIELD + field.key);
      let value = element ? element.value : field.value;
      if (field.kind === "number" && value) value = value === field.value ? field.exact : String(Number(value) * field.size);
      if (value && value !== field.usual) asked.set(field.key, value);
    }
    /* A limit belongs to its quantity: for another one its own is proposed. */
    if (shape.quantity !== (asked.get("quantity") || shape.usual)) asked.delete("limit");
    const search = asked.toString();
    return search ? `/fleet?${search}` : "/fleet";
  }

  document.addEventListener("change", (event) => {
    if (!event.target.id || !event.target.id.startsWith(FIELD)) return;
    window.clearTimeout(timer);
    written = event.target.id;
    const typed = event.target.type === "date";
    timer = window.setTimeout(() => {
      if (document.getElementById("fleet-form") && event.target.validity.valid) go(address());
    }, typed ? TYPED_MS : 0);
  });

  /* Pages of a table, and the ways between its rows: the same page, where it stands. */
  document.addEventListener("click", (event) => {
    if (!event.target.closest || event.defaultPrevented || event.button) return;
    const link = event.target.closest(".page-fleet a[data-stay]");
    if (!link || event.metaKey || event.ctrlKey || event.shiftKey) return;
    event.preventDefault();
    go(link.getAttribute("href"));
  });

  /* Figures further down are drawn once they come near the window. */
  const NEAR_PX = 250, PASSED_PX = 1e6;
  let watching = null;
  function watch() {
    if (watching) watching.disconnect();
    const below = document.querySelector(".two-spreads");
    if (!below) return;
    watching = new IntersectionObserver((seen) => {
      if (!seen.some((s) => s.isIntersecting)) return;
      watching.disconnect();
      setProps("fleet-near", { data: true });
    }, { rootMargin: `${PASSED_PX}px 0px ${NEAR_PX}px` });
    watching.observe(below);
  }

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    fleet: {
      draw(told) {
        draw(told);
        window.setTimeout(watch, 0);
        return "";
      },
      made(clicks) {
        if (clicks) window.location.reload();
        return window.dash_clientside.no_update;
      },
      open(clicked) {
        const point = clicked && clicked.points && clicked.points[0];
        if (point && point.customdata) go(String(point.customdata));
        return window.dash_clientside.no_update;
      },
    },
  });
})();
