"""The written notes of a rendered take, and the comparison with them as the program makes it."""

from fractions import Fraction
from typing import Any, TypeAlias

from curriculum.score import DueNote
from reviews.compare import Comparison, Expected, compare, expect
from reviews.compare.measures import Trust
from reviews.sound.listening import Listened

Truth: TypeAlias = dict[str, Any]


def expected_of(truth: Truth) -> Expected:
    """The written notes of a take."""
    first: dict[int, float] = {}
    for note in truth["score"]:
        first[note["bar"]] = min(first.get(note["bar"], note["onset"]), note["onset"])
    due = []
    for note in truth["score"]:
        onset = Fraction(note["onset"]).limit_denominator(960)
        beat = onset - Fraction(first[note["bar"]]).limit_denominator(960) + 1
        length = Fraction(note["duration"]).limit_denominator(960)
        name, hand = str(note["id"]), "right" if note["hand"] == "R" else "left"
        due.append(DueNote(name, name, (name,), str(note["bar"]), note["bar"] - 1, beat, onset, length, note["pitch"], hand, None, False))  # fmt: skip
    return expect(due)


def compared(truth: Truth, listened: Listened) -> Comparison:
    """The comparison as the program makes it."""
    trust = Trust(**listened.trust_fields)
    return compare(listened.hearing.notes, expected=expected_of(truth), trust=trust)
