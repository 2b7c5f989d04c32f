"""Playings drawn at random, with every fault a learner's practice has, for `tests.tools.render_takes` to render.

Each family is one situation: an exercise with slips, going back, false starts, noodling, one hand of two, a tempo that is
half or double or changes, bars left out, a metronome or talk beside the playing, an upright out of tune, soft playing. The
music is invented. Nothing is random beyond the seed.

What a take's ``params`` say beside the notes: ``family``, ``restarts`` (events after which the player stopped and went
back, with the moment), ``skips`` (first and last event left out), ``noodling_s`` (stretches that belong to no score).
"""

import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.tools.render_takes import (
    LEAD_IN_S,
    PlayedNote,
    ScoreNote,
    Take,
    five_finger,
    minuet,
    repeated_notes,
    scale_hands_together,
)

Chance = np.random.Generator


# --- music ------------------------------------------------------------------------------------------------------------
def moved(score: Sequence[ScoreNote], semitones: int, hand: str | None = None) -> list[ScoreNote]:
    """The same, so many semitones higher; for another hand if one is named."""
    return [replace(note, pitch=note.pitch + semitones, hand=hand or note.hand) for note in score]


def drawn_tune(rng: Chance, *, bars: int = 16) -> list[ScoreNote]:
    """A tune in 3/4 or 4/4 over a left hand of held notes, broken chords or chords struck on the beat."""
    beats = int(rng.choice([3, 4]))
    tonic = int(rng.integers(-5, 7))
    steps = [0, 2, 4, 5, 7, 9, 11]
    keys = [60 + tonic + 12 * octave + step for octave in (-1, 0, 1) for step in steps]
    place = 9
    notes: list[ScoreNote] = []
    for bar in range(bars):
        at = 0.0
        while at < beats:
            length = float(rng.choice([0.5, 0.5, 1.0, 1.0, 2.0])) if at == int(at) else 0.5
            length = min(length, beats - at)
            place = int(np.clip(place + rng.choice([-3, -2, -1, -1, 1, 1, 2, 4]), 7, 18))
            notes.append(ScoreNote(0, bar * beats + at, length, keys[place], "R", 0, bar + 1))
            at += length
        root = int(rng.choice([0, 3, 4, 5]))
        chord = [keys[root + step] - 12 for step in (0, 2, 4)]
        style = rng.integers(3)
        if style == 0:
            notes.append(ScoreNote(0, bar * beats, float(beats), chord[0], "L", 0, bar + 1))
        elif style == 1:
            order = [0, 2, 1, 2][:beats]
            notes += [ScoreNote(0, bar * beats + i, 1.0, chord[k], "L", 0, bar + 1) for i, k in enumerate(order)]
        else:
            notes += [ScoreNote(0, bar * beats, float(beats), pitch, "L", 0, bar + 1) for pitch in chord]
    return numbered(notes)


def numbered(notes: Sequence[ScoreNote]) -> list[ScoreNote]:
    """In order of time and pitch, with ids in that order."""
    ordered = sorted(notes, key=lambda note: (note.onset, note.pitch))
    return [replace(note, id=i) for i, note in enumerate(ordered)]


# --- playing ----------------------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Manner:
    """How it is played: rates are shares of the notes, times in milliseconds, tempi in quarters a minute."""

    qpm: float = 80.0
    jitter_ms: float = 12.0
    lag_ms: float = 0.0
    chord_ms: float = 6.0
    wrong: float = 0.0
    missed: float = 0.0
    extra: float = 0.0
    hesitations: float = 0.0
    restarts: int = 0
    false_start: bool = False
    noodling: bool = False
    skip_bars: int = 0
    qpm_after: float | None = None  # from the middle on
    hand: str | None = None
    velocity: float = 62.0
    velocity_sd: float = 8.0


def play(name: str, score: list[ScoreNote], manner: Manner, *, rng: Chance, family: str) -> Take:
    """Play `score`. Of notes that are played twice the last counts; ``missed`` are those missing from their last playing."""
    written = [note for note in score if manner.hand in (None, note.hand)]
    events = [[note for note in written if note.onset == onset] for onset in sorted({note.onset for note in written})]
    take = Take(name, score, [], manner.qpm, manner.qpm, params={"family": family, "restarts": [], "skips": []})
    if manner.hand:
        take.params["hand"] = manner.hand
    order = _order(events, manner, rng, take)
    at = LEAD_IN_S
    if manner.noodling:
        at = _noodle(take, at, rng) + float(rng.uniform(1.2, 3.0))
    missed: dict[int, bool] = {}
    before: int | None = None
    for index in order:
        half = index >= len(events) // 2
        tau = 60 / (manner.qpm_after if manner.qpm_after and half else manner.qpm)
        if before is not None:
            if index > before + 1 and (before + 1, index - 1) in take.params["skips"]:
                at += tau
            elif index > before:
                at += (events[index][0].onset - events[before][0].onset) * tau
                if rng.random() < manner.hesitations:
                    at += float(rng.uniform(0.5, 1.5)) * tau + 0.2
            else:
                at += float(rng.uniform(0.5, 2.0))
                take.params["restarts"].append({"at_s": at, "stop": before, "back": index})
        before = index
        _strike(take, events[index], at, tau, manner, rng, missed)
    if manner.noodling:
        _noodle(take, at + float(rng.uniform(2.0, 3.5)), rng)
    take.missed = sorted(number for number, gone in missed.items() if gone)
    take.played.sort(key=lambda note: (note.onset, note.pitch))
    return take


def _order(events: list[list[ScoreNote]], manner: Manner, rng: Chance, take: Take) -> list[int]:
    """The events in the order in which they are played."""
    count = len(events)
    order: list[int] = []
    begin = 0
    if manner.false_start:
        order += range(int(rng.integers(3, min(8, count - 2))))
    if manner.skip_bars:
        bars = sorted({events[i][0].bar for i in range(count)})
        first = int(rng.integers(3, len(bars) - manner.skip_bars - 2))
        gone = [i for i in range(count) if bars[first] <= events[i][0].bar < bars[first + manner.skip_bars]]
        take.params["skips"].append((gone[0], gone[-1]))
        return [*order, *range(gone[0]), *range(gone[-1] + 1, count)]
    stops = sorted(int(stop) for stop in rng.choice(np.arange(6, count - 3), manner.restarts, replace=False))
    for stop in stops:
        if stop < begin + 4:
            continue
        order += range(begin, stop + 1)
        back = max(0, stop - int(rng.integers(3, 13)))
        if rng.random() < 0.7:  # to the beginning of a bar
            back = next(i for i in range(count) if events[i][0].bar == events[back][0].bar)
        begin = back
    return [*order, *range(begin, count)]


def _strike(
    take: Take, event: list[ScoreNote], at: float, tau: float, manner: Manner, rng: Chance, missed: dict[int, bool]
) -> None:
    pitches = {note.pitch for note in event}
    at += float(rng.normal(0, manner.jitter_ms / 1000))
    for note in event:
        velocity = float(np.clip(rng.normal(manner.velocity, manner.velocity_sd), 18, 120))
        onset = at + (manner.lag_ms / 1000 if note.hand == "L" else 0.0)
        onset = max(onset + (float(rng.normal(0, manner.chord_ms / 1000)) if len(event) > 1 else 0.0), 0.05)
        held = max(note.duration * tau * 0.93, 0.06)
        draw = rng.random()
        missed[note.id] = draw < manner.missed
        if missed[note.id]:
            continue
        pitch, kind = note.pitch, "ok"
        if draw < manner.missed + manner.wrong:
            off = [step for step in (-2, -1, 1, 2) if note.pitch + step not in pitches]
            pitch, kind = note.pitch + int(rng.choice(off)), "wrong"
        take.played.append(PlayedNote(onset, held, pitch, velocity, note.hand, note.id, kind))
        if rng.random() < manner.extra:
            pitch = note.pitch + int(rng.choice([step for step in (-2, -1, 1, 2) if note.pitch + step not in pitches]))
            delay = float(rng.uniform(0.0, 0.03) if rng.random() < 0.5 else rng.uniform(0.3, 0.7) * min(tau, held))
            take.played.append(PlayedNote(onset + delay, 0.15, pitch, velocity, note.hand, None, "extra"))


def _noodle(take: Take, at: float, rng: Chance) -> float:
    """Anything but the score, for some seconds; returns when its last note is struck."""
    begin, place = at, 67 + int(rng.integers(-7, 8))
    for _ in range(int(rng.integers(6, 16))):
        place = int(np.clip(place + rng.integers(-5, 6), 50, 84))
        take.played.append(PlayedNote(at, 0.3, place, float(rng.uniform(40, 80)), "R", None, "noodling"))
        if rng.random() < 0.3:
            take.played.append(PlayedNote(at, 0.3, place + 4, float(rng.uniform(40, 80)), "R", None, "noodling"))
        at += float(rng.choice([0.15, 0.25, 0.4, 0.6]))
    take.params.setdefault("noodling_s", []).append((begin, at))
    return at


# --- families ---------------------------------------------------------------------------------------------------------
TUNINGS_CENTS = (-20.0, 0.0, 0.0, 9.0, 25.0)  # A = 435 to 446
SLIPS = Manner(wrong=0.05, missed=0.05, extra=0.03)


def _fingers(rng: Chance) -> list[ScoreNote]:
    hand = str(rng.choice(["R", "L"]))
    score = five_finger(float(rng.choice([0.5, 1.0])), rounds=4)
    return moved(score, int(rng.integers(-5, 8)) - (12 if hand == "L" else 0), hand)


def _minuet(rng: Chance) -> list[ScoreNote]:
    return moved(minuet(), int(rng.integers(-4, 6)))


def _scale(rng: Chance) -> list[ScoreNote]:
    return moved(scale_hands_together(0.5), int(rng.integers(-5, 6)))


def _repeated(rng: Chance) -> list[ScoreNote]:
    return moved(repeated_notes(), int(rng.integers(-12, 13)))


def _piece(rng: Chance) -> list[ScoreNote]:
    return _minuet(rng) if rng.random() < 0.3 else drawn_tune(rng)


def _slips(rng: Chance, low: float, high: float, **more: float) -> Manner:
    return replace(
        SLIPS, qpm=float(rng.uniform(low, high)), jitter_ms=float(rng.uniform(5, 25)), lag_ms=float(rng.normal(0, 8)), **more
    )  # fmt: skip


def _plain(rng: Chance, **more: object) -> Manner:
    rate = {"wrong": 0.02, "missed": 0.02}
    return replace(_slips(rng, 60, 110), **{"extra": 0.0, **rate, **more})


Family = tuple[Callable[[Chance], list[ScoreNote]], Callable[[Chance], Manner]]
FAMILIES: dict[str, Family] = {
    "five-finger": (_fingers, lambda rng: _slips(rng, 60, 120)),
    "minuet": (_minuet, lambda rng: _slips(rng, 60, 110)),
    "scales": (_scale, lambda rng: _slips(rng, 60, 110)),
    "repeated": (_repeated, lambda rng: _plain(rng, qpm=float(rng.uniform(60, 110)))),
    "tune": (drawn_tune, lambda rng: _slips(rng, 60, 110, hesitations=0.02)),
    "restarts": (_piece, lambda rng: _plain(rng, restarts=3, hesitations=0.01)),
    "false start": (_piece, lambda rng: _plain(rng, false_start=True)),
    "noodling": (_piece, lambda rng: _plain(rng, noodling=True)),
    "one hand": (_piece, lambda rng: _plain(rng, hand=str(rng.choice(["R", "L"])))),
    "half tempo": (_piece, lambda rng: _plain(rng, qpm=float(rng.uniform(36, 48)))),
    "double tempo": (_piece, lambda rng: _plain(rng, qpm=float(rng.uniform(150, 180)))),
    "tempo change": (_piece, lambda rng: _plain(rng, qpm=66.0, qpm_after=float(rng.choice([44.0, 100.0])))),
    "skipped bars": (_piece, lambda rng: _plain(rng, skip_bars=int(rng.integers(1, 4)))),
    "metronome": (_piece, _plain),
    "talk": (_piece, _plain),
    "upright": (_piece, _plain),
    "soft": (_piece, lambda rng: _plain(rng, velocity=26.0, velocity_sd=4.0)),
}  # fmt: skip


def drawn_takes(seed: int, *, counts: dict[str, int]) -> Iterator[Take]:
    """So many takes of each family; the same seed gives the same takes, whatever the others are."""
    for family, count in counts.items():
        music, manner = FAMILIES[family]
        for number in range(count):
            name = f"{family.replace(' ', '_')}_{number}"
            rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
            take = play(name, music(rng), manner(rng), rng=rng, family=family)
            take.cents = float(rng.choice(TUNINGS_CENTS))
            if family == "metronome":
                take.beside, take.params["click_bpm"] = "metronome", take.played_qpm
            elif family == "talk":
                take.beside = "talk"
            elif family == "upright":
                take.upright = True
            yield take
