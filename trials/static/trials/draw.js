// The picture of a verdict, to be pointed at: <div data-draw data-figure="address of the figure"> under the server's own picture.
// The plotting script is large, so it comes only on a tap (data-plotting of this script says from where). The figure names its
// colours (meta.paint); they are those of the style sheet, by day and by night. Where nothing comes, the server's picture stays.
(() => {
  "use strict";
  const box = document.querySelector("[data-draw]");
  if (!box) return;
  const plottingAt = document.currentScript.dataset.plotting;
  const part = (name) => box.querySelector(`[data-draw-${name}]`);
  const [begin, picture, says, waits, key, walk, back, on, page] =
    ["begin", "picture", "says", "waits", "key", "walk", "back", "on", "page"].map(part);
  // The server's own picture: this one takes its place, but not on paper.
  const still = box.previousElementSibling.querySelector("svg");
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const CONFIG = { displayModeBar: false, doubleClick: false, scrollZoom: false, showTips: false };
  const NO_SIGNAL = say("Nothing came, or not all of it: is there a signal? The picture above stays. Tap again to try once more.");
  // An error to be read.
  class Sentence extends Error {}
  let figure = null, runs = null, picked = -1;

  box.hidden = false;
  begin.addEventListener("click", draw);
  on.addEventListener("click", () => pick(picked + 1, true));
  back.addEventListener("click", () => pick(Math.max(picked, 0) - 1, true));

  async function draw() {
    if (begin.disabled) return;
    begin.disabled = true;
    waits.hidden = false;
    says.textContent = say("The picture is on its way: some {size} MB at the first time.", { size: window.formValues.written(0.4, 1) });
    try {
      figure = await fetched(box.dataset.figure);
      if (figure.nothing) throw new Sentence(figure.nothing);
      await plotting();
      await show();
    } catch (error) {
      picture.hidden = true;
      begin.disabled = false;
      says.textContent = error instanceof Sentence ? error.message : say("This browser could not draw it. The picture above stays.");
    } finally {
      waits.hidden = true;
    }
  }

  async function fetched(address) {
    const answer = await fetch(address, { headers: { Accept: "application/json" } }).catch(() => null);
    if (!answer) throw new Sentence(NO_SIGNAL);
    if (answer.redirected) throw new Sentence(say("You are no longer signed in. Open this page anew."));
    if (answer.status === 404) throw new Sentence(say("The trial has changed since this page was opened. Open the page anew."));
    if (!answer.ok) throw new Sentence(say("The site could not make it just now. The picture above stays. Tap again in a while."));
    return answer.json().catch(() => {
      throw new Sentence(NO_SIGNAL);
    });
  }

  function plotting() {
    if (window.Plotly) return Promise.resolve();
    return new Promise((done, failed) => {
      const script = document.createElement("script");
      script.src = plottingAt;
      script.onload = () => done();
      script.onerror = () => {
        script.remove();
        failed(new Sentence(NO_SIGNAL));
      };
      document.head.append(script);
    });
  }

  async function show() {
    still.after(box);
    picture.hidden = false;
    paint();
    await window.Plotly.newPlot(picture, figure.data, figure.layout, CONFIG);
    still.classList.add("still");
    runs = figure.data.findIndex(({ name }) => name === "runs");
    picture.on("plotly_click", point);
    picture.on("plotly_hover", point);
    dark.addEventListener("change", repaint);
    // Not by the window alone: larger letters make the picture narrower too. On paper it is not there.
    new ResizeObserver(() => picture.offsetWidth && window.Plotly.Plots.resize(picture)).observe(picture);
    begin.hidden = true;
    walk.hidden = key.hidden = false;
    // The button that had it is gone.
    on.focus({ preventScroll: true });
    says.textContent = say("{runs} drawn. Tap a dot, or go from run to run with the buttons.", { runs: counted(figure.data[runs].x.length) });
  }

  function counted(number) {
    return sayCounted("1 run", "{number} runs", number);
  }

  // A dot or the end of an interval, by thumb or mouse.
  function point({ points }) {
    const [{ curveNumber, pointNumber, customdata }] = points;
    if (curveNumber === runs) pick(pointNumber, false);
    else if (customdata) tell(customdata);
  }

  function pick(number, byButton) {
    const { x, y, customdata } = figure.data[runs];
    const now = (number + x.length) % x.length;
    // The same dot again, perhaps after an interval: its sentence comes back, nothing is drawn anew.
    if (now === picked && !byButton) return tell(customdata[now]);
    picked = now;
    const { block } = customdata[picked];
    const together = block === null ? [] : customdata.flatMap((of, at) => (of.block === block ? [at] : []));
    const line = figure.data.findIndex(({ name }) => name === "picked block");
    Object.assign(figure.data[line], { x: together.map((at) => x[at]), y: together.map((at) => y[at]) });
    figure.data[runs].selectedpoints = [picked];
    redraw();
    if (byButton) window.Plotly.Fx.hover(picture, [{ curveNumber: runs, pointNumber: picked }]);
    tell(customdata[picked]);
  }

  function tell({ sentence, page: address }) {
    says.textContent = sentence;
    page.hidden = !address;
    if (address) page.href = address;
  }

  function repaint() {
    paint();
    redraw();
  }

  function redraw() {
    // Plotly looks for what changed by identity, and by this number.
    figure.layout.datarevision = (figure.layout.datarevision || 0) + 1;
    window.Plotly.react(picture, figure.data, figure.layout, CONFIG);
  }

  function paint() {
    const sheet = getComputedStyle(document.documentElement);
    for (const painted of [figure.layout, ...figure.data]) {
      for (const [path, colour] of Object.entries(painted.meta?.paint || {})) {
        const names = path.split(".");
        const last = names.pop();
        names.reduce((inner, name) => (inner[name] ??= {}), painted)[last] = sheet.getPropertyValue(`--${colour}`).trim();
      }
    }
  }
})();
