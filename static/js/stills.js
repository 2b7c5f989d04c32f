// Takes a still at the picture that is seen: its time goes into the form as it is sent.
// Without this file the moment is typed.
"use strict";

(() => {
  // The time of the picture on the screen, where the browser tells it; a player's own time may lie anywhere within it.
  const seen = new WeakMap();

  function film() {
    return document.querySelector("video[data-clip], video[data-take]");
  }

  function watch(video) {
    if (!("requestVideoFrameCallback" in video)) return;
    const note = (_, picture) => {
      seen.set(video, picture.mediaTime);
      video.requestVideoFrameCallback(note);
    };
    video.requestVideoFrameCallback(note);
  }

  // Rounded up, for a moment just before a picture's start would show the one before it; a millionth is left to the
  // arithmetic. Pictures of slow motion come four thousandths apart.
  function writeMoment(seconds) {
    const thousandths = Math.ceil(seconds * 1000 - 1e-3);
    const whole = Math.floor(thousandths / 1000);
    const rest = String(thousandths % 1000).padStart(3, "0");
    return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}.${rest}`;
  }

  document.addEventListener("submit", (event) => {
    const form = event.target.closest("[data-still]");
    const video = form ? film() : null;
    // A moment that was typed counts, also where the form was sent by the return key.
    const isTyped = document.activeElement === form?.elements.at_s || event.submitter?.name === "typed";
    if (!video || isTyped) return;
    video.pause();
    // While it still seeks, the picture on the screen is the old one.
    const isShown = seen.has(video) && !video.seeking;
    form.elements.at_s.value = writeMoment(isShown ? seen.get(video) : video.currentTime);
  });

  document.addEventListener("DOMContentLoaded", () => {
    const video = film();
    if (!video) return;
    watch(video);
    for (const button of document.querySelectorAll("[data-still-here]")) button.hidden = false;
  });
})();
