// What if: the sliders ask the server as they move, and its answer takes the old one's place.
(() => {
  "use strict";

  const form = document.querySelector("form[data-what-if]");
  if (!form) return;
  const ASK_AFTER_MS = 120;
  let waiting = 0;
  let asked = 0;

  function told() {
    for (const output of form.querySelectorAll("output")) {
      const field = document.getElementById(output.htmlFor.value);
      const value = String(Number(Number(field.value).toFixed(Number(output.dataset.digits)))).replace(".", sumpside.decimal(0.1, 1)[1]);
      output.textContent = `${value} ${output.dataset.unit}`;
      field.setAttribute("aria-valuetext", output.textContent);
    }
  }

  async function ask() {
    const turn = ++asked;
    const answer = await fetch(`${form.action}?${new URLSearchParams(new FormData(form))}&part=1`);
    if (turn !== asked || (!answer.ok && answer.status !== 422)) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("what-if-answer");
    if (turn === asked && fresh) document.getElementById("what-if-answer").replaceWith(fresh);
  }

  form.addEventListener("input", () => {
    told();
    clearTimeout(waiting);
    waiting = setTimeout(ask, ASK_AFTER_MS);
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    event.stopPropagation();
    ask();
  });
  form.querySelector("button").hidden = true; // the sliders ask by themselves
  told();
  document.addEventListener("sumpside:changed", ask);
})();
