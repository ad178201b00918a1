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

  const kept = (control) =>
    control.name && !control.disabled && !["password", "file", "submit", "button", "reset"].includes(control.type) &&
    (control.type !== "hidden" || /(^|-)identity$/.test(control.name));

  function gather(form) {
    const values = {};
    for (const control of form.elements) {
      if (!kept(control)) continue;
      const list = (values[control.name] ||= []);
      if (control.type === "checkbox" || control.type === "radio") {
        if (control.checked) list.push(control.value);
      } else if (control.tagName === "SELECT") {
        list.push(...[...control.selectedOptions].map((option) => option.value));
      } else {
        list.push(control.value);
      }
    }
    return values;
  }

  function restore(form, values) {
    const turn = {};
    for (const control of form.elements) {
      if (!kept(control) || !(control.name in values)) continue;
      const list = values[control.name];
      if (control.type === "checkbox" || control.type === "radio") {
        control.checked = list.includes(control.value);
      } else if (control.tagName === "SELECT") {
        for (const option of control.options) option.selected = list.includes(option.value);
      } else {
        const at = (turn[control.name] = (turn[control.name] ?? -1) + 1);
        if (at < list.length) control.value = list[at];
      }
    }
  }

  for (const form of document.querySelectorAll("form[data-draft]")) {
    const key = prefix + form.dataset.draft;
    const draft = read(key);
    // A form that came back from the site with its errors already holds what was typed.
    if (draft && !form.querySelector("[data-bound]")) {
      const fresh = gather(form);
      restore(form, draft);
      const note = document.createElement("p");
      note.className = "notice warning";
      note.setAttribute("role", "status");
      note.append("What you typed here before is back. It has not been recorded yet. ");
      const clear = document.createElement("button");
      clear.type = "button";
      clear.className = "act quiet";
      clear.textContent = "Clear it and start afresh";
      clear.addEventListener("click", () => {
        store.removeItem(key);
        restore(form, fresh);
        note.remove();
      });
      note.append(clear);
      form.prepend(note);
    }
    form.addEventListener("input", () => keep(key, gather(form)));
    form.addEventListener("change", () => keep(key, gather(form)));
    form.addEventListener("submit", () => {
      keep(key, gather(form));
      keep(sentMark, key);
    });
  }
})();
