// Why it is believed: the words are new about once a minute, and are fetched as often.
(() => {
  "use strict";

  const EVERY_MS = 60000;

  async function renew() {
    const place = document.getElementById("explained");
    if (document.hidden || !place) return;
    const answer = await fetch(place.dataset.explain).catch(() => null); // no network: the words stay, with their age
    if (!answer?.ok || answer.redirected) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("explained");
    if (fresh) place.replaceWith(fresh);
  }

  setInterval(renew, EVERY_MS);
  document.addEventListener("sumpside:changed", renew);
})();
