/* The colours that a person chose under View; a button that shows what was typed; and on to the
 * dashboard where this browser is signed in already: a link from another site does not carry the
 * cookie, but a question of this page does. */
(function () {
  "use strict";

  const root = document.documentElement;
  const dark = window.matchMedia("(prefers-color-scheme: dark)");

  function chosen() {
    try {
      const kept = JSON.parse(window.localStorage.getItem("_dash_persistence.colours.value.true"));
      return Array.isArray(kept) ? kept[0] : "auto";
    } catch {
      return "auto";
    }
  }

  function paint() {
    const choice = chosen();
    const look = ["day", "night", "sun"].includes(choice) ? choice : dark.matches ? "night" : "day";
    root.dataset.look = look;
    root.dataset.mantineColorScheme = look === "night" ? "dark" : "light";
  }

  paint();
  dark.addEventListener("change", paint);

  document.addEventListener("DOMContentLoaded", () => {
    const field = document.getElementById("password"), button = document.getElementById("show");
    button.hidden = false;
    button.addEventListener("click", () => {
      const shown = field.type === "password";
      field.type = shown ? "text" : "password";
      button.textContent = shown ? "Hide" : "Show";
      button.setAttribute("aria-pressed", String(shown));
      field.focus();
    });
    field.form.addEventListener("submit", () => { field.type = "password"; });
    if (document.getElementById("problem")) return;
    window.fetch("/session", { cache: "no-store" }).then((answer) => answer.json()).then((state) => {
      if (state.signed_in) window.location.replace(field.form.elements.next.value);
    }).catch(() => {});
  });
})();
