"""Written music: read it from a file or from typing, write it back, unfold it.

The question answered: *which notes are written, in which bar, on which beat, for which hand; and in which order do they fall due when the
score is played as it says?* Everything here is plain Python without Django.

Conventions
-----------
* **Time** is counted in quarter notes ("beats") as exact fractions. Written things stand in a bar at an offset from its start. In playing
  order 0 is the downbeat of the first *full* bar; a pickup is negative, and its bar is number 0.
* **Bars** have an index (printed order, from 0) and a printed number (text). ``beat`` counts from 1, in quarters, within the bar.
* **Pitch** is the MIDI number, 60 for middle C, beside its spelling (step, alter, octave; octave 4 begins at middle C).
* **Ids** are ours: ``b4n2`` is the second note of the bar with index 4. A note that is played again in a later pass adds ``.2``, ``.3``
  and keeps its ``written_id``.
* **Ties** join note-heads: :class:`WrittenNote` is a head on the paper, :class:`DueNote` a key to be pressed once.
* **Hands**: the upper staff of two is the right hand, the lower the left. That is an assumption, and where it is doubtful a warning asks.
* **Doubts** are never settled silently: a score is refused by a :class:`ScoreError` that names the place, or read with warnings.
"""

from curriculum.score.abc import (
    CheckedBar,
    CheckedBoxes,
    CheckedHand,
    ComparedBar,
    check_boxes,
    check_hand,
    read_abc,
    read_two_hands,
)
from curriculum.score.answers import NO_ANSWERS, Answers
from curriculum.score.errors import (
    QUESTIONS,
    RefusalCode,
    ScoreContentError,
    ScoreError,
    ScoreFileError,
    ScoreMakingError,
    ScoreTooLargeError,
    TypedScoreError,
    WarningCode,
)
from curriculum.score.making import PlannedNote, make_score, number_notes, plain_bars
from curriculum.score.midi import read_midi
from curriculum.score.musicxml import name_bars, read_musicxml, write_musicxml
from curriculum.score.notes import (
    STEP_SEMITONES,
    VALUE_BEATS,
    Bar,
    Clef,
    DueNote,
    Hand,
    Key,
    Mark,
    MarkKind,
    Metre,
    ScoreWarning,
    Step,
    Tempo,
    Tuplet,
    WrittenNote,
    WrittenRest,
    WrittenScore,
    pitch_of,
)
from curriculum.score.playing import in_playing_order, in_printed_order
from curriculum.score.reading import read_score

__all__ = [
    "NO_ANSWERS",
    "QUESTIONS",
    "STEP_SEMITONES",
    "VALUE_BEATS",
    "Answers",
    "Bar",
    "CheckedBar",
    "CheckedBoxes",
    "CheckedHand",
    "Clef",
    "ComparedBar",
    "DueNote",
    "Hand",
    "Key",
    "Mark",
    "MarkKind",
    "Metre",
    "PlannedNote",
    "RefusalCode",
    "ScoreContentError",
    "ScoreError",
    "ScoreFileError",
    "ScoreMakingError",
    "ScoreTooLargeError",
    "ScoreWarning",
    "Step",
    "Tempo",
    "Tuplet",
    "TypedScoreError",
    "WarningCode",
    "WrittenNote",
    "WrittenRest",
    "WrittenScore",
    "check_boxes",
    "check_hand",
    "in_playing_order",
    "in_printed_order",
    "make_score",
    "name_bars",
    "number_notes",
    "pitch_of",
    "plain_bars",
    "read_abc",
    "read_midi",
    "read_musicxml",
    "read_score",
    "read_two_hands",
    "write_musicxml",
]
