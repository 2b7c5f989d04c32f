// Moments of a take are heard in the player of the page, without leaving the findings.
// Without this file the link opens the clip by itself at that moment.
"use strict";

let heardUntil = null;

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-hear]");
  const player = link ? document.querySelector("[data-take]") : null;
  if (!player || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  heardUntil = Number(link.dataset.hearUntil);
  player.currentTime = Number(link.dataset.hear);
  player.play();
});

// A moment ends a little after it; whoever then presses play goes on from there.
document.addEventListener("timeupdate", (event) => {
  const player = event.target;
  if (heardUntil === null || !player.matches || !player.matches("[data-take]") || player.paused) return;
  if (player.currentTime >= heardUntil) {
    heardUntil = null;
    player.pause();
  }
}, true);
