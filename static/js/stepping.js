// One picture back, one picture on: by the list of when each picture is shown, for pictures of phones do not come evenly.
// Without this file the browser's own controls move through the clip.
"use strict";

(() => {
  // The times of each player's pictures, asked for at the first step; and those that have come, with the words that tell where
  // the player stands.
  const lists = new WeakMap();
  const known = new WeakMap();

  function playerOf(bar) {
    let clip = bar.previousElementSibling;
    while (clip && !clip.matches(".clip")) clip = clip.previousElementSibling;
    return clip ? clip.querySelector("video[data-frames]") : null;
  }

  async function timesOf(player) {
    if (!lists.has(player)) {
      lists.set(player, fetch(player.dataset.frames, { credentials: "same-origin" })
        .then((answer) => (answer.ok ? answer.json() : Promise.reject(new Error(String(answer.status)))))
        .then((list) => list.times_s));
      lists.get(player).catch(() => lists.delete(player));
    }
    return lists.get(player);
  }

  // The last picture shown at or before a moment. A ten-thousandth is what the list is rounded by.
  function indexAt(times, moment) {
    let low = 0;
    let high = times.length - 1;
    while (low < high) {
      const middle = Math.ceil((low + high) / 2);
      if (times[middle] <= moment + 1e-4) low = middle;
      else high = middle - 1;
    }
    return low;
  }

  // Within a picture's time, where every player shows it and no other: half of its time in, as rounding goes both ways, but at
  // most five thousandths of a second. In a copy that was taken over as it came, Chromium may hold a picture for shorter than it
  // stands, and shows the next in the later part of it (measured on films whose pictures come unevenly and out of order).
  const MOST_IN_S = 0.005;
  function insideOf(times, index) {
    const next = index + 1 < times.length ? times[index + 1] : Infinity;
    return times[index] + Math.min((next - times[index]) / 2, MOST_IN_S);
  }

  function writeClock(seconds) {
    const hundredths = Math.floor(seconds * 100 + 1e-6);
    const rest = (hundredths % 6000) / 100;
    return `${Math.floor(hundredths / 6000)}:${rest.toFixed(2).padStart(5, "0")}`;
  }

  async function step(bar, by) {
    const player = playerOf(bar);
    if (!player) return;
    player.pause();
    const words = bar.querySelector("[data-step-words]");
    let times;
    try {
      times = await timesOf(player);
    } catch {
      words.textContent = "The list of pictures did not come. Try again.";
      return;
    }
    if (!times.length) return;
    const from = indexAt(times, player.currentTime);  // on its way somewhere a player says where to
    const first = player.dataset.start ? indexAt(times, Number(player.dataset.start)) : 0;
    const last = player.dataset.end ? indexAt(times, Number(player.dataset.end)) : times.length - 1;
    const index = Math.min(Math.max(from + by, first), last);
    known.set(player, { times, words });
    player.currentTime = insideOf(times, index);
  }

  function say(event) {
    const found = known.get(event.target);
    if (!found) return;
    const index = indexAt(found.times, event.target.currentTime);
    found.words.textContent = `Picture ${index + 1} of ${found.times.length}, at ${writeClock(found.times[index])}`;
  }

  function beSilent(event) {
    const found = known.get(event.target);
    if (found) found.words.textContent = "";
  }

  // Caught on the way down: these events do not rise from a player.
  document.addEventListener("seeked", say, true);
  document.addEventListener("play", beSilent, true);

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-step]");
    if (button) step(button.closest("[data-stepping]"), Number(button.dataset.step));
  });

  function show(root) {
    for (const bar of root.querySelectorAll("[data-stepping]")) bar.hidden = !playerOf(bar);
  }
  document.addEventListener("DOMContentLoaded", () => show(document));
  document.addEventListener("htmx:load", (event) => show(event.target.parentElement || document));
})();
