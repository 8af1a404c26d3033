/* A comparison's choices replace the address without Dash knowing; when the page is made anew for
 * other units, Dash is told what stands there, so that nothing that was chosen is lost. */
(function () {
  "use strict";

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    compare: {
      keepUp() {
        const { pathname, search } = window.location;
        if (pathname === "/compare") window.dash_clientside.set_props("url", { search });
      },
    },
  });
})();
