/* Bookmarks: moments of a run that this browser remembers, and that a link can hand on. */
(function () {
  "use strict";

  const replay = window.slewtraceReplay;
  const { byId, clockWords, angleWords } = replay;
  const MOST = 50, LONGEST = 80, SAID_MS = 4000;
  let marks = [], run = null;

  const place = () => `slewtrace.marks.${run}`;

  /* Whatever a browser or a link holds is read with suspicion. */
  function clean(list) {
    const seen = new Set();
    return (Array.isArray(list) ? list : [])
      .map((m) => ({ t_s: Number(m && m.t_s), words: String((m && m.words) || "").slice(0, LONGEST) }))
      .filter((m) => Number.isFinite(m.t_s) && !seen.has(m.t_s) && seen.add(m.t_s))
      .sort((a, b) => a.t_s - b.t_s)
      .slice(0, MOST);
  }

  function remembered() {
    try { return clean(JSON.parse(window.localStorage.getItem(place()))); } catch { return []; }
  }

  function remember() {
    try { window.localStorage.setItem(place(), JSON.stringify(marks)); } catch { /* a full or barred store */ }
  }

  /* marks=12.5,80.2~gust in an address: times, each with its words after a tilde. */
  function ofLink(text) {
    return clean((text || "").split(",").filter(Boolean).map((part) => {
      const [t, ...words] = part.split("~");
      return { t_s: t, words: words.join("~") };
    }));
  }

  function change(list) {
    marks = clean(list);
    remember();
    list_();
    replay.redraw();
  }

  function entry(mark) {
    const row = document.createElement("div");
    row.className = "mark-row";
    const go = document.createElement("button");
    go.type = "button";
    go.className = "moment";
    go.dataset.seek = String(mark.t_s);
    const when = document.createElement("span");
    when.className = "when";
    when.textContent = clockWords(mark.t_s);
    const where = document.createElement("span");
    where.className = "kind";
    where.textContent = angleWords(replay.readingAt(mark.t_s).slew_deg);
    go.append(when, where);
    const words = document.createElement("input");
    Object.assign(words, { type: "text", value: mark.words, maxLength: LONGEST, placeholder: "What is there" });
    words.setAttribute("aria-label", `Words for the bookmark at ${clockWords(mark.t_s)}`);
    words.addEventListener("change", () => {
      mark.words = words.value;
      remember();
    });
    const away = document.createElement("button");
    Object.assign(away, { type: "button", className: "button", textContent: "Remove" });
    away.setAttribute("aria-label", `Remove the bookmark at ${clockWords(mark.t_s)}`);
    away.addEventListener("click", () => change(marks.filter((m) => m !== mark)));
    row.append(go, words, away);
    return row;
  }

  function list_() {
    const holder = byId("marks");
    if (!holder) return;
    const none = document.createElement("p");
    Object.assign(none, { className: "muted", textContent: "No bookmarks in this run." });
    holder.replaceChildren(...(marks.length ? marks.map(entry) : [none]));
  }

  function add() {
    if (!replay.copy) return;
    const t_s = Math.round(replay.t * 1e6) / 1e6;
    change([...marks, { t_s, words: "" }]);
    say(`Bookmarked at ${clockWords(t_s)}.`);
  }

  function say(words) {
    replay.write("copy-said", words);
    window.setTimeout(() => replay.write("copy-said", ""), SAID_MS);
  }

  async function copyLink() {
    const link = replay.address();
    if (marks.length) {
      const told = marks.map((m) => (m.words ? `${m.t_s}~${m.words.replaceAll(",", " ")}` : m.t_s));
      link.searchParams.set("marks", told.join(","));
    }
    try {
      await navigator.clipboard.writeText(link.href);
      say("The link is copied.");
    } catch {
      window.slewtraceAddress.keep(link);
      say("The browser does not let pages copy: the link stands in the address bar.");
    }
  }

  replay.loaders.push(() => {
    if (run !== replay.copy.run) {
      run = replay.copy.run;
      marks = clean([...ofLink(replay.copy.marks), ...remembered()]);
    }
    list_();
  });
  Object.assign(replay, { marks: () => marks, addMark: add, copyLink });
  document.addEventListener("click", (event) => {
    const button = byId("replay") && event.target.closest("button");
    if (!button) return;
    if (button.id === "mark-here") add();
    else if (button.id === "copy-link") copyLink();
  });
})();
