// The queue on every page: the words in the strip, when to send, what this phone keeps, and signing out. See queue-store.js.
(() => {
  "use strict";
  const store = window.phoneStore, queue = window.phoneQueue;
  const RETRY_MS = 60000, KEEP_AGAIN_MS = 600000;
  const HOUR_MS = 3600000, DAY_MS = 24 * HOUR_MS;
  const PAGES = "pages";
  const OLD_DAYS = 3;

  // "2 h": how long ago by this phone's clock, which may have been set meanwhile.
  function age(bornAt) {
    const passed = Math.max(0, Date.now() - Date.parse(bornAt));
    if (passed >= 2 * DAY_MS) return say("{number} days", { number: Math.floor(passed / DAY_MS) });
    return passed >= HOUR_MS ? `${Math.floor(passed / HOUR_MS)} h` : `${Math.floor(passed / 60000)} min`;
  }
  const isOld = (entries) => entries.some(({ born_at }) => Date.now() - Date.parse(born_at) >= OLD_DAYS * DAY_MS);
  const oldest = (entries) => entries.map(({ born_at }) => born_at).reduce((one, other) => (Date.parse(other) < Date.parse(one) ? other : one));

  // "3 not yet sent, oldest 2 h; 1 to mend"; nothing when nothing waits.
  function words(entries) {
    const own = queue.member ? entries.filter(({ member }) => member === queue.member) : entries;
    const said = [];
    if (own.length) said.push(say("{number} not yet sent, oldest {age}", { number: own.length, age: age(oldest(own)) }));
    const refused = own.filter(({ state }) => state === "refused").length;
    if (refused) said.push(say("{number} to mend", { number: refused }));
    if (own.length && (!queue.member || queue.ended() === "signed_out")) said.push(say("sign in to send"));
    else if (isOld(own)) said.push(say("send or save them"));
    const others = new Set(entries.filter((entry) => !own.includes(entry)).map(({ member_name: name }) => name || say("another member")));
    for (const name of others) said.push(say("some wait for {name} to sign in here", { name }));
    return said.join("; ");
  }

  async function show() {
    const strip = document.querySelector("[data-queue-strip]");
    const said = words(await store.all().catch(() => []));
    if (!strip || strip.textContent === said) return;
    strip.replaceChildren();
    if (!said) return;
    const link = document.createElement("a");
    link.className = "waiting";
    link.href = "/phone/";
    link.textContent = said;
    strip.append(link);
  }
  document.addEventListener("phone-queue-changed", show);

  const writes = document.body.hasAttribute("data-writes");
  const hasPages = () => "caches" in window && "serviceWorker" in navigator;
  async function forgetPages() {
    if (hasPages()) await caches.delete(PAGES);
    await store.write("pages", null);
  }

  // The pages of the member signed in, kept for when there is no signal.
  async function keepPages({ again = false } = {}) {
    if (!writes || !hasPages()) return;
    const last = (await store.read("pages")) || {};
    const since = Date.now() - (last.at || 0);
    if (!again && last.member === queue.member && since >= 0 && since < KEEP_AGAIN_MS) return;
    const worker = (await navigator.serviceWorker.ready).active;
    const answer = await fetch("/phone/pages/");
    if (!answer.ok || answer.redirected) return;
    worker.postMessage({ keep: (await answer.json()).pages });
    await store.write("pages", { at: Date.now(), member: queue.member });
  }

  // Another member's pages are no business of this one's.
  async function forgetOthersPages() {
    const isKept = Boolean(document.documentElement.dataset.kept);
    if (!queue.member || isKept || !hasPages()) return;
    const before = await store.read("member");
    if (before === queue.member) return;
    if (before) await forgetPages();
    await store.write("member", queue.member);
  }

  async function sendWhatWaits() {
    const before = await queue.count();
    const outcome = await queue.flush();
    // What was sent changes what the kept pages say: which portion comes next, what a lot holds.
    if (outcome.word === "there" && (await queue.count()) < before) await keepPages({ again: true });
    return outcome;
  }
  queue.sendWhatWaits = sendWhatWaits;
  queue.age = age;
  queue.isOld = isOld;

  async function start() {
    show();
    if (!queue.member) return;
    if (writes && "serviceWorker" in navigator) await navigator.serviceWorker.register("/worker.js", { updateViaCache: "none" });
    await forgetOthersPages();
    await sendWhatWaits();
    await keepPages();
  }
  const quietly = (act) => act().catch(() => undefined);
  if (document.readyState === "complete") quietly(start);
  else window.addEventListener("load", () => quietly(start));

  if (queue.member) {
    window.addEventListener("online", () => quietly(sendWhatWaits));
    document.addEventListener("visibilitychange", () => { if (!document.hidden) quietly(sendWhatWaits); });
    setInterval(() => { if (!document.hidden) quietly(sendWhatWaits); }, RETRY_MS);
  }
  setInterval(show, RETRY_MS);

  // As the site writes a time: 25 Nov, 18:08.
  queue.inWords = (time) => new Date(time).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });

  const keptAt = document.documentElement.dataset.kept;
  if (keptAt) {
    const note = document.createElement("p");
    note.className = "soft";
    note.setAttribute("role", "status");
    note.textContent = say("No signal: this page is as it stood {then}.", { then: queue.inWords(keptAt) });
    document.querySelector("main")?.prepend(note);
  }

  // Signing out: says what stays on the phone first, and takes the kept pages off it.
  async function signOut(form) {
    const waiting = await queue.count().catch(() => 0);
    if (waiting && !form.hasAttribute("data-warned")) {
      form.setAttribute("data-warned", "");
      form.dispatchEvent(new Event("tap-again", { bubbles: true }));
      const warning = document.createElement("p");
      warning.className = "alert";
      warning.setAttribute("role", "alert");
      warning.textContent = sayCounted("{number} entry is not yet sent; it stays on this phone until you sign in again.",
        "{number} entries are not yet sent; they stay on this phone until you sign in again.", waiting);
      form.prepend(warning);
      form.querySelector("button").textContent = say("Sign out all the same");
      return;
    }
    let known;
    try {
      known = await queue.session();
    } catch {
      form.dispatchEvent(new Event("tap-again", { bubbles: true }));
      form.querySelector("button").textContent = say("No signal: sign out later");
      return;
    }
    await forgetPages();
    if (known) form.elements.csrfmiddlewaretoken.value = known.csrf;
    HTMLFormElement.prototype.submit.call(form);
  }
  document.addEventListener("submit", (event) => {
    if (event.defaultPrevented || !event.target.hasAttribute("data-sign-out")) return;
    event.preventDefault();
    signOut(event.target);
  });
})();
