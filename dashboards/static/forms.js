// Forms: what is typed is shown the other way round as well, and a form is sent once however often it is tapped.
(() => {
  "use strict";

  const { word, decimal } = globalThis.sumpside;
  const plain = (value) => decimal(value, 2).replace(/[.,]?0+$/, "");
  const read = (field) => Number.parseFloat(field.value.trim().replace(",", "."));

  function tell(field, target, words) {
    const place = document.getElementById(target);
    if (!place) return;
    place.dataset.otherwise ??= place.textContent;
    const value = read(field);
    place.textContent = Number.isFinite(value) ? words(value) : place.dataset.otherwise;
  }

  // The same mix as parts per 100 parts of water: 100c / (100 - c).
  function asParts(pct) {
    if (pct < 0 || pct >= 100) return word("between 0 and 100 % of the mix");
    if (pct < 0.005) return word("plain water");
    return word("{pct} % of the mix ({parts} per 100 of water)", { pct: plain(pct), parts: plain((100 * pct) / (100 - pct)) });
  }

  document.addEventListener("input", (event) => {
    const field = event.target;
    if (field.dataset?.mix) tell(field, field.dataset.mix, asParts);
    if (field.dataset?.strength) {
      const factor = Number(field.dataset.factor);
      tell(field, field.dataset.strength, (brix) => word("{brix} Brix × {factor} = {pct} % strength", { brix: plain(brix), factor: plain(factor), pct: decimal(brix * factor, 1) }));
    }
    field.form?.setAttribute("data-typed", "");
  });

  // A file that somebody chose goes into the field whose lines are then sent as a plain form.
  document.addEventListener("change", async (event) => {
    const into = event.target.dataset?.into && document.getElementById(event.target.dataset.into);
    if (into && event.target.files?.[0]) into.value = await event.target.files[0].text();
  });

  document.addEventListener("click", (event) => {
    if (event.target.closest?.("[data-print]")) print();
  });

  // Opened answers come into view: on a phone their buttons were held at the bottom of the screen until now.
  document.documentElement.classList.add("js");
  document.addEventListener("toggle", (event) => {
    if (event.target.open && event.target.closest(".moves")) event.target.scrollIntoView({ block: "nearest" });
  }, true);

  document.addEventListener("submit", (event) => {
    if (event.target.hasAttribute("data-sent")) {
      event.preventDefault();
      return;
    }
    event.target.setAttribute("data-sent", "");
    for (const button of event.target.querySelectorAll("button")) button.setAttribute("aria-disabled", "true");
  });

  // Coming back with the browser's "back": the form may be sent again (its token makes it one word).
  addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sent]")) form.removeAttribute("data-sent");
  });
})();
