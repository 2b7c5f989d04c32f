"""Finger or room: how well a loud finger is told in rooms that know nothing of the model that is fitted.

    python -m tests.bench_ear.finger_rooms [--takes N] [--seed S] [--stroke-sd DB]

Wants pyroomacoustics, which nothing else needs (`pip install pyroomacoustics`; 0.10.1 was used).

The fit says level = key + finger + moment. Here no such sum is drawn. Each key stands at its own place before a phone in a shoebox of a
room, whose answer the image-source method gives. A stroke is ten partials, brighter the harder it is struck; each is passed
through the room's answer at its own frequency, and the level is the amplitudes added, as the listener adds them. A finger's excess is
one of the dry stroke, so what the room makes of the brighter sound is the fit's to bear. README.md says what was reached.
"""

import argparse
import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import log10
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from curriculum.score import DueNote, in_playing_order
from reviews.compare.designed import BPM, Placed, design_take, placed_of
from reviews.compare.fingers import FINGERS, WIDE_DB, FingerFit, FingerNote, fit_fingers

Row = NDArray[np.float64]

EXCESS_DB = 3.0
# dB: how evenly somebody strikes who is learning, and how far a key's level is misheard against itself (phone recording).
STROKE_SD_DB, HEARD_SD_DB = 1.5, 0.4
LOST_FRAC = 0.02
PARTIALS = 10
RATE_HZ = 16_000
# The listener takes a level from the first 0.15 s of a stroke, so later echoes are left out; in the lowest room an echo off
# so many walls comes later than that.
ANSWER_S, MOST_WALLS = 0.16, 24
WHITE_KEY_M = 0.0235
# Decibels an octave of partials, where the hammer strikes (share of the string), and how stiff the strings are.
PIANOS = {"grand": (-7.0, 1 / 8, 2e-4), "upright": (-10.0, 1 / 7, 6e-4), "bright": (-4.5, 1 / 9, 3e-4)}
# SD in dB of a key's partials, and of all of a key, around its piano's: neighbouring keys of one piano differ by several decibels.
PARTIAL_SD_DB, KEY_SD_DB = 3.0, 2.0
TABLE_HEAD = """\
| takes with | takes | nothing said | finger's truth held | all fingers' held | error dB mean / rms \
| its half-width dB median / 95 % / max | all half-widths dB | under 1.5 dB | told | claimed wrongly |
|---|---|---|---|---|---|---|---|---|---|---|"""


@dataclass(slots=True)
class Sum:
    """What the takes of one kind came to. ``claimed`` are takes in which a finger was told that is not loud."""

    takes: int = 0
    silent: int = 0
    held: int = 0
    all_held: int = 0
    fingers: int = 0
    told: int = 0
    claimed: int = 0
    halves_db: list[float] = field(default_factory=list)
    one_halves_db: list[float] = field(default_factory=list)
    errors_db: list[float] = field(default_factory=list)

    def add(self, fit: FingerFit, *, one: int, excess_db: float) -> None:
        """Count one take's fit; ``one`` is the finger that is looked at, loud or not."""
        self.takes += 1
        if fit.doubt is not None:
            self.silent += 1
            return
        for found in fit.excess:
            truth_db = excess_db if found.finger == one else -excess_db / (len(FINGERS) - 1)
            holds = found.low_db <= truth_db <= found.high_db
            self.all_held += holds
            self.fingers += 1
            self.halves_db.append(found.half_db)
            if found.finger == one:
                self.held += holds
                self.one_halves_db.append(found.half_db)
                self.errors_db.append(found.value_db - truth_db)
        told = {found.finger for found in fit.told}
        self.told += one in told
        self.claimed += bool(told - {one} if excess_db else told)

    def row(self, name: str, *, is_loud: bool) -> str:
        """One line of the table."""
        cells = [
            name,
            str(self.takes),
            str(self.silent),
            f"{self.held} of {len(self.errors_db)}",
            f"{self.all_held / max(self.fingers, 1):.1%}".replace("%", " %"),
            f"{np.mean(self.errors_db):+.2f} / {np.sqrt(np.mean(np.square(self.errors_db))):.2f}",
            _spread_words(self.one_halves_db),
            _spread_words(self.halves_db),
            f"{np.mean(np.array(self.halves_db) < WIDE_DB):.1%}".replace("%", " %"),
            f"{self.told} of {self.takes}" if is_loud else "",
            f"{self.claimed} of {self.takes}",
        ]
        return f"| {' | '.join(cells)} |"


def _spread_words(values: list[float]) -> str:
    return f"{np.median(values):.2f} / {np.quantile(values, 0.95):.2f} / {max(values):.2f}"


def wanted_rooms() -> ModuleType:
    """The library that makes rooms; without it the program ends, saying so."""
    try:
        import pyroomacoustics as rooms
    except ImportError as error:
        raise SystemExit(
            "The rooms are made by pyroomacoustics, which is not installed: pip install pyroomacoustics"
        ) from error
    return rooms  # type: ignore[no-any-return]


def place_all(rooms: ModuleType, keys: int, *, rng: np.random.Generator, rate_hz: int, most_walls: int) -> Any:
    """A room with its answers worked out: so many white keys and a phone, at places and before walls drawn at random."""
    size_m = rng.uniform([3.0, 3.0, 2.3], [7.0, 6.0, 3.2])
    room = rooms.ShoeBox(size_m, fs=rate_hz, materials=rooms.Material(rng.uniform(0.15, 0.45)), max_order=most_walls)
    span_m = WHITE_KEY_M * keys
    # The piano stands along a wall, the phone anywhere half a metre to two and a half from the middle of its keys.
    piano = np.array([rng.uniform(0.4, size_m[0] - 0.4 - span_m), rng.uniform(0.2, 0.8), rng.uniform(0.7, 1.1)])
    while True:
        phone = rng.uniform([0.2, 0.2, 0.7], [size_m[0] - 0.2, size_m[1] - 0.2, 1.8])
        if 0.5 <= np.linalg.norm(phone - piano - [span_m / 2, 0, 0]) <= 2.5:
            break
    for key in range(keys):
        room.add_source(piano + np.array([WHITE_KEY_M * key, 0.0, 0.0]))
    room.add_microphone(phone)
    room.compute_rir()
    return room


def room_gains(rooms: ModuleType, hz: Row, *, rng: np.random.Generator) -> Row:
    """How much of each partial of each key reaches the phone. ``hz`` has one row for each white key from the lowest on, as has the answer."""
    room = place_all(rooms, len(hz), rng=rng, rate_hz=RATE_HZ, most_walls=MOST_WALLS)
    gains = []
    for key, partials_hz in enumerate(hz):
        answer = room.rir[0][key][: int(ANSWER_S * RATE_HZ)]
        turns = np.outer(partials_hz, np.arange(len(answer)) / RATE_HZ)
        gains.append(np.abs(np.exp(-2j * np.pi * turns) @ answer))
    return np.array(gains)


@dataclass(frozen=True, slots=True)
class DrawnStroke:
    """How one note of the designed take is struck: ``index`` in playing order, seconds from the first beat, decibels."""

    index: int
    onset_s: float
    stroke_db: float
    beat_s: float


def drawn_strokes(
    due: Sequence[DueNote],
    placed: Mapping[str, Placed],
    *,
    rng: np.random.Generator,
    loud: int,
    excess_db: float,
    stroke_sd_db: float,
    with_edges: bool = False,
) -> Iterator[DrawnStroke]:
    """The strokes of one playing, drawn one by one, some left out; `with_edges` those too that begin and end a visit."""
    beat_s = 60 / (BPM * rng.uniform(0.7, 1.2))
    end_s = float(due[-1].onset_beat) * beat_s
    # A drift of no shape that the fit knows: growth, and a slow wave that need not end where it began.
    growth_db, wave_db = rng.uniform(-3, 3), rng.uniform(0, 1)
    wave_s, phase = rng.uniform(40, 160), rng.uniform(0, 2 * np.pi)
    accent_db = rng.uniform(0, 1.5)
    for index, note in enumerate(due):
        place = placed[note.id]
        if not place.is_counted and not with_edges:
            continue
        if place.is_counted and rng.random() < LOST_FRAC:
            continue
        onset_s = float(note.onset_beat) * beat_s + rng.normal(0, 0.03)
        stroke_db = rng.normal(0, stroke_sd_db) + growth_db * onset_s / end_s
        stroke_db += wave_db * np.sin(2 * np.pi * onset_s / wave_s + phase)
        stroke_db += accent_db * place.is_first_beat + excess_db * (place.finger == loud)
        yield DrawnStroke(index, onset_s, stroke_db, beat_s)


def draw_take(
    rooms: ModuleType, *, rng: np.random.Generator, loud: int, excess_db: float, stroke_sd_db: float
) -> list[FingerNote]:
    """What is heard of the designed take, one finger so much louder."""
    due = in_playing_order(design_take("right" if rng.random() < 0.5 else "left"))
    placed = placed_of(due)
    keys = sorted({note.pitch_midi for note in due})
    slope_db, struck_at, stiffness = PIANOS[str(rng.choice(list(PIANOS)))]
    number = np.arange(1, PARTIALS + 1)
    f0_hz = 440.0 * 2.0 ** ((np.array(keys) - 69) / 12 + rng.uniform(-25, 25) / 1200)
    hz = f0_hz[:, None] * number * np.sqrt(1 + stiffness * number**2)
    gains = room_gains(rooms, hz, rng=rng)
    # The sound of each key struck in the middle; a hammer leaves out partials that have a node where it strikes.
    sound_db = slope_db * np.log2(number) + 20 * np.log10(np.abs(np.sin(np.pi * number * struck_at)) + 0.05)
    sound_db = sound_db + rng.normal(0, PARTIAL_SD_DB, hz.shape)
    keys_db = rng.normal(0, KEY_SD_DB, len(keys))
    # Decibels an octave that a stroke is brighter for each decibel that it is louder.
    brighter = rng.uniform(0.1, 0.3)
    notes = []
    strokes = drawn_strokes(due, placed, rng=rng, loud=loud, excess_db=excess_db, stroke_sd_db=stroke_sd_db)
    for stroke in strokes:
        note, onset_s, stroke_db = due[stroke.index], stroke.onset_s, stroke.stroke_db
        place = placed[note.id]
        key = keys.index(note.pitch_midi)
        dry = 10 ** ((sound_db[key] + brighter * stroke_db * np.log2(number)) / 20)
        dry *= 10 ** ((keys_db[key] + stroke_db) / 20) / dry.sum()
        level_db = 20 * log10(float(dry @ gains[key])) + rng.normal(0, HEARD_SD_DB)
        notes.append(
            FingerNote(place.finger, note.pitch_midi, place.visit, onset_s, level_db, is_first_beat=place.is_first_beat)
        )
    return notes


def main() -> None:
    """Draw the takes, fit them, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--takes", type=int, default=200, help="with a loud finger, and as many without")
    parser.add_argument("--seed", type=int, help="drawn where none is given")
    parser.add_argument("--stroke-sd", type=float, default=STROKE_SD_DB, help="how unevenly one finger strikes, dB")
    options = parser.parse_args()
    rooms = wanted_rooms()
    seed = secrets.randbelow(1_000_000) if options.seed is None else options.seed
    print(f"seed {seed}, strokes uneven by {options.stroke_sd} dB\n")
    print(TABLE_HEAD)
    for name, excess_db in ((f"one finger {EXCESS_DB:.0f} dB louder", EXCESS_DB), ("none louder", 0.0)):
        found = Sum()
        for take in range(options.takes):
            rng = np.random.default_rng([seed, int(excess_db > 0), take])
            one = FINGERS[take % len(FINGERS)]
            notes = draw_take(rooms, rng=rng, loud=one, excess_db=excess_db, stroke_sd_db=options.stroke_sd)
            found.add(fit_fingers(notes), one=one, excess_db=excess_db)
        print(found.row(name, is_loud=excess_db > 0), flush=True)


if __name__ == "__main__":
    main()
