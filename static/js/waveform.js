// The outline of a clip's sound as a slider, and small pictures that lead to their moment.
// Without this file the outline is a drawing, the pictures are links, and the browser's own slider moves through the clip.
"use strict";

(() => {
  function player() {
    return document.querySelector("[data-clip]");
  }

  function writeClock(seconds) {
    const tenths = Math.round(seconds * 10);
    return `${Math.floor(tenths / 600)}:${((tenths % 600) / 10).toFixed(1).padStart(4, "0")}`;
  }

  function follow() {
    const media = player();
    for (const slider of media ? document.querySelectorAll("[data-seek]") : []) {
      slider.value = String(media.currentTime);
      slider.setAttribute("aria-valuetext", `${writeClock(media.currentTime)} of ${writeClock(Number(slider.max))}`);
    }
  }

  document.addEventListener("input", (event) => {
    if (!event.target.matches("[data-seek]") || !player()) return;
    player().currentTime = Number(event.target.value);
  });

  document.addEventListener("click", (event) => {
    const link = event.target.closest("[data-seek-to]");
    if (!link || !player() || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    player().currentTime = Number(link.dataset.seekTo);
  });

  // Caught on the way down: these events do not rise from a player.
  for (const name of ["timeupdate", "seeking", "loadedmetadata"]) {
    document.addEventListener(name, (event) => {
      if (event.target === player()) follow();
    }, true);
  }

  function show() {
    if (!player()) return;
    for (const slider of document.querySelectorAll("[data-seek]")) slider.hidden = false;
    follow();
  }
  document.addEventListener("DOMContentLoaded", show);
  document.addEventListener("htmx:load", show);
})();
