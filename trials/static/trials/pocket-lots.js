// Lots on a phone without a signal: looked up by a code however it is typed, and named in the form of a step.
window.lotCodes = (() => {
  "use strict";
  // The rules of prospecting/calc/codes.py, sign for sign and word for word: tests hold the two together.
  const LETTERS = "BCDFGHJKMNPQRSTVWXYZ";
  const DIGITS = "23456789";
  const CHECKS = "ABCDEFGHJKMNPQRSTUVWXYZ";
  const WEIGHTS = [1, 2, 4, 17, 11, 21];
  const PLACES = ["first", "second", "third", "fourth", "fifth", "sixth", "last"];
  const DIGIT_FOR = { S: "5", Z: "2", B: "8", G: "6" };
  const LETTER_FOR = { 5: "S", 2: "Z", 8: "B", 6: "G" };
  const LONGEST = 40;
  const EXAMPLE = say("A lot code is three letters, two or three digits and a check letter, like BRK-47-T.");

  const plainSigns = (text) => [...text.normalize("NFKC").toUpperCase().replace(/[\p{Z}\p{C}\p{Pd}._\u2212]/gu, "")];
  const refuse = (sentence) => { throw new RangeError(sentence); };

  function checkLetter(signs) {
    const values = signs.map((sign, at) => (at < 3 ? CHECKS : DIGITS).indexOf(sign) * WEIGHTS[at]);
    return CHECKS[values.reduce((sum, value) => sum + value, 0) % CHECKS.length];
  }

  function letter(sign, name, allowed) {
    const read = LETTER_FOR[sign] || sign;
    return allowed.includes(read) ? read : refuse(say("The {name} sign should be a letter of a lot code, not “{sign}”. {example}", { name, sign, example: EXAMPLE }));
  }

  function digit(sign, name) {
    const read = DIGIT_FOR[sign] || sign;
    return DIGITS.includes(read) ? read : refuse(say("The {name} sign should be a digit from 2 to 9, not “{sign}”.", { name, sign }));
  }

  // The code in its one spelling; throws a RangeError whose message is a sentence.
  function read(text) {
    if ([...text].length > LONGEST) refuse(say("That is too long to be a code."));
    const signs = plainSigns(text);
    if (signs.length !== 6 && signs.length !== 7) refuse(`${EXAMPLE} ${say("This has {number} signs.", { number: signs.length })}`);
    const last = signs.length - 1;
    const right = signs.map((sign, at) => {
      const name = at === last ? "last" : PLACES[at];
      if (at >= 3 && at < last) return digit(sign, name);
      return letter(sign, name, at < 3 ? LETTERS : CHECKS);
    });
    const code = `${right.slice(0, 3).join("")}-${right.slice(3, last).join("")}-${right[last]}`;
    if (checkLetter(right.slice(0, last)) !== right[last])
      refuse(say("{code} is not a lot code: the check letter does not fit, so a sign is wrong or two are swapped. Look at the tag again.", { code }));
    return code;
  }

  // Signs that are taken for each other become one, so that the beginning of a code is found however it is typed.
  const alike = (text) => plainSigns(text).map((sign) => DIGIT_FOR[sign] || sign).join("");

  return { read, alike };
})();

(() => {
  "use strict";
  const data = document.getElementById("pocket-lots");
  if (!data) return;
  const { read, alike } = window.lotCodes;
  const MOST_SHOWN = 20;
  const lots = JSON.parse(data.textContent);
  const find = (name, inside = document) => inside.querySelector(`[data-${name}]`);
  const asOf = document.querySelector("main time").textContent;
  const asked = new URLSearchParams(location.search).get("lot") || "";
  const whatIs = ({ kind, title }) => [kind, title].filter(Boolean).join(", ");

  // Read as a code: {code, lot}, or {refusal}.
  function reading(text) {
    try {
      const code = read(text);
      return { code, lot: lots.find((lot) => lot.code === code) };
    } catch (error) {
      if (error instanceof RangeError) return { refusal: error.message };
      throw error;
    }
  }

  function lookUp(box) {
    const typed = find("look-up", document).querySelector("input");
    const says = document.getElementById("look-up-says");
    const list = find("found");
    const pattern = find("one-lot");
    const words = (lot) => `${whatIs(lot)} ${lot.place} ${say("stripe")} ${lot.stripe}`.toLowerCase();
    lots.forEach((lot) => Object.assign(lot, { looks: alike(lot.code), words: words(lot) }));

    function row({ code, holds, place, stripe, ...lot }) {
      const item = pattern.content.cloneNode(true);
      find("code", item).textContent = code;
      find("holds", item).textContent = holds;
      find("what", item).textContent = whatIs(lot);
      const where = [place && say("Stands at {place}", { place }), stripe && stripe !== "none" && say("zone stripe {stripe}", { stripe })];
      find("where", item).textContent = where.filter(Boolean).join(", ");
      for (const link of item.querySelectorAll("[data-step]")) link.href += `?lot=${code}`;
      find("own", item).href += `${code}/`;
      return item;
    }

    function show() {
      const text = typed.value.trim();
      const looks = alike(text);
      const found = lots.filter((lot) => !text || (looks && lot.looks.includes(looks)) || lot.words.includes(text.toLowerCase()));
      let rows = found.slice(0, MOST_SHOWN);
      let sentence = found.length > MOST_SHOWN ? say("{shown} of {found} shown: type more of it.", { shown: MOST_SHOWN, found: found.length }) : "";
      if (!found.length) {
        const { code, refusal } = reading(text);
        sentence = refusal || say("{code} is a sound code, but not among the lots this phone knows of ({asOf}).", { code, asOf });
        if (code) rows = [{ code, holds: say("not known here"), kind: say("A lot newer than this page, an older one, or one that is used up") }];
        else if (looks.length < 6) sentence = say("No lot on this phone reads so.");
      }
      says.textContent = sentence;
      list.replaceChildren(...rows.map(row));
      if (text && rows.length === 1) list.querySelector("details").open = true;
    }

    typed.value = asked;
    typed.addEventListener("input", show);
    find("plain").hidden = true;
    box.hidden = false;
    show();
  }

  function stepForm(form) {
    const typed = document.getElementById("lot");
    const says = document.getElementById("lot-says");
    const pieces = find("pieces", form);
    const editing = /^#entry=(.+)$/.exec(location.hash)?.[1];
    let entries = [];
    let isBroughtBack = Boolean(editing);

    document.getElementById("lots").replaceChildren(...lots.map((lot) => {
      const option = document.createElement("option");
      option.value = lot.code;
      option.label = `${whatIs(lot)}, ${lot.holds}`;
      return option;
    }));

    function told({ code, lot, refusal }) {
      if (refusal) return refusal;
      const path = form.dataset.action.replace("CODE", code).replace(/[^/]+\/$/, "");
      const waits = entries.filter(({ action, identity }) =>
        identity !== editing && new URL(action, location.origin).pathname.startsWith(path)).length;
      const here = waits ? ` ${say("{number} not yet sent about it.", { number: waits })}` : "";
      if (lot) return say("{what}: {holds} on hand as of {asOf}.", { what: whatIs(lot), holds: lot.holds, asOf }) + here;
      return say("{code} is not among the lots this phone knows of ({asOf}). The check letter fits, so it goes through; the site looks when it gets there.", { code, asOf }) + here;
    }

    // The lot and the number of pieces are part of the address the form is sent to.
    function point() {
      const lot = typed.value.trim() ? reading(typed.value) : {};
      typed.setCustomValidity(lot.refusal || "");
      typed.setAttribute("aria-invalid", String(Boolean(lot.refusal) && typed.value.trim().length >= 6));
      says.textContent = typed.value.trim() ? told(lot) : "";
      if (!lot.code) return;
      const asking = pieces ? `?pieces=${pieces.value}` : "";
      form.action = form.dataset.action.replace("CODE", lot.code) + asking;
      form.dataset.queue = `${form.dataset.word} ${lot.code}`;
    }

    function showPieces() {
      for (const input of form.querySelectorAll("[name^=piece_]")) {
        input.disabled = Number(input.name.slice(6)) > Number(pieces.value);
        input.closest(".field").hidden = input.disabled;
      }
    }

    find("plain").hidden = true;
    form.hidden = false;
    if (asked) {
      typed.value = asked;
      form.dataset.draft += `/${asked.toUpperCase()}`;
    }
    form.addEventListener("input", point);
    form.addEventListener("change", () => {
      // An entry opened to be mended brings the address it was to be sent to (queue-forms.js), and in it the number of pieces.
      const brought = isBroughtBack && new URL(form.action).searchParams.get("pieces");
      isBroughtBack = false;
      if (brought) pieces.value = brought;
      if (pieces) showPieces();
      point();
    });
    document.addEventListener("DOMContentLoaded", async () => {
      // Drafts are back by now, and with them the lot.
      if (pieces) showPieces();
      entries = (await window.phoneQueue?.entries().catch(() => [])) || [];
      if (!isBroughtBack) point();
    });
  }

  const box = find("look-up");
  const form = find("step-form");
  if (box) lookUp(box);
  if (form) stepForm(form);
})();
