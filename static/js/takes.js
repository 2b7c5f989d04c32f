// Reads the player's time into the form of a take, and plays a take from its start to its end.
"use strict";

function player() {
  return document.querySelector("[data-clip]");
}

function clock(seconds) {
  const tenths = Math.round(seconds * 10);
  const rest = String(Math.floor((tenths % 600) / 10)).padStart(2, "0");
  return `${Math.floor(tenths / 600)}:${rest}.${tenths % 10}`;
}

let stopAt = null;

document.addEventListener("click", (event) => {
  const media = player();
  if (!media) return;
  const setter = event.target.closest("[data-take-from]");
  if (setter) {
    const field = setter.closest("form").elements[setter.dataset.takeFrom];
    field.value = clock(media.currentTime);
    field.focus();
    return;
  }
  const link = event.target.closest("[data-play-from]");
  if (link && !event.ctrlKey && !event.metaKey && !event.shiftKey) {
    event.preventDefault();
    stopAt = Number(link.dataset.playTo);
    media.currentTime = Number(link.dataset.playFrom);
    media.play();
  }
});

// Caught on the way down: these events do not rise from a player.
document.addEventListener("timeupdate", (event) => {
  if (stopAt !== null && event.target === player() && event.target.currentTime >= stopAt) {
    event.target.pause();
    stopAt = null;
  }
}, true);
document.addEventListener("seeking", (event) => {
  if (stopAt !== null && event.target.currentTime > stopAt) stopAt = null;
}, true);

function showButtons() {
  if (!player()) return;
  for (const row of document.querySelectorAll("[data-takes-buttons]")) row.hidden = false;
}
document.addEventListener("DOMContentLoaded", showButtons);
document.addEventListener("htmx:load", showButtons);
