"""Heard notes against written notes.

The question this package answers: *what became of each written note, and how steadily, evenly and loudly was it played, as far as this
recording lets anybody tell?*

Conventions: written time is in quarters from the first full bar's downbeat, heard time in seconds of the clip. A playing is a list of
*passes*, runs through the score without going back; where a bar was played twice, the last pass counts. Nothing is alleged that a partial
of another sounding note could hide or feign.

Worked example: three of four written notes are heard, the fourth at another pitch. The playing may begin at any moment and at any tempo.

>>> from curriculum.score import PlannedNote, make_score, plain_bars
>>> from curriculum.score.playing import in_playing_order
>>> from fractions import Fraction
>>> from reviews.sound.heard import HeardNote
>>> score = make_score([PlannedNote(Fraction(i), Fraction(1), s, octave=4) for i, s in enumerate("CDEF")], bars=plain_bars(1))
>>> heard = [HeardNote(3.0 + 0.5 * i, pitch) for i, pitch in enumerate([60, 62, 65, 65])]
>>> result = match(heard, expected=expect(in_playing_order(score)), settings=CompareSettings())
>>> [note.state.value for note in result.notes]
['played', 'played', 'wrong_pitch', 'played']
"""

from reviews.compare.aligning import Alignment, HeardGroup, Move, Step, align, group_heard
from reviews.compare.comparing import Comparison, asked, compare, written_of
from reviews.compare.errors import CompareError
from reviews.compare.expected import Expected, ExpectedNote, ScoreEvent, expect
from reviews.compare.findings import DIMENSIONS, Finding, FindingSettings, Kind, Written, band, find, in_words
from reviews.compare.matching import match
from reviews.compare.measures import (
    Evenness,
    Gap,
    Hesitation,
    Measure,
    Stroke,
    TempoMeasure,
    Trust,
    chord_spread_ms,
    evenness_of,
    gaps_of,
    hands_apart_ms,
    hesitations_of,
    proportions_of,
    strokes_of,
    tempo_of,
    touch_of,
)
from reviews.compare.results import Extra, Matching, NoteResult, Pass, Restart, Skip, State
from reviews.compare.settings import VERSION, CompareSettings

__all__ = [
    "DIMENSIONS",
    "VERSION",
    "Alignment",
    "CompareError",
    "CompareSettings",
    "Comparison",
    "Evenness",
    "Expected",
    "ExpectedNote",
    "Extra",
    "Finding",
    "FindingSettings",
    "Gap",
    "HeardGroup",
    "Hesitation",
    "Kind",
    "Matching",
    "Measure",
    "Move",
    "NoteResult",
    "Pass",
    "Restart",
    "ScoreEvent",
    "Skip",
    "State",
    "Step",
    "Stroke",
    "TempoMeasure",
    "Trust",
    "Written",
    "align",
    "asked",
    "band",
    "chord_spread_ms",
    "compare",
    "evenness_of",
    "expect",
    "find",
    "gaps_of",
    "group_heard",
    "hands_apart_ms",
    "hesitations_of",
    "in_words",
    "match",
    "proportions_of",
    "strokes_of",
    "tempo_of",
    "touch_of",
    "written_of",
]
