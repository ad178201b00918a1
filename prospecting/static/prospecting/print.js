// "Print" beside a page made for paper: <button data-print hidden>; without this script its words name the browser's own.
(() => {
  "use strict";
  for (const button of document.querySelectorAll("[data-print]")) {
    button.hidden = false;
    button.addEventListener("click", () => window.print());
  }
  for (const words of document.querySelectorAll("[data-print-words]")) words.hidden = true;
})();
