// The runner's page of a trial, on a phone that may have no signal: which portion is next, as far as this phone knows.
// Runs before the scripts that look for drafts and clocks, because it says whose they are.
(() => {
  "use strict";
  const data = document.getElementById("pocket-trial");
  const trial = data && JSON.parse(data.textContent);
  const form = document.querySelector("[data-run-form]");
  if (!trial || !form) return;
  const own = `${document.body.dataset.member || "-"}/${trial.trial}`;
  const HABITS = ["panner", "pan", "light", "water", "water_batch", "scale_unit", "scale_step"];
  const find = (name) => document.querySelector(`[data-${name}]`);
  const read = (key) => { try { return JSON.parse(localStorage.getItem(`${key}/${own}`)); } catch { return null; } };
  const keep = (key, value) => {
    try { localStorage.setItem(`${key}/${own}`, JSON.stringify(value)); } catch { /* full: this page still knows */ }
  };
  // When this page left the site, by this phone's own clock: a kept one was stamped when it was kept.
  const since = Date.parse(document.documentElement.dataset.kept || "") || Date.now();
  const asked = new URLSearchParams(location.search);
  const editing = /^#entry=(.+)$/.exec(location.hash)?.[1];

  // Code -> when it last stood in this phone's queue. The page knows of those sent before it was made.
  const panned = read("panned") || {};
  for (const code of Object.keys(panned)) if (!trial.runs.some((run) => run.code === code)) delete panned[code];
  let waiting = new Map();
  const isDone = ({ code }) => waiting.has(code) || panned[code] >= since;
  const isOf = (block) => (run) => run.block === block;
  const blocks = trial.blocks.map(({ number }) => number);
  const nextOf = (block) => trial.runs.filter(isOf(block)).find((run) => !isDone(run));
  const address = (query) => `${trial.page}?${query}`;

  function myBlock() {
    const chosen = Number(asked.get("block"));
    if (blocks.includes(chosen)) keep("block", chosen);
    const kept = read("block");
    return blocks.includes(kept) ? kept : blocks.find(nextOf) ?? blocks[0];
  }

  function codeOf(entry) {
    const { pathname } = new URL(entry.action, location.origin);
    return pathname.startsWith(trial.log) ? decodeURIComponent(pathname.slice(trial.log.length, -1)).toUpperCase() : "";
  }

  function tell(name, text) {
    const place = find(name);
    if (place && text !== undefined) place.textContent = text;
  }

  function chip(text, query, isHere = false) {
    const item = document.createElement("li");
    const link = document.createElement("a");
    link.className = "code";
    link.href = address(query);
    link.textContent = text;
    if (isHere) link.setAttribute("aria-current", "true");
    item.append(link);
    return item;
  }

  // Everything that names the portion in hand.
  function point(code) {
    form.action = `${trial.log}${code}/`;
    form.dataset.draft = `run/${trial.trial}/${code}`;
    form.dataset.queue = `${code}, ${trial.question}`;
    document.title = `${code}, ${trial.question}`;
    tell("code", code);
    for (const box of document.querySelectorAll("[data-clock]"))
      box.dataset.clock = `${trial.trial}/${code}/${box.dataset.clock.split("/").pop()}`;
  }

  function show(run) {
    point(run.code);
    for (const name of ["portion", "number", "mass", "block", "order"]) tell(name, run[name]);
  }

  function showBeside(run, block) {
    const others = trial.runs.filter(isOf(block)).filter((other) => other !== run && !waiting.has(other.code));
    const list = find("beside");
    list.hidden = !others.length;
    list.querySelector("ul").replaceChildren(...others.map(({ code }) => chip(code, `code=${code}`)));
    for (const link of document.querySelectorAll("[data-block-link]")) {
      if (Number(link.dataset.blockLink) === block) link.setAttribute("aria-current", "true");
      else link.removeAttribute("aria-current");
    }
  }

  // All of the block is in or on this phone: says so, and offers the next one.
  function showDone(block) {
    form.hidden = find("next").hidden = true;
    const next = blocks.find((other) => other !== block && nextOf(other));
    find("done").hidden = false;
    if (!trial.runs.length) return;
    tell("done-title", blocks.length > 1 || next ? say("Block {block} is panned", { block }) : say("Every open portion is panned"));
    tell("done-words", say("What is not in yet waits on this phone. The block is closed once all of it is in."));
    const on = find("done-next");
    on.hidden = !next;
    if (next) {
      on.href = address(`block=${next}`);
      on.textContent = say("Go on with block {next}", { next });
    }
  }

  // What stays the same from one portion to the next, as it was typed last on this phone.
  function fillHabits() {
    const habits = read("habits") || {};
    for (const name of HABITS) if (habits[name] && form.elements[name]) form.elements[name].value = habits[name];
  }

  function showQueue(entries) {
    const ours = entries.filter(codeOf);
    waiting = new Map(ours.map((entry) => [codeOf(entry), entry]));
    for (const code of waiting.keys()) panned[code] = Date.now();
    keep("panned", panned);
    tell("here", ours.length ? say(", {number} on this phone", { number: ours.length }) : "");
    const back = ours.filter(({ state, identity }) => state === "refused" && identity !== editing);
    find("came-back").replaceChildren(...back.map((entry) => {
      const line = document.createElement("p");
      const link = document.createElement("a");
      line.className = "alert";
      link.className = "act quiet";
      link.href = `${entry.form_path}#entry=${entry.identity}`;
      link.textContent = say("{code} came back: mend it", { code: codeOf(entry) });
      line.append(...(entry.answer?.sentences || []).slice(0, 1), link);
      return line;
    }));
  }

  // A browser that was killed may have lost what was kept a moment ago, but never what waits: block and habits are in it.
  function recall(entries) {
    const last = entries.filter(codeOf).at(-1);
    const of = last && trial.runs.find(({ code }) => code === codeOf(last));
    if (!of || read("block") !== null) return false;
    keep("block", of.block);
    keep("habits", Object.fromEntries(last.fields.filter(([name]) => HABITS.includes(name))));
    return read("block") === of.block;
  }

  const block = myBlock();
  const run = trial.runs.find(({ code }) => code === asked.get("code")?.toUpperCase()) || nextOf(block);
  if (editing) {
    form.hidden = find("next").hidden = false;
    for (const name of ["done", "beside", "blocks"]) if (find(name)) find(name).hidden = true;
    for (const box of document.querySelectorAll("[data-clock]")) box.dataset.clock = `${editing}/${box.dataset.clock}`;
  } else if (run) {
    fillHabits();
    show(run);
    showBeside(run, run.block);
  } else {
    showDone(block);
    showBeside(null, block);
  }

  form.addEventListener("submit", () => {
    keep("habits", Object.fromEntries(HABITS.map((name) => [name, form.elements[name]?.value || ""])));
    if (!run || editing) return;
    keep("block", run.block);
    keep("panned", { ...panned, [run.code]: Date.now() });
  });
  // The way back to a page whose portion has been logged since.
  window.addEventListener("pageshow", ({ persisted }) => { if (persisted) location.reload(); });
  window.addEventListener("hashchange", () => { if (location.hash.startsWith("#entry=")) location.reload(); });

  document.addEventListener("DOMContentLoaded", async () => {
    const queue = window.phoneQueue;
    const entries = (await queue?.entries().catch(() => [])) || [];
    showQueue(entries);
    document.addEventListener("phone-queue-changed", async () => showQueue(await queue.entries()));
    if (editing) {
      const entry = entries.find(({ identity }) => identity === editing);
      if (!entry) return location.replace(trial.page);
      const code = codeOf(entry);
      const place = find("next");
      place.replaceChildren(...[...place.children].filter((line) => line.matches("[data-code]")));
      tell("code", code);
      document.title = say("Mend {code}", { code });
    } else if (recall(entries)) {
      location.replace(trial.page);
    } else if (run && waiting.has(run.code)) {
      // Asked for by its code, so that the page opened in its place has nothing to look up.
      const next = nextOf(run.block);
      if (next) location.replace(address(`code=${next.code}`));
      else showDone(run.block);
    } else if (run) {
      showBeside(run, run.block);
    }
  });
})();
