// A dosing valve: its litres and its state as they are now. A new phase has other buttons, and the page is fetched anew:
// the row that tells of a step comes before the live file shows it, so that a refresh by the row alone is too early.
(() => {
  "use strict";

  function put(card, now) {
    card.dataset.phase = now.phase;
    card.querySelector("[data-stop-form]").hidden = !now.moving;
    const bar = card.querySelector("progress");
    if (bar) bar.value = now.share;
    for (const part of card.querySelectorAll("[data-part]")) {
      const text = now[part.dataset.part];
      if (part.textContent !== text) part.textContent = text;
    }
  }

  document.addEventListener("sumpside:picture", (event) => {
    for (const card of document.querySelectorAll("[data-dosing]")) {
      const now = event.detail.dosing?.[card.dataset.dosing];
      if (now) put(card, now);
      if (now && card.dataset.drawn !== now.drawn) document.dispatchEvent(new CustomEvent("sumpside:stale"));
    }
  });
})();
