"""Writes of the review: marks, notes, answers and decisions; what was heard in clips and found in takes."""

from reviews.services.marking import (
    NOTE_SLACK_S,
    answer_skill,
    answer_skills,
    decide,
    pin_note,
    unpin_note,
    write_mark,
)

__all__ = [
    "NOTE_SLACK_S",
    "answer_skill",
    "answer_skills",
    "decide",
    "pin_note",
    "unpin_note",
    "write_mark",
]
