"""Written music to be played in these tests: exercises of every book, and an invented tune over a waltz bass."""

from fractions import Fraction
from functools import cache
from random import Random

from curriculum.score import Metre, PlannedNote, make_score, plain_bars
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.writing import make_pattern
from curriculum.score.playing import in_playing_order
from reviews.compare import Expected, expect

SPELT = [("C", 0), ("C", 1), ("D", 0), ("E", -1), ("E", 0), ("F", 0), ("F", 1), ("G", 0), ("A", -1), ("A", 0), ("B", -1), ("B", 0)]  # fmt: skip
PATTERNS = {
    "five fingers": {"kind": "five_finger", "value": "1/2", "times": 4},
    "scale": {"kind": "scale", "hands": "both", "value": "1/4", "octaves": 2},
    "contrary scale": {"kind": "scale", "hands": "both", "motion": "contrary", "value": "1/2", "octaves": 2},
    "repeated notes": {"kind": "repeated", "value": "1/4", "count": 4},
    "bass": {"kind": "bass", "hands": "left", "progression": "I-IV-V7-I", "times": 3},
}
NAMES = [*PATTERNS, "tune"]


@cache
def written(name: str) -> Expected:
    if name == "tune":
        return tune(Random(5))
    return expect(in_playing_order(make_pattern(Pattern(**PATTERNS[name]))))


def tune(random: Random, *, bars: int = 24) -> Expected:
    notes = []
    pitch = 67
    for bar in range(bars):
        beat = Fraction(0)
        while beat < 3:
            length = min(random.choice([Fraction(1), Fraction(1, 2), Fraction(1, 2)]), 3 - beat)
            pitch = max(60, min(81, pitch + random.choice([-4, -2, -1, 1, 2, 3])))
            notes.append(planned(3 * bar + beat, length, pitch, "right"))
            beat += length
        low = random.choice([43, 45, 48, 50, 52])
        if random.random() < 0.5:
            notes.append(planned(Fraction(3 * bar), Fraction(3), low, "left"))
        else:
            notes += [planned(Fraction(3 * bar + i), Fraction(1), low + step, "left") for i, step in enumerate((0, 7, 12))]  # fmt: skip
    return expect(in_playing_order(make_score(notes, bars=plain_bars(bars, metre=Metre(3, 4)))))


def planned(onset: Fraction, length: Fraction, pitch: int, hand: str) -> PlannedNote:
    step, alter = SPELT[pitch % 12]
    return PlannedNote(onset, length, step, alter=alter, octave=pitch // 12 - 1, hand=hand)
