// A button beside each password that shows what was typed: in the sun, with cold fingers, nobody types fifteen signs blindly.
"use strict";

for (const input of document.querySelectorAll("input[type=password]")) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "act quiet show-password";
  const label = input.labels[0]?.innerText || "";
  const show = () => {
    const hidden = input.type === "password";
    button.textContent = hidden ? say("Show") : say("Hide");
    button.setAttribute("aria-label", hidden ? say("Show what is typed: {label}", { label }) : say("Hide what is typed: {label}", { label }));
  };
  button.addEventListener("click", () => {
    input.type = input.type === "password" ? "text" : "password";
    show();
  });
  // Shown it would be offered again among the form's usual texts.
  input.form.addEventListener("submit", () => { input.type = "password"; });
  input.after(button);
  show();
}
