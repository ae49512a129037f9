// Words of our scripts in the language of the page: the server puts the ones that differ into <body data-words>.
(() => {
  "use strict";

  const known = JSON.parse(document.body.dataset.words || "{}");
  const language = document.documentElement.lang || "en";

  // word("{n} L to go", { n: 12 }): the sentence in English is its key.
  const word = (text, values = {}) => (known[text] ?? text).replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));

  // A number with so many decimals, as this language writes it.
  const decimal = (value, digits) => value.toFixed(digits).replace(".", language === "de" ? "," : ".");

  globalThis.sumpside = { word, decimal, language };
})();
