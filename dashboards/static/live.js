// Live values: one stream a page. Texts come ready from the server; here they are only put in their places.
(() => {
  "use strict";

  const SILENT_AFTER_MS = 15000;
  const { word } = globalThis.sumpside;
  const notice = document.getElementById("notice");
  let lastHeard = Date.now();
  let lastClock = "";
  let refreshing = false;
  let stream = null;

  function put(picture) {
    lastHeard = Date.now();
    lastClock = picture.clock;
    for (const place of document.querySelectorAll("[data-clock]")) place.textContent = picture.clock;
    for (const [id, sump] of Object.entries(picture.sumps)) putSump(id, sump);
    say(picture.quiet);
    document.dispatchEvent(new CustomEvent("sumpside:picture", { detail: picture }));
    const { seq, alerts } = document.body.dataset;
    if (picture.seq > Number(seq) || picture.alerts !== alerts) refresh();
  }

  function putSump(id, sump) {
    for (const place of document.querySelectorAll(`[data-live^="${CSS.escape(id)}."]`)) {
      const name = place.dataset.live.slice(id.length + 1);
      const text = sump.texts[name] ?? "";
      if (place.textContent !== text) place.textContent = text;
      if (name.endsWith("_age")) place.classList.toggle("old", sump.old.includes(name));
    }
    for (const place of document.querySelectorAll(`[data-state-of="${CSS.escape(id)}"]`)) place.dataset.state = sump.state;
    if (sump.belief) for (const map of document.querySelectorAll(`[data-map="${CSS.escape(id)}"]`)) move(map, sump.belief);
  }

  // The point and its 90 % region; 2.146 standard deviations hold 90 % of two independent normals.
  function move(map, belief) {
    const d = map.dataset;
    const [v0, v1, c0, c1, w, h] = [d.v0, d.v1, d.c0, d.c1, d.w, d.h].map(Number);
    const held = (value, end) => Math.min(Math.max(value, 0), end);
    const x = held(((belief.volume_l - v0) / (v1 - v0)) * w, w);
    const y = held(((c1 - belief.strength) / (c1 - c0)) * h, h);
    const set = (shape, values) => {
      for (const [name, value] of Object.entries(values)) shape?.setAttribute(name, value.toFixed(1));
    };
    set(map.querySelector(".point"), { cx: x, cy: y });
    const rx = Math.max(2, ((2.146 * belief.volume_sd) / (v1 - v0)) * w);
    const ry = Math.max(2, ((2.146 * belief.strength_sd) / (c1 - c0)) * h);
    set(map.querySelector(".region"), { cx: x, cy: y, rx, ry });
    set(map.querySelector(".arrow"), { x1: x, y1: y });
  }

  function say(text) {
    notice.hidden = !text;
    if (text && notice.textContent !== text) notice.textContent = text;
  }

  const busy = (place) => place.contains(document.activeElement) || place.querySelector("form[data-typed], details[open] form");

  // Something was said or decided: fetch this page again and replace the marked parts that nobody is typing in.
  async function refresh() {
    if (refreshing) return;
    refreshing = true;
    try {
      const answer = await fetch(location.pathname + location.search.replace(/[?&]said=\w+/, ""), { headers: { Accept: "text/html" } });
      if (!answer.ok || answer.redirected) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      let all = true;
      for (const place of document.querySelectorAll("[data-refresh][id]")) {
        const newer = fresh.getElementById(place.id);
        if (!newer) continue;
        if (busy(place)) all = false;
        else place.replaceWith(newer);
      }
      if (all) Object.assign(document.body.dataset, { seq: fresh.body.dataset.seq, alerts: fresh.body.dataset.alerts });
      document.dispatchEvent(new CustomEvent("sumpside:changed"));
    } finally {
      refreshing = false;
    }
  }

  setInterval(() => {
    if (!stream || Date.now() - lastHeard < SILENT_AFTER_MS) return;
    const since = lastClock ? " " + word("The values below are those of {time}.", { time: lastClock }) : "";
    say(word("No word from the page's server.") + since);
    for (const place of document.querySelectorAll("[data-live$='_age']")) place.classList.add("old");
  }, 2000);

  // A browser holds six connections to a server: a page that nobody looks at gives its one back.
  function watch() {
    if (stream || document.hidden) return;
    lastHeard = Date.now();
    stream = new EventSource("/live");
    stream.addEventListener("picture", (event) => put(JSON.parse(event.data)));
  }

  function rest() {
    stream?.close();
    stream = null;
  }

  document.addEventListener("visibilitychange", () => (document.hidden ? rest() : watch()));
  document.addEventListener("sumpside:stale", refresh);
  addEventListener("pageshow", watch);
  addEventListener("pagehide", rest);
  watch();
})();
