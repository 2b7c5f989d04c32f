"""Putting the take that tells fingers from the room on this week's sheet."""

from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction

from curriculum import services as curriculum
from curriculum.models import Learner, Score
from curriculum.score import Hand
from lessons import services as lessons
from lessons.models import Assignment
from lessons.queries import current_lesson
from reviews.compare.designed import design_take

WHY = (
    "One take cannot tell a loud finger from the room; this one can. Five starts, on C, D, E, F and G, then all of them again: "
    "do not move the phone between the starts, and keep to the fingers."
)
MINUTES = 3


@transaction.atomic
def set_finger_take(learner: Learner, *, hand: Hand, today: date) -> Assignment:
    """Add the take as a line of its own; asked twice, it is the same line.

    Raises
    ------
    ValidationError
        If this week has no sheet, or its sheet is full or decided.
    """
    lesson = current_lesson(learner, today=today)
    if lesson is None:
        raise ValidationError("This week has no sheet yet. Set it first; then this take can be put on it.")
    written = design_take(hand)
    score = curriculum.add_score(learner, written=written, source=Score.Source.PATTERN)
    already: Assignment | None = lesson.assignments.filter(score=score).first()
    if already is not None:
        return already
    line = lessons.Line(
        kind=Assignment.Kind.CHECK,
        title=written.title,
        why=WHY,
        minutes=MINUTES,
        dimensions=["evenness"],
        hands=hand,
    )
    row: Assignment = lessons.add_line(lesson, line, today=today)
    lessons.change_line(row, score=score)
    return row
