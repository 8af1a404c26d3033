/* The page Plan in the browser: what is typed is kept, told to the server at each pause, and
 * answered at its field. */
(function () {
  "use strict";

  const PAUSE_MS = 200;
  const LARGEST_FILE = 200000;
  const page = String(Math.random()).slice(2);
  const plan = { start: null, shape: null, number: 0, timer: 0, mistakes: [], pending: {} };

  const byId = (id) => document.getElementById(id);
  const form = () => window.slewtracePlanForm;
  const place = () => byId("plan-form");
  const none = () => window.dash_clientside.no_update;
  const setProps = (id, props) => window.dash_clientside.set_props(id, props);
  const draftKey = (source) => `slewtrace plan, ${source}`;

  function say(words, action, does) {
    const notice = byId("plan-notice");
    if (!notice) return;
    notice.replaceChildren(words);
    if (!action) return;
    const button = form().h("button", { type: "button", class: "button small-button", text: action });
    button.addEventListener("click", does);
    notice.append(" ", button);
  }

  /* Drafts: one for each start, in this browser only. */
  function draftOf(source) {
    try {
      const kept = JSON.parse(localStorage.getItem(draftKey(source)));
      return kept && typeof kept.text === "string" ? kept : null;
    } catch { return null; }
  }

  /* What stands on the screen now, to keep and to come back to. */
  function snapshot() {
    const { source, text, name, chart } = plan.shape;
    return { source, text, name, chart, values: form().collect(place()) };
  }

  function keepDraft() {
    if (!plan.shape || !place()) return;
    const draft = { ...snapshot(), at: new Date().toISOString() };
    try { localStorage.setItem(draftKey(draft.source), JSON.stringify(draft)); } catch {
      say("▲ This browser keeps nothing: save the file before you leave.");
    }
  }

  function dropDraft(source) {
    try { localStorage.removeItem(draftKey(source)); } catch { /* nothing was kept */ }
  }

  const clock = (iso) => new Date(iso).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });

  function start(given) {
    if (!given) return none();
    const draft = draftOf(given.source);
    Object.assign(plan, { start: given, shape: null });
    plan.pending = draft
      ? { says: `What you typed goes on, kept in this browser since ${clock(draft.at)}.`, draft: true }
      : { says: given.says };
    return draft || given;
  }

  /* Opens something in place of what is there, which can be taken back. */
  function open(next, says, { keep = true } = {}) {
    plan.pending = { says, keep, former: plan.shape && snapshot() };
    setProps("plan-opened", { data: { ...next, opening: Math.random() } });
  }

  function draw(shape) {
    if (!shape || !place()) return none();
    const pending = plan.pending;
    plan.pending = {};
    if (shape.refused) {
      say(`✖ Not opened. ${shape.refused}`);
      if (pending.draft) { dropDraft(plan.start.source); open(plan.start, plan.start.says, { keep: false }); }
      return none();
    }
    plan.shape = shape;
    form().draw(place(), shape.form, shape.values);
    listen();
    tell();
    if (pending.keep) keepDraft();
    const { former } = pending;
    if (former) say(pending.says, "Take the former back", () => open(former, "The former is back."));
    else say(pending.says || "");
    return none();
  }

  function tell() {
    plan.number += 1;
    setProps("plan-values", { data: { page, number: plan.number, ...snapshot() } });
  }

  function changed() {
    window.clearTimeout(plan.timer);
    plan.timer = window.setTimeout(() => { plan.timer = 0; keepDraft(); tell(); }, PAUSE_MS);
  }

  function redraw(values) {
    form().draw(place(), plan.shape.form, values);
    form().mark(place(), []);
    keepDraft();
    tell();
  }

  function addRow(list) {
    const values = form().withRow(form().collect(place()), list);
    redraw(values);
    const number = form().rowNumbers(list, values).length - 1;
    place().querySelector(`[data-row="${CSS.escape(`${list}/${number}`)}"] :is(input:not([type=hidden]), select)`)?.focus();
  }

  function takeOutRow(at) {
    const before = form().collect(place());
    const row = place().querySelector(`[data-row="${CSS.escape(at)}"] > legend`);
    const called = row ? row.textContent : "row";
    redraw(form().withoutRow(before, at));
    say(`${called} is taken out.`, "Take it back", () => { redraw(before); say(""); });
    const list = at.slice(0, at.lastIndexOf("/"));
    place().querySelector(`[data-add="${CSS.escape(list)}"]`)?.focus();
  }

  function listen() {
    if (place().dataset.listens) return;
    place().dataset.listens = "yes";
    place().addEventListener("input", changed);
    place().addEventListener("change", changed);
    place().addEventListener("click", (event) => {
      const { add, take } = event.target.dataset;
      if (add) addRow(add);
      if (take) takeOutRow(take);
    });
  }

  function mark(checked) {
    if (!checked || !place() || !plan.shape || checked.number !== plan.number) return none();
    plan.mistakes = checked.mistakes;
    form().mark(place(), checked.mistakes);
    listMistakes(checked.mistakes);
    const count = checked.mistakes.length;
    byId("plan-result").classList.toggle("stale", count > 0);
    byId("plan-stale").textContent = count
      ? "▲ Not of what stands in the form now, but of the last that was right." : "";
    byId("plan-glance").replaceChildren(
      form().h("span", { text: count ? `▲ ${count} to mend` : checked.glance }),
      form().h("span", { text: count ? "" : "see the plan" }));
    byId("plan-page").dataset.checked = String(checked.number);
    return none();
  }

  function listMistakes(mistakes) {
    const list = byId("plan-mistakes");
    const { h, goTo, idOf } = form();
    const at = list.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
    if (!mistakes.length) {
      list.replaceChildren(h("p", { class: "all-right", text: "■ Every field is right." }));
      return;
    }
    const items = mistakes.map((m) => {
      const link = h("a", { href: `#${encodeURIComponent(idOf(m.path))}`, text: m.where });
      link.addEventListener("click", (event) => { event.preventDefault(); goTo(place(), m.path); });
      return h("li", {}, link, " ", h("bdi", { text: m.says }));
    });
    const head = mistakes.length === 1 ? "1 field needs another look" : `${mistakes.length} fields need another look`;
    list.replaceChildren(h("h2", { text: `▲ ${head}`, role: "status" }),
      h("ul", { tabindex: "0", "aria-label": head }, ...items));
    if (at) list.querySelector(`a[href="${CSS.escape(at)}"]`)?.focus(); // drawn anew under a finger
  }

  function saved(words) {
    if (!words) return none();
    if (words.startsWith("✖") && plan.mistakes.length) form().goTo(place(), plan.mistakes[0].path);
    return none();
  }

  /* Files: picked or dropped. */
  async function take(file) {
    if (!plan.shape) return;
    if (file.size > LARGEST_FILE) { say(`✖ Not opened. ${file.name} is far too large.`); return; }
    const text = await file.text();
    if (text.includes("\uFFFD") || text.includes("\0")) {
      say(`✖ Not opened. ${file.name} is no text in UTF-8.`);
      return;
    }
    if (/\.(csv|tsv|txt)$/i.test(file.name)) takeChart(file.name, text);
    else open({ ...snapshot(), text, name: file.name, values: null }, `${file.name} is open.`);
  }

  function takeChart(name, text) {
    const now = snapshot();
    now.values["crane/chart"] = name;
    open({ ...now, chart: { name, text } }, `The load chart ${name} is open; the form names it.`);
  }

  function pick(accept) {
    const chooser = form().h("input", { type: "file", accept });
    chooser.addEventListener("change", () => chooser.files[0] && take(chooser.files[0]));
    chooser.click();
  }

  async function copy() {
    const text = byId("plan-text").textContent;
    try {
      await navigator.clipboard.writeText(text);
      byId("plan-saved").textContent = "■ The file's text is copied.";
    } catch {
      byId("plan-saved").textContent = "▲ This browser did not copy: open the text below and select it.";
    }
  }

  function goToPlan() {
    const to = plan.mistakes.length ? byId("plan-mistakes") : byId("plan-result");
    to.scrollIntoView();
    (to.querySelector("a") || to).focus({ preventScroll: true });
  }

  document.addEventListener("click", (event) => {
    const id = event.target.id;
    if (id === "plan-open") pick(".toml,text/plain");
    if (id === "plan-open-chart") pick(".csv,.tsv,.txt");
    if (id === "plan-copy") copy();
    if (event.target.closest("#plan-glance")) goToPlan();
    if (id === "plan-discard" && plan.shape) {
      dropDraft(plan.start.source);
      open({ ...plan.start, values: null }, "Begun anew.", { keep: false });
    }
  });
  for (const kind of ["dragover", "drop"]) {
    document.addEventListener(kind, (event) => {
      if (!byId("plan-page") || !event.dataTransfer?.types.includes("Files")) return;
      event.preventDefault();
      if (kind === "drop" && event.dataTransfer.files[0]) take(event.dataTransfer.files[0]);
    });
  }
  window.addEventListener("pagehide", () => { if (plan.timer) keepDraft(); });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    plan: { start, draw, mark, saved },
  });
})();
