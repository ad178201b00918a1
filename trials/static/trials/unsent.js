// On the page of today: how many entries of this member wait on this phone, after all that the site itself knows of.
(() => {
  "use strict";
  const store = window.phoneStore, queue = window.phoneQueue;
  const line = document.querySelector("[data-unsent]");
  if (!line || !store || !queue) return;
  async function show() {
    const entries = await store.all().catch(() => []);
    const own = entries.filter(({ member }) => member === queue.member);
    const refused = own.filter(({ state }) => state === "refused").length;
    line.querySelector("a").textContent = refused
      ? sayCounted("1 entry waits on this phone, {refused} to mend", "{number} entries wait on this phone, {refused} to mend", own.length, { refused })
      : sayCounted("1 entry waits on this phone to be sent", "{number} entries wait on this phone to be sent", own.length);
    line.hidden = !own.length;
  }
  document.addEventListener("phone-queue-changed", show);
  show();
})();
