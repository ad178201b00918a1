// <form method="post" data-queue="what it is, in words" data-queue-next="/where/to/go/on/">: what is sent goes into the phone's
// queue first and from there to the site. data-queue-with names a field whose text belongs to the words.
// Stands before keep-draft.js, which brings back an earlier draft with its identity.
(() => {
  "use strict";
  const store = window.phoneStore, queue = window.phoneQueue;
  const PATIENCE_MS = 6000;
  const LONGEST_TITLE = 120;
  const NOT_TYPED = ["identity", "csrfmiddlewaretoken"];
  if (!queue.member) return;

  const wait = (milliseconds) => new Promise((done) => setTimeout(done, milliseconds));
  const here = () => location.pathname + location.search;
  const opened = location.hash.startsWith("#entry=") ? location.hash.slice("#entry=".length) : "";
  // Forms opened to mend an entry that waits: form -> that entry.
  const mending = new Map();
  const queuedHere = new Set();

  function pathOf(form) {
    const action = new URL(form.getAttribute("action") || here(), location.href);
    return action.pathname + action.search;
  }

  function notice(form, kind, ...sentences) {
    const box = document.createElement("div");
    box.className = kind;
    box.setAttribute("role", kind === "alert" ? "alert" : "status");
    for (const sentence of sentences) {
      const line = document.createElement("p");
      line.textContent = sentence;
      box.append(line);
    }
    form.prepend(box);
    return box;
  }

  // A day left as the page proposed it is the phone's today when the page was kept from an earlier day or left open overnight.
  const startedOn = store.phoneTime().slice(0, 10);
  function freshDays(form) {
    const today = store.phoneTime().slice(0, 10);
    if (!document.documentElement.dataset.kept && today === startedOn) return;
    for (const input of form.querySelectorAll("input[type=date][data-today]")) {
      if (input.value !== (input.dataset.today || input.defaultValue)) continue;
      input.value = input.dataset.today = today;
    }
  }

  // The draft of a form that goes into the queue is no longer needed; the function returned puts it back.
  function takeDraft(form) {
    const key = `draft/${queue.member}/${form.dataset.draft}`;
    try {
      const draft = localStorage.getItem(key);
      localStorage.removeItem(key);
      localStorage.removeItem("draft-sent");
      return () => { if (draft) localStorage.setItem(key, draft); };
    } catch {
      return () => undefined;
    }
  }

  // The picture itself: what the camera keeps for a file may be gone tomorrow.
  const copyOf = async (file) => new Blob([await file.arrayBuffer()], { type: file.type });

  async function entryOf(form, submitter) {
    const old = mending.get(form);
    const data = [...new FormData(form)];
    if (submitter?.name) data.push([submitter.name, submitter.value]);
    const chosen = data.filter(([, value]) => value instanceof File && value.size);
    const born = store.phoneTime();
    const files = await Promise.all(chosen.map(async ([name, file]) => [name, await copyOf(file), file.name]));
    const named = new Set(files.map(([name]) => name));
    const keeps = form.querySelector("[data-leave-out]")?.checked ? [] : old?.files || [];
    const allFiles = [...files, ...keeps.filter(([name]) => !named.has(name))];
    // A picture that was not chosen is sent as nothing, as the browser itself does: the same entry has the same body.
    const empty = data.filter(([name, value]) => value instanceof File && !allFiles.some(([held]) => held === name));
    return store.asEntry({
      identity: old?.identity || form.elements.identity.value || store.newIdentity(),
      member: queue.member,
      member_name: document.body.dataset.memberName || "",
      born_at: old?.born_at || born,
      form_path: here(),
      action: pathOf(form),
      title: titleOf(form),
      fields: [...data.filter(([name, value]) => typeof value === "string" && !NOT_TYPED.includes(name)),
        ...empty.map(([name]) => [name, ""])],
      files: allFiles,
      next: form.dataset.queueNext || "",
    });
  }

  function titleOf(form) {
    const { queue: words, queueWith: field } = form.dataset;
    return (field ? `${words} ${form.elements[field].value}` : words).slice(0, LONGEST_TITLE);
  }

  // Asked once, at the first entry: the browser may promise not to clear away what waits. The page of the queue shows its answer.
  async function askToPersist() {
    if (!navigator.storage?.persist || (await store.read("asked to persist"))) return;
    await store.write("asked to persist", true);
    await navigator.storage.persist();
  }

  // As without this script: the site answers with its own page.
  function submitNatively(form, submitter, known) {
    const token = form.elements.csrfmiddlewaretoken;
    if (known && token) token.value = known.csrf;
    if (submitter?.name) {
      const pressed = document.createElement("input");
      Object.assign(pressed, { type: "hidden", name: submitter.name, value: submitter.value });
      form.append(pressed);
    }
    HTMLFormElement.prototype.submit.call(form);
  }

  async function couldNotKeep(form, submitter, error) {
    const known = await queue.session(PATIENCE_MS).catch(() => null);
    if (known) return submitNatively(form, submitter, known);
    form.dispatchEvent(new Event("tap-again", { bubbles: true }));
    const why = error?.name === "QuotaExceededError"
      ? say("This phone's storage for the site is full") : say("This browser keeps nothing for the site");
    notice(form, "alert", say("{why}, and there is no signal: nothing was kept and nothing was sent. Leave this page open, or " +
      "make room on the phone, and tap again.", { why })).scrollIntoView();
  }

  async function send(form, submitter) {
    freshDays(form);
    let entry;
    try {
      entry = await entryOf(form, submitter);
      // A draft opened in two tabs is two entries once they differ: none may push the other out.
      const held = mending.has(form) || queuedHere.has(entry.identity) ? null : await store.get(entry.identity);
      if (held && JSON.stringify(held.fields) !== JSON.stringify(entry.fields)) entry.identity = store.newIdentity();
      await store.put(entry);
      queuedHere.add(entry.identity);
    } catch (error) {
      return couldNotKeep(form, submitter, error);
    }
    const putDraftBack = takeDraft(form);
    askToPersist().catch(() => undefined);
    queue.changed();
    const outcome = (await Promise.race([queue.flush(entry.identity), wait(PATIENCE_MS)])) || { word: "" };
    const isOurs = outcome.answer?.identity === entry.identity;
    if (isOurs && outcome.word === "refused" && outcome.answer.state === "refused" && !mending.has(form)) {
      // The site's own page says what has to be mended, beside each field.
      const known = await queue.session().catch(() => null);
      if (known) {
        await store.remove(entry.identity);
        putDraftBack();
        return submitNatively(form, submitter, known);
      }
    }
    const next = entry.next || (isOurs && outcome.word === "there" && outcome.answer.path) || "/phone/";
    if (["there", "refused", "signed_out", "other_member"].includes(outcome.word) || (await opensWithoutSignal(next))) location.assign(next);
    else stay(form, entry);
  }

  async function opensWithoutSignal(address) {
    if (!(await navigator.serviceWorker?.getRegistration())?.active) return false;
    const path = new URL(address, location.href).pathname;
    return Boolean((await caches.match(path)) || (await caches.match("/phone/")));
  }

  // Without a worker (plain http, or the very first visit) no other page would open, and only an open page sends.
  function stay(form, entry) {
    const box = notice(form, "notice warning", say("{title}: kept on this phone, not yet sent.", { title: entry.title }),
      say("It is sent by itself once there is a signal and a page of this site is open. Leave this one open."));
    const again = document.createElement("button");
    again.type = "button";
    again.className = "act quiet";
    again.textContent = say("Enter another one");
    again.addEventListener("click", () => {
      box.remove();
      form.hidden = false;
      form.querySelector("input:not([type=hidden]), select, textarea")?.focus();
    });
    box.append(again);
    form.before(box);
    form.hidden = true;
    form.dispatchEvent(new Event("tap-again", { bubbles: true }));
    form.reset();
    mending.delete(form);
    form.elements.identity.value = store.newIdentity();
    again.focus();
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (event.defaultPrevented || form.getAttribute("method") !== "post" || !form.hasAttribute("data-queue")) return;
    event.preventDefault();
    send(form, event.submitter);
  });

  // Opened from the queue: the form as it was filled in, with what the site said about it.
  function sayBeside(form, fields) {
    for (const [name, sentences] of Object.entries(fields || {})) {
      const box = form.querySelector(`[name="${CSS.escape(name)}"]`)?.closest(".field");
      if (!box) continue;
      const list = document.createElement("ul");
      list.className = "errors";
      for (const sentence of sentences) {
        const line = document.createElement("li");
        line.textContent = sentence;
        list.append(line);
      }
      box.append(list);
      const around = box.closest("details");
      if (around) around.open = true;
    }
  }

  function fill(form, entry) {
    mending.set(form, entry);
    const values = {};
    for (const [name, text] of entry.fields) (values[name] ||= []).push(text);
    const isTyped = ({ name, type }) => !NOT_TYPED.includes(name) && !["file", "submit", "button"].includes(type);
    form.setAttribute("action", entry.action);
    if (!form.dataset.queueWith) form.dataset.queue = entry.title;
    if (entry.next) form.dataset.queueNext = entry.next;
    for (const day of form.querySelectorAll("[data-today]")) day.removeAttribute("data-today");
    for (const control of form.elements) {
      // What was not ticked or chosen then is not now.
      if (isTyped(control) && ["checkbox", "radio"].includes(control.type)) values[control.name] ||= [];
    }
    window.formValues.restore(form, values, isTyped);
    const { sentences = [], asks = [], fields } = entry.answer || {};
    if (sentences.length + asks.length) notice(form, "alert", ...sentences, ...asks);
    sayBeside(form, fields);
    const kept = entry.files.length ? [say("The photo of this entry is kept. Choose another one only to put it in its place.")] : [];
    const box = notice(form, "notice warning", say("You are mending what waits on this phone: {title}. It is not recorded yet.", { title: entry.title }), ...kept);
    if (kept.length) box.append(leaveOut());
  }

  // Where the site takes no photo (too large, no room left), the rest of the entry can still be sent.
  function leaveOut() {
    const field = document.createElement("div");
    field.className = "field tick";
    const label = document.createElement("label");
    const tick = document.createElement("input");
    tick.type = "checkbox";
    tick.dataset.leaveOut = "";
    const words = document.createElement("span");
    words.textContent = say("Send it without this photo; the photo is then gone");
    label.append(tick, words);
    field.append(label);
    return field;
  }

  async function openEntry(forms) {
    const entry = await store.get(opened).catch(() => null);
    const form = forms.find((candidate) => pathOf(candidate) === entry?.action) || forms[0];
    if (!form) return;
    if (entry?.member === queue.member) fill(form, entry);
    else notice(form, "notice warning", say("That entry no longer waits on this phone: it was sent, or deleted."));
  }

  const forms = [...document.querySelectorAll("form[data-queue]")];
  for (const form of forms) {
    freshDays(form);
    // A form that the site sent back keeps the identity it was sent with; a kept page must not give out the same one twice.
    if (form.elements.identity && !form.querySelector("[data-bound]")) form.elements.identity.value = store.newIdentity();
    if (opened) form.removeAttribute("data-draft");
  }
  // After the other scripts of the page, which make counters and pictures of the fields.
  if (opened) document.addEventListener("DOMContentLoaded", () => openEntry(forms));
})();
