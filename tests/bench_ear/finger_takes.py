"""Finger or room, from sound to sentence: how well a loud finger is told when the take is rendered, recorded, and heard.

    python -m tests.bench_ear.finger_takes --piano NAME=FOLDER --piano NAME=FILE:BANK:PROGRAM [--takes N] [--seed S]

Wants pyroomacoustics, as `finger_rooms` does. Strokes are drawn as there. Here real piano notes are struck so loud, each key sounds from
its own place through the image-source answer of a room at 48 kHz, what a phone does to sound follows, AAC included, and the net hears the
file; the comparison with the score decides which notes were played. A finger's excess is one of the dry note's mean-square level.
README.md says what was reached.
"""

import argparse
import os
import secrets
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from curriculum.score import in_playing_order
from lessons.media import probe
from reviews.compare import Trust, compare, written_of
from reviews.compare.designed import BPM, design_take, placed_of
from reviews.compare.findings import finger_notes, fit_take
from reviews.compare.fingers import FINGERS, FingerFit
from reviews.sound.listener import Listener
from reviews.sound.listening import listen
from tests.bench_ear.finger_rooms import (
    EXCESS_DB,
    STROKE_SD_DB,
    TABLE_HEAD,
    Sum,
    drawn_strokes,
    place_all,
    wanted_rooms,
)
from tests.tools.render_takes import (
    DB_PER_DECADE_VELOCITY,
    PRESETS,
    SR,
    FolderPiano,
    FontPiano,
    Piano,
    PlayedNote,
    ScoreNote,
    Take,
    add,
    degrade,
    render_dry,
    write_mp4,
)

# Walls off which an echo is followed, and seconds of it that are kept: a furnished room rings for 0.2 to 0.5 s.
MOST_WALLS, ANSWER_S = 30, 0.6
# A phone without the made-up room of the other takes: noise 35 dB below, its band, AAC at 128 kbit/s.
PHONE = replace(PRESETS["phone"], rt60_s=None)
# Pictures a second of the film around the sound, which nobody looks at.
FILM_FPS = 2
LEAD_IN_S, HELD_FRAC = 0.8, 0.9
# MIDI velocity around which a take is played, and the borders of what a sampled piano can do.
VELOCITY = (50.0, 72.0)
LEAST_VELOCITY, MOST_VELOCITY = 18.0, 120.0


def drawn_take(*, rng: np.random.Generator, loud: int, excess_db: float, stroke_sd_db: float, name: str) -> Take:
    """The designed take as somebody plays it, one finger so much louder."""
    hand = "right" if rng.random() < 0.5 else "left"
    due = in_playing_order(design_take(hand))
    velocity = rng.uniform(*VELOCITY)
    score = [
        ScoreNote(
            i, float(note.onset_beat), float(note.duration_beat), note.pitch_midi, hand[0].upper(), note.finger or 0
        )
        for i, note in enumerate(due)
    ]
    take = Take(name, score, [], BPM, BPM, cents=float(rng.uniform(-25, 25)), voicing="recorded", params={"hand": hand})
    strokes = drawn_strokes(
        due, placed_of(due), rng=rng, loud=loud, excess_db=excess_db, stroke_sd_db=stroke_sd_db, with_edges=True
    )
    for stroke in strokes:
        note = score[stroke.index]
        loudness = velocity * 10 ** (stroke.stroke_db / DB_PER_DECADE_VELOCITY)
        held_s = note.duration * stroke.beat_s * HELD_FRAC
        take.played.append(
            PlayedNote(
                max(LEAD_IN_S + stroke.onset_s, 0.1),
                held_s,
                note.pitch,
                float(np.clip(loudness, LEAST_VELOCITY, MOST_VELOCITY)),
                note.hand,
                note.id,
            )
        )
    return take


def piano_of(source: str, takes: Sequence[Take]) -> Piano:
    """A piano that has the keys of the takes, and those over which its unevenness is told."""
    if ":" not in source:
        return FolderPiano(Path(source))
    path, bank, program = source.rsplit(":", 2)
    pitches = sorted({note.pitch for take in takes for note in take.score} | set(range(48, 85, 3)))
    return FontPiano(Path(path).resolve(), int(bank), int(program), pitches)


def in_room(take: Take, piano: Piano, rooms: ModuleType, *, rng: np.random.Generator) -> NDArray[np.float64]:
    """The sound of a take at the phone: every key alone, from its own place, through the room's answer."""
    keys = sorted({note.pitch for note in take.score})
    room = place_all(rooms, len(keys), rng=rng, rate_hz=SR, most_walls=MOST_WALLS)
    end_s = max(note.onset + note.duration for note in take.played) + 1.5
    out = np.zeros(int((end_s + ANSWER_S) * SR) + SR)
    for place, key in enumerate(keys):
        alone = replace(take, played=[note for note in take.played if note.pitch == key])
        if not alone.played:
            continue
        dry = render_dry(alone, piano)
        answer = room.rir[0][place][: int(ANSWER_S * SR)]
        add(out, signal.oaconvolve(dry, answer), 0)
    return out[: len(out) // SR * SR]  # whole seconds: other lengths are slow to make noise for


def fit_of(path: Path, folder: Path, listener: Listener, *, hand: str) -> tuple[FingerFit, int]:
    """What the program tells of fingers in a clip, and how many of its notes count."""
    listened = listen(path, probe=probe(path), folder=folder, listener=listener)
    trust = Trust(**listened.trust_fields)
    expected, written = written_of(design_take("right" if hand == "right" else "left"))
    matching = compare(listened.hearing.notes, expected=expected, trust=trust, written=written).matching
    fit = fit_take(matching, placed=written.placed, trust=trust)
    return fit, len(finger_notes(matching, placed=written.placed))


def main() -> None:
    """Render the takes, hear them, fit them, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--takes", type=int, default=20, help="of each piano with a loud finger, and as many without")
    parser.add_argument("--seed", type=int, help="drawn where none is given")
    parser.add_argument("--stroke-sd", type=float, default=STROKE_SD_DB, help="how unevenly one finger strikes, dB")
    parser.add_argument("--piano", action="append", required=True, help="NAME=FOLDER or NAME=FILE:BANK:PROGRAM")
    options = parser.parse_args()
    rooms = wanted_rooms()
    seed = secrets.randbelow(1_000_000) if options.seed is None else options.seed
    print(f"seed {seed}, strokes uneven by {options.stroke_sd} dB; load {os.getloadavg()[0]:.1f}\n", flush=True)
    listener, rows = Listener(), []
    begin, heard_s, counted, wanted = time.process_time(), 0.0, 0, 0
    for number, text in enumerate(options.piano):
        name, source = text.split("=", 1)
        takes = [
            drawn_take(
                rng=np.random.default_rng([seed, number, int(excess_db > 0), place]),
                loud=FINGERS[place % len(FINGERS)],
                excess_db=excess_db,
                stroke_sd_db=options.stroke_sd,
                name=f"{name}-{excess_db:.0f}-{place}",
            )
            for excess_db in (EXCESS_DB, 0.0)
            for place in range(options.takes)
        ]
        piano = piano_of(source, takes)
        sums = {True: Sum(), False: Sum()}
        # Loud and even ones in turn, so that a run cut short has both.
        for place in sorted(range(len(takes)), key=lambda each: (each % options.takes, each)):
            take = takes[place]
            is_loud, one = place < options.takes, FINGERS[place % options.takes % len(FINGERS)]
            rng = np.random.default_rng([seed, number, 2, place])
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "take.mp4"
                sound = degrade(in_room(take, piano, rooms, rng=rng), PHONE, rng)
                write_mp4(path, sound, PHONE.aac_kbps, fps=FILM_FPS)
                fit, count = fit_of(path, Path(folder), listener, hand=take.params["hand"])
            heard_s += len(sound) / SR
            counted, wanted = counted + count, wanted + len(take.played) - 20
            sums[is_loud].add(fit, one=one, excess_db=EXCESS_DB if is_loud else 0.0)
            found = next((each for each in fit.excess if each.finger == one), None)
            told = f"{found.value_db:+.2f} ({found.low_db:+.2f} to {found.high_db:+.2f})" if found else fit.doubt
            print(
                f"{take.name}: finger {one}, {count} notes, {told}, told {[each.finger for each in fit.told]}",
                flush=True,
            )
        rows += [
            sums[is_loud].row(f"{name}, {'one finger 3 dB louder' if is_loud else 'none louder'}", is_loud=is_loud)
            for is_loud in (True, False)
        ]
    print("\n".join(["", TABLE_HEAD, *rows]))
    cost = (time.process_time() - begin) / max(heard_s, 1e-9)
    print(
        f"\n{counted} of {wanted} notes counted; {heard_s / 60:.0f} minutes of sound, {cost:.2f} CPU s a second, rendering included; load {os.getloadavg()[0]:.1f}"
    )


if __name__ == "__main__":
    main()
