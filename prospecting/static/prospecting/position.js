// "Use this phone's position": <div hidden data-position="id_latitude id_longitude">. Only when it is tapped, and only
// into the two inputs; without a position service the inputs are typed by hand.
(() => {
  "use strict";
  if (!("geolocation" in navigator) || !window.isSecureContext) return;
  for (const box of document.querySelectorAll("[data-position]")) {
    const [latitude, longitude] = box.dataset.position.split(" ").map((id) => document.getElementById(id));
    const tap = box.querySelector("[data-position-tap]");
    const says = box.querySelector("[data-position-says]");
    if (!latitude || !longitude || !tap) continue;
    box.hidden = false;
    tap.addEventListener("click", () => {
      tap.disabled = true;
      says.textContent = say("Looking for the position…");
      navigator.geolocation.getCurrentPosition(
        ({ coords }) => {
          tap.disabled = false;
          latitude.value = coords.latitude.toFixed(6);
          longitude.value = coords.longitude.toFixed(6);
          latitude.dispatchEvent(new Event("input", { bubbles: true }));
          says.textContent = say("Written above, good to about {metres} m.", { metres: Math.ceil(coords.accuracy) });
        },
        () => {
          tap.disabled = false;
          says.textContent = say("The phone gave no position. Type it, or leave both empty.");
        },
        { enableHighAccuracy: true, timeout: 30000, maximumAge: 60000 },
      );
    });
  }
})();
