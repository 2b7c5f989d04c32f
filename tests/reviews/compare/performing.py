"""Invented playing of a written score, with the truth: jitter, wrong, missed and extra notes, restarts, noodling, a listener's faults."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from reviews.compare.expected import Expected
from reviews.sound.heard import HeardNote


@dataclass
class Playing:
    """What was played. `truth` is what became of each note by its id; onsets are those of the pass that counts, the last."""

    heard: list[HeardNote] = field(default_factory=list)
    truth: dict[str, str] = field(default_factory=dict)
    onset_s: dict[str, float] = field(default_factory=dict)
    extras: list[tuple[float, int]] = field(default_factory=list)
    restarts: list[tuple[str, str]] = field(default_factory=list)

    def sort(self) -> "Playing":
        self.heard.sort(key=lambda note: (note.onset_s, note.pitch_midi))
        return self


def perform(  # noqa: C901 -- one place for everything that can happen to a note
    expected: Expected,
    *,
    random: Random,
    bpm: float = 80.0,
    jitter_s: float = 0.01,
    wrong: float = 0.0,
    missed: float = 0.0,
    extra: float = 0.0,
    left_lag_s: float = 0.0,
    hesitations: Sequence[int] = (),
    restarts: Sequence[tuple[int, int]] = (),
    ghosts: float = 0.0,
    deaf: float = 0.0,
    drift: float = 0.0,
    start_s: float = 1.0,
) -> Playing:
    """Play. `restarts` are (event after which the player stops, event where it goes on from); rates are shares of the notes."""
    playing = Playing()
    order = _order(len(expected.events), restarts, playing, expected)
    now_s = start_s
    before: int | None = None
    for place, index in enumerate(order):
        event = expected.events[index]
        tau = 60.0 / bpm * (1.0 + drift * place / max(len(order), 1))
        if before is not None:
            if index > before:
                now_s += (event.onset_beat - expected.events[before].onset_beat) * tau
            else:
                now_s += random.uniform(0.6, 1.6)
            if index in hesitations:
                now_s += 1.2 * tau + 0.3
        before = index
        is_last_pass = index not in order[place + 1 :]
        for number in event.notes:
            note = expected.notes[number]
            at = now_s + random.gauss(0, jitter_s) + (left_lag_s if note.hand == "left" else 0.0)
            draw = random.random()
            pitch, state = note.pitch_midi, "played"
            if draw < missed:
                state = "missing"
            elif draw < missed + wrong:
                state = "wrong_pitch"
                pitch += random.choice([-2, -1, 1, 2])
                if pitch in {expected.notes[other].pitch_midi for other in event.notes}:
                    pitch, state = note.pitch_midi, "played"
            if is_last_pass:
                playing.truth[note.id] = state
                playing.onset_s[note.id] = at
            if state != "missing" and random.random() >= deaf:
                playing.heard.append(HeardNote(at, pitch, 0.0, random.uniform(0.6, 1.0)))
            if random.random() < ghosts:
                playing.heard.append(
                    HeardNote(at + random.gauss(0, 0.01), min(pitch + random.choice([12, 19, 24]), 108), -10.0, random.uniform(0.2, 0.5))
                )  # fmt: skip
        if random.random() < extra:
            at, pitch = now_s + tau * 0.13, expected.notes[event.notes[0]].pitch_midi + random.choice([-1, 1, 3, -3])
            playing.extras.append((at, pitch))
            playing.heard.append(HeardNote(at, pitch, 0.0, random.uniform(0.6, 1.0)))
    return playing.sort()


def _order(count: int, restarts: Sequence[tuple[int, int]], playing: Playing, expected: Expected) -> list[int]:
    order: list[int] = []
    at = 0
    for stop, back in restarts:
        order += range(at, stop + 1)
        playing.restarts.append((expected.events[stop].bar, expected.events[back].bar))
        at = back
    return [*order, *range(at, count)]
