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
    const many = own.length === 1 ? "1 entry waits on this phone" : `${own.length} entries wait on this phone`;
    line.querySelector("a").textContent = refused ? `${many}, ${refused} to mend` : `${many} to be sent`;
    line.hidden = !own.length;
  }
  document.addEventListener("phone-queue-changed", show);
  show();
})();
