// Choosing a place in the notes brings the signs of that bar forward; what was touched itself is opened. Without this, the list is whole.
(() => {
  "use strict";
  const list = document.querySelector("[data-signs]");
  const notation = document.getElementById("notation");
  if (!list || !notation) return;
  const numbers = list.dataset.numbers.split(" ");
  const rows = [...list.querySelectorAll("[data-sign]")];
  const said = list.querySelector("[data-signs-bar]");
  // What a shape is -> which signs it can be; the first that stands in the bar is opened.
  const shapes = {
    "m-accid": ["sharp", "flat", "natural", "double-sharp", "double-flat"],
    "m-arpeg": ["rolled-chord"],
    "m-artic": ["staccato", "accent", "tenuto", "staccatissimo", "strong-accent", "portato"],
    "m-clef": ["treble-clef", "bass-clef", "c-clef", "clef-change"],
    "m-dots": ["dot-after-note"],
    "m-fermata": ["fermata"],
    "m-fing": ["finger-number"],
    "m-hairpin": ["crescendo", "diminuendo"],
    "m-keySig": ["key-of-sharps", "key-of-flats"],
    "m-ledgerLines": ["ledger-line"],
    "m-mRest": ["whole-bar-rest"],
    "m-meterSig": ["simple-time", "common-time", "cut-time", "compound-time", "uneven-time"],
    "m-octave": ["octave-higher", "octave-lower"],
    "m-rest": ["rest"],
    "m-slur": ["slur"],
    "m-tie": ["tie"],
    "m-tuplet": ["triplet", "other-tuplet"],
  };
  const showAll = () => {
    rows.forEach((row) => { row.hidden = false; row.open = false; });
    notation.querySelectorAll("[data-bar].here").forEach((bar) => bar.classList.remove("here"));
    said.hidden = true;
  };
  const isIn = (row, number) => row.dataset.bars.split(" ").includes(number);
  // A finger seldom meets a thin line itself: what lies within this many pixels counts as touched.
  const REACH_PX = 12;
  const isNear = (shape, x, y, reach) => {
    const box = shape.getBoundingClientRect();
    return box.left - reach <= x && x <= box.right + reach && box.top - reach <= y && y <= box.bottom + reach;
  };
  // How far off a shape lies, in pixels; a small one that is touched goes before a large one around it.
  const distance = (shape, x, y) => {
    const box = shape.getBoundingClientRect();
    const across = Math.max(box.left - x, 0, x - box.right);
    const along = Math.max(box.top - y, 0, y - box.bottom);
    return Math.hypot(across, along) + Math.sqrt(box.width * box.height) / 2;
  };
  const show = (bar, x, y) => {
    showAll();
    const number = numbers[Number(bar.dataset.bar)];
    const here = rows.filter((row) => isIn(row, number));
    rows.forEach((row) => { row.hidden = !here.includes(row); });
    notation.querySelectorAll(`[data-bar="${bar.dataset.bar}"]`).forEach((each) => each.classList.add("here"));
    said.querySelector("b").textContent = `In bar ${number}`;
    said.hidden = false;
    const touched = [...bar.querySelectorAll(Object.keys(shapes).map((name) => `.${name}`).join(","))]
      .filter((shape) => isNear(shape, x, y, REACH_PX))
      .sort((one, other) => distance(one, x, y) - distance(other, x, y));
    for (const shape of touched) {
      const keys = Object.keys(shapes).filter((name) => shape.classList.contains(name)).flatMap((name) => shapes[name]);
      const row = here.find((each) => keys.includes(each.dataset.sign));
      if (row) {
        row.open = true;
        break;
      }
    }
    list.scrollIntoView({ block: "nearest" });
  };
  list.querySelector("[data-signs-hint]").hidden = false;
  said.querySelector("button").addEventListener("click", showAll);
  notation.addEventListener("click", (event) => {
    const bars = [...notation.querySelectorAll("[data-bar]")].filter((each) => isNear(each, event.clientX, event.clientY, 0));
    const bar = event.target.closest("[data-bar]") ?? bars[0];
    if (bar) show(bar, event.clientX, event.clientY);
  });
})();
