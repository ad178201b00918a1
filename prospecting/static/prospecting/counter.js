// Big tap counters beside number inputs: <button type="button" hidden data-count-for="id_fine" data-step="1">.
(() => {
  "use strict";
  for (const button of document.querySelectorAll("[data-count-for]")) {
    const input = document.getElementById(button.dataset.countFor);
    if (!input) continue;
    button.hidden = false;
    button.addEventListener("click", () => {
      const least = input.min === "" ? 0 : Number(input.min);
      const counted = Number.parseInt(input.value, 10) || 0;
      input.value = String(Math.max(least, counted + Number(button.dataset.step || 1)));
      input.dispatchEvent(new Event("input", { bubbles: true }));
      input.dispatchEvent(new Event("change", { bubbles: true }));
    });
  }
})();
