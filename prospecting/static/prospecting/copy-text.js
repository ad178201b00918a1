// A button below each marked text that copies it. Where the browser lets no page copy (plain http), the text can be marked by hand.
"use strict";

if (navigator.clipboard) {
  for (const text of document.querySelectorAll("[data-copy]")) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "act quiet";
    button.textContent = say("Copy");
    button.addEventListener("click", async () => {
      const lines = text.matches("ul") ? [...text.children].map((line) => line.textContent.trim()) : [text.textContent.trim()];
      try {
        await navigator.clipboard.writeText(lines.join("\n"));
        button.textContent = say("Copied");
      } catch {
        button.textContent = say("Mark it by hand and copy");
      }
    });
    (text.closest("p") || text).after(button);
  }
}
