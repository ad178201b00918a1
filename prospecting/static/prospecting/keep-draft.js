// What is typed into <form data-draft="a key of its own"> stays on this phone until the site says it was recorded.
// The form's identity is kept with it, so an entry whose answer was lost on the way is still recorded only once.
(() => {
  "use strict";
  let store;
  try {
    store = window.localStorage;
    store.getItem("draft");
  } catch {
    return;
  }
  const prefix = `draft/${document.body.dataset.member || "-"}/`;
  const sentMark = "draft-sent";

  const read = (key) => { try { return JSON.parse(store.getItem(key)); } catch { return null; } };
  const keep = (key, value) => { try { store.setItem(key, JSON.stringify(value)); } catch { /* full: the page itself still holds it */ } };

  // The answer to a sent form says "recorded": what was kept for it is no longer needed.
  const sent = read(sentMark);
  if (sent && document.querySelector("[data-recorded]")) {
    store.removeItem(sent);
    store.removeItem(sentMark);
  }

  // A form of another kind sent in between ends the wait, or its "recorded" would be taken for the answer to this one.
  document.addEventListener("submit", (event) => {
    if (!event.target.hasAttribute("data-draft")) store.removeItem(sentMark);
  });

  const isKept = (control) =>
    !control.disabled && !["password", "file", "submit", "button", "reset"].includes(control.type) &&
    (control.type !== "hidden" || "keep" in control.dataset || /(^|-)identity$/.test(control.name));
  const gather = (form) => window.formValues.gather(form, isKept);
  const restore = (form, values) => window.formValues.restore(form, values, isKept);

  async function bringBack(form, key, draft) {
    // A browser that was killed may bring back the draft of what has gone into the phone's queue since.
    if (await window.phoneStore.isKnown(draft.identity?.[0]).catch(() => false)) {
      store.removeItem(key);
      return;
    }
    const fresh = gather(form);
    restore(form, draft);
    const note = document.createElement("p");
    note.className = "notice warning";
    note.setAttribute("role", "status");
    note.append(say("What you typed here before is back. It has not been recorded yet. "));
    const clear = document.createElement("button");
    clear.type = "button";
    clear.className = "act quiet";
    clear.textContent = say("Clear it and start afresh");
    clear.addEventListener("click", () => {
      restore(form, fresh);
      store.removeItem(key);
      note.remove();
    });
    note.append(clear);
    form.prepend(note);
  }

  for (const form of document.querySelectorAll("form[data-draft]")) {
    const key = prefix + form.dataset.draft;
    const draft = read(key);
    // A form that came back from the site with its errors already holds what was typed.
    if (draft && !form.querySelector("[data-bound]")) bringBack(form, key, draft);
    form.addEventListener("input", () => keep(key, gather(form)));
    form.addEventListener("change", () => keep(key, gather(form)));
    form.addEventListener("submit", () => {
      keep(key, gather(form));
      keep(sentMark, key);
    });
  }
})();
