// Comforts for looking and listening: once more from the start of the take, slower, and the time of a note.
// Without this file the browser's own controls and a typed time do the same.
"use strict";

// Three quarters of the speed: slow enough to hear which finger was late, fast enough to stay music.
const SLOWER_RATE = 0.75;

// Minutes, seconds and tenths, as the field beside wants them.
function writeClock(seconds) {
  const tenths = Math.round(seconds * 10);
  const whole = Math.floor(tenths / 10);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}.${tenths % 10}`;
}

function playerNear(element) {
  const bar = element.closest(".clip-bar");
  const clip = bar ? bar.previousElementSibling : null;
  return (clip || document).querySelector("[data-take]");
}

function showButtons(root) {
  for (const button of root.querySelectorAll("[data-again], [data-slower], [data-at-this-moment]")) {
    button.hidden = !playerNear(button);
  }
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-again], [data-slower], [data-at-this-moment]");
  const player = button ? playerNear(button) : null;
  if (!player) return;
  if ("again" in button.dataset) {
    player.currentTime = Number(player.dataset.start);
    player.play();
  } else if ("slower" in button.dataset) {
    const isSlow = button.getAttribute("aria-pressed") !== "true";
    button.setAttribute("aria-pressed", String(isSlow));
    player.playbackRate = isSlow ? SLOWER_RATE : 1;
  } else {
    const field = button.closest("form").querySelector("[name=at_s]");
    field.value = writeClock(player.currentTime);
    field.dispatchEvent(new Event("input", { bubbles: true }));
  }
});

// A take ends where it ends, also after seeking; browsers keep to the end in the address only the first time.
document.addEventListener("timeupdate", (event) => {
  const player = event.target;
  if (!player.matches || !player.matches("[data-take]") || player.paused) return;
  const end = Number(player.dataset.end);
  if (player.currentTime >= end && player.currentTime < end + 0.6) player.pause();
}, true);

document.addEventListener("DOMContentLoaded", () => showButtons(document));
document.addEventListener("htmx:load", (event) => showButtons(event.target));
