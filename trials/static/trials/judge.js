// A judge's row of pans: tapped in the order of their gold, moved by arrows or dragged by their number. The number fields that
// work without this script stay the form's own; the board only fills them.
(() => {
  "use strict";
  const form = document.querySelector("form[data-judge-form]");
  if (!form) return;
  const list = form.querySelector("[data-pans]"), board = form.querySelector("[data-board]");
  const part = (name) => board.querySelector(`[data-${name}]`);
  const judge = form.elements.judge;
  const fields = new Map([...list.querySelectorAll("[data-pan]")].map((item) => [item.dataset.pan, item.querySelector("select")]));

  // The pans placed so far, most gold first; `alike`: at the same place as the one before.
  let row = [];
  let nextAlike = false;
  const past = [];

  // The same order as the site draws (trials/calc/judging.py): another one for every judge and block.
  function hash(text) {
    let value = 2166136261;
    for (const byte of new TextEncoder().encode(text)) value = Math.imul(value ^ byte, 16777619);
    value = Math.imul(value ^ (value >>> 16), 0x85ebca6b);
    value = Math.imul(value ^ (value >>> 13), 0xc2b2ae35);
    return (value ^ (value >>> 16)) >>> 0;
  }
  function drawnOrder() {
    const by = (code) => hash(`${code}|${list.dataset.block}|${judge?.value || list.dataset.shownTo}`);
    return [...fields.keys()].sort((one, other) => by(one) - by(other) || (one < other ? -1 : 1));
  }

  function placesOf() {
    let place = 0;
    return new Map(row.map(({ code, alike }) => [code, alike ? place : ++place]));
  }
  const ordinal = (number) => {
    const ending = number % 100 > 10 && number % 100 < 14 ? "th" : { 1: "st", 2: "nd", 3: "rd" }[number % 10] || "th";
    return `${number}${ending}`;
  };

  function readFields() {
    const placed = drawnOrder().filter((code) => fields.get(code).value);
    const place = (code) => Number(fields.get(code).value);
    placed.sort((one, other) => place(one) - place(other));
    row = placed.map((code, at) => ({ code, alike: at > 0 && place(code) === place(placed[at - 1]) }));
  }
  const isOurs = () => {
    const places = placesOf();
    return [...fields].every(([code, field]) => field.value === String(places.get(code) || ""));
  };
  function writeFields() {
    const places = placesOf();
    for (const [code, field] of fields) field.value = String(places.get(code) || "");
    list.dispatchEvent(new Event("change", { bubbles: true }));
  }

  function takeOut(at) {
    const [item] = row.splice(at, 1);
    // Who stood alike behind it now leads that place.
    if (!item.alike && row[at]?.alike) row[at].alike = false;
    return item;
  }
  // Between two pans that are alike it joins them.
  function putIn(item, at) {
    row.splice(at, 0, { code: item.code, alike: at > 0 && Boolean(row[at]?.alike) });
  }

  function change(act, said) {
    past.push(row.map((item) => ({ ...item })));
    act();
    writeFields();
    draw();
    tell(said());
  }
  const tell = (sentence) => { part("said").textContent = sentence; };
  const whereIs = (code) => {
    const places = placesOf();
    const beside = row.filter((item) => item.code !== code && places.get(item.code) === places.get(code));
    const place = ordinal(places.get(code)), others = beside.map((item) => item.code).join(say(" and "));
    return beside.length ? say("{code} is {place}, alike with {others}.", { code, place, others }) : say("{code} is {place}.", { code, place });
  };

  function place(code) {
    change(() => {
      row.push({ code, alike: nextAlike && row.length > 0 });
      nextAlike = false;
    }, () => whereIs(code));
    (part("loose").querySelector("button") || form.querySelector("[data-keep]")).focus({ preventScroll: true });
  }
  function move(code, to) {
    const from = row.findIndex((item) => item.code === code);
    if (to < 0 || to >= row.length || to === from) return;
    change(() => putIn(takeOut(from), to), () => whereIs(code));
  }
  function toggleAlike(code) {
    const at = row.findIndex((item) => item.code === code);
    change(() => { row[at].alike = !row[at].alike; }, () => whereIs(code));
  }

  function loosePan(code) {
    const button = part("loose-pan").content.firstElementChild.cloneNode(true);
    button.textContent = code;
    button.addEventListener("click", () => place(code));
    return button;
  }
  function placedPan({ code, alike }, at, places) {
    const item = part("placed-pan").content.firstElementChild.cloneNode(true);
    item.dataset.code = code;
    item.classList.toggle("alike", alike);
    item.querySelector(".grip").textContent = ordinal(places.get(code));
    item.querySelector(".code").textContent = code;
    const words = { up: say("Move {code} up", { code }), down: say("Move {code} down", { code }),
      alike: say("{code} shows as much as {other}", { code, other: row[at - 1]?.code }) };
    for (const button of item.querySelectorAll("[data-move]")) {
      const way = button.dataset.move;
      button.querySelector(".vh").textContent = words[way];
      button.disabled = way === "down" ? at === row.length - 1 : at === 0;
      if (way === "alike") button.setAttribute("aria-pressed", String(alike));
      button.addEventListener("click", () => {
        if (way === "alike") toggleAlike(code);
        else move(code, at + (way === "up" ? -1 : 1));
        focusOn(code, way);
      });
    }
    dragBy(item, item.querySelector(".grip"), code);
    return item;
  }
  function focusOn(code, way) {
    const item = part("placed").querySelector(`[data-code="${code}"]`);
    const button = item?.querySelector(`[data-move="${way}"]:not([disabled])`) || item?.querySelector("button:not([disabled])");
    button?.focus();
  }

  function draw() {
    const places = placesOf();
    part("loose").replaceChildren(...drawnOrder().filter((code) => !places.has(code)).map(loosePan));
    part("placed").replaceChildren(...row.map((item, at) => placedPan(item, at, places)));
    part("none").hidden = row.length > 0;
    const alike = part("next-alike");
    alike.hidden = !row.length || row.length === fields.size;
    alike.setAttribute("aria-pressed", String(nextAlike && !alike.hidden));
    part("undo").disabled = !past.length;
    part("again").disabled = !row.length;
  }

  function dragBy(item, grip, code) {
    grip.addEventListener("pointerdown", (down) => {
      if (down.button) return;
      down.preventDefault();
      grip.setPointerCapture(down.pointerId);
      item.classList.add("dragged");
      const follow = (event) => { item.style.transform = `translateY(${event.clientY - down.clientY}px)`; };
      const drop = (event) => {
        grip.removeEventListener("pointermove", follow);
        item.classList.remove("dragged");
        item.style.transform = "";
        if (event.type === "pointercancel") return;
        const others = [...part("placed").children].filter((other) => other !== item);
        const middle = (other) => { const box = other.getBoundingClientRect(); return box.top + box.height / 2; };
        move(code, others.filter((other) => middle(other) < event.clientY).length);
      };
      grip.addEventListener("pointermove", follow);
      grip.addEventListener("pointerup", drop, { once: true });
      grip.addEventListener("pointercancel", drop, { once: true });
    });
  }

  part("next-alike").addEventListener("click", () => {
    nextAlike = !nextAlike;
    draw();
  });
  part("undo").addEventListener("click", () => {
    row = past.pop() || [];
    nextAlike = false;
    writeFields();
    draw();
    tell(row.length ? say("Back: {placed} of {all} placed.", { placed: row.length, all: fields.size }) : say("Back: no pan is placed."));
  });
  part("again").addEventListener("click", () => {
    change(() => { row = []; nextAlike = false; }, () => say("No pan is placed. Undo brings the order back."));
    part("loose").querySelector("button").focus({ preventScroll: true });
  });
  // Fields filled by anything but this board: a draft that came back, an entry opened from the queue, another judge chosen.
  const follow = () => {
    if (!isOurs()) readFields();
    draw();
  };
  form.addEventListener("change", (event) => { if (event.target !== list) follow(); });
  form.addEventListener("click", () => { if (!isOurs()) follow(); });

  form.querySelector("[data-keep]").addEventListener("click", (event) => {
    const left = drawnOrder().filter((code) => !fields.get(code).value);
    if (!left.length) return;
    event.preventDefault();
    tell(say("Not placed yet: {codes}.", { codes: left.join(", ") }));
    part("loose").querySelector("button").focus();
  });

  // Runs the site has not seen but this phone holds: they go first, so the row may be judged now.
  async function rowOnThisPhone() {
    const missing = document.querySelector("[data-missing]");
    if (!missing || !window.phoneQueue) return;
    const codes = missing.dataset.missing.split(" ");
    const entries = await window.phoneQueue.entries();
    const runOf = (code) => entries.find(({ action }) => action === missing.dataset.log.replace("CODE", code));
    if (!codes.every(runOf)) return;
    for (const code of codes.filter((each) => runOf(each).fields.some(([name, value]) => name === "fail_kind" && value))) {
      fields.get(code).closest("[data-pan]").remove();
      fields.delete(code);
    }
    for (const hidden of document.querySelectorAll("[data-when-in], [data-on-this-phone]")) hidden.hidden = false;
    missing.hidden = true;
    draw();
  }

  list.hidden = true;
  board.hidden = false;
  for (const field of fields.values()) field.required = false;
  readFields();
  draw();
  rowOnThisPhone().catch(() => undefined);
})();
