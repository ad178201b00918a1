// The page of the queue: what waits, in words; send, mend, delete; what the phone keeps; the queue as a file.
(() => {
  "use strict";
  const store = window.phoneStore, queue = window.phoneQueue;
  const part = (name) => document.querySelector(`[data-${name}]`);
  const FILE_KIND = "prospecting-queue";
  const SAYS = {
    waiting: say("Waits to be sent."),
    refused: say("The site did not take it:"),
  };
  const ENDED = {
    signed_out: say("You are signed out: sign in to send."),
    no_signal: say("No signal, or the site does not answer: it is tried again by itself."),
    trouble: say("The site has trouble: it is tried again by itself."),
    stumbled: say("The site stumbled over an entry: it is tried again by itself."),
    other_member: say("Another member is signed in on this phone."),
  };

  function headline(entries) {
    if (!entries.length) return say("Nothing waits: everything entered on this phone has been sent.");
    const own = entries.filter(({ member }) => member === queue.member);
    const said = [];
    if (own.length) {
      said.push(sayCounted("1 entry is not yet sent, the oldest made {age} ago.", "{number} entries are not yet sent, the oldest " +
        "made {age} ago.", own.length, { age: queue.age(own[0].born_at) }));
    }
    if (own.length < entries.length) {
      said.push(sayCounted("1 entry is another member's.", "{number} entries are another member's.", entries.length - own.length));
    }
    if (queue.isOld(own)) said.push(say("Some have waited for days: find a signal, or save the queue as a file below."));
    if (own.length && ENDED[queue.ended()]) said.push(ENDED[queue.ended()]);
    return said.join(" ");
  }

  const made = ({ born_at }) => queue.inWords(born_at);
  const pictures = ({ files }) => (files.length ? sayCounted(", with {number} photo", ", with {number} photos", files.length) : "");

  function card(entry) {
    const box = part("queue-card").content.firstElementChild.cloneNode(true);
    const of = (name) => box.querySelector(`[data-${name}]`);
    const isOwn = entry.member === queue.member;
    const isRefused = entry.state === "refused";
    const { sentences = [], fields = {}, labels = {}, asks = [] } = entry.answer || {};
    const beside = Object.entries(fields).flatMap(([name, said]) => said.map((one) => (labels[name] ? `${labels[name]}: ${one}` : one)));
    of("title").textContent = entry.title;
    of("made").textContent = say("Made {made}{pictures}.", { made: made(entry), pictures: pictures(entry) });
    of("state").textContent = isOwn ? SAYS[entry.state] : say("Waits for {member} to sign in here.", { member: entry.member_name || say("its member") });
    for (const sentence of isRefused ? [...sentences, ...beside] : []) {
      const line = document.createElement("li");
      line.textContent = sentence;
      of("sentences").append(line);
    }
    of("sentences").hidden = !of("sentences").children.length;
    of("asks").textContent = asks.join(" ");
    of("asks").hidden = !isRefused || !asks.length;
    of("mend").href = `${entry.form_path}#entry=${entry.identity}`;
    of("mend").textContent = isRefused ? say("Mend it") : say("Change it");
    of("mend").hidden = !isOwn;
    of("keep-as-typed").hidden = !isOwn || !isRefused || !asks.length;
    of("again").hidden = !isOwn || !isRefused;
    of("delete").hidden = of("acts").hidden = !isOwn;

    const sendAgain = async (fieldsNow) => {
      await store.change(entry.identity, { state: "waiting", answer: null, tries: 0, fields: fieldsNow });
      queue.changed();
      await queue.sendWhatWaits();
    };
    of("again").addEventListener("click", () => sendAgain(entry.fields));
    of("keep-as-typed").addEventListener("click", () =>
      sendAgain([...entry.fields.filter(([name]) => name !== "keep_as_typed"), ["keep_as_typed", "on"]]));
    of("delete").addEventListener("click", async ({ currentTarget: button }) => {
      if (!button.hasAttribute("data-sure")) {
        button.setAttribute("data-sure", "");
        of("state").textContent = say("Deleting loses it: {title}, made {made}{pictures}. It is recorded nowhere else.", { title: entry.title, made: made(entry), pictures: pictures(entry) });
        of("state").setAttribute("role", "alert");
        button.textContent = say("Delete it for good");
        return;
      }
      await store.settle(entry.identity);
      queue.changed();
    });
    return box;
  }

  async function show() {
    const entries = await store.all();
    part("queue-says").textContent = headline(entries);
    part("queue-list").replaceChildren(...entries.map(card));
    part("queue-acts").hidden = !entries.some(({ member, state }) => member === queue.member && state === "waiting");
    part("save").hidden = !entries.length;
  }

  part("send").addEventListener("click", async ({ currentTarget: button }) => {
    button.disabled = true;
    part("queue-says").textContent = say("Sending…");
    await queue.sendWhatWaits().catch(() => undefined);
    button.disabled = false;
  });
  part("needs-signal").hidden = !new URLSearchParams(location.search).has("needs-signal");

  // What the phone keeps, and whether the browser may clear it away.
  async function showStorage() {
    part("not-secure").hidden = window.isSecureContext;
    if (!navigator.storage?.estimate) {
      part("storage-says").textContent = say("This browser does not say how much it keeps.");
      return;
    }
    const { usage = 0, quota = 0 } = await navigator.storage.estimate();
    const kept = await navigator.storage.persisted();
    const size = (bytes) => (bytes < 1e9 ? `${window.formValues.written(bytes / 1e6, 1)} MB` : `${window.formValues.written(bytes / 1e9, 1)} GB`);
    part("storage-says").textContent = say("{used} of the {allowed} the browser allows are in use.", { used: size(usage), allowed: size(quota) }) + " " +
      (kept ? say("The browser has promised not to clear it away by itself.") : say("The browser may clear it away when the phone is full."));
    part("persist").hidden = kept;
  }
  part("persist").addEventListener("click", async () => {
    const granted = await navigator.storage.persist();
    await showStorage();
    if (!granted) part("storage-says").append(" ", say("It was asked and has not promised it; it often does once the site is on the home screen."));
  });

  // The queue as a file: the same entries, pictures written out as text.
  async function asText(blob) {
    let bytes = "";
    for (const byte of new Uint8Array(await blob.arrayBuffer())) bytes += String.fromCharCode(byte);
    return btoa(bytes);
  }

  function asBlob({ type, base64 }) {
    return new Blob([Uint8Array.from(atob(base64), (sign) => sign.charCodeAt(0))], { type });
  }

  async function save() {
    const entries = [];
    for (const entry of await store.all()) {
      const files = [];
      for (const [name, blob, filename] of entry.files) files.push({ name, filename, type: blob.type, base64: await asText(blob) });
      entries.push({ ...entry, files });
    }
    const written = new Blob([JSON.stringify({ kind: FILE_KIND, version: 1, saved_at: store.phoneTime(), entries }, null, 1)],
      { type: "application/json" });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(written);
    link.download = `queue-${store.phoneTime().slice(0, 16).replace(":", "")}.json`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    part("file-says").textContent = sayCounted("1 entry was saved. It stays in the queue as well.",
      "{number} entries were saved. They stay in the queue as well.", entries.length);
  }

  const isEntry = (raw) => typeof raw?.identity === "string" && raw.member && Array.isArray(raw.fields) &&
    Array.isArray(raw.files) && /^\/(?![/\\])/.test(raw.action) && /^\/(?![/\\])/.test(raw.form_path || "/");

  async function load(file) {
    const says = part("file-says");
    let entries;
    try {
      const read = JSON.parse(await file.text());
      if (read.kind !== FILE_KIND || !read.entries.every(isEntry)) throw new Error("not a queue");
      entries = read.entries.map((raw) =>
        store.asEntry({ ...raw, files: raw.files.map((each) => [each.name, asBlob(each), each.filename]) }));
    } catch {
      says.textContent = say("That is not a file of a queue saved here. Nothing was loaded.");
      return;
    }
    const there = new Set((await store.all()).map(({ identity }) => identity));
    const fresh = entries.filter(({ identity }) => !there.has(identity));
    for (const entry of fresh) await store.put(entry);
    says.textContent = say("{fresh} of {all} loaded; the others were here already.", { fresh: fresh.length, all: entries.length });
    queue.changed();
    await queue.sendWhatWaits();
  }
  part("save").addEventListener("click", save);
  part("load").hidden = false;
  part("load").querySelector("input").addEventListener("change", async ({ target }) => {
    const [file] = target.files;
    if (file) await load(file).catch(() => { part("file-says").textContent = say("This phone has no room for it. Not all was loaded."); });
    target.value = "";
  });

  document.addEventListener("phone-queue-changed", () => show().catch(() => undefined));
  show().catch(() => { part("queue-says").textContent = say("This browser keeps nothing for the site: every form is sent as you tap it."); });
  showStorage().catch(() => undefined);
})();
