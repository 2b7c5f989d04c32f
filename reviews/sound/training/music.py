"""Invented piano music: random performances as note tables. No piece of anybody is used.

A table is float32, shape (n, 5), sorted by onset; its columns are

0. onset, seconds from the beginning of the clip (negative: the note rings already),
1. seconds the key is held,
2. seconds until the damper falls (longer with the pedal, shorter when the key is struck again),
3. pitch, MIDI 21–108,
4. velocity, MIDI 12–122.

All chance comes from the generator passed in.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Table = NDArray[np.float32]
Chance = np.random.Generator
Written = list[tuple[float, float, int, int]]  # beat, beats, pitch, hand (0 right, 1 left)
Scale = NDArray[np.int64]

MODES = [
    np.array([0, 2, 4, 5, 7, 9, 11]),
    np.array([0, 2, 3, 5, 7, 8, 10]),
    np.array([0, 2, 3, 5, 7, 8, 11]),
    np.array([0, 2, 3, 5, 7, 9, 10]),
    np.array([0, 2, 4, 7, 9]),
]
CHORDS = [(0, 2, 4), (0, 2, 4), (0, 2, 4, 6), (0, 3, 5), (0, 4), (0, 2), (0, 5), (-1, 1, 3)]
BEATS = 36.0  # beats of music invented, of which a clip shows a few seconds
SAME_STRIKE_S = 0.045  # s below which two strikes of one key are one
DENSEST_S = 0.07  # s between events below which nothing a learner plays goes


def degree(scale: Scale, tonic: int, d: int) -> int:
    """Pitch of scale degree `d`; 0 is the tonic, and degrees may be negative."""
    return int(tonic + 12 * (d // len(scale)) + scale[d % len(scale)])


# --- material ---------------------------------------------------------------------------------------------------------
def five_finger(r: Chance, scale: Scale, tonic: int) -> Written:
    """Patterns under one hand, alone or doubled by the other."""
    step = float(r.choice([0.25, 0.5, 0.5, 1.0]))
    shapes = (
        [0, 1, 2, 3, 4, 3, 2, 1],
        [0, 2, 1, 3, 2, 4, 3, 1],
        [0, 2, 4, 2],
        [0, 4, 1, 3, 2],
        [4, 3, 2, 1, 0, 1, 2, 3],
    )
    shape = list(shapes[r.integers(len(shapes))]) if r.random() < 0.7 else list(r.integers(0, 5, r.integers(4, 9)))
    hands, gap = r.choice([1, 2, 3], p=[0.5, 0.15, 0.35]), int(r.choice([12, 12, 24, 15]))
    notes: Written = []
    for i in range(int(BEATS / step)):
        pitch = degree(scale, tonic, shape[i % len(shape)])
        if hands & 1:
            notes.append((i * step, step, pitch, 0))
        if hands & 2:
            notes.append((i * step, step, pitch - gap, 1))
    return notes


def scales(r: Chance, scale: Scale, tonic: int) -> Written:
    """Up and down over one to three octaves; hands an octave, two octaves, a tenth, a sixth apart, or in contrary motion."""
    step, span = float(r.choice([0.25, 0.25, 1 / 3, 0.5])), len(scale) * int(r.integers(1, 4))
    up = list(range(span + 1))
    line = up + up[-2:0:-1]
    both, chromatic = r.random() < 0.7, r.random() < 0.12
    kind = r.choice(["octave", "octave", "octave", "two", "tenth", "sixth", "contrary"])
    notes: Written = []
    for i in range(int(BEATS / step)):
        d = line[i % len(line)]
        pitch = tonic + d if chromatic else degree(scale, tonic, d)
        notes.append((i * step, step, pitch, 0))
        if both:
            other = {
                "octave": pitch - 12,
                "two": pitch - 24,
                "tenth": degree(scale, tonic, d - 2) - 12,
                "sixth": degree(scale, tonic, d - 5),
                "contrary": degree(scale, tonic - 12, -d),
            }[str(kind)]
            notes.append((i * step, step, other, 1))
    return notes


def arpeggio(r: Chance, scale: Scale, tonic: int) -> Written:
    """Broken chords over one to three octaves."""
    step = float(r.choice([0.25, 1 / 3, 0.5]))
    root, chord = int(r.integers(0, 6)), [0, 2, 4] if r.random() < 0.7 else [0, 2, 4, 6]
    octaves = int(r.integers(1, 4))
    steps = [root + c + len(scale) * o for o in range(octaves) for c in chord] + [root + len(scale) * octaves]
    line, both = steps + steps[-2:0:-1], r.random() < 0.35
    notes: Written = []
    for i in range(int(BEATS / step)):
        pitch = degree(scale, tonic - 12, line[i % len(line)])
        notes.append((i * step, step, pitch, 0))
        if both:
            notes.append((i * step, step, pitch - 12, 1))
    return notes


def melody(r: Chance, scale: Scale, tonic: int, hand: int = 0) -> Written:
    """A tune of mixed values, now and then doubled at the octave, third or sixth."""
    values: list[list[float]] = [
        [1, 1, 0.5, 0.5, 2],
        [0.5, 0.5, 1, 0.25, 0.25, 1.5],
        [0.25, 0.25, 0.25, 0.25, 0.5, 1],
        [1, 2, 1, 3],
    ]
    chosen = values[r.integers(4)]
    at, d, notes = 0.0, int(r.integers(-2, 7)), []
    doubled = str(r.choice(["", "", "", "octave", "third", "sixth"]))
    while at < BEATS:
        value = float(r.choice(chosen))
        if r.random() >= 0.08:
            pitch = degree(scale, tonic, d)
            notes.append((at, value, pitch, hand))
            second = {"octave": pitch - 12, "third": degree(scale, tonic, d - 2), "sixth": degree(scale, tonic, d - 5)}
            if doubled:
                notes.append((at, value, second[doubled], hand))
            d = int(np.clip(d + r.choice([-3, -2, -1, -1, 0, 1, 1, 2, 4]), -5, 12))
        at += value
    return notes


def _bar_of_accompaniment(r: Chance, style: str, pitches: list[int], bar: int) -> Written:
    """One bar in one style, from beat 0."""
    n = len(pitches)
    if style == "block":
        value = float(r.choice([bar, bar, 1, bar / 2]))
        return [(k, value, p, 1) for k in np.arange(0, bar, value) for p in pitches]
    if style == "rocking":
        step, order = float(r.choice([0.25, 0.5])), [0, n - 1, min(1, n - 1), n - 1]
        return [(i * step, step, pitches[order[i % 4]], 1) for i in range(int(bar / step))]
    if style == "waltz":
        bass = pitches[0] - 12 if r.random() < 0.6 else pitches[0]
        return [(0, 1, bass, 1), *((k, 1, p, 1) for k in range(1, bar) for p in pitches[min(1, n - 1) :])]
    if style == "octaves":
        return [(0, bar, pitches[0], 1), (0, bar, pitches[0] - 12, 1)]
    if style == "broken octaves":
        return [(i / 2, 0.5, pitches[0] - 12 * (i % 2), 1) for i in range(bar * 2)]
    if style == "broken":
        return [(i / 2, 0.5, pitches[i % n], 1) for i in range(bar * 2)]
    if style == "walking":
        return [(i, 1, pitches[0] + int(r.integers(-3, 5)), 1) for i in range(bar)]
    return [(0, bar, pitches[0], 1), (0, bar, pitches[0] + 7, 1)]


def accompaniment(r: Chance, scale: Scale, tonic: int) -> Written:
    """A left hand in one of eight styles."""
    styles = ["block", "block", "rocking", "waltz", "octaves", "broken octaves", "broken", "walking", "fifth"]
    style, bar = str(r.choice(styles)), int(r.choice([2, 3, 4]))
    base = tonic - int(r.choice([12, 12, 24]))
    notes: Written = []
    for at in np.arange(0, BEATS, bar):
        root, chord = int(r.choice([0, 0, 3, 4, 5, 1, -3])), CHORDS[r.integers(len(CHORDS))]
        pitches = [degree(scale, base, root + c) for c in chord]
        notes += [(at + beat, beats, p, hand) for beat, beats, p, hand in _bar_of_accompaniment(r, style, pitches, bar)]
    return notes


def repeated(r: Chance, scale: Scale, tonic: int) -> Written:
    """One key or one chord struck over and over, changing now and then."""
    step, change = float(r.choice([0.25, 0.25, 0.25, 0.5, 1 / 3])), int(r.choice([4, 8, 32]))
    extra = [[], [], [], [2], [7], [2, 4]][r.integers(6)]
    d, notes = int(r.integers(-4, 9)), []
    for i in range(int(BEATS / step)):
        notes += [(i * step, step, degree(scale, tonic, d + e), 0) for e in [0, *extra]]
        if (i + 1) % change == 0:
            d = int(r.integers(-4, 9))
    return notes


def chords(r: Chance, scale: Scale, tonic: int) -> Written:
    """Both hands together in block chords or octaves."""
    step, notes = float(r.choice([0.5, 1, 1, 2])), []
    for i in range(int(BEATS / step)):
        root = int(r.integers(-3, 6))
        right = [degree(scale, tonic, root + c) for c in CHORDS[r.integers(len(CHORDS))]]
        left = [degree(scale, tonic - 12, root), degree(scale, tonic - 24, root)][: int(r.integers(0, 3))]
        if r.random() < 0.3:
            right = [right[0], right[0] + 12]
        notes += [(i * step, step, p, 0) for p in right] + [(i * step, step, p, 1) for p in left]
    return notes


def sometimes_octaves(r: Chance, scale: Scale, tonic: int) -> Written:
    """A line of which each note may or may not have its octave, or two, above or below: only the sound can tell."""
    step, share, d, notes = float(r.choice([0.5, 0.5, 1])), r.uniform(0.15, 0.7), int(r.integers(-4, 8)), []
    thirds = r.random() < 0.3
    for i in range(int(BEATS / step)):
        pitch = degree(scale, tonic, d)
        notes.append((i * step, step, pitch, 0))
        if r.random() < share:
            notes.append((i * step, step, pitch + int(r.choice([-24, -12, -12, 12, 12, 12, 24])), 1))
        if thirds:
            notes.append((i * step, step, degree(scale, tonic, d + 2), 0))
        d = int(np.clip(d + r.choice([-4, -2, -1, 0, 1, 2, 4]), -7, 10))
    return notes


def random_notes(r: Chance, _scale: Scale, _tonic: int) -> Written:
    """Unmusical: independent times, pitches and durations, for what nobody composed."""
    centre, width = r.uniform(45, 75), r.uniform(4, 18)
    notes: Written = []
    for beat in np.sort(r.uniform(0, BEATS, int(BEATS * r.uniform(0.7, 4)))):
        for _ in range(int(r.choice([1, 1, 1, 2, 3]))):
            pitch = int(np.clip(round(r.normal(centre, width)), 21, 108))
            notes.append((float(beat), float(r.exponential(0.8) + 0.1), pitch, int(pitch < 60)))
    return notes


def trill(r: Chance, scale: Scale, tonic: int) -> Written:
    """Two keys in alternation, alone or over an accompaniment."""
    step, d = 0.125, int(r.integers(0, 8))
    notes: Written = [(i * step, step, degree(scale, tonic, d + (i % 2)), 0) for i in range(int(BEATS / step))]
    return notes + (accompaniment(r, scale, tonic) if r.random() < 0.5 else [])


def duet(r: Chance, scale: Scale, tonic: int) -> Written:
    """A tune over an accompaniment."""
    return melody(r, scale, tonic) + accompaniment(r, scale, tonic)


def two_voices(r: Chance, scale: Scale, tonic: int) -> Written:
    """Two tunes at once."""
    return melody(r, scale, tonic) + melody(r, scale, tonic - int(r.choice([12, 19, 24])), 1)


MATERIAL: list[tuple[Callable[[Chance, Scale, int], Written], float]] = [
    (five_finger, 0.12),
    (scales, 0.15),
    (arpeggio, 0.07),
    (duet, 0.20),
    (two_voices, 0.07),
    (melody, 0.05),
    (repeated, 0.13),
    (chords, 0.06),
    (sometimes_octaves, 0.09),
    (random_notes, 0.04),
    (trill, 0.02),
]


# --- performance ------------------------------------------------------------------------------------------------------
def perform(r: Chance, notes: Written) -> Table:
    """Tempo, unsteadiness, lag between the hands, spread chords, loudness, wrong and missed notes, slips, articulation."""
    beat, beats = np.array([n[0] for n in notes], float), np.array([n[1] for n in notes], float)
    pitch, hand = np.array([n[2] for n in notes]), np.array([n[3] for n in notes])
    n = len(notes)
    beat_s = 60 / float(np.exp(r.uniform(np.log(42), np.log(168))))
    gaps = np.diff(np.unique(beat))
    if len(gaps) and np.median(gaps) * beat_s < DENSEST_S:
        beat_s = DENSEST_S / float(np.median(gaps))
    grid = np.arange(0, beat.max() + beats.max() + 2, 0.25)
    local = beat_s * np.exp(np.cumsum(r.normal(0, r.choice([0, 0.005, 0.02]), len(grid))))
    pauses = (r.random(len(grid)) < r.choice([0, 0, 0.02])) * r.uniform(0.1, 1.2, len(grid))
    at = np.interp(beat, grid, np.concatenate([[0], np.cumsum(local[:-1] * 0.25 + pauses[:-1])]))
    events, event = np.unique(beat, return_inverse=True)
    at = at + r.normal(0, r.choice([0, 0.004, 0.01, 0.025, 0.05]), len(events))[event]
    if r.random() >= 0.4:  # otherwise whatever is written together is struck at the very same moment
        lag = r.choice([0, 0.002, 0.01, 0.025, 0.05]) * r.choice([-1, 1])
        at = at + (hand == 1) * lag * (1 + 0.3 * r.normal(size=len(events))[event])
        at = at + np.abs(r.normal(0, r.choice([0, 0.001, 0.003, 0.008, 0.02]), n))
    held = beats * beat_s * (r.choice([0.3, 0.6, 0.85, 0.95, 1.0, 1.1]) * np.exp(r.normal(0, 0.1, n)))
    base = r.choice([r.uniform(45, 85), r.uniform(20, 110)])
    velocity = base + r.normal(0, r.choice([2, 5, 10, 18]), n)
    velocity = velocity + (hand == 1) * r.normal(0, 8) + r.choice([0, 6, 12]) * (np.mod(beat, 1) < 0.01)
    velocity = velocity + r.choice([0, 0, 15]) * np.sin(2 * np.pi * beat / r.uniform(4, 16) + r.uniform(0, 6.28))
    wrong = r.random(n) < r.choice([0, 0.02, 0.08])
    pitch = pitch + wrong * r.choice([-2, -1, 1, 2, 12, -12], n)
    kept = r.random(n) >= r.choice([0, 0, 0.02, 0.08])
    table = np.stack([at, np.maximum(held, 0.04), np.zeros(n), pitch, velocity], 1)[kept]
    if r.random() < 0.2 and len(table):
        slips = table[r.integers(0, len(table), max(1, len(table) // 15))].copy()
        slips[:, 0] += r.uniform(-0.03, 0.3, len(slips))
        slips[:, 1] = r.uniform(0.04, 0.25, len(slips))
        slips[:, 3] += r.choice([-1, 1, -2, 2], len(slips))
        slips[:, 4] *= r.uniform(0.4, 1.0, len(slips))
        table = np.concatenate([table, slips])
    table[:, 4] = np.clip(table[:, 4], 12, 122)
    return np.asarray(table[(table[:, 3] >= 21) & (table[:, 3] <= 108)], np.float32)


def damp(r: Chance, table: Table) -> Table:
    """When each damper falls: from key and pedal. A second strike ends the first; strikes nearer than 45 ms are one."""
    table = table[np.argsort(table[:, 0], kind="stable")].astype(np.float64)
    end = table[:, 0] + table[:, 1]
    pedal = r.choice(["none", "bars", "down"], p=[0.68, 0.22, 0.10])
    if pedal == "down":
        end = end + 30
    if pedal == "bars":
        change = np.arange(table[0, 0] - 1, table[-1, 0] + 6, r.uniform(0.7, 3.5))
        i = np.clip(np.searchsorted(change, end), 0, len(change) - 1)
        up = (change[1] - change[0]) * r.uniform(0.05, 0.4)
        end = np.where(end - change[np.maximum(i - 1, 0)] > up, np.maximum(end, change[i]), end)
    kept = np.ones(len(table), bool)
    for pitch in np.unique(table[:, 3]):
        rows = np.flatnonzero(table[:, 3] == pitch)
        last = rows[0]
        for row in rows[1:]:
            if table[row, 0] - table[last, 0] < SAME_STRIKE_S:
                kept[row] = False
                continue
            end[last] = min(end[last], table[row, 0] - 0.001)
            last = row
    table[:, 2] = np.maximum(end - table[:, 0], 0.03)
    return table[kept].astype(np.float32)


def clip(r: Chance, *, seconds: float = 6.0) -> Table:
    """A window of a random performance; now and then nobody plays."""
    if r.random() < 0.02:
        return np.zeros((0, 5), np.float32)
    weights = np.array([weight for _, weight in MATERIAL])
    make = MATERIAL[r.choice(len(MATERIAL), p=weights / weights.sum())][0]
    tonic = int(np.clip(round(r.normal(60, 7)), 40, 79))
    table = perform(r, make(r, MODES[r.integers(len(MODES))], tonic))
    if len(table) < 3:
        return np.zeros((0, 5), np.float32)
    table = damp(r, table)
    lead_in = r.random() < 0.3
    table[:, 0] -= -r.uniform(0.1, 2.0) if lead_in else r.uniform(0, max(float(table[-1, 0]) - seconds, 0.1))
    return table[(table[:, 0] < seconds + 0.3) & (table[:, 0] + np.minimum(table[:, 2], 4) > -0.2)]
