// Lets the film page and the list of unfinished uploads send in slices (upload.js), and tells in words how far it is.
"use strict";

(() => {
  // Milliseconds between two lines read out while all goes well: often enough to know that it lives, seldom enough to practise.
  const SAY_MS = 60000;

  function sizeInWords(bytes) {
    if (bytes >= 1e9) return `${(bytes / 1e9).toFixed(1)} GB`;
    if (bytes >= 1e6) return `${Math.round(bytes / 1e6)} MB`;
    return bytes ? `${Math.max(1, Math.floor(bytes / 1000))} kB` : "nothing";
  }

  function timeInWords(seconds) {
    if (seconds === null) return "";
    if (seconds < 60) return "less than a minute left";
    const minutes = Math.round(seconds / 60);
    if (minutes < 60) return `about ${minutes} minute${minutes === 1 ? "" : "s"} left`;
    const hours = Math.round(minutes / 60);
    return `about ${hours} hour${hours === 1 ? "" : "s"} left`;
  }

  // The part of a page marked data-sending: a bar, a line of words, a line read out, what is wrong, and its buttons.
  class Panel {
    constructor(root) {
      this.root = root;
      this.bar = root.querySelector("progress");
      this.words = root.querySelector("[data-sending-words]");
      this.left = root.querySelector("[data-sending-left]");
      this.voice = root.querySelector("[data-sending-say]");
      this.wrong = root.querySelector("[data-sending-wrong]");
      this.wrongText = root.querySelector("[data-sending-wrong-text]");
      this.job = root.querySelector("[data-sending-job]");
      this.buttons = Object.fromEntries(["stop", "go-on", "give-up", "restart", "see"].map((name) => [name, root.querySelector(`[data-sending-${name}]`)]));
      this.said = { phase: "", at: 0 };
      root.addEventListener("click", (event) => this.press(event));
      this.actions = {};
    }

    press(event) {
      for (const [name, button] of Object.entries(this.buttons)) {
        if (button && button.contains(event.target) && this.actions[name]) {
          event.preventDefault();
          this.actions[name]();
        }
      }
    }

    offer(...names) {
      const hadFocus = this.root.contains(document.activeElement);
      for (const [name, button] of Object.entries(this.buttons)) if (button) button.hidden = !names.includes(name);
      if (hadFocus && !this.root.contains(document.activeElement)) (this.buttons[names[0]] || this.root).focus();
    }

    show(state) {
      this.root.hidden = false;
      const { phase, sentBytes, sizeBytes, leftS, text, waitS } = state;
      const kept = sentBytes ? `${sizeInWords(sentBytes)} ${sizeBytes ? `of ${sizeInWords(sizeBytes)} ` : ""}arrived and kept.` : "";
      const isMoving = ["begin", "sending", "waiting", "closing"].includes(phase);
      this.job.hidden = !isMoving && phase !== "stopped";
      if (sizeBytes && phase !== "begin") this.bar.value = (100 * sentBytes) / sizeBytes; else this.bar.removeAttribute("value");
      this.words.textContent = {
        begin: "Getting ready",
        sending: "Sending the clip",
        waiting: text ? `${text} ${waitS ? `Trying again in ${waitS} second${waitS === 1 ? "" : "s"}.` : ""}` : "Sending the clip",
        closing: "All of it is here. It is being put away.",
        stopped: "Stopped",
        done: "The clip is here",
      }[phase] || "";
      this.left.textContent = phase === "sending" && sizeBytes
        ? [`${sizeInWords(sentBytes)} of ${sizeInWords(sizeBytes)}`, timeInWords(leftS)].filter(Boolean).join(", ")
        : phase === "waiting" || phase === "stopped" ? kept : "";
      const isWrong = phase === "halted" || phase === "failed";
      this.wrong.hidden = !isWrong;
      if (isWrong) this.wrongText.textContent = [text, text.includes("kept") ? "" : kept].filter(Boolean).join(" ");
      this.say(phase);
      if (phase === "begin" || phase === "sending") this.offer("stop");
      if (phase === "waiting") this.offer("go-on", "stop");
      if (phase === "closing" || phase === "done") this.offer();
      if (phase === "stopped" || phase === "halted") this.offer("go-on", "give-up");
    }

    say(phase) {
      const now = Date.now();
      if (phase === this.said.phase && now - this.said.at < SAY_MS) return;
      this.said = { phase, at: now };
      this.voice.textContent = [this.words.textContent, this.left.textContent].filter(Boolean).join(". ");
    }
  }

  function bind(panel, transfer) {
    panel.actions = {
      ...panel.actions,
      stop: () => transfer.stop(),
      "go-on": () => (transfer.phase === "waiting" ? transfer.wake() : transfer.goOn()),
    };
  }

  function leaveFor(panel, { clipUrl, isTwin }) {
    if (!isTwin) { location.assign(clipUrl); return; }
    panel.wrong.hidden = false;
    panel.wrongText.textContent = "This clip is here already. It was not stored twice.";
    panel.buttons.see.href = clipUrl;
    panel.offer("see");
  }

  // --- The film page: the plain form, sent in slices where a file is chosen ---

  // A phone short of memory throws this page away while its camera is open. What was said about the clip is then still here,
  // in this window alone, until the clip is; the file itself has to be chosen again.
  const KEPT_FACTS = ["assignment", "was_first_today", "played_on"];

  function keptName(form) {
    return `keyslip:${form.dataset.upload}`;
  }

  function keepFacts(form) {
    const facts = new FormData(form);
    try {
      sessionStorage.setItem(keptName(form), JSON.stringify(KEPT_FACTS.map((name) => [name, facts.get(name)])));
    } catch { /* a browser that keeps nothing */ }
  }

  function bringBackFacts(form) {
    let kept = [];
    try {
      kept = JSON.parse(sessionStorage.getItem(keptName(form)) || "[]");
    } catch { /* a browser that keeps nothing */ }
    for (const [name, value] of kept) {
      const field = form.elements[name];
      if (!field || !value) continue;
      // Of buttons of which one is chosen: only one that is still there, and none over what is chosen already.
      if (!(field instanceof RadioNodeList)) field.value = value;
      else if (!field.value) field.value = value;
    }
  }

  function forgetFacts(form) {
    try {
      sessionStorage.removeItem(keptName(form));
    } catch { /* a browser that keeps nothing */ }
  }

  function sendForm(form) {
    const file = form.elements.clip.files[0];
    const panel = new Panel(document.querySelector("[data-sending]"));
    const facts = new FormData(form);
    const metadata = { assignment: facts.get("assignment"), was_first_today: facts.get("was_first_today"), played_on: facts.get("played_on"), token: facts.get("upload_token") };
    const bringBack = () => { form.hidden = false; };
    form.hidden = true;
    const transfer = KeyslipUpload.sendFile({
      url: form.dataset.upload, file, metadata,
      onState: (state) => {
        panel.show(state);
        if (state.phase !== "failed") return;
        // Nothing has arrived: what is written in the form can be set right. Something has: it waits on its own page.
        panel.offer(...(state.url ? ["see"] : []));
        if (!state.url) bringBack();
        panel.wrong.focus();
      },
    });
    bind(panel, transfer);
    panel.actions["give-up"] = async () => { await transfer.giveUp(); panel.root.hidden = true; bringBack(); };
    panel.buttons.stop.focus();
    transfer.promise.then((result) => { forgetFacts(form); leaveFor(panel, result); }, () => {});
  }

  document.addEventListener("change", (event) => {
    const form = event.target.closest("form[data-upload]");
    if (form) keepFacts(form);
  });

  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-upload]");
    if (!form || !form.elements.clip.files.length || event.defaultPrevented) return;
    event.preventDefault();
    sendForm(form);
  });

  // --- Unfinished uploads: the file chosen again ---

  async function goOnWith(entry, file) {
    const panel = entry.panel || (entry.panel = new Panel(entry.querySelector("[data-sending]")));
    const { url, begin } = entry.dataset;
    const chooser = entry.querySelector("[data-again]");
    chooser.hidden = true;
    const run = (transfer) => {
      bind(panel, transfer);
      panel.actions["give-up"] = async () => { await transfer.giveUp(); location.reload(); };
      transfer.promise.then((result) => leaveFor(panel, result), () => {});
    };
    const onState = (state) => {
      panel.show(state);
      if (state.phase === "failed") { chooser.hidden = false; panel.offer(); panel.wrong.focus(); }
    };
    const refuse = (text, ...offers) => {
      panel.show({ phase: "failed", sentBytes: 0, sizeBytes: null, leftS: null, text });
      chooser.hidden = false;
      panel.offer(...offers);
      panel.wrong.focus();
    };
    panel.show({ phase: "begin", sentBytes: 0, sizeBytes: null, leftS: null, text: "" });
    panel.offer();
    panel.words.textContent = "Looking whether it is the same file";
    try {
      run(await KeyslipUpload.resumeFile({ url, file, onState }));
    } catch (trouble) {
      if (trouble.kind !== "differs") {
        refuse(trouble.kind === "line" || !trouble.message ? "The computer that runs Keyslip did not answer. What arrived is kept; choose the file again in a moment." : trouble.message);
        return;
      }
      refuse(`${trouble.message} What arrived does not go on with it. Choose the right one, or send this one from the start.`, "restart");
      panel.actions.restart = async () => {
        chooser.hidden = true;
        try {
          run(await KeyslipUpload.restartFile({ url, beginUrl: begin, file, onState }));
        } catch (problem) {
          refuse(problem.message || "The computer that runs Keyslip did not answer. Choose the file again in a moment.");
        }
      };
    }
  }

  document.addEventListener("change", (event) => {
    const entry = event.target.closest("[data-unfinished]");
    if (entry && event.target.matches("input[type=file]") && event.target.files.length) goOnWith(entry, event.target.files[0]);
  });

  // Choosing a file again needs a script; the place for it is shown where there is one.
  document.addEventListener("DOMContentLoaded", () => {
    for (const form of document.querySelectorAll("form[data-upload]")) if (!form.querySelector("[aria-invalid]")) bringBackFacts(form);
    for (const part of document.querySelectorAll("[data-again]")) part.hidden = false;
  });
})();
