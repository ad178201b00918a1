// Sending what waits: in order, one at a time, only what belongs to the member signed in. window.phoneQueue is what other
// scripts see; "phone-queue-changed" is fired on the document whenever an entry came, went or changed its state.
window.phoneQueue = (() => {
  "use strict";
  const store = window.phoneStore;
  const member = document.body.dataset.member || "";
  const THERE = ["recorded", "known", "held"];
  const ASK_MS = 10000, SEND_MS = 120000, LEASE_MS = 8000;
  // So often an entry is tried first; one that the site stumbles over doesn't hold up the others for ever.
  const MOST_STUMBLES = 3;
  const otherTabs = "BroadcastChannel" in window ? new BroadcastChannel("phone-queue") : null;
  const holder = store.newIdentity();
  // How the last sending of this page ended: "", "signed_out", "no_signal", "other_member", "trouble".
  let ended = "";

  const tell = () => document.dispatchEvent(new CustomEvent("phone-queue-changed"));
  otherTabs?.addEventListener("message", tell);
  const changed = () => {
    tell();
    otherTabs?.postMessage("");
  };

  // {member, name, csrf} or null when signed out; fails without a signal.
  async function session(milliseconds = ASK_MS) {
    const answer = await fetch("/phone/session/", { cache: "no-store", signal: AbortSignal.timeout(milliseconds) });
    if (answer.status === 401) return null;
    if (!answer.ok) throw new Error("no answer of ours");
    return answer.json();
  }

  function bodyOf(entry) {
    const body = new FormData();
    body.append("identity", entry.identity);
    for (const [name, text] of entry.fields) body.append(name, text);
    for (const [name, blob, filename] of entry.files) body.append(name, blob, filename);
    return body;
  }

  async function post(entry, way, { csrf }) {
    const response = await fetch(entry.action, {
      method: "POST",
      redirect: "manual",
      signal: AbortSignal.timeout(SEND_MS),
      body: bodyOf(entry),
      headers: {
        Accept: "application/json", "X-Phone-Entry": way, "X-CSRFToken": csrf, "X-Member": entry.member,
        "X-Born-At": entry.born_at, "X-Sent-At": store.phoneTime(),
      },
    });
    const isJson = (response.headers.get("Content-Type") || "").startsWith("application/json");
    return { status: response.status, answer: isJson ? await response.json() : null };
  }

  // Sends one entry; says what the site made of it: {word, answer}.
  async function deliver(entry, way, known) {
    await store.change(entry.identity, { tries: entry.tries + 1, last_try_at: store.phoneTime() });
    let { status, answer } = await post(entry, way, known);
    if (answer?.state === "csrf" || answer?.state === "other_member") {
      // Somebody signed in anew in another tab: once more with what holds now, if it is still the same member.
      const now = await session();
      if (String(now?.member) !== entry.member) return { word: now ? "other_member" : "signed_out", answer };
      ({ status, answer } = await post(entry, way, now));
    }
    if (THERE.includes(answer?.state) && answer.identity === entry.identity) {
      await store.settle(entry.identity);
      return { word: "there", answer };
    }
    if (status === 401) return { word: "signed_out", answer };
    if (status === 413) answer = { state: "error", sentence: say("It is too large for the site: take its picture off.") };
    if (!answer) return { word: "trouble", answer };
    if (status >= 500 || ["csrf", "other_member"].includes(answer.state)) return { word: "stumbled", answer };
    const sentences = answer.sentences || [answer.sentence || say("The site could not take this.")];
    await store.change(entry.identity, { state: "refused", answer: { ...answer, sentences } });
    return { word: "refused", answer };
  }

  async function sendAll(now) {
    const known = await session();
    if (!known) return { word: "signed_out" };
    let last = 0, outcome = { word: "" }, ofNow = null;
    for (;;) {
      const entry = (await store.all()).find(({ seq, state, member: maker }) =>
        seq > last && state === "waiting" && maker === String(known.member));
      if (!entry) return ofNow || outcome;
      last = entry.seq;
      outcome = await deliver(entry, entry.identity === now ? "now" : "later", known);
      if (entry.identity === now) ofNow = outcome;
      changed();
      const goesOn = ["there", "refused"].includes(outcome.word) ||
        (["stumbled", "trouble"].includes(outcome.word) && entry.tries >= MOST_STUMBLES);
      if (!goesOn) return outcome;
    }
  }

  // One sending at a time, of this tab and of all. Without locks (plain http) a lease in the store does it, renewed while it lasts.
  let turn = Promise.resolve();
  function alone(act) {
    if (navigator.locks) return navigator.locks.request("phone-queue", act);
    const mine = turn.then(() => leased(act));
    turn = mine.catch(() => undefined);
    return mine;
  }

  async function leased(act) {
    while (!(await store.lease(holder, LEASE_MS))) await new Promise((done) => setTimeout(done, 1000));
    const renewing = setInterval(() => store.lease(holder, LEASE_MS), LEASE_MS / 4);
    try {
      return await act();
    } finally {
      clearInterval(renewing);
      await store.lease(holder, 0);
    }
  }

  // Sends what waits; `now` is the identity of the entry whose form is still before the runner. Never fails.
  async function flush(now = null) {
    let outcome;
    try {
      const waits = (await store.all()).some(({ state }) => state === "waiting");
      outcome = waits ? await alone(() => sendAll(now)) : { word: "" };
    } catch {
      outcome = { word: "no_signal" };
    }
    ended = ["there", "refused"].includes(outcome.word) ? "" : outcome.word;
    changed();
    return outcome;
  }

  const entries = async () => (await store.all()).filter((entry) => entry.member === member);
  const count = async () => (await entries()).length;
  return { entries, count, flush, session, changed, ended: () => ended, member };
})();
