// A picture chosen in <input type="file" data-shrink> is redrawn small on the phone, upright and without its hidden data, and
// takes the chosen file's place. `window.shrinkPhoto(file)` does the same for a file from elsewhere.
(() => {
  "use strict";
  const LONGEST_PX = 1600;
  const QUALITY = 0.82;
  const PREVIEW_PX = 160;
  // What was made here is small already; what is being made now, by its form.
  const made = new WeakSet();
  const making = new Map();

  const canvas = (picture, longest) => {
    const share = Math.min(1, longest / Math.max(picture.width, picture.height));
    const drawn = document.createElement("canvas");
    drawn.width = Math.max(1, Math.round(picture.width * share));
    drawn.height = Math.max(1, Math.round(picture.height * share));
    const pen = drawn.getContext("2d");
    pen.imageSmoothingQuality = "high";
    // JPEG has no glass: what is clear in a PNG becomes white, not black.
    pen.fillStyle = "#fff";
    pen.fillRect(0, 0, drawn.width, drawn.height);
    pen.drawImage(picture, 0, 0, drawn.width, drawn.height);
    return drawn;
  };

  // Refuses (rejects) a kind of picture this browser can't read.
  async function shrink(file) {
    if (made.has(file)) return file;
    const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    const drawn = canvas(picture, LONGEST_PX);
    picture.close();
    const blob = await new Promise((done) => drawn.toBlob(done, "image/jpeg", QUALITY));
    if (!blob) throw new Error("the picture could not be written");
    const small = new File([blob], "photo.jpg", { type: "image/jpeg" });
    made.add(small);
    return small;
  }
  window.shrinkPhoto = shrink;

  const inWords = (bytes) => (bytes < 1e6 ? `${Math.max(1, Math.round(bytes / 1000))} kB` : `${window.formValues.written(bytes / 1e6, 1)} MB`);

  for (const input of document.querySelectorAll('input[type="file"][data-shrink]')) {
    const box = document.createElement("div");
    box.className = "photo-chosen";
    box.hidden = true;
    const says = document.createElement("p");
    says.setAttribute("role", "status");
    const again = document.createElement("button");
    again.type = "button";
    again.className = "act quiet";
    again.textContent = say("Take it again");
    const without = document.createElement("button");
    without.type = "button";
    without.className = "act quiet";
    without.textContent = say("Leave the photo out");
    const acts = document.createElement("div");
    acts.className = "row-acts";
    acts.append(again, without);
    box.append(says, acts);
    input.closest(".field").append(box);
    let looked = 0;

    const clear = () => {
      input.value = "";
      box.querySelector("canvas")?.remove();
      box.hidden = true;
    };
    again.addEventListener("click", () => input.click());
    without.addEventListener("click", () => {
      clear();
      input.focus();
    });

    async function take(file) {
      // Another picture may be chosen while this one is still being drawn: only the last one counts.
      const turn = ++looked;
      box.hidden = false;
      box.querySelector("canvas")?.remove();
      says.textContent = say("Making the picture small…");
      try {
        const small = await shrink(file);
        if (turn !== looked || input.files[0] !== file) return;
        const chosen = new DataTransfer();
        chosen.items.add(small);
        input.files = chosen.files;
        const picture = await createImageBitmap(small);
        const preview = canvas(picture, PREVIEW_PX);
        preview.setAttribute("role", "img");
        preview.setAttribute("aria-label", say("The picture as it will be kept"));
        box.prepend(preview);
        says.textContent = say("{width} by {height} pixels, {size} (it was {before}). Nothing hidden is left in it.", { width: picture.width, height: picture.height, size: inWords(small.size), before: inWords(file.size) });
        picture.close();
      } catch {
        if (turn !== looked) return;
        const most = Number(input.dataset.mostBytes);
        if (file.size > most) {
          // It would wait on the phone only to be sent back.
          input.value = "";
          says.textContent = say("This phone can't make this picture small, and it is too large as it is ({size}; the site takes {most}). It is left out; take it again in a smaller size.", { size: inWords(file.size), most: inWords(most) });
          return;
        }
        says.textContent = say("This phone can't make this picture small ({size}). It goes as it is; the site looks whether it can read it and takes hidden data out.", { size: inWords(file.size) });
      }
    }
    input.addEventListener("change", () => {
      const file = input.files[0];
      if (!file) return clear();
      if (made.has(file) || !input.form) return;
      const turn = take(file).finally(() => { if (making.get(input.form) === turn) making.delete(input.form); });
      making.set(input.form, turn);
    });
  }

  // A form sent while its picture is still being made waits for the small one, before anything else hears of it.
  window.addEventListener("submit", (event) => {
    const turn = making.get(event.target);
    if (!turn) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    const { target: form, submitter } = event;
    turn.then(() => form.requestSubmit(submitter));
  }, true);
})();
