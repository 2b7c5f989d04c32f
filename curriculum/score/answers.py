"""What the learner answered to the questions that a score raised, to be given when it is read again."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from curriculum.score.notes import Hand


@dataclass(frozen=True, slots=True)
class Answers:
    """Each field is empty until it was asked and answered."""

    part: str = ""  # id of the part that is the piano (MusicXML), or number of the track (MIDI)
    hand: Hand | None = None  # which hand plays a score of one staff
    finest_beat: Fraction | None = None  # shortest value to which MIDI notes are moved
    split_midi: int | None = None  # lowest key of the right hand, where a MIDI file has one track


NO_ANSWERS = Answers()
