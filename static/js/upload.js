// Sends a clip in slices over the protocol tus 1.0.0 and goes on where the line broke. Pages use it through KeyslipUpload:
//
//   sendFile({url, file, metadata, onState})        begin an upload at `url` (the lesson's) and send a file
//   resumeFile({url, file, onState})                go on with the upload at `url` (its own); rejects with kind "differs"
//                                                   where the file is not the one that was being sent
//   openRecording({url, metadata, onState})         the same for bytes that are still being made:
//                                                   push(blob), then finish(); both queue until the line lets them go
//
// Each returns an object with `promise` (of {clipUrl, isTwin}), `stop()`, `goOn()` and `giveUp()`; finish() returns a promise
// of the clip's address. `onState` is called with {phase, sentBytes, sizeBytes, leftS, text, waitS, url}; phases are
// begin, sending, waiting (for the line; `waitS` seconds until the next try), closing (all is there, it is being put away),
// stopped (by stop()), halted (goOn() may help once `text` is seen to), failed (it cannot help), done.
"use strict";

(() => {
  const VERSION = "1.0.0";
  // Bytes of a slice. What breaks off in the middle of one is sent again, so slices are about SLICE_S long on the line at hand;
  // more than the most would be refused by tunnels that take 100 MB at a time, and would have to fit into the phone's memory.
  const LEAST_SLICE = 262144, FIRST_SLICE = 1048576, MOST_SLICE = 8000000, SLICE_S = 4;
  // Seconds until the next try after the line broke; the last one goes on for as long as the page is open.
  const WAITS_S = [1, 2, 4, 8, 15, 30];
  // Milliseconds without a byte more after which a line counts as dead, and to wait for an answer once all bytes are out:
  // the last one comes after the whole clip was summed up.
  const STALL_MS = 30000, ANSWER_MS = 600000;
  // Milliseconds between two tellings of how far it is, and between two questions whether the clip is put away.
  const TELL_MS = 250, ASK_MS = 1500;
  // Slices with a wrong checksum, one after the other, after which it is not chance.
  const MOST_WRONG = 5;

  class Trouble extends Error {
    // kind: line, status, file, differs, given-up
    constructor(kind, text, status = 0, isOurs = false) {
      super(text);
      Object.assign(this, { kind, text, status, isOurs });
    }
  }

  // --- Only while something is being sent: keep the screen on, and ask before the page is left ---

  const underWay = new Set();
  let lock = null;

  async function keepAwake() {
    if (!underWay.size || lock || document.visibilityState !== "visible" || !navigator.wakeLock) return;
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; });
    } catch { /* a phone that saves its battery says no */ }
  }

  function askFirst(event) {
    event.preventDefault();
    event.returnValue = "";
  }

  function noteUnderWay(transfer, isSending) {
    const before = underWay.size;
    if (isSending) underWay.add(transfer); else underWay.delete(transfer);
    if (!before && underWay.size) addEventListener("beforeunload", askFirst);
    if (before && !underWay.size) {
      removeEventListener("beforeunload", askFirst);
      if (lock) lock.release();
    }
    keepAwake();
  }

  // The line is back, or the phone is in the hand again: do not wait any longer.
  function wakeAll() {
    keepAwake();
    for (const transfer of underWay) transfer.wake();
  }
  addEventListener("online", wakeAll);
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") wakeAll(); });

  // --- One request ---

  function ask({ method, url, headers = {}, body = null, onProgress = null, signal = null }) {
    return new Promise((resolve, reject) => {
      const request = new XMLHttpRequest();
      let timer = null;
      const watch = (ms) => { clearTimeout(timer); timer = setTimeout(() => request.abort(), ms); };
      request.open(method, url);
      request.setRequestHeader("Tus-Resumable", VERSION);
      for (const [name, value] of Object.entries(headers)) request.setRequestHeader(name, value);
      request.upload.onprogress = (event) => { watch(STALL_MS); if (onProgress) onProgress(event.loaded); };
      request.upload.onload = () => watch(ANSWER_MS);
      request.onload = () => resolve(request);
      request.onerror = request.onabort = () => reject(new Trouble("line", "The line broke."));
      request.onloadend = () => clearTimeout(timer);
      if (signal) signal.addEventListener("abort", () => request.abort());
      if (signal && signal.aborted) { reject(new Trouble("line", "Stopped.")); return; }
      watch(STALL_MS);
      request.send(body);
    });
  }

  function troubleOf(request) {
    const isWords = (request.getResponseHeader("Content-Type") || "").startsWith("text/plain");
    const isOurs = request.getResponseHeader("Tus-Resumable") !== null;
    return new Trouble("status", isWords && isOurs ? request.responseText : "", request.status, isOurs);
  }

  function numberIn(request, name) {
    const text = request.getResponseHeader(name);
    return text === null ? null : Number(text);
  }

  function inBase64(bytes) {
    let text = "";
    for (const byte of new Uint8Array(bytes)) text += String.fromCharCode(byte);
    return btoa(text);
  }

  function writeMetadata(values) {
    return Object.entries(values)
      .filter(([, value]) => value !== "" && value !== null && value !== undefined)
      .map(([key, value]) => `${key} ${inBase64(new TextEncoder().encode(value))}`)
      .join(",");
  }

  function readMetadata(text) {
    return Object.fromEntries((text || "").split(",").filter(Boolean).map((pair) => {
      const [key, encoded = ""] = pair.trim().split(" ");
      return [key, new TextDecoder().decode(Uint8Array.from(atob(encoded), (letter) => letter.charCodeAt(0)))];
    }));
  }

  // Plain http has no crypto.subtle; the protocol does without a checksum then.
  async function checksumOf(bytes) {
    return window.crypto && crypto.subtle ? `sha256 ${inBase64(await crypto.subtle.digest("SHA-256", bytes))}` : null;
  }

  // A fresh name for one sending (crypto.randomUUID is missing on plain http): asking twice to begin begins once.
  function freshToken() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 15) | 64;
    bytes[8] = (bytes[8] & 63) | 128;
    const text = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
    return [text.slice(0, 8), text.slice(8, 12), text.slice(12, 16), text.slice(16, 20), text.slice(20)].join("-");
  }

  // --- Where bytes come from ---

  // Read into memory before it is sent, so that a file that can no longer be read is told from a line that broke.
  async function readBytes(blob) {
    try {
      return await blob.arrayBuffer();
    } catch {
      throw new Trouble("file", "This page can no longer read the file: it was changed, or it lies in a cloud and not on the phone. Save it to the phone itself, then choose it again. What arrived is kept.");
    }
  }

  class FileSource {
    constructor(file) {
      this.file = file;
      this.sizeBytes = file.size;
    }

    async take(offset, most) {
      if (offset >= this.file.size) return null;
      return { bytes: await readBytes(this.file.slice(offset, Math.min(offset + most, this.file.size))) };
    }

    acknowledge() {}
  }

  // Blobs wait here until the other side has them.
  class RecordingSource {
    constructor() {
      this.blobs = [];
      this.start = this.end = 0;
      this.sizeBytes = null;
      this.bell = null;
    }

    push(blob) {
      if (this.sizeBytes !== null || !blob.size) return;
      this.blobs.push(blob);
      this.end += blob.size;
      this.ring();
    }

    close() {
      if (this.sizeBytes === null) this.sizeBytes = this.end;
      this.ring();
    }

    ring() {
      if (this.bell) this.bell();
      this.bell = null;
    }

    async take(offset, most) {
      while (offset >= this.end && this.sizeBytes === null) await new Promise((resolve) => { this.bell = resolve; });
      if (offset < this.start) throw new Trouble("gone", "The computer lost a part that had arrived, so the recording cannot go on.");
      const from = offset - this.start, wanted = Math.min(most, this.end - offset);
      const bytes = wanted ? await readBytes(new Blob(this.blobs).slice(from, from + wanted)) : new ArrayBuffer(0);
      // The length is told with the last bytes, and with none where the last had gone before anybody knew.
      return this.sizeBytes !== null && offset + wanted === this.end ? { bytes, wholeBytes: this.end } : { bytes };
    }

    acknowledge(offset) {
      while (this.blobs.length && this.start + this.blobs[0].size <= offset) this.start += this.blobs.shift().size;
    }
  }

  // --- One sending ---

  class Transfer {
    constructor({ source, beginUrl = null, url = null, metadata = {}, onState = () => {} }) {
      Object.assign(this, { source, beginUrl, url, onState, metadata: { ...metadata }, isRecording: source.sizeBytes === null });
      this.metadata.token = this.metadata.token || freshToken();
      this.offset = 0;
      this.isKnown = false; // how much has arrived
      this.sliceBytes = FIRST_SLICE;
      this.failures = this.wrong = 0;
      this.sentBytes = 0;
      this.pace = null; // bytes a second, of the last slices
      this.alarm = null;
      this.phase = "begin";
      this.isOver = false;
      this.promise = new Promise((resolve, reject) => { this.resolve = resolve; this.reject = reject; });
      this.promise.catch(() => {}); // whoever does not wait for it is told by onState
      Promise.resolve().then(() => this.run()); // whoever made it knows it before it tells anything
    }

    tell(phase, more = {}) {
      this.phase = phase;
      // A recording that is halted is nowhere but in this page: the screen must stay on, and leaving would lose it.
      noteUnderWay(this, ["begin", "sending", "waiting", "closing"].includes(phase) || (this.isRecording && phase === "halted"));
      const size = this.source.sizeBytes;
      const leftS = this.pace && size !== null ? Math.max(0, size - this.sentBytes) / this.pace : null;
      this.onState({ phase, sentBytes: this.sentBytes, sizeBytes: size, leftS, url: this.url, text: "", ...more });
    }

    async run() {
      this.tell(this.url ? "waiting" : "begin", { waitS: 0 });
      while (!this.isOver) {
        this.control = new AbortController();
        try {
          if (!this.url) await this.begin();
          else if (!this.isKnown) await this.askHowFar();
          else await this.sendOne();
        } catch (trouble) {
          if (this.isOver) return;
          await this.face(trouble);
        }
      }
    }

    async begin() {
      const size = this.source.sizeBytes;
      const length = this.isRecording ? { "Upload-Defer-Length": "1" } : { "Upload-Length": String(size) };
      const headers = { ...length, "Upload-Metadata": writeMetadata(this.metadata) };
      const request = await ask({ method: "POST", url: this.beginUrl, headers, signal: this.control.signal });
      const place = request.getResponseHeader("Location");
      if (request.status !== 201 || !place) throw troubleOf(request);
      this.url = new URL(place, location.href).pathname;
      this.failures = 0;
    }

    async askHowFar() {
      const request = await ask({ method: "HEAD", url: this.url, signal: this.control.signal });
      if (request.status !== 200) throw troubleOf(request);
      const offset = numberIn(request, "Upload-Offset");
      if (offset === null) throw new Trouble("line", "Somebody else answered."); // a café's sign-in page
      if (this.isDone(request)) return;
      this.moveTo(offset);
      this.isKnown = true;
      this.tell("sending");
    }

    async sendOne() {
      const piece = await this.source.take(this.offset, this.sliceBytes);
      if (!piece) return this.awaitClip();
      const headers = { "Upload-Offset": String(this.offset), "Content-Type": "application/offset+octet-stream" };
      if (piece.wholeBytes) headers["Upload-Length"] = String(piece.wholeBytes);
      const checksum = piece.bytes.byteLength ? await checksumOf(piece.bytes) : null;
      if (checksum) headers["Upload-Checksum"] = checksum;
      const began = performance.now();
      let told = 0;
      this.tell("sending");
      const request = await ask({
        method: "PATCH", url: this.url, headers, body: piece.bytes, signal: this.control.signal,
        onProgress: (loaded) => {
          if (performance.now() - told < TELL_MS) return;
          told = performance.now();
          this.sentBytes = this.offset + loaded;
          this.tell(this.sentBytes === this.source.sizeBytes ? "closing" : "sending");
        },
      });
      if (request.status !== 204) throw troubleOf(request);
      const offset = numberIn(request, "Upload-Offset");
      if (offset === null) throw new Trouble("line", "Somebody else answered.");
      this.failures = this.wrong = 0;
      this.learn(piece.bytes.byteLength, (performance.now() - began) / 1000);
      this.moveTo(offset);
      if (!this.isDone(request)) this.tell("sending");
    }

    learn(bytes, seconds) {
      if (!bytes) return;
      const pace = bytes / Math.max(seconds, 0.001);
      this.pace = this.pace === null ? pace : 0.7 * this.pace + 0.3 * pace;
      this.sliceBytes = Math.round(Math.min(MOST_SLICE, Math.max(LEAST_SLICE, Math.min(2 * this.sliceBytes, pace * SLICE_S))));
    }

    moveTo(offset) {
      this.offset = this.sentBytes = offset;
      this.source.acknowledge(offset);
    }

    async awaitClip() {
      this.tell("closing");
      await this.pause(ASK_MS / 1000);
      this.isKnown = false;
    }

    isDone(request) {
      const clipUrl = request.getResponseHeader("Keyslip-Clip");
      if (!clipUrl) return false;
      this.isOver = true;
      const result = { clipUrl, isTwin: request.getResponseHeader("Keyslip-Twin") === "1" };
      this.sentBytes = this.offset;
      this.tell("done", result);
      this.resolve(result);
      return true;
    }

    async face(trouble) {
      this.isKnown = false;
      if (this.isStopped) return this.halt("stopped");
      if (trouble.kind === "line") {
        this.sliceBytes = Math.max(LEAST_SLICE, Math.round(this.sliceBytes / 2));
        return this.waitAndRetry("No connection.");
      }
      if (trouble.kind === "status") return this.faceStatus(trouble);
      if (trouble.kind === "file" || trouble.kind === "gone") return this.fail(trouble);
      throw trouble;
    }

    async faceStatus(trouble) {
      const { status, text } = trouble;
      if (status === 409 && this.failures++ < 3) return undefined; // ask how far it is, and go on from there
      if (status === 460 && ++this.wrong < MOST_WRONG) return undefined;
      if (status === 460) return this.halt("halted", "What arrives is not what is sent, again and again. Try another network, then go on.");
      if (status === 423) return this.waitAndRetry("An earlier connection is still open.");
      if (status === 401) return this.halt("halted", text || "You have been signed out. Sign in again in another window, then go on here.");
      if (status === 403) return this.halt("halted", text || "The computer that runs Keyslip did not let this through. Load the page anew, then go on.");
      if (status === 507) return this.halt("halted", text || "There is no room left on the computer that runs Keyslip.");
      if (status === 413 && !trouble.isOurs) {
        if (this.sliceBytes > LEAST_SLICE) { this.sliceBytes = LEAST_SLICE; return undefined; }
        return this.halt("halted", "The server in front of Keyslip refuses pieces of this size. Whoever set it up can allow more.");
      }
      if (status === 408 || status === 409 || status === 429 || status >= 500) return this.waitAndRetry("The computer that runs Keyslip did not answer as it should.");
      return this.fail(new Trouble("status", text || "This cannot go on.", status));
    }

    fail(trouble) {
      this.isOver = true;
      this.tell("failed", { text: trouble.message, status: trouble.status, kind: trouble.kind });
      this.reject(trouble);
    }

    async halt(phase, text = "") {
      this.tell(phase, { text });
      await new Promise((resolve) => { this.alarm = resolve; });
      this.isStopped = false;
      this.failures = this.wrong = 0;
      if (!this.isOver) this.tell("waiting", { waitS: 0 });
    }

    async waitAndRetry(text) {
      const waitS = WAITS_S[Math.min(this.failures++, WAITS_S.length - 1)];
      this.tell("waiting", { text, waitS });
      await this.pause(waitS);
      if (this.isStopped && !this.isOver) await this.halt("stopped");
    }

    // Wait for some seconds, or until wake().
    pause(seconds) {
      return new Promise((resolve) => {
        const timer = setTimeout(resolve, seconds * 1000);
        this.alarm = () => { clearTimeout(timer); resolve(); };
      });
    }

    wake() {
      if (this.alarm && this.phase === "waiting") this.alarm();
    }

    stop() {
      if (this.isOver || this.isStopped) return;
      this.isStopped = true;
      this.control.abort();
      this.wake();
    }

    goOn() {
      if (this.alarm) this.alarm();
    }

    async giveUp() {
      if (this.phase === "done") return;
      this.isOver = true;
      this.control.abort();
      if (this.alarm) this.alarm();
      noteUnderWay(this, false);
      this.reject(new Trouble("given-up", "Given up."));
      if (this.url) await endUpload(this.url);
    }
  }

  // The other side may not have noticed yet that nobody sends any more.
  async function endUpload(url) {
    for (const waitS of WAITS_S) {
      try {
        const request = await ask({ method: "DELETE", url });
        if (request.status !== 423 && request.status < 500) return request.status;
      } catch { /* what is left is thrown away after some days anyway */ }
      await new Promise((resolve) => setTimeout(resolve, waitS * 1000));
    }
    return 0;
  }

  // --- What pages call ---

  function sendFile({ url, file, metadata = {}, onState }) {
    const named = { filename: file.name, filetype: file.type, ...metadata };
    return new Transfer({ source: new FileSource(file), beginUrl: url, metadata: named, onState });
  }

  // Resolves with a transfer under way; rejects where the file is another one, or nobody could tell.
  async function resumeFile({ url, file, onState }) {
    const asked = await ask({ method: "GET", url: `${url}compare/` });
    if (asked.status !== 200) throw troubleOf(asked);
    const { arrived_bytes: arrived, size_bytes: size, windows } = JSON.parse(asked.responseText);
    const differs = new Trouble("differs", "This is not the file that was being sent, or the phone has packed it anew.");
    if (file.size !== size) throw differs;
    if (arrived) {
      const body = await readBytes(new Blob(windows.map(([start, end]) => file.slice(start, end))));
      const headers = { "Upload-Offset": String(arrived), "Content-Type": "application/octet-stream" };
      const answered = await ask({ method: "POST", url: `${url}compare/`, headers, body });
      if (answered.status !== 200) throw troubleOf(answered);
      if (!JSON.parse(answered.responseText).is_same) throw differs;
    }
    return new Transfer({ source: new FileSource(file), url, onState });
  }

  // Sends a file from its start in place of an upload that it does not go on with, with what was said about that one.
  async function restartFile({ url, beginUrl, file, onState }) {
    const asked = await ask({ method: "HEAD", url });
    if (asked.status !== 200) throw troubleOf(asked);
    const { filename: _, ...said } = readMetadata(asked.getResponseHeader("Upload-Metadata"));
    await endUpload(url);
    return sendFile({ url: beginUrl, file, metadata: said, onState });
  }

  function openRecording({ url, metadata = {}, onState }) {
    const source = new RecordingSource();
    const transfer = new Transfer({ source, beginUrl: url, metadata, onState });
    return {
      push: (blob) => source.push(blob),
      finish: () => {
        source.close();
        return transfer.promise.then((result) => result.clipUrl);
      },
      stop: () => transfer.stop(),
      goOn: () => transfer.goOn(),
      giveUp: () => transfer.giveUp(),
      promise: transfer.promise,
      get waitingBytes() { return source.end - transfer.offset; },
    };
  }

  window.KeyslipUpload = { sendFile, resumeFile, restartFile, openRecording };
})();
