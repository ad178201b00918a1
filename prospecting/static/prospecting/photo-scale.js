// Two taps in a picture mark the ends of its scale bar: <svg data-scale-picture> inside the form with the fields x1, y1, x2, y2.
// Without this script the number of pixels is typed.
(() => {
  "use strict";
  const picture = document.querySelector("svg[data-scale-picture]");
  const form = picture && picture.closest("form");
  if (!form) return;
  const field = (name) => form.elements.namedItem(name);
  const says = form.querySelector("[data-scale-says]");
  const lines = picture.querySelector("[data-scale-line]");
  const shape = (name, attributes) => {
    const drawn = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [key, value] of Object.entries(attributes)) drawn.setAttribute(key, value);
    return lines.appendChild(drawn);
  };
  const names = [["x1", "y1"], ["x2", "y2"]];
  let ends = names
    .map(([x, y]) => [field(x).value, field(y).value])
    .filter(([x, y]) => x !== "" && y !== "")
    .map(([x, y]) => [Number(x), Number(y)]);
  const apart = ([a, b], [c, d]) => Math.hypot(c - a, d - b);

  const show = () => {
    lines.replaceChildren();
    const [from, to] = ends;
    if (to) {
      for (const css of ["halo", "mark"]) shape("line", { class: css, x1: from[0], y1: from[1], x2: to[0], y2: to[1] });
    }
    const size = picture.viewBox.baseVal.width / 60;
    for (const [x, y] of ends) for (const css of ["halo", "mark"]) shape("circle", { class: css, cx: x, cy: y, r: size });
    names.forEach(([x, y], place) => {
      field(x).value = ends[place] ? ends[place][0].toFixed(1) : "";
      field(y).value = ends[place] ? ends[place][1].toFixed(1) : "";
    });
    if (to) field("pixels").value = apart(from, to).toFixed(1);
    if (to) says.textContent = say("The bar is {pixels} pixels long. Now type its length.", { pixels: apart(from, to).toFixed(0) });
    else if (from) says.textContent = say("One end is set. Tap the other.");
  };

  picture.addEventListener("click", (event) => {
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(picture.getScreenCTM().inverse());
    const box = picture.viewBox.baseVal;
    const tapped = [Math.min(Math.max(place.x, 0), box.width), Math.min(Math.max(place.y, 0), box.height)];
    if (ends.length < 2) ends.push(tapped);
    else ends[apart(ends[0], tapped) <= apart(ends[1], tapped) ? 0 : 1] = tapped;
    show();
  });
  // A length typed over the tapped one is meant: the taps go.
  field("pixels").addEventListener("input", () => {
    const typed = field("pixels").value;
    ends = [];
    show();
    field("pixels").value = typed;
    says.textContent = say("The taps are cleared; the typed number of pixels counts.");
  });
  form.querySelector("[data-scale-how]").hidden = false;
  if (ends.length) show();
})();
