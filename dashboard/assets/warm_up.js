/* A browser compiles what draws figures when it first draws one, which takes longer than the drawing.
 * From the list of runs one is opened next, so while that is read, a small figure that nobody sees
 * is drawn and thrown away. */
(function () {
  "use strict";

  const LATER_MS = 300;
  const whenIdle = window.requestIdleCallback || ((action) => window.setTimeout(action, LATER_MS));
  const upright = (start, end) => ({ domain: [start, end], anchor: "x", zeroline: false, ticks: "outside" });
  const FIGURE = {
    data: [
      { x: [0, 1, 2], y: [0, null, 1], mode: "lines", line: { dash: "dash" } },
      { x: [0, 1], y: [0, 1], yaxis: "y2", mode: "markers", marker: { symbol: ["square", "line-ns"], size: 9 } },
    ],
    layout: {
      showlegend: false, hovermode: "x", margin: { l: 60, r: 8, t: 8, b: 40 },
      xaxis: { range: [0, 2], anchor: "y2", title: { text: "t" } },
      yaxis: upright(0.5, 1), yaxis2: upright(0, 0.4),
      annotations: [{ text: "<b>a</b> b", xref: "paper", yref: "paper", x: 0, y: 1, showarrow: false }],
      shapes: [{ type: "line", xref: "x", yref: "paper", x0: 1, x1: 1, y0: 0, y1: 1 }],
    },
  };

  async function warmUp() {
    const place = document.createElement("div");
    place.className = "unseen";
    place.setAttribute("aria-hidden", "true");
    document.body.append(place);
    try {
      await window.Plotly.newPlot(place, FIGURE.data, FIGURE.layout, { displayModeBar: false });
      window.Plotly.purge(place);
    } finally {
      place.remove();
    }
  }

  /* Only once the list stands, and on no other page, whose own figures would wait for this one. */
  function whenListed() {
    if (window.location.pathname !== "/") return;
    if (document.querySelector(".page-runs")) whenIdle(warmUp);
    else window.setTimeout(whenListed, LATER_MS);
  }
  whenListed();
})();
