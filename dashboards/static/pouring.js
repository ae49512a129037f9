// While somebody pours: the card counts down, and says when to stop.
(() => {
  "use strict";

  function put(place, pouring) {
    place.hidden = !pouring;
    const alone = place.closest("[data-alone]");
    if (alone) alone.hidden = !pouring;
    if (!pouring) return;
    place.toggleAttribute("data-stop", pouring.stop);
    place.querySelector("progress").value = pouring.share;
    for (const part of place.querySelectorAll("[data-part]")) {
      const text = pouring[part.dataset.part];
      if (part.textContent !== text) part.textContent = text;
    }
  }

  document.addEventListener("sumpside:picture", (event) => {
    for (const place of document.querySelectorAll("[data-pouring]")) {
      put(place, event.detail.sumps[place.dataset.pouring]?.filling);
    }
  });
})();
