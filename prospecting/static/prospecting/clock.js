// A clock that survives a locked phone and a closed page: <div hidden data-clock="a key of its own" data-fills="id_soak_min"
// data-began="id_began_at" data-ended="id_ended_at" data-planned="8 min">. Its start is kept on the phone. Stopping it writes
// minutes, to a tenth, and the two instants by this phone's clock.
(() => {
  "use strict";
  const store = {
    read: (key) => { try { return localStorage.getItem(key); } catch { return null; } },
    keep: (key, value) => { try { localStorage.setItem(key, value); } catch { /* a full or closed store: the clock still runs */ } },
    drop: (key) => { try { localStorage.removeItem(key); } catch { /* nothing was kept */ } },
  };
  const two = (number) => String(Math.floor(number)).padStart(2, "0");
  const buzz = (pattern) => { if (navigator.userActivation?.hasBeenActive) navigator.vibrate?.(pattern); };
  const changed = (input) => {
    for (const kind of ["input", "change"]) input.dispatchEvent(new Event(kind, { bubbles: true }));
  };

  // An instant with this phone's offset, so that the day and hour it showed can be read off again.
  const instant = (ms) => {
    const ahead = -new Date(ms).getTimezoneOffset();
    const local = new Date(ms + ahead * 60000).toISOString().slice(0, -1);
    return `${local}${ahead < 0 ? "-" : "+"}${two(Math.abs(ahead) / 60)}:${two(Math.abs(ahead) % 60)}`;
  };
  // A run may be timed by two clocks, each more than once: it began at the first start and ended at the last stop.
  const widen = (input, ms, isEarlier) => {
    if (!input) return;
    const known = Date.parse(input.value);
    if (Number.isNaN(known) || isEarlier === ms < known) input.value = instant(ms);
    changed(input);
  };

  // Milliseconds gone since a start. While the page is in sight the browser's own steady clock counts, so setting the phone's
  // clock changes nothing. Behind a dark screen that one may stand still, and over a reload it is gone: the phone's bridges.
  function stretch(startedAt) {
    let gone = Date.now() - startedAt;
    let steady = performance.now();
    let wall = Date.now();
    let wasHidden = document.hidden;
    return () => {
      const bySteady = performance.now() - steady;
      gone += wasHidden || document.hidden ? Math.max(bySteady, Date.now() - wall) : bySteady;
      [steady, wall, wasHidden] = [performance.now(), Date.now(), document.hidden];
      return gone;
    };
  }

  for (const box of document.querySelectorAll("[data-clock]")) {
    const key = `clock/${document.body.dataset.member || "-"}/${box.dataset.clock}`;
    const input = document.getElementById(box.dataset.fills);
    const face = box.querySelector("[data-clock-face]");
    const tap = box.querySelector("[data-clock-tap]");
    const says = box.querySelector("[data-clock-says]");
    if (!input || !face || !tap || !says) continue;
    const plannedMs = (Number.parseFloat((box.dataset.planned || "").replace(",", ".")) || Infinity) * 60000;
    let running = null;
    let ticking = 0;
    let isDue = false;

    const show = () => {
      const ms = running();
      // The phone's clock may have been set since; kept anew, so that a reload goes on from here.
      store.keep(key, String(Date.now() - ms));
      const seconds = ms / 1000;
      const hours = Math.floor(seconds / 3600);
      face.textContent = `${hours ? `${hours}:` : ""}${two((seconds / 60) % 60)}:${two(seconds % 60)}`;
      if (!isDue && ms >= plannedMs) {
        isDue = true;
        box.classList.add("due");
        says.textContent = say("The {planned} are over.", { planned: box.dataset.planned });
        buzz([300, 150, 300]);
      }
      return ms;
    };
    const run = (startedAt) => {
      running = stretch(startedAt);
      isDue = false;
      tap.textContent = say("Stop and write the minutes");
      ticking = setInterval(show, 500);
      show();
    };
    const stop = () => {
      const ms = show();
      clearInterval(ticking);
      running = null;
      store.drop(key);
      box.classList.remove("due");
      tap.textContent = say("Start again");
      const minutes = window.formValues.written(ms / 60000, 1);
      input.value = minutes;
      widen(document.getElementById(box.dataset.began), Date.now() - ms, true);
      widen(document.getElementById(box.dataset.ended), Date.now(), false);
      changed(input);
      says.textContent = say("{minutes} min written below.", { minutes });
    };
    tap.addEventListener("click", () => {
      if (running) {
        stop();
      } else {
        says.textContent = say("The clock is running.");
        run(Date.now());
      }
    });
    document.addEventListener("visibilitychange", () => { if (running) show(); });
    box.hidden = false;
    const startedAt = Number(store.read(key));
    if (startedAt > Date.now()) {
      store.drop(key);
      says.textContent = say("The phone's clock was set back since the start. Type the minutes below.");
    } else if (startedAt) {
      run(startedAt);
    }
  }
})();
