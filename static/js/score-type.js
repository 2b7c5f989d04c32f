// Typing notes: a barline is put in when a bar is full, what was typed survives a closed page, and places of faults lead there.
// Checking and notes come from the server (the form's own hx-post); without this script the button "Check it" does the same.
(() => {
  "use strict";
  const form = document.querySelector("[data-typing]");
  if (!form) return;
  const field = (name) => form.elements.namedItem(name);
  const boxes = { right: field("right_text"), left: field("left_text") };
  const handOf = (box) => Object.keys(boxes).find((hand) => boxes[hand] === box);
  // As the server has it: more is refused there, and never sent from here.
  const MOST_CHARACTERS = 20000;

  // Where was typed ---------------------------------------------------------------------------------------------------

  function placeOf(box) {
    const before = box.value.slice(0, box.selectionStart).split("\n");
    return `${handOf(box)} ${before.length} ${before[before.length - 1].length + 1}`;
  }

  function goTo(place) {
    const [hand, line, column] = place.split(" ");
    const box = boxes[hand];
    const before = box.value.split("\n").slice(0, Number(line) - 1);
    const start = before.reduce((sum, each) => sum + each.length + 1, 0) + Math.max(Number(column) - 1, 0);
    box.focus();
    box.setSelectionRange(start, Math.min(start + 1, box.value.length));
    box.scrollIntoView({ block: "nearest" });
  }

  document.addEventListener("click", (event) => {
    const link = event.target.closest("[data-place]");
    if (!link) return;
    event.preventDefault();
    goTo(link.dataset.place);
  });

  // Barlines ----------------------------------------------------------------------------------------------------------

  // Lengths are in quarters. What cannot be told for sure gives null, and then nothing is put in.
  const SLACK = 1e-6;
  const STARTS = /^[A-Ga-gxzXZ^_=[({!"]$/;

  function fraction(text) {
    const found = /^\s*(\d+)\s*\/\s*(\d+)\s*$/.exec(text);
    return found && Number(found[2]) ? Number(found[1]) / Number(found[2]) : null;
  }

  function said(text, letter) {
    const found = [...text.matchAll(new RegExp(`(?:^|\\[)${letter}:([^\\]\\n]*)`, "gm"))];
    return found.length ? found[found.length - 1][1].trim() : null;
  }

  function quarters(text) {
    if (/^X:/m.test(text)) return null; // a whole tune has its barlines
    const metre = said(text, "M") ?? field("metre").value;
    const beats = { C: 1, "C|": 1 }[metre] ?? fraction(metre);
    const unit = fraction(said(text, "L") ?? field("unit").value);
    return beats && unit ? { bar: 4 * beats, unit: 4 * unit } : null;
  }

  // The bar that is being typed, without what has no length.
  function lastBar(text) {
    const plain = text
      .replace(/%.*$/gm, "")
      .replace(/^[A-Za-z+]:(?![|:]).*$/gm, "")
      .replace(/\[[A-Za-z]:[^\]\n]*\]/g, "")
      .replace(/![^!\s|]*!/g, "")
      .replace(/"[^"\n]*"/g, "")
      .replace(/\{[^{}\n]*\}/g, "");
    return plain
      .slice(Math.max(plain.lastIndexOf("|"), plain.lastIndexOf("::")) + 1)
      .replace(/^[:\]]*(\[?\d[\d,-]*)?/, "");
  }

  function times(upper, strokes, lower) {
    const below = lower ? Number(lower) : 2 ** strokes.length;
    return (upper ? Number(upper) : 1) / below;
  }

  const LENGTH = "(\\d{0,4})(\\/*)(\\d{0,4})";
  const NOTE = new RegExp(`^(?:(?:\\^\\^?|__?|=)?[A-Ga-g][',]*|[zx])${LENGTH}`);
  const CHORD = new RegExp(`^\\[([^\\]|]*)\\]${LENGTH}`);
  const GROUP = /^\(([2-9])(?::([1-9]?)(?::([1-9]\d?)?)?)?/;
  const IN_TIME_OF = { 2: 3, 3: 2, 4: 3, 6: 2, 8: 3 };

  // Return how many letters' lengths stand in a bar, or null where something is still open or not known here.
  function filled(bar) {
    let rest = bar;
    let sum = 0;
    let last = 0;
    let broken = 0; // what the next note is multiplied by, while > or < waits for it
    let group = { factor: 1, left: 0 };
    while (rest) {
      let found;
      if ((found = /^(?:[\s`$.~HLMOPSTuv)-]|\.\()/.exec(rest))) {
        rest = rest.slice(found[0].length);
        continue;
      }
      if ((found = GROUP.exec(rest))) {
        const actual = Number(found[1]);
        const normal = Number(found[2] || IN_TIME_OF[actual] || 0);
        if (!normal || group.left) return null;
        group = { factor: normal / actual, left: Number(found[3] || actual) };
      } else if (rest[0] === "(") {
        found = ["("];
      } else if ((found = /^(>{1,3}|<{1,3})/.exec(rest))) {
        if (!last || broken) return null;
        const small = 1 / 2 ** found[0].length;
        const mine = found[0][0] === ">" ? 2 - small : small;
        sum += last * (mine - 1);
        broken = 2 - mine;
      } else {
        let length;
        if ((found = CHORD.exec(rest))) {
          const inner = NOTE.exec(found[1].replace(/^[\s.~HLMOPSTuv]*/, ""));
          if (!inner) return null;
          length = times(inner[1], inner[2], inner[3]) * times(found[2], found[3], found[4]);
        } else if ((found = NOTE.exec(rest))) {
          length = times(found[1], found[2], found[3]);
        } else {
          return null;
        }
        if (group.left) {
          length *= group.factor;
          group.left -= 1;
        }
        length *= broken || 1;
        broken = 0;
        last = length;
        sum += length;
      }
      rest = rest.slice(found[0].length);
    }
    return broken || group.left ? null : sum;
  }

  function isFull(text) {
    const asked = quarters(text);
    const bar = lastBar(text);
    if (asked && /^\s*[ZX]\d{0,4}\s*$/.test(bar)) return true; // a rest of whole bars
    const sum = asked && filled(bar);
    return Boolean(sum) && Math.abs(sum * asked.unit - asked.bar) < SLACK;
  }

  const barlines = document.querySelector("[data-barlines]");
  const wantsBarlines = barlines.querySelector("input");
  barlines.hidden = false;
  let isPutting = false;
  for (const box of Object.values(boxes)) {
    box.addEventListener("beforeinput", (event) => {
      if (isPutting || !wantsBarlines.checked || event.isComposing || event.inputType !== "insertText") return;
      const before = box.value.slice(0, box.selectionStart);
      if (!STARTS.test(event.data ?? "") || box.value.slice(box.selectionStart).trim() || !isFull(before)) return;
      event.preventDefault();
      isPutting = true;
      const text = `${/\s$/.test(before) ? "" : " "}| ${event.data}`;
      // The old command keeps what can be undone; where a browser has it no more, the text is set.
      if (!document.execCommand("insertText", false, text)) {
        box.setRangeText(text, box.selectionStart, box.selectionEnd, "end");
        box.dispatchEvent(new Event("input", { bubbles: true }));
      }
      isPutting = false;
    });
  }

  // What is too long stays here ---------------------------------------------------------------------------------------

  const tooLong = form.querySelector("[data-too-long]");
  function isTooLong() {
    tooLong.hidden = !Object.values(boxes).some((box) => box.value.length > MOST_CHARACTERS);
    return !tooLong.hidden;
  }

  form.addEventListener("htmx:configRequest", (event) => {
    // Only the form's own checking; links of the help ask for themselves.
    if (event.target === form && isTooLong()) event.preventDefault();
  });
  form.addEventListener("submit", (event) => {
    if (isTooLong()) {
      event.preventDefault();
      tooLong.scrollIntoView({ block: "nearest" });
    }
  });

  // Drafts ------------------------------------------------------------------------------------------------------------

  const NAMES = ["title", "key", "metre", "unit", "bpm", "right_text", "left_text", "token"];
  const name = form.dataset.draft;
  const store = {
    read() {
      try {
        return JSON.parse(localStorage.getItem(name) || "null");
      } catch {
        return null;
      }
    },
    write() {
      try {
        localStorage.setItem(name, JSON.stringify(Object.fromEntries(NAMES.map((each) => [each, field(each).value]))));
      } catch {
        // No room, or no storage: the page itself still holds it.
      }
    },
    drop() {
      try {
        localStorage.removeItem(name);
      } catch {
        // There is none, then.
      }
    },
  };

  form.addEventListener("input", (event) => {
    if (event.target === wantsBarlines) return;
    if (handOf(event.target)) field("at").value = placeOf(event.target);
    isTooLong();
    if (name) store.write();
  });

  const putBack = form.querySelector("[data-put-back]");
  const draft = name ? store.read() : null;
  const isFresh = "fresh" in form.dataset;
  if (!isFresh && name) store.write();
  if (isFresh && draft) {
    const isKept = form.dataset.kept.split(" ").includes(draft.token);
    const differs = NAMES.some((each) => each !== "token" && (draft[each] ?? "") !== field(each).value);
    if (isKept || !differs) {
      store.drop();
    } else {
      for (const each of NAMES) if (draft[each] !== undefined) field(each).value = draft[each];
      putBack.hidden = false;
      // The checking listens from then on.
      addEventListener("load", () => boxes.right.dispatchEvent(new Event("input", { bubbles: true })));
    }
  }
  putBack.querySelector("button").addEventListener("click", () => {
    form.reset();
    putBack.hidden = true;
    boxes.right.dispatchEvent(new Event("input", { bubbles: true }));
    store.drop();
  });
})();
