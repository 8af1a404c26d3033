/* What every page needs: the colours that a person chose, and what figures must know of the
 * screen that they are drawn on. */
(function () {
  "use strict";

  const root = document.documentElement;
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const narrow = window.matchMedia("(max-width: 760px)");
  let chosen = "auto", told = null;

  const scheme = () => (chosen === "auto" ? (dark.matches ? "night" : "day") : chosen);
  const screenNow = () => ({ scheme: scheme(), narrow: narrow.matches });

  /* Colours of the components' library know two sets; the one for sunlight is laid over the light. */
  function paint() {
    root.dataset.look = scheme();
    return scheme() === "night" ? "dark" : "light";
  }

  function look() {
    const now = screenNow();
    if (told && JSON.stringify(now) === JSON.stringify(told)) return;
    told = now;
    window.dash_clientside.set_props("provider", { forceColorScheme: paint() });
    window.dash_clientside.set_props("screen", { data: now });
  }

  /* What is chosen on a page stands in its address. Some of it comes late, from the server or a
   * timer: when another page has been opened by then, it must not take that one's address. */
  function keep(address) {
    const link = new URL(address, window.location.href);
    if (link.pathname !== window.location.pathname) return;
    window.history.replaceState(window.history.state, "", link);
  }
  window.slewtraceAddress = { keep };

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    shell: {
      choose(choice) {
        chosen = choice || "auto";
        told = screenNow();
        return [paint(), told];
      },
      keepAddress(address) {
        keep(address);
        return address;
      },
    },
  });

  /* Menus close as menus do: by a click elsewhere, and by Escape. */
  function closeMenus(kept, back) {
    document.querySelectorAll("details.view[open]").forEach((menu) => {
      if (menu === kept) return;
      menu.open = false;
      if (back) menu.querySelector("summary").focus();
    });
  }
  document.addEventListener("click", (event) => closeMenus(event.target.closest("details.view"), false));
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") closeMenus(null, true); });

  dark.addEventListener("change", look);
  narrow.addEventListener("change", look);
})();
