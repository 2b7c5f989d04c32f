// Hearing a score: bars, hands and tempo are chosen in a sentence; sound is planned ahead on the clock of the audio device, and the
// mark in the notes follows that clock. Without this file the notes are there to be read.
"use strict";

(() => {
  const { stretchOf, planOf, dueBetween, endOf, hereAt, LEAST_PERCENT, MOST_PERCENT } = window.KeyslipPlan;
  const { fetchRecordings, voicesIn } = window.KeyslipVoices;

  // Sound is handed to the audio device this many seconds ahead: a tab in the background is woken once a second only.
  const AHEAD_S = 2.5;
  const WAKE_MS = 200;
  // Between the press and the first click: enough to hand over what is due first.
  const START_S = 0.15;
  // What still sounds when the last bar is over.
  const TAIL_S = 0.6;
  // What is marked is seen with the next frame of the screen, this many seconds later.
  const FRAME_S = 1 / 60;
  // Milliseconds until the browser is taken to have no way to a loudspeaker.
  const WAKE_DEVICE_MS = 8000;

  const form = document.querySelector("[data-hear]");
  if (!form) return;
  const row = document.querySelector("[data-hear-row]");
  const button = row.querySelector("button");
  const said = row.querySelector("[data-hear-said]");
  const place = row.querySelector("[data-hear-bar]");
  const trouble = form.querySelector("[data-hear-trouble]");
  const tempo = form.querySelector("[data-hear-tempo]");
  const notation = document.getElementById("notation");
  const line = form.querySelector("[data-hear-line]");

  let context = null;
  let sound = null;
  let recordings = new Map();
  let isWithoutRecordings = false;
  let playing = null;
  let attempt = 0;

  const field = (name) => form.elements[name];

  async function soundOf() {
    if (!sound) {
      const answer = await fetch(form.dataset.hear, { credentials: "same-origin" });
      if (!answer.ok) throw new Error(`${form.dataset.hear} answered ${answer.status}`);
      sound = await answer.json();
    }
    return sound;
  }

  // What stands in the fields; or which field cannot be understood, and why.
  function choices() {
    const numbers = sound.numbers;
    const written = (name) => field(name).value.trim();
    const missing = (name) => ({ name, text: `There is no bar “${written(name)}” here; bars go from ${numbers[0]} to ${numbers[numbers.length - 1]}.` });
    const from = numbers.indexOf(written("from"));
    if (from < 0) return missing("from");
    const to = numbers.lastIndexOf(written("to"));
    if (to < 0) return missing("to");
    const stretch = stretchOf(sound, from, to);
    if (!stretch) return { name: "to", text: `Bar ${numbers[to]} does not come after bar ${numbers[from]}.` };
    const percent = Number(written("percent").replace(",", ".").replace("%", ""));
    if (!(percent >= LEAST_PERCENT && percent <= MOST_PERCENT)) {
      return { name: "percent", text: `Write a number from ${LEAST_PERCENT} to ${MOST_PERCENT}; 100 is the tempo of the score.` };
    }
    return {
      ...stretch, percent, countIn: field("count_in").checked, again: field("again").checked,
      words: from === to ? `bar ${numbers[from]}` : `bars ${numbers[from]} to ${numbers[to]}`,
    };
  }

  function complain(name, text) {
    for (const each of ["from", "to", "percent"]) field(each).removeAttribute("aria-invalid");
    trouble.textContent = text;
    trouble.hidden = !text;
    if (!name) return;
    field(name).setAttribute("aria-invalid", "true");
    field(name).focus();
  }

  const handsChosen = () => (field("hands") ? field("hands").value : "both");

  // How loud each hand and the clicks are: set before it sounds, and gliding while it does.
  function mix(voices) {
    const hands = handsChosen();
    const loudness = { right: hands === "left" ? 0 : 1, left: hands === "right" ? 0 : 1, click: field("click").checked ? 1 : 0 };
    for (const [name, value] of Object.entries(loudness)) {
      if (playing) voices.buses[name].gain.setTargetAtTime(value, context.currentTime, 0.01);
      else voices.buses[name].gain.value = value;
    }
  }

  // Wake the audio device; a browser without one leaves the promise open for ever.
  function wake() {
    const late = new Promise((_, fail) => { setTimeout(() => fail(new Error("no audio device")), WAKE_DEVICE_MS); });
    return Promise.race([context.resume(), late]);
  }

  async function play() {
    attempt += 1;
    const mine = attempt;
    complain("", "");
    // Made and woken within the press itself, or browsers keep it silent.
    context ??= new AudioContext({ latencyHint: "interactive" });
    const woken = wake();
    woken.catch(() => {});
    show("Stop", "Fetching the sound …");
    try {
      await soundOf();
    } catch {
      return giveUp(mine, "The computer that runs Keyslip did not answer. Try again in a moment.");
    }
    if (mine !== attempt) return;
    const chosen = choices();
    if (chosen.text) {
      show("Play it", "");
      complain(chosen.name, chosen.text);
      return;
    }
    if (!recordings.size && !isWithoutRecordings) {
      try {
        const longest = 1 + (100 / LEAST_PERCENT) * Math.max(0, ...sound.notes.map((note) => note.end_s - note.at_s));
        recordings = await fetchRecordings(context, sound.recorded, { pitches: sound.notes.map((note) => note.pitch), longest });
      } catch {
        recordings = new Map();
      }
      isWithoutRecordings = !recordings.size;
      form.querySelector("[data-hear-recorded]").hidden = isWithoutRecordings;
      form.querySelector("[data-hear-plain]").hidden = !isWithoutRecordings;
    }
    try {
      await woken;
    } catch {
      return giveUp(mine, "This browser opens no way to a loudspeaker or to headphones.");
    }
    if (mine !== attempt) return;
    begin(chosen);
  }

  function begin(chosen) {
    const plan = planOf(sound, chosen);
    const voices = voicesIn(context, recordings);
    mix(voices);
    const startAt = context.currentTime + START_S;
    playing = { plan, voices, startAt, handedTo: 0, timer: 0, frame: 0, bar: null, here: [], words: chosen.words };
    show("Stop", plan.counts.length ? `Counting in, then ${chosen.words}.` : `Playing ${chosen.words}.`);
    row.classList.add("is-playing");
    playing.timer = setInterval(handOver, WAKE_MS);
    handOver();
    follow();
    document.dispatchEvent(new CustomEvent("hear:begun", { detail: { plan, startAt, context } }));
  }

  function handOver() {
    const { plan, voices, startAt } = playing;
    const now = context.currentTime - startAt;
    if (now > endOf(plan) + TAIL_S) return stop("");
    const until = now + AHEAD_S;
    // What could not be handed over in time (the computer slept) is left out rather than played late and all at once.
    const from = Math.max(playing.handedTo, now);
    for (const due of dueBetween(plan, from, until)) {
      const at = startAt + due.at;
      if (due.kind === "note") voices.note({ ...due, at, end: startAt + due.end });
      else voices.click({ ...due, at });
    }
    playing.handedTo = Math.max(playing.handedTo, until);
  }

  // The moment that is heard now: the clock of the context less the way to the loudspeaker.
  function heardNow() {
    const stamp = context.getOutputTimestamp ? context.getOutputTimestamp() : null;
    if (stamp && stamp.contextTime > 0) {
      const since = (performance.now() - stamp.performanceTime) / 1000;
      return Math.min(stamp.contextTime + Math.max(since, 0), context.currentTime);
    }
    return context.currentTime - (context.outputLatency || context.baseLatency || 0);
  }

  function follow() {
    if (!playing) return;
    playing.frame = requestAnimationFrame(follow);
    const hands = handsChosen();
    const { heads, bar } = hereAt(playing.plan, heardNow() + FRAME_S - playing.startAt);
    const ids = heads.filter((head) => hands === "both" || !head.hand || head.hand === hands).map((head) => head.id);
    if (ids.join() !== playing.here.join()) mark(ids);
    if (bar !== playing.bar) moveTo(bar);
  }

  function mark(ids) {
    if (!notation) return;
    notation.querySelectorAll("[data-note].here").forEach((note) => note.classList.remove("here"));
    for (const id of ids) notation.querySelectorAll(`[data-note="${id}"]`).forEach((note) => note.classList.add("here"));
    if (playing) playing.here = ids;
  }

  // A pencil line under the bar that sounds, and the page moved when a new line of the score begins out of sight.
  function moveTo(bar) {
    playing.bar = bar;
    place.textContent = bar === null ? "" : `Bar ${sound.numbers[bar]}`;
    if (bar !== null) said.textContent = `Playing ${playing.words}.`;
    const drawn = notation && bar !== null
      ? [...notation.querySelectorAll(`[data-bar="${bar}"]`)].find((each) => each.getClientRects().length) : null;
    line.hidden = !drawn;
    if (!drawn) return;
    const system = drawn.closest(".m-system") || drawn;
    const box = drawn.getBoundingClientRect();
    const whole = system.getBoundingClientRect();
    const frame = notation.getBoundingClientRect();
    if (line.parentElement !== notation) notation.append(line);
    line.style.left = `${box.left - frame.left}px`;
    line.style.width = `${box.width}px`;
    line.style.top = `${whole.bottom - frame.top + 2}px`;
    const top = row.getBoundingClientRect().bottom;
    if (whole.top >= Math.min(top, innerHeight / 2) && whole.bottom <= innerHeight) return;
    const isCalm = matchMedia("(prefers-reduced-motion: reduce)").matches;
    scrollBy({ top: whole.top - row.offsetHeight - 24, behavior: isCalm ? "auto" : "smooth" });
  }

  function stop(words) {
    attempt += 1;
    if (playing) {
      clearInterval(playing.timer);
      cancelAnimationFrame(playing.frame);
      playing.voices.hush();
      playing = null;
    }
    mark([]);
    line.hidden = true;
    place.textContent = "";
    row.classList.remove("is-playing");
    show("Play it", words);
  }

  function giveUp(mine, text) {
    if (mine !== attempt) return;
    stop("");
    complain("", text);
  }

  function show(verb, words) {
    button.textContent = verb;
    said.textContent = words;
  }

  function sayTempo() {
    const percent = Number(field("percent").value);
    const at = Math.round((Number(form.dataset.perMinute) * percent) / 100);
    tempo.textContent = percent >= LEAST_PERCENT && percent <= MOST_PERCENT ? form.dataset.tempoWords.replace("#", String(at)) : "";
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (playing || button.textContent === "Stop") stop("Stopped.");
    else play();
  });

  form.addEventListener("input", (event) => {
    if (event.target === field("percent")) sayTempo();
  });

  form.addEventListener("change", (event) => {
    if (!playing) return;
    if (event.target.name === "hands" || event.target.name === "click") mix(playing.voices);
    else if (event.target.name !== "count_in") playAgain();
  });

  // Other bars, another tempo, once or again and again: from the beginning, as it says now.
  function playAgain() {
    stop("");
    play();
  }

  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && playing) stop("Stopped.");
  });

  // A phone may take the sound away (a call, the screen off); what was handed over waits on the context's clock.
  document.addEventListener("visibilitychange", () => {
    if (playing && document.visibilityState === "visible" && context.state !== "running") context.resume();
  });
  addEventListener("pagehide", () => playing && stop(""));

  form.hidden = false;
  row.hidden = false;
  sayTempo();
})();
