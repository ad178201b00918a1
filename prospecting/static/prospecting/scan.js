// Scanning tags: <div data-scan data-decoder="address of the vendored decoder" hidden>. A live picture where the browser gives
// one, a photograph anywhere. Pictures stay on the phone: only the text of the square goes to the site, which checks it and
// answers with this same page; what was read replaces [data-read]. Nothing that a square says is ever followed as a link.
(() => {
  "use strict";
  const box = document.querySelector("[data-scan]");
  if (!box) return;
  const part = (name) => box.querySelector(`[data-${name}]`);
  const [live, picture, start, running, torch, says] =
    ["live", "picture", "start", "running", "torch", "says"].map(part);
  const PAUSE_MS = 120, SAME_AGAIN_MS = 3000, LONGEST_TEXT = 300;
  // A photograph is tried in several sizes: a small square needs a large one, a grainy picture a small one.
  const PHOTO_SIDES = [1000, 1800, 500];
  // So is a live picture, in turn: what one size blurs another may show.
  const LIVE_SIDES = [900, 600, 750];
  const canvas = document.createElement("canvas");
  let stream = null, reader = null, looks = 0, seen = { text: "", at: 0 };

  box.hidden = false;
  const camera = window.isSecureContext && navigator.mediaDevices?.getUserMedia;
  live.hidden = !camera;
  part("not-secure").hidden = window.isSecureContext;
  part("no-camera").hidden = !window.isSecureContext || Boolean(camera);

  // Readers: (source, width, height, longest side) -> text of the square, or "".
  async function phonesOwnReader() {
    try {
      const formats = await window.BarcodeDetector.getSupportedFormats();
      if (!formats.includes("qr_code")) return null;
      const detector = new window.BarcodeDetector({ formats: ["qr_code"] });
      return async (source) => (await detector.detect(source))[0]?.rawValue ?? "";
    } catch {
      return null;
    }
  }

  function vendoredReader() {
    return new Promise((done, failed) => {
      const script = document.createElement("script");
      script.src = box.dataset.decoder;
      script.onload = () => done(readWithVendored);
      script.onerror = () => failed(new Error(say("The reader did not load: is there a signal?")));
      document.head.append(script);
    });
  }

  async function readWithVendored(source, width, height, longest) {
    const scale = Math.min(1, longest / Math.max(width, height));
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
    const context = canvas.getContext("2d", { willReadFrequently: true });
    context.drawImage(source, 0, 0, canvas.width, canvas.height);
    const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
    return window.jsQR(data, canvas.width, canvas.height, { inversionAttempts: "dontInvert" })?.data ?? "";
  }

  async function textIn(source, width, height, longest) {
    reader ??= ("BarcodeDetector" in window && (await phonesOwnReader())) || (await vendoredReader());
    try {
      return await reader(source, width, height, longest);
    } catch (error) {
      if (reader === readWithVendored) throw error;
      // Some browsers name a detector that their machine doesn't have.
      reader = await vendoredReader();
      return reader(source, width, height, longest);
    }
  }

  // True once the lot's page is being opened.
  async function ask(text) {
    const address = new URL(document.querySelector("[data-read]").dataset.here, location.href);
    address.searchParams.set("code", text.slice(0, LONGEST_TEXT));
    let read;
    try {
      const answer = await fetch(address);
      read = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-read]");
    } catch {
      says.textContent = say("The site did not answer: is there a signal? Scan it again, or type the code.");
      return false;
    }
    if (!read) {
      // Signed out meanwhile: the page itself leads to where one signs in.
      location.reload();
      return true;
    }
    const opens = read.querySelector("[data-opens]");
    if (opens) {
      stop(say("Opening {lot}…", { lot: opens.dataset.opens }));
      location.assign(opens.getAttribute("href"));
      return true;
    }
    says.textContent = "";
    document.querySelector("[data-read]").replaceWith(document.adoptNode(read));
    history.replaceState(null, "", read.dataset.here);
    navigator.vibrate?.(60);
    return false;
  }

  async function look(watched) {
    if (stream !== watched) return;
    try {
      if (picture.videoWidth) {
        const side = LIVE_SIDES[looks++ % LIVE_SIDES.length];
        const text = await textIn(picture, picture.videoWidth, picture.videoHeight, side);
        const again = text === seen.text && Date.now() - seen.at < SAME_AGAIN_MS;
        if (text) seen = { text, at: Date.now() };
        if (text && !again && stream === watched && (await ask(text))) return;
      }
    } catch (error) {
      stop(error.message);
      return;
    }
    setTimeout(look, PAUSE_MS, watched);
  }

  function stop(words) {
    stream?.getTracks().forEach((track) => track.stop());
    stream = null;
    picture.srcObject = null;
    picture.hidden = running.hidden = true;
    start.hidden = false;
    if (words !== undefined) says.textContent = words;
  }

  async function begin() {
    start.hidden = true;
    says.textContent = say("Starting the camera…");
    try {
      stream = await navigator.mediaDevices.getUserMedia({
        audio: false,
        video: { facingMode: { ideal: "environment" }, width: { ideal: 1280 }, height: { ideal: 720 } },
      });
    } catch (error) {
      const refused = error.name === "NotAllowedError";
      stop(refused
        ? say("The camera was not allowed. Allow it in the browser's settings for this site, take a picture, or type the code.")
        : say("No camera could be started. Take a picture of the tag, or type its code."));
      return;
    }
    if (document.hidden) return stop();
    const [track] = stream.getVideoTracks();
    track.addEventListener("ended", () => stop(say("The camera stopped.")));
    torch.hidden = !track.getCapabilities?.().torch;
    torch.setAttribute("aria-pressed", "false");
    seen = { text: "", at: 0 };
    picture.srcObject = stream;
    picture.hidden = running.hidden = false;
    says.textContent = say("Hold the square of the tag before the camera.");
    await picture.play().catch(() => undefined);
    look(stream);
  }

  start.addEventListener("click", begin);
  part("stop").addEventListener("click", () => stop(""));
  torch.addEventListener("click", async () => {
    const on = torch.getAttribute("aria-pressed") !== "true";
    try {
      await stream.getVideoTracks()[0].applyConstraints({ advanced: [{ torch: on }] });
      torch.setAttribute("aria-pressed", String(on));
    } catch {
      says.textContent = say("This phone does not let the page switch its light.");
    }
  });
  document.addEventListener("visibilitychange", () => {
    if (document.hidden && stream) stop(say("The camera was stopped while the page was out of sight."));
  });
  window.addEventListener("pagehide", () => stop());

  part("file").addEventListener("change", async ({ target }) => {
    const [file] = target.files;
    if (!file) return;
    stop(say("Reading the picture…"));
    let image, text = "";
    try {
      image = await createImageBitmap(file);
    } catch {
      says.textContent = say("That is not a picture this browser can open.");
      return;
    }
    try {
      for (const side of PHOTO_SIDES) text ||= await textIn(image, image.width, image.height, side);
      if (text) await ask(text);
      else says.textContent = say("No square could be read in this picture. Go closer, hold still, wipe the tag, or type its code.");
    } catch (error) {
      says.textContent = error.message;
    } finally {
      image.close();
      target.value = "";
    }
  });
})();
