// What stands in a form, as name -> list of texts, and back into it. Used for drafts (keep-draft.js) and for entries that wait
// (queue-forms.js). `isKept(control)` says which controls count. And how a number is written there.
window.formValues = (() => {
  "use strict";
  const ticked = (control) => control.type === "checkbox" || control.type === "radio";

  function gather(form, isKept) {
    const values = {};
    for (const control of form.elements) {
      if (!control.name || !isKept(control)) continue;
      const list = (values[control.name] ||= []);
      if (ticked(control)) {
        if (control.checked) list.push(control.value);
      } else if (control.tagName === "SELECT") {
        list.push(...[...control.selectedOptions].map((option) => option.value));
      } else {
        list.push(control.value);
      }
    }
    return values;
  }

  // Tells the page's other scripts of each control by a change event, once all are filled.
  function restore(form, values, isKept) {
    const turn = {};
    const filled = [...form.elements].filter((control) => control.name && isKept(control) && control.name in values);
    for (const control of filled) {
      const list = values[control.name];
      if (ticked(control)) {
        control.checked = list.includes(control.value);
      } else if (control.tagName === "SELECT") {
        for (const option of control.options) option.selected = list.includes(option.value);
      } else {
        const at = (turn[control.name] = (turn[control.name] ?? -1) + 1);
        if (at < list.length) control.value = list[at];
      }
    }
    for (const control of filled) control.dispatchEvent(new Event("change", { bubbles: true }));
  }

  // A number for whoever reads this page: with their decimal mark, as base.html has it of the server.
  const written = (number, decimals) => number.toFixed(decimals).replace(".", document.documentElement.dataset.decimal || ".");

  return { gather, restore, written };
})();
