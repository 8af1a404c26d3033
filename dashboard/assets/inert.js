/* Parts of a page that no callback reads or writes, see pages/inert.py. Text stays text: React
 * makes the elements, as it does for every other component. And drawings, see pages/drawing.py:
 * once they stand, other scripts move their parts. */
(function () {
  "use strict";

  const OF_CALLBACKS = ["children", "n_clicks", "n_clicks_timestamp", "disable_n_clicks"];

  function drawn(part) {
    if (Array.isArray(part)) return part.map(drawn);
    if (part === null || typeof part !== "object") return part;
    const { namespace, type, props } = part;
    const kind = namespace === "dash_html_components" ? type.toLowerCase() : window[namespace][type];
    const own = Object.fromEntries(Object.entries(props).filter(([key]) => !OF_CALLBACKS.includes(key)));
    return React.createElement(kind, own, ...[drawn(props.children ?? [])].flat());
  }

  const Inert = (props) => React.createElement(React.Fragment, null, ...drawn(props.parts));

  const Drawing = ({ id, className, svg }) => React.createElement(
    "div", { id, className, dangerouslySetInnerHTML: { __html: svg } });

  window.slewtrace = Object.assign({}, window.slewtrace, {
    Inert: React.memo(Inert), Drawing: React.memo(Drawing, (a, b) => a.svg === b.svg),
  });
})();
