// Entries that wait on this phone, in the browser's own database. An entry leaves it when the site has said that it has it,
// or when its maker deletes it; nothing else does. An entry:
//   {identity, member, member_name, seq, born_at, form_path, action, title, fields: [[name, text]],
//    files: [[name, blob, filename]], next, state: "waiting" | "refused", answer, tries, last_try_at}
window.phoneStore = (() => {
  "use strict";
  const NAME = "prospecting-phone";
  // 1: entries, as the first phones kept them. 2: beside them "kept", name -> value; every entry has all its parts.
  const VERSION = 2;
  const MOST_SETTLED = 500;
  let opening = null;

  function newIdentity() {
    // randomUUID is missing where the site is reached by plain http.
    if (crypto.randomUUID) return crypto.randomUUID();
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 0x0f) | 0x40;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
  }

  // The phone's own clock with its distance from UTC, as evidence.
  function phoneTime(moment = new Date()) {
    const ahead = -moment.getTimezoneOffset();
    const local = new Date(moment.getTime() + ahead * 60000).toISOString().slice(0, -1);
    const part = (number) => String(number).padStart(2, "0");
    return `${local}${ahead < 0 ? "-" : "+"}${part(Math.floor(Math.abs(ahead) / 60))}:${part(Math.abs(ahead) % 60)}`;
  }

  // Whatever an earlier version or a file holds, as an entry with all its parts.
  function asEntry(raw) {
    const whole = {
      member_name: "", seq: 0, born_at: phoneTime(), form_path: raw.action, title: raw.action, fields: [], files: [],
      next: "", state: "waiting", answer: null, tries: 0, last_try_at: "", ...raw,
    };
    whole.member = String(whole.member);
    return whole;
  }

  const inOrder = (entries) => entries.sort((one, other) =>
    one.seq - other.seq || one.born_at.localeCompare(other.born_at));

  function answered(request) {
    return new Promise((done, failed) => {
      request.onsuccess = () => done(request.result);
      request.onerror = () => failed(request.error);
    });
  }

  function open(version) {
    const request = indexedDB.open(NAME, version);
    request.onupgradeneeded = ({ oldVersion }) => {
      const { result: database, transaction } = request;
      if (oldVersion < 1) database.createObjectStore("entries", { keyPath: "identity" });
      if (oldVersion < 2) database.createObjectStore("kept");
      const store = transaction.objectStore("entries");
      answered(store.getAll()).then((old) => {
        inOrder(old.map(asEntry)).forEach((entry, at) => store.put({ ...entry, seq: entry.seq || at + 1 }));
      });
    };
    return answered(request);
  }

  function database() {
    // A kept page of an earlier version meets a newer database: what it knows of stands there too.
    opening ??= open(VERSION).catch((error) => (error.name === "VersionError" ? open() : Promise.reject(error)))
      .then((opened) => {
        opened.onversionchange = () => { opened.close(); opening = null; };
        opened.onclose = () => { opening = null; };
        return opened;
      })
      .catch((error) => { opening = null; throw error; });
    return opening;
  }

  // Runs `act` in one transaction; the result stands once the browser has it on its disk.
  async function within(names, mode, act) {
    const opened = await database();
    return new Promise((done, failed) => {
      const transaction = opened.transaction(names, mode, { durability: "strict" });
      let result;
      transaction.oncomplete = () => done(result);
      transaction.onabort = transaction.onerror = () => failed(transaction.error || new Error("not stored"));
      Promise.resolve(act(...names.map((name) => transaction.objectStore(name)))).then((value) => { result = value; }, (error) => {
        failed(error);
        try { transaction.abort(); } catch { /* it has ended by itself */ }
      });
    });
  }

  const all = () => within(["entries"], "readonly", async (store) => inOrder((await answered(store.getAll())).map(asEntry)));
  const get = (identity) => within(["entries"], "readonly", (store) => answered(store.get(identity)));
  const remove = (identity) => within(["entries"], "readwrite", (store) => answered(store.delete(identity)));

  // Takes an entry out for good; its identity is remembered for a while, so that no draft of it comes back.
  const settle = (identity) => within(["entries", "kept"], "readwrite", async (entries, kept) => {
    const settled = (await answered(kept.get("settled"))) || [];
    await answered(kept.put([...settled, identity].slice(-MOST_SETTLED), "settled"));
    return answered(entries.delete(identity));
  });
  const isKnown = (identity) => within(["entries", "kept"], "readonly", async (entries, kept) =>
    Boolean(identity) && (Boolean(await answered(entries.get(identity))) ||
      ((await answered(kept.get("settled"))) || []).includes(identity)));

  // Puts an entry at the end of the queue, or back in its old place.
  const put = (entry) => within(["entries"], "readwrite", async (store) => {
    const old = await answered(store.get(entry.identity));
    const last = Math.max(0, ...(await answered(store.getAll())).map(({ seq }) => seq || 0));
    return answered(store.put({ ...entry, seq: old?.seq || last + 1 }));
  });

  // Changes an entry that still waits; one that is gone stays gone.
  const change = (identity, parts) => within(["entries"], "readwrite", async (store) => {
    const entry = await answered(store.get(identity));
    return entry && answered(store.put({ ...entry, ...parts }));
  });

  const read = (key) => within(["kept"], "readonly", (store) => answered(store.get(key)));
  const write = (key, value) => within(["kept"], "readwrite", (store) => answered(store.put(value, key)));

  // A lease, for browsers without navigator.locks: true when `holder` may send for so many milliseconds.
  const lease = (holder, milliseconds) => within(["kept"], "readwrite", async (store) => {
    const now = Date.now();
    const held = await answered(store.get("lease"));
    // One that would end far from now was written by a clock that has been set since.
    const stands = held && held.holder !== holder && held.until > now && held.until < now + 600000;
    if (!stands) await answered(store.put({ holder, until: now + milliseconds }, "lease"));
    return !stands;
  });

  return { newIdentity, phoneTime, asEntry, all, get, put, change, remove, settle, isKnown, read, write, lease };
})();
