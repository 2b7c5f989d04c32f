// What is due when, if these bars of a score are played like this: plain sums, without sound and without a page.
// All times are seconds. A plan begins at 0 with the first click that is counted in, or with the first bar.
"use strict";

(() => {
  const LEAST_PERCENT = 20;
  const MOST_PERCENT = 150;
  // A grace note may lie before the first bar, by at most this much at the written tempo; see the server's rule for their length.
  const LEAD_S = 0.5;

  // The place in a sorted list from which on `of(entry)` is `least` or more.
  function placeOf(list, least, of) {
    let low = 0;
    let high = list.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (of(list[middle]) < least) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  // Printed bars `from` to `to` (by their indices) as places in playing order: all of it for the whole score, otherwise from the first
  // time that `from` is played to the next end of `to`, through the repeats that lie between. Null where that never comes.
  function stretchOf(sound, from, to) {
    const printed = sound.bars.map((bar) => bar.index);
    const last = Math.max(...printed);
    if (from <= 0 && to >= last) return { first: 0, last: printed.length - 1 };
    const first = printed.indexOf(from);
    if (first < 0) return null;
    const end = printed.indexOf(to, first);
    return end < 0 ? null : { first, last: end };
  }

  // The plan of a stretch. `percent` of the written tempo; `countIn`: one bar is counted first, and what a pickup lacks;
  // `again`: the stretch comes round until somebody stops it.
  function planOf(sound, { first, last, percent = 100, countIn = true, again = false }) {
    const scale = 100 / Math.min(Math.max(percent, LEAST_PERCENT), MOST_PERCENT);
    const opening = sound.bars[first];
    const from = opening.at_s;
    const period = (sound.bars[last].end_s - from) * scale;
    const metre = sound.metres[opening.metre];
    const beat = opening.beat_s * scale;
    const counted = countIn ? (metre.length_beat + opening.missing_beat) * beat : 0;
    const counts = [];
    for (let bar = 0; countIn && bar < 2; bar += 1) {
      for (const [number, pulse] of metre.pulses_beat.entries()) {
        const at = bar * metre.length_beat + pulse;
        if (at < metre.length_beat + opening.missing_beat - 1e-9) counts.push({ at: at * beat, isFirst: number === 0 });
      }
    }
    const scaled = (moment) => (moment - from) * scale;
    const inside = (place) => first <= place && place <= last;
    const notes = sound.notes
      .filter((note) => inside(note.bar))
      .map((note) => ({ at: scaled(note.at_s), end: Math.min(scaled(note.end_s), period), pitch: note.pitch, hand: note.hand }));
    const heads = sound.notes
      .filter((note) => inside(note.bar))
      .flatMap((note) => note.heads.map(([id, at, until]) => ({ id, at: scaled(at), until: scaled(until), hand: note.hand })))
      .filter((head) => head.at < period - 1e-9)
      .sort((one, other) => one.at - other.at);
    const clicks = sound.clicks
      .filter(([at]) => at >= from - 1e-9 && scaled(at) < period - 1e-9)
      .map(([at, isFirst]) => ({ at: scaled(at), isFirst }));
    const bars = sound.bars.slice(first, last + 1).map((bar) => ({ at: scaled(bar.at_s), until: scaled(bar.end_s), index: bar.index }));
    const longest = heads.reduce((most, head) => Math.max(most, head.until - head.at), 0);
    // Whatever is before the first bar needs room in front of it.
    const lead = Math.max(0, ...notes.slice(0, 8).map((note) => -note.at - counted));
    return { counted: counted + lead, lead, period, again, counts, notes, heads, clicks, bars, longest };
  }

  // Yield what begins at `from` or later and before `to`: notes {kind, at, end, pitch, hand} and clicks {kind, at, isFirst, isCount}.
  // Each round of a loop is a product and not a sum, so that no round moves the next one.
  function dueBetween(plan, from, to) {
    const due = [];
    for (const count of plan.counts) {
      const at = plan.lead + count.at;
      if (from <= at && at < to) due.push({ kind: "click", at, isFirst: count.isFirst, isCount: true });
    }
    const final = plan.again ? Infinity : 0;
    const earliest = Math.max(0, Math.floor((from - plan.counted) / plan.period));
    const latest = Math.min(final, Math.floor((to - plan.counted + LEAD_S * (100 / LEAST_PERCENT)) / plan.period));
    for (let round = earliest; round <= latest; round += 1) {
      const base = plan.counted + round * plan.period;
      for (let place = placeOf(plan.notes, from, (note) => base + note.at); place < plan.notes.length; place += 1) {
        const note = plan.notes[place];
        if (base + note.at >= to) break;
        due.push({ kind: "note", at: base + note.at, end: base + note.end, pitch: note.pitch, hand: note.hand });
      }
      for (let place = placeOf(plan.clicks, from, (click) => base + click.at); place < plan.clicks.length; place += 1) {
        const click = plan.clicks[place];
        if (base + click.at >= to) break;
        due.push({ kind: "click", at: base + click.at, isFirst: click.isFirst, isCount: false });
      }
    }
    return due;
  }

  // When the plan is over; never, for one that comes round again.
  function endOf(plan) {
    return plan.again ? Infinity : plan.counted + plan.period;
  }

  // Which heads and which bar are due at a moment; none while bars are counted in, and none after the end.
  function hereAt(plan, moment) {
    const since = moment - plan.counted;
    const round = plan.again ? Math.max(0, Math.floor(since / plan.period)) : 0;
    const at = since - round * plan.period;
    if (at >= plan.period) return { heads: [], bar: null };
    const heads = [];
    for (let place = placeOf(plan.heads, at - plan.longest, (head) => head.at); place < plan.heads.length; place += 1) {
      const head = plan.heads[place];
      if (head.at > at) break;
      if (at < head.until) heads.push(head);
    }
    const place = placeOf(plan.bars, at, (bar) => bar.until + 1e-9);
    const bar = at >= 0 && place < plan.bars.length ? plan.bars[place].index : null;
    return { heads, bar };
  }

  window.KeyslipPlan = { LEAST_PERCENT, MOST_PERCENT, stretchOf, planOf, dueBetween, endOf, hereAt };
})();
