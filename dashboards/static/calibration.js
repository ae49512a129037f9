// While a level settles: look every two seconds, and take it as soon as the page says that it has settled.
(() => {
  "use strict";

  const EVERY_MS = 2000;
  let looking = false;

  async function look() {
    const place = document.querySelector("#routine[data-waiting]");
    if (!place || looking || document.hidden) return;
    looking = true;
    try {
      const answer = await fetch(location.pathname, { headers: { Accept: "text/html" } });
      if (!answer.ok || answer.redirected) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("routine");
      if (!fresh) return;
      place.replaceWith(fresh);
      fresh.querySelector("form[data-take]")?.requestSubmit();
    } catch {
      // the next look may find the server again
    } finally {
      looking = false;
    }
  }

  setInterval(look, EVERY_MS);
})();
