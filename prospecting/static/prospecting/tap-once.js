// A form that was sent can't be sent again by a second tap. Leave a form out with data-tap-many.
(() => {
  "use strict";
  const WAIT_MS = 20000;
  const sending = new Map();

  function release(form) {
    const kept = sending.get(form);
    if (!kept) return;
    clearTimeout(kept.timer);
    for (const [button, words] of kept.buttons) {
      button.disabled = false;
      button.textContent = words;
    }
    sending.delete(form);
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.getAttribute("method") !== "post" || form.hasAttribute("data-tap-many")) return;
    if (sending.has(form)) {
      event.preventDefault();
      return;
    }
    if (event.defaultPrevented) return;
    const kept = { buttons: [], timer: setTimeout(() => release(form), WAIT_MS) };
    sending.set(form, kept);
    // One turn later: a button disabled right now would drop its own name and value from what is sent.
    setTimeout(() => {
      if (sending.get(form) !== kept) return;
      for (const button of form.querySelectorAll("button:not([type=button]):not([disabled])")) {
        kept.buttons.push([button, button.textContent]);
        button.disabled = true;
        if (button === (event.submitter || button)) button.textContent = say("Sending…");
      }
    });
  });

  // Nothing was sent after all: the same form can be tapped again.
  document.addEventListener("tap-again", (event) => release(event.target));

  // Coming back by the back button shows the page as it was left.
  window.addEventListener("pageshow", () => [...sending.keys()].forEach(release));
})();
