// A lot to choose: its text and its cards say the same, and Enter in the text looks for the lot instead of sending the form.
(() => {
  "use strict";
  const plain = (code) => code.toUpperCase().replace(/[\s.\p{Pd}]/gu, "");

  for (const field of document.querySelectorAll("[data-lot-choice]")) {
    const text = field.querySelector("[data-lot-text]");
    const cards = [...field.querySelectorAll("input[type=radio]")];
    const codeOf = (card) => (card.value === "none" ? "" : card.value);

    const follow = () => {
      for (const card of cards) card.checked = plain(codeOf(card)) === plain(text.value);
    };
    text.addEventListener("input", follow);
    // A draft that came back is told by a change.
    text.addEventListener("change", follow);
    for (const card of cards) {
      card.addEventListener("change", () => { if (card.checked) text.value = codeOf(card); });
    }
    text.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" || event.isComposing) return;
      event.preventDefault();
      field.querySelector("[data-look]").click();
    });

    const ticked = cards.find((card) => card.checked);
    if (ticked && !text.value) text.value = codeOf(ticked);
    field.querySelector("[data-told]")?.focus();
  }
})();
