// An entry that the network does not take is kept on this phone and sent once it is back. Its token makes it one word,
// however often it is sent; it is sent only while the person who made it is signed in.
(() => {
  "use strict";

  const KEPT = "sumpside.kept";
  const ANSWER_WITHIN_MS = 8000; // a radio link that is half there is as good as none
  const TRY_EVERY_MS = 10000;
  const { word } = sumpside;
  const person = document.body.dataset.person;
  const place = document.getElementById("kept");
  if (!person || !place) return;
  let sending = false;
  let heard = false; // something was sent just now

  function read() {
    try {
      return JSON.parse(localStorage.getItem(KEPT) ?? "[]");
    } catch {
      return [];
    }
  }

  // False where this browser keeps nothing: then the form goes its usual way.
  function write(entries) {
    try {
      localStorage.setItem(KEPT, JSON.stringify(entries));
      return true;
    } catch {
      return false;
    }
  }

  const mine = () => read().filter((one) => one.person === person);
  const same = (one, other) => one.person === other.person && one.once === other.once;
  const drop = (gone) => write(read().filter((one) => !same(one, gone)));

  function post(entry) {
    const fields = new URLSearchParams(entry.fields);
    fields.set("form_token", document.querySelector("input[name=form_token]").value); // of who is signed in now
    fields.set("kept_s", String(Math.max(0, Math.round((Date.now() - entry.at) / 1000))));
    return fetch(entry.action, { method: "POST", body: fields, signal: AbortSignal.timeout(ANSWER_WITHIN_MS) });
  }

  // ── one entry, just made ──

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || !form.dataset.keep) return;
    event.preventDefault();
    const fields = [...new FormData(form, event.submitter)].map(([name, value]) => [name, String(value)]);
    const once = fields.find(([name]) => name === "once")?.[1];
    enter(form, { person, once, action: form.getAttribute("action"), what: form.dataset.keep, at: Date.now(), fields });
  });

  async function enter(form, entry) {
    if (!write([...read(), entry])) return form.submit(); // kept before it is sent: a phone may be put away at once
    let answer;
    try {
      answer = await post(entry);
    } catch {
      settle(form);
      return show();
    }
    drop(entry);
    if (answer.redirected) location.assign(answer.url);
    else form.submit(); // the server has something to say about it: its answer is a page
  }

  function settle(form) {
    form.removeAttribute("data-sent");
    form.removeAttribute("data-typed");
    form.reset();
    for (const button of form.querySelectorAll("button")) button.removeAttribute("aria-disabled");
    for (const opened of form.closest(".moves")?.querySelectorAll("details[open]") ?? []) opened.open = false;
    // the next entry of this form is another word
    for (const once of form.querySelectorAll("input[name=once]")) once.value = `${crypto.getRandomValues(new Uint32Array(4)).join("-")}`;
  }

  // ── what was kept ──

  async function send() {
    if (sending) return;
    sending = true;
    try {
      for (const entry of mine().filter((one) => !one.refused)) await sendOne(entry);
    } catch {
      // still no network: the next turn tries again
    } finally {
      sending = false;
      show();
    }
  }

  async function sendOne(entry) {
    const answer = await post(entry);
    if (answer.redirected && !new URL(answer.url).pathname.startsWith("/sign-in")) {
      drop(entry);
      heard = true;
    } else if (answer.status === 422 || answer.status === 404) {
      write(read().map((one) => (same(one, entry) ? { ...one, refused: true } : one)));
    }
  }

  function show() {
    const rows = mine();
    const waiting = rows.filter((one) => !one.refused);
    const refused = rows.filter((one) => one.refused);
    const lines = [];
    if (waiting.length) lines.push(`${word("No network. Kept on this device, sent when it is back:")} ${waiting.map(named).join("; ")}`);
    if (refused.length) lines.push(`${word("The server did not take this; please enter it again:")} ${refused.map(named).join("; ")}`);
    if (!rows.length && heard) lines.push(word("What was kept has been sent."));
    place.hidden = !lines.length;
    const text = lines.join(" ");
    const said = place.querySelector("span");
    if (said.textContent !== text) said.textContent = text;
    place.querySelector("button").hidden = !refused.length;
    place.classList.toggle("sent", !rows.length);
  }

  const named = (one) => `${one.what}, ${new Date(one.at).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" })}`;

  place.querySelector("button").addEventListener("click", () => {
    write(read().filter((one) => one.person !== person || !one.refused));
    show();
  });
  addEventListener("online", send);
  document.addEventListener("sumpside:picture", () => mine().some((one) => !one.refused) && send());
  setInterval(() => mine().some((one) => !one.refused) && send(), TRY_EVERY_MS);
  if (mine().length) send();
})();
