// A button beside each password that shows what was typed: in the sun, with cold fingers, nobody types fifteen signs blindly.
"use strict";

for (const input of document.querySelectorAll("input[type=password]")) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "act quiet show-password";
  const say = () => {
    const hidden = input.type === "password";
    button.textContent = hidden ? "Show" : "Hide";
    button.setAttribute("aria-label", `${hidden ? "Show" : "Hide"} what is typed: ${input.labels[0]?.innerText || ""}`);
  };
  button.addEventListener("click", () => {
    input.type = input.type === "password" ? "text" : "password";
    say();
  });
  // Shown it would be offered again among the form's usual texts.
  input.form.addEventListener("submit", () => { input.type = "password"; });
  input.after(button);
  say();
}
