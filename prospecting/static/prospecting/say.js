// What scripts say, in the reader's language: window.say("{lot} is used up.", {lot: code}). The sentence itself is the key.
(() => {
  "use strict";
  const written = document.getElementById("words");
  const words = written ? JSON.parse(written.textContent) : {};
  const filled = (sentence, parts) => sentence.replace(/\{(\w+)\}/g, (mark, name) => name in parts ? String(parts[name]) : mark);
  window.say = (sentence, parts = {}) => filled(words[sentence] || sentence, parts);
  // English has two forms; a catalogue gives each of them once.
  window.sayCounted = (one, many, number, parts = {}) => window.say(number === 1 ? one : many, { number, ...parts });
})();
