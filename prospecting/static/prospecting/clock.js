// A clock that survives a locked phone: <div hidden data-clock="a key of its own" data-fills="id_soak_min">.
// Its start is kept on the phone; stopping it writes minutes, to a tenth, into the input.
(() => {
  "use strict";
  const store = {
    read: (key) => { try { return localStorage.getItem(key); } catch { return null; } },
    keep: (key, value) => { try { localStorage.setItem(key, value); } catch { /* a full or closed store: the clock still runs */ } },
    drop: (key) => { try { localStorage.removeItem(key); } catch { /* nothing was kept */ } },
  };
  const two = (number) => String(number).padStart(2, "0");

  for (const box of document.querySelectorAll("[data-clock]")) {
    const key = `clock/${document.body.dataset.member || "-"}/${box.dataset.clock}`;
    const input = document.getElementById(box.dataset.fills);
    const face = box.querySelector("[data-clock-face]");
    const tap = box.querySelector("[data-clock-tap]");
    const said = box.querySelector("[data-clock-says]");
    if (!input || !face || !tap) continue;
    let started = Number(store.read(key)) || 0;
    let ticking = 0;

    const show = () => {
      const seconds = started ? Math.max(0, Math.floor((Date.now() - started) / 1000)) : 0;
      const hours = Math.floor(seconds / 3600);
      face.textContent = `${hours ? `${hours}:` : ""}${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}`;
    };
    const run = () => {
      tap.textContent = "Stop and write the minutes";
      clearInterval(ticking);
      ticking = setInterval(show, 500);
      show();
    };
    tap.addEventListener("click", () => {
      if (!started) {
        started = Date.now();
        store.keep(key, String(started));
        if (said) said.textContent = "The clock is running.";
        run();
        return;
      }
      const minutes = (Math.max(0, Date.now() - started) / 60000).toFixed(1);
      clearInterval(ticking);
      show();
      started = 0;
      store.drop(key);
      input.value = minutes;
      input.dispatchEvent(new Event("input", { bubbles: true }));
      input.dispatchEvent(new Event("change", { bubbles: true }));
      tap.textContent = "Start again";
      if (said) said.textContent = `${minutes} min written below.`;
    });
    box.hidden = false;
    if (started) run();
  }
})();
