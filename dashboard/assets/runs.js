/* The list of runs in the browser: what stands in the grid's cells, the address of what is
 * chosen, and a sealed run that is picked or dropped on the page. Words from files are only ever
 * text. */
(function () {
  "use strict";

  const WIDE = window.matchMedia("(min-width: 1000px)");
  const page = () => document.getElementById("runs");
  const setProps = (id, props) => window.dash_clientside.set_props(id, props);
  const h = (...given) => window.React.createElement(...given);

  /* cells of the grid */
  const two = (first, second) => h("div", { className: "two" },
    h("div", { className: "first" }, first), h("div", { className: "second" }, second));
  /* Characters that force a direction go, as in figures/words.py: names are read as on paper. */
  const shownName = (name) => name.replace(/[\u202A-\u202E\u2066-\u2069]/g, "");
  const link = (href, words, className) => h("a", { href, className, tabIndex: -1 }, words);
  const side = (name) => ({ data }) => (data[name]
    ? two(h("span", { className: "strong", title: data[name] }, data[name]), data[`${name}_more`])
    : h("span", { className: "muted" }, data.state === "done" ? "" : "—"));

  window.dashAgGridComponentFunctions = Object.assign(window.dashAgGridComponentFunctions || {}, {
    RunName: ({ data }) => {
      const [truck, run, test] = [data.truck, data.id, data.test].map(shownName);
      return h("div", { className: "run-names", title: `${truck}\nrun ${run}\ntest ${test}` }, two(
        h("a", { href: data.href, className: "row-link", tabIndex: -1 },
          h("bdi", { className: "name" }, truck)),
        h("span", null, h("bdi", null, run), ", test ", h("bdi", null, test))));
    },
    RunStart: ({ data }) => two(data.start, data.length),
    RunRight: side("right"),
    RunLeft: side("left"),
    RunVerdict: ({ data }) => h("span", { className: `standing ${data.verdict_kind || "pending"}` },
      data.verdict_sign ? h("span", { className: "sign", "aria-hidden": "true" }, `${data.verdict_sign} `) : null,
      data.verdict),
    RunFindings: ({ data }) => (data.findings
      ? two(h("span", { className: data.findings_kind || "muted", title: data.findings },
        h("bdi", null, data.findings)), data.findings_more)
      : h("span", { className: "muted" }, "—")),
    RunKeep: ({ data }) => h("span", { className: "keep" },
      data.export ? link(data.export, "Export", "cell-link") : null,
      data.state === "failed" ? null : link(data.sheet, "Sheet", "cell-link")),
  });

  /* The grid moves its focus from cell to cell; Enter does what stands in the cell, or opens the run. */
  document.addEventListener("keydown", (event) => {
    const cell = event.target.closest ? event.target.closest("#runs-grid .ag-cell") : null;
    if (!cell || event.key !== "Enter") return;
    const there = cell.querySelector("a") || cell.closest("[role=row]").querySelector(".row-link");
    if (there) there.click();
  });

  /* A line leads to its run wherever it is clicked; links inside go on without a new page. */
  document.addEventListener("click", (event) => {
    if (!event.target.closest || event.defaultPrevented) return;
    const row = event.target.closest("#runs-grid .ag-row");
    if (!row) return;
    const marking = event.target.closest('[col-id="ag-Grid-SelectionColumn"]');
    if (marking) { // the whole cell marks the run, not its small box alone, which does so by itself
      if (!event.target.closest(".ag-selection-checkbox")) marking.querySelector("input").click();
      return;
    }
    if (event.button || event.metaKey || event.ctrlKey || event.shiftKey) return;
    const clicked = event.target.closest("a");
    if (clicked && !clicked.classList.contains("row-link")) return;
    if (!clicked && String(window.getSelection())) return;
    const there = row.querySelector(".row-link");
    if (!there) return;
    event.preventDefault();
    go(there.getAttribute("href"));
  });

  function go(href) {
    const [pathname, search] = href.split("?");
    setProps("url", { pathname, search: search ? `?${search}` : "" });
  }

  /* picking and dropping */
  let field = null;
  function say(words, kind, href) {
    const place = document.getElementById("runs-added");
    if (!place) return;
    place.textContent = words;
    place.dataset.kind = kind;
    if (href) {
      const opener = document.createElement("a");
      opener.href = href;
      opener.textContent = "Open it";
      place.append(" ", opener);
    }
  }

  function pick() {
    if (!field) {
      field = document.createElement("input");
      field.type = "file";
      field.accept = ".parquet";
      field.multiple = true;
      field.addEventListener("change", () => { add([...field.files]); field.value = ""; });
    }
    field.click();
  }

  async function add(files) {
    for (const file of files) await addOne(file);
  }

  function addOne(file) {
    return new Promise((done) => {
      const sending = new XMLHttpRequest();
      const ended = (words, kind, href) => { say(words, kind, href); done(); };
      sending.open("POST", `/add-run?name=${encodeURIComponent(file.name)}`);
      sending.responseType = "json";
      sending.upload.addEventListener("progress", (event) => {
        const share = event.total ? Math.floor(100 * event.loaded / event.total) : 0;
        say(share < 100 ? `${file.name}: ${share} % sent` : `${file.name}: being checked …`, "busy");
      });
      sending.addEventListener("load", () => {
        const answer = sending.response || { text: `${file.name}: the dashboard did not take it` };
        const taken = sending.status === 200;
        ended(`${taken ? "✓" : "✖"} ${answer.text}`, taken ? "taken" : "refused", answer.href);
      });
      sending.addEventListener("error", () => ended(`✖ ${file.name}: the connection broke`, "refused"));
      say(`${file.name}: 0 % sent`, "busy");
      sending.send(file);
    });
  }

  document.addEventListener("click", (event) => {
    if (event.target.closest && event.target.closest("#runs-add")) pick();
  });
  const mayAdd = () => !document.querySelector("#runs-add[disabled]");
  const holdsFiles = (event) => page() && mayAdd() && event.dataTransfer && [...event.dataTransfer.types].includes("Files");
  document.addEventListener("dragover", (event) => {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    page().classList.add("dropping");
  });
  document.addEventListener("dragleave", (event) => {
    if (page() && !event.relatedTarget) page().classList.remove("dropping");
  });
  document.addEventListener("drop", (event) => {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    page().classList.remove("dropping");
    add([...event.dataTransfer.files]);
  });

  /* A page that was put aside may have been given up by the dashboard; it asks again when seen. */
  let asked = 0;
  function watch() {
    if (document.visibilityState !== "visible" || !page()) return;
    asked += 1;
    setProps("runs-ask", { data: Object.assign(JSON.parse(page().dataset.ask), { again: asked }) });
  }
  document.addEventListener("visibilitychange", watch);
  WIDE.addEventListener("change", () => { if (page()) setProps("runs-room", { data: { wide: WIDE.matches } }); });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    runs: {
      room() {
        window.setTimeout(watch, 0); // a callback that gives nothing back is not called at first
        return { wide: WIDE.matches };
      },
      compare(rows) {
        const ids = (rows || []).map((row) => row.id);
        const words = ids.length < 2 ? "Mark another run to compare" : `Compare ${ids.length} runs`;
        const href = `/compare?runs=${ids.map(encodeURIComponent).join(",")}`;
        return [words, href, ids.length ? "button main" : "none"];
      },
    },
  });
})();
