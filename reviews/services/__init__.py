"""Writes of the review: marks, notes, answers and decisions; what was heard in clips, typed of them and found in takes."""

from reviews.services.fingers import set_finger_take
from reviews.services.marking import (
    NOTE_SLACK_S,
    answer_skill,
    answer_skills,
    decide,
    pin_note,
    unpin_note,
    write_mark,
)
from reviews.services.measuring import (
    can_hear,
    give_up,
    hear_later,
    is_listening,
    measure_clip,
    measured,
    score_of,
)
from reviews.services.rhythm import type_rhythm

__all__ = [
    "NOTE_SLACK_S",
    "answer_skill",
    "answer_skills",
    "can_hear",
    "decide",
    "give_up",
    "hear_later",
    "is_listening",
    "measure_clip",
    "measured",
    "pin_note",
    "score_of",
    "set_finger_take",
    "type_rhythm",
    "unpin_note",
    "write_mark",
]
