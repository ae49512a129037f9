// Light, dark, or as the system wishes: this browser's own choice, set before anything is painted.
(() => {
  "use strict";

  const KEY = "sumpside.theme";
  const root = document.documentElement;

  function chosen() {
    try {
      return localStorage.getItem(KEY) ?? "";
    } catch {
      return ""; // a browser that keeps nothing follows its system
    }
  }

  function wear(theme) {
    if (theme) root.dataset.theme = theme;
    else delete root.dataset.theme;
    for (const button of document.querySelectorAll("[data-theme-choice]")) {
      button.setAttribute("aria-pressed", String(button.dataset.themeChoice === theme));
    }
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-theme-choice]");
    if (!button) return;
    try {
      localStorage.setItem(KEY, button.dataset.themeChoice);
    } catch {
      // then it holds for this page alone
    }
    wear(button.dataset.themeChoice);
    document.dispatchEvent(new CustomEvent("sumpside:theme"));
  });
  document.addEventListener("DOMContentLoaded", () => wear(chosen()));
  addEventListener("storage", (event) => event.key === KEY && wear(chosen()));
  wear(chosen());
})();
