// The tubs of a clearing test: clocks that run from the moment each was stirred, also when that was said without a signal, and
// the minutes filled in at the tap that opens a tub's form. Without this script times and minutes are typed.
(() => {
  "use strict";
  const member = document.body.dataset.member || "-";
  const store = {
    read: (tub) => { try { return Number(localStorage.getItem(`tub/${member}/${tub}`)) || 0; } catch { return 0; } },
    keep: (tub, at) => { try { localStorage.setItem(`tub/${member}/${tub}`, String(at)); } catch { /* the server's time comes later */ } },
    drop: (tub) => { try { localStorage.removeItem(`tub/${member}/${tub}`); } catch { /* nothing was kept */ } },
  };
  // A clock that is set back while the page is open must not make minutes shorter; one that stands still in a locked
  // phone's pocket (performance.now) must not either.
  const opened = Date.now() - performance.now();
  const now = () => Math.max(Date.now(), opened + performance.now());
  const two = (number) => String(number).padStart(2, "0");
  const phoneTime = (at) => window.phoneStore ? window.phoneStore.phoneTime(new Date(at)) : new Date(at).toISOString();

  const tubs = [...document.querySelectorAll("[data-tub]")].map((row) => {
    const number = row.dataset.tub;
    const known = Date.parse(row.dataset.began || "") || 0;
    // What this phone began and could not send yet is later than what the site knows; once a tub was read its clock stays.
    if (row.hasAttribute("data-read")) store.drop(number);
    return { row, number, began: Math.max(known, store.read(number)), face: row.querySelector("[data-tub-clock]") };
  });

  function show(tub) {
    if (!tub.began || !tub.face) return;
    const seconds = Math.max(0, Math.floor((now() - tub.began) / 1000));
    const hours = Math.floor(seconds / 3600);
    tub.face.textContent = `${hours ? `${hours}:` : ""}${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}`;
    const words = tub.row.querySelector("[data-begin-words]");
    if (words) words.textContent = say("Stirred again: begin its clock anew");
  }
  const minutesOf = (tub) => window.formValues.written(Math.max(0, now() - tub.began) / 60000, 1);

  for (const tub of tubs) {
    const fold = tub.row.querySelector("[data-tub-read]");
    const minutes = fold && fold.querySelector("[name=minutes]");
    if (!minutes) continue;
    // Typed by hand, or brought back from the queue to be mended: not ours to change.
    let own = false;
    for (const event of ["input", "change"]) {
      minutes.addEventListener(event, () => {
        own = true;
        fold.open = true;
      });
    }
    fold.addEventListener("toggle", () => {
      if (!fold.open || own || !tub.began) return;
      minutes.value = minutesOf(tub);
      const next = fold.querySelector("[name=value]") || fold.querySelector("[type=file]");
      next?.focus({ preventScroll: true });
    });
  }

  function begin(tub, at) {
    tub.began = at;
    store.keep(tub.number, at);
    show(tub);
  }

  // Before the queue takes the form (it listens on the document): the tap's time, and the clocks on this page.
  window.addEventListener("submit", (event) => {
    const form = event.target;
    const moment = form.querySelector("[data-phone-time]");
    // A form sent back, or waiting in the queue, keeps the time it was made with.
    if (!moment || moment.value) return;
    const at = now();
    moment.value = phoneTime(at);
    if (form.hasAttribute("data-begin")) {
      const tub = tubs.find(({ row }) => row.contains(form));
      if (tub) begin(tub, at);
    }
    if (form.hasAttribute("data-begin-all")) {
      const apart = Number(form.elements.namedItem("apart_s").value) || 0;
      const numbers = [...form.querySelectorAll("[name=tubs]")].map(({ value }) => value);
      numbers.forEach((number, place) => {
        const tub = tubs.find((each) => each.number === number);
        if (tub) begin(tub, at + place * apart * 1000);
      });
    }
  }, true);

  // What of each tub waits on this phone.
  async function showWaiting() {
    const entries = await window.phoneQueue.entries();
    for (const tub of tubs) {
      const path = tub.row.querySelector("[data-tub-read] form")?.getAttribute("action");
      const waits = entries.filter(({ action }) => action === path);
      const said = tub.row.querySelector("[data-tub-waits]");
      if (!said) continue;
      said.hidden = !waits.length;
      const words = waits.map(({ fields }) => {
        const typed = Object.fromEntries(fields);
        return `${typed.minutes} min: ${typed.value || say("photo")}`;
      });
      said.textContent = waits.length ? say("not yet sent: {what}", { what: words.join("; ") }) : "";
    }
  }
  if (window.phoneQueue?.entries) {
    document.addEventListener("phone-queue-changed", () => showWaiting().catch(() => undefined));
    showWaiting().catch(() => undefined);
  }

  const showAll = () => tubs.forEach(show);
  if (tubs.length) setInterval(showAll, 1000);
  showAll();
})();
