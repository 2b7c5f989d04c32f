// Records a clip in the page: shows the camera with a hint for the view, asks for the sound as it is, and sends what is played
// while it is being played (upload.js), so that whatever breaks costs the last seconds at most.
"use strict";

(() => {
  const root = document.querySelector("[data-rec]");
  if (!root) return;

  // Milliseconds of film in one piece that is sent; what a crash costs is this and what was still on its way.
  const PIECE_MS = 2000;
  // Bits a second: sharp enough for fingers at 1080p, and far below what a house's network carries; sound as good as it gets.
  const VIDEO_BIT_S = 4000000, AUDIO_BIT_S = 160000;
  // Decibels below full scale: above the first it is too loud, below the second the microphone hears hardly anything.
  const TOO_LOUD_DB = -3, TOO_QUIET_DB = -40;
  // Milliseconds between two looks at the level, and for which "too loud" stays said.
  const LOOK_MS = 100, LOUD_STAYS_MS = 4000;
  // Seconds at a stretch after which a pause is offered (common practice).
  const PAUSE_S = 25 * 60;
  const MOST_S = Number(root.dataset.mostS);
  const LINE_OFF = { autoGainControl: false, echoCancellation: false, noiseSuppression: false };
  const NAMES = { autoGainControl: "levels out loud and soft", echoCancellation: "removes echoes", noiseSuppression: "takes quiet sounds for noise" };

  const part = (name) => document.querySelector(`[data-rec-${name}]`);
  const parts = Object.fromEntries(["wrong", "wrong-title", "wrong-text", "live", "video", "levels", "meter", "loud", "honest", "honest-text", "clock", "words", "say", "pause", "open", "start", "stop", "go-on", "drop", "form", "cameras", "microphones"].map((name) => [name, part(name)]));
  const form = parts.form;
  let stream = null, context = null, recorder = null, sending = null;
  let began = 0, timer = null, loudAt = -Infinity, isDropped = false, why = "";

  // --- Words ---

  function tell(text, { isSaid = true } = {}) {
    parts.words.textContent = text;
    if (isSaid) parts.say.textContent = text;
  }

  function offer(...names) {
    const hadFocus = ["open", "start", "stop", "go-on", "drop"].some((name) => parts[name] === document.activeElement);
    for (const name of ["open", "start", "stop", "go-on", "drop"]) parts[name].hidden = !names.includes(name);
    if (hadFocus && names.length) parts[names[0]].focus();
  }

  function wrong(title, text) {
    parts["wrong-title"].textContent = title;
    parts["wrong-text"].textContent = text;
    parts.wrong.hidden = false;
  }

  function clockOf(seconds) {
    return `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;
  }

  function sizeInWords(bytes) {
    return bytes >= 1e6 ? `${Math.round(bytes / 1e6)} MB` : `${Math.ceil(bytes / 1000)} kB`;
  }

  // --- What this browser can do ---

  function whatIsMissing() {
    if (!window.isSecureContext) return ["Not over this address", "Browsers open the camera for a page only over https. The page “On the phone” says how to switch that on; the camera app works without it."];
    if (!navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) return ["No camera for pages", "This browser lets no page use the camera or the microphone."];
    if (!window.MediaRecorder) return ["No recording in this browser", "This browser can show the camera, but not record it."];
    return null;
  }

  const isSound = () => form.elements.what.value === "sound";

  // Safari writes one kind that it plays back itself; for all others the open one is the sounder.
  function kindOf() {
    const open = isSound() ? ["audio/webm;codecs=opus"] : ["video/webm;codecs=vp8,opus", "video/webm"];
    const packed = isSound() ? ["audio/mp4"] : ["video/mp4"];
    const isApple = (navigator.vendor || "").startsWith("Apple");
    return (isApple ? [...packed, ...open] : [...open, ...packed]).find((kind) => MediaRecorder.isTypeSupported(kind)) || "";
  }

  // --- The camera ---

  function wishes() {
    const camera = form.elements.camera.value, microphone = form.elements.microphone.value;
    const audio = { ...LINE_OFF, channelCount: { ideal: 2 }, ...(microphone ? { deviceId: { exact: microphone } } : {}) };
    const where = camera ? { deviceId: { exact: camera } } : { facingMode: { ideal: "environment" } };
    const video = { width: { ideal: 1920 }, height: { ideal: 1080 }, frameRate: { ideal: 30 }, ...where };
    return isSound() ? { audio, video: false } : { audio, video };
  }

  async function open() {
    close();
    parts.wrong.hidden = true;
    offer();
    const what = form.elements.what.value;
    tell(isSound() ? "The browser asks whether it may use the microphone. Say yes." : "The browser asks whether it may use camera and microphone. Say yes.");
    try {
      stream = await navigator.mediaDevices.getUserMedia(wishes());
    } catch (error) {
      refused(error);
      return;
    }
    // Somebody may have chosen the other kind while the browser was asking.
    if (form.elements.what.value !== what) { open(); return; }
    for (const track of stream.getTracks()) track.addEventListener("ended", lost);
    parts.live.hidden = isSound();
    parts.video.srcObject = isSound() ? null : stream;
    if (!isSound()) parts.video.play().catch(() => {});
    listen();
    checkHonesty();
    await offerDevices();
    frame();
    offer("start");
    tell(isSound() ? "The microphone is open. Play a little: is the sound clear, and never too loud?" : "Move the phone until everything lies where the lines are. Play a little: is the sound never too loud?");
    parts.start.focus();
  }

  function refused(error) {
    offer("open");
    tell("", { isSaid: false });
    const device = isSound() ? "microphone" : "camera or microphone";
    const [title, text] = {
      NotAllowedError: ["Not allowed", `This browser may not use the ${device} for Keyslip. Allow it in the browser's settings for this page, then try again.`],
      NotFoundError: ["Nothing to record with", isSound() ? "No microphone was found." : "No camera with a microphone was found. “Sound only” needs no camera."],
      NotReadableError: ["In use", `Another program holds the ${device}. Close it, then try again.`],
    }[error.name] || ["It did not open", `The ${device} did not open. Try again, or use the camera app.`];
    wrong(title, text);
  }

  function close() {
    clearInterval(timer);
    if (stream) for (const track of stream.getTracks()) { track.removeEventListener("ended", lost); track.stop(); }
    if (context) context.close();
    stream = context = null;
  }

  function lost() {
    if (recorder && recorder.state !== "inactive") stop("The camera or microphone went away, so the recording ended here.");
    else { close(); offer("open"); tell("The camera or microphone went away. Open it again."); }
  }

  // The wish is a wish: ask what came of it.
  function checkHonesty() {
    const track = stream.getAudioTracks()[0];
    const settings = track && track.getSettings ? track.getSettings() : {};
    const kept = Object.keys(LINE_OFF).filter((name) => settings[name] === true);
    parts.honest.hidden = !kept.length;
    parts["honest-text"].textContent = kept.length ? `It ${kept.map((name) => NAMES[name]).join(" and ")}, though asked not to.` : "";
  }

  async function offerDevices() {
    const all = await navigator.mediaDevices.enumerateDevices();
    for (const [kind, box, select] of [["videoinput", parts.cameras, form.elements.camera], ["audioinput", parts.microphones, form.elements.microphone]]) {
      const found = all.filter((device) => device.kind === kind);
      const chosen = select.value || (stream.getTracks().find((track) => track.kind === kind.slice(0, 5)) || { getSettings: () => ({}) }).getSettings().deviceId || "";
      select.replaceChildren(...found.map((device, place) => new Option(device.label || `${kind === "videoinput" ? "Camera" : "Microphone"} ${place + 1}`, device.deviceId)));
      if (found.some((device) => device.deviceId === chosen)) select.value = chosen;
      box.hidden = found.length < 2 || (kind === "videoinput" && isSound());
    }
  }

  // Where things should be for what is judged in the chosen line.
  function frame() {
    const line = form.elements.assignment.value;
    const entry = Array.from(document.querySelectorAll("[data-line]")).find((each) => each.dataset.line === line);
    const view = isSound() ? "sound" : entry ? entry.dataset.view : "side";
    for (const drawing of document.querySelectorAll("[data-framing]")) drawing.toggleAttribute("hidden", drawing.dataset.framing !== view);
    for (const words of document.querySelectorAll("[data-placing]")) words.hidden = words.dataset.placing !== view;
  }

  // --- The sound's level ---

  function listen() {
    context = new AudioContext();
    const ear = new AnalyserNode(context, { fftSize: 2048 });
    context.createMediaStreamSource(stream).connect(ear);
    const samples = new Float32Array(ear.fftSize);
    let heard = -Infinity;
    parts.levels.hidden = false;
    timer = setInterval(() => {
      ear.getFloatTimeDomainData(samples);
      const level = 20 * Math.log10(samples.reduce((most, sample) => Math.max(most, Math.abs(sample)), 1e-5));
      parts.meter.value = Math.max(-60, level);
      heard = Math.max(heard - 0.5, level);
      if (level > TOO_LOUD_DB) {
        if (performance.now() - loudAt > LOUD_STAYS_MS) parts.say.textContent = "Too loud. Move the phone away.";
        loudAt = performance.now();
      }
      const isLoud = performance.now() - loudAt < LOUD_STAYS_MS;
      parts.loud.textContent = isLoud ? "Too loud: move the phone away, or lay it on something soft." : heard < TOO_QUIET_DB ? "Hardly anything is heard. Play a few loud notes." : "The sound is clear.";
      if (recorder && recorder.state === "recording") tick();
    }, LOOK_MS);
  }

  // --- Recording ---

  function start() {
    const facts = new FormData(form);
    const missing = ["assignment", "was_first_today", "played_on"].find((name) => !facts.get(name));
    if (missing) {
      tell({ assignment: "Say first what is on the clip.", was_first_today: "Say first whether this is the first time today.", played_on: "Say first on which day this is." }[missing]);
      const field = form.querySelector(`[name="${missing}"]`);
      field.focus();
      field.scrollIntoView({ block: "center" });
      return;
    }
    const kind = kindOf();
    try {
      recorder = new MediaRecorder(stream, { ...(kind ? { mimeType: kind } : {}), videoBitsPerSecond: VIDEO_BIT_S, audioBitsPerSecond: AUDIO_BIT_S });
      recorder.start(PIECE_MS);
    } catch {
      recorder = null;
      wrong("It did not begin", "This browser shows the camera, but would not record it. Try “sound only”, or use the camera app.");
      return;
    }
    const plain = recorder.mimeType.split(";")[0] || kind.split(";")[0];
    const ending = plain.endsWith("mp4") ? (isSound() ? "m4a" : "mp4") : "webm";
    sending = KeyslipUpload.openRecording({
      url: root.dataset.begin,
      metadata: { filename: `recording.${ending}`, filetype: plain, assignment: facts.get("assignment"), was_first_today: facts.get("was_first_today"), played_on: facts.get("played_on") },
      onState: show,
    });
    sending.promise.catch(() => {});
    isDropped = false;
    why = "";
    parts.wrong.hidden = parts.pause.hidden = true;
    recorder.addEventListener("dataavailable", (event) => sending.push(event.data));
    recorder.addEventListener("stop", finish);
    recorder.addEventListener("error", () => stop("The browser could not go on recording."));
    began = performance.now();
    for (const field of form.elements) field.disabled = true;
    parts.clock.hidden = false;
    offer("stop");
    parts.stop.focus();
    tell("Recording. What you play is sent as you play it.");
  }

  function tick() {
    const seconds = (performance.now() - began) / 1000;
    parts.clock.textContent = clockOf(seconds);
    if (seconds > PAUSE_S && parts.pause.hidden) {
      parts.pause.hidden = false;
      parts.say.textContent = "Twenty-five minutes at a stretch. Hands and back need a pause now.";
    }
    if (seconds > MOST_S) stop(`A clip may last ${Math.round(MOST_S / 60)} minutes; it ended here.`);
  }

  function stop(reason = "") {
    if (!recorder || recorder.state === "inactive") return;
    why = reason;
    offer("drop");
    tell(`${why} The last seconds are being sent.`.trim());
    recorder.stop();
  }

  async function finish() {
    close();
    parts.levels.hidden = true;
    parts.live.hidden = true;
    try {
      const place = await sending.finish();
      if (!isDropped) location.assign(place);
    } catch { /* show() has said it */ }
  }

  function show(state) {
    if (isDropped) return;
    const isOn = recorder && recorder.state === "recording";
    const waiting = sending ? sending.waitingBytes : 0;
    const kept = state.sentBytes && !state.text.includes("kept") ? ` ${sizeInWords(state.sentBytes)} arrived and kept.` : "";
    if (state.phase === "waiting" && state.text) tell(isOn ? `${state.text} Play on: ${sizeInWords(waiting)} wait in this page and are sent once the line is back.` : `${state.text} ${sizeInWords(waiting)} are still to be sent. Leave the page open; it goes on by itself.`, { isSaid: state.waitS === 1 });
    if (state.phase === "sending" && isOn) tell("Recording. What you play is sent as you play it.", { isSaid: false });
    if (state.phase === "sending" && !isOn) tell(`${why} The last ${sizeInWords(waiting)} are being sent.`.trim(), { isSaid: false });
    if (state.phase === "closing") tell("All of it is here. It is being put away.");
    if (state.phase === "halted") {
      wrong("Not sent on", `${state.text}${kept}`);
      offer(...(isOn ? ["go-on", "stop"] : ["go-on", "drop"]));
    }
    if (state.phase === "failed") {
      if (isOn) recorder.stop();
      close();
      wrong("The recording ended", `${state.text}${kept}${state.sentBytes ? " You find it on the film page under “Unfinished uploads”." : ""}`);
      offer("open");
      for (const field of form.elements) field.disabled = false;
      tell("", { isSaid: false });
    }
  }

  async function drop() {
    isDropped = true;
    offer();
    tell("It is being thrown away.");
    await sending.giveUp();
    for (const field of form.elements) field.disabled = false;
    parts.clock.hidden = true;
    offer("open");
    tell("Thrown away. Nothing of it is kept.");
  }

  // --- Begin ---

  const missing = whatIsMissing();
  if (missing) {
    wrong(...missing);
    part("https").hidden = window.isSecureContext;
    return;
  }
  root.hidden = false;
  parts.open.addEventListener("click", open);
  parts.start.addEventListener("click", start);
  parts.stop.addEventListener("click", () => stop());
  parts.drop.addEventListener("click", drop);
  parts["go-on"].addEventListener("click", () => { parts.wrong.hidden = true; offer(recorder.state === "recording" ? "stop" : "drop"); sending.goOn(); });
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("change", (event) => {
    if (event.target.name === "what") parts.open.textContent = isSound() ? "Open the microphone" : "Open the camera";
    if (["what", "camera", "microphone"].includes(event.target.name) && stream) open(); else frame();
  });
  frame();
})();
