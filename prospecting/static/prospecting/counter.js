// Big tap counters beside number inputs, and one button that takes back the last taps, whichever class they were for:
// <div data-counts> holding inputs with <button hidden data-count-for="id_fine">, <button hidden data-count-undo> and
// <p role="status" data-count-says>.
(() => {
  "use strict";
  const tick = (pattern) => { if (navigator.userActivation?.hasBeenActive) navigator.vibrate?.(pattern); };

  for (const box of document.querySelectorAll("[data-counts]")) {
    const undo = box.querySelector("[data-count-undo]");
    const says = box.querySelector("[data-count-says]");
    const taps = [];
    const nameOf = (input) => (input.labels[0]?.textContent || input.name).split("(")[0].trim().toLowerCase();
    const counted = (input) => Number.parseInt(input.value, 10) || 0;

    const show = () => {
      undo.hidden = !taps.length;
      if (taps.length) undo.textContent = say("Undo: one less {name}", { name: nameOf(taps.at(-1).input) });
    };
    const write = (input, text) => {
      input.value = text;
      says.textContent = `${nameOf(input)}: ${text || say("not counted")}`;
      input.dispatchEvent(new Event("input", { bubbles: true }));
      input.dispatchEvent(new Event("change", { bubbles: true }));
      show();
    };

    for (const button of box.querySelectorAll("[data-count-for]")) {
      const input = document.getElementById(button.dataset.countFor);
      if (!input) continue;
      button.hidden = false;
      button.addEventListener("click", () => {
        taps.push({ input, wasBlank: input.value.trim() === "" });
        tick(15);
        write(input, String(counted(input) + 1));
      });
    }
    // It takes one off what stands there now: a number typed by hand in between is kept.
    undo.addEventListener("click", () => {
      const { input, wasBlank } = taps.pop();
      const left = Math.max(0, counted(input) - 1);
      tick([10, 40, 10]);
      // Not looked for is not the same as none seen.
      write(input, wasBlank && left === 0 ? "" : String(left));
    });
    box.closest("form")?.addEventListener("reset", () => { taps.length = 0; show(); });
  }
})();
