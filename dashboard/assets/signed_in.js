/* Where people sign in: a page whose session has ended gives way to the page to sign in by. It asks
 * now and then, and when it is seen or pressed again; asking is no use of a session. */
(function () {
  "use strict";

  const EVERY_MS = 30000, AGAIN_MS = 5000;
  let askedMs = -Infinity, leaving = false;

  function ask() {
    const nowMs = performance.now();
    if (!document.getElementById("signed-in") || nowMs - askedMs < AGAIN_MS) return;
    askedMs = nowMs;
    window.fetch("/session", { cache: "no-store" }).then((answer) => answer.json()).then((state) => {
      if (state.signed_in || leaving) return;
      const here = window.location.pathname + window.location.search;
      window.location.replace(`/sign-in?why=ended&next=${encodeURIComponent(here)}`);
    }).catch(() => {}); // no answer is no end of a session
  }

  window.setInterval(ask, EVERY_MS);
  document.addEventListener("submit", (event) => { leaving = event.target.id === "signed-in"; });
  window.addEventListener("pageshow", ask);
  document.addEventListener("visibilitychange", ask);
  document.addEventListener("click", ask);
})();
