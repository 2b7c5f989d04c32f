"""Writes about the week's sheet: setting it and changing its lines."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any
from uuid import UUID, uuid4

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, Max

from curriculum import services as curriculum
from curriculum.models import Learner, Skill
from curriculum.rubric import in_judging_order, rubric
from lessons.models import LETTERS, Assignment, Lesson
from lessons.services.proposing import Line

MOST_DIMENSIONS = 3
# Added to places while lines change theirs, so that no two share one on the way. More than any sheet has lines.
ASIDE = 10_000


@transaction.atomic
def set_sheet(learner: Learner, *, starts_on: date, lines: Sequence[Line], today: date) -> Lesson:
    """Set the sheet of a week. Setting it twice changes nothing: the first sheet stays and is returned."""
    lesson, is_new = Lesson.objects.get_or_create(
        learner=learner,
        starts_on=starts_on,
        defaults={
            "minutes_per_day": learner.minutes_per_day,
            "practice_days": learner.practice_days,
            "film_day": learner.film_day,
        },
    )
    if is_new:
        for line in lines:
            add_line(lesson, line, today=today)
    return lesson


@transaction.atomic
def add_line(lesson: Lesson, line: Line, *, today: date, pk: UUID | None = None) -> Assignment:
    """Add a line at the end of a sheet. Its unit or piece is in work from now on.

    The same form sent twice (the same `pk`) gives the line that is there already.
    """
    if pk is not None:
        already = Assignment.objects.filter(pk=pk).first()
        if already is not None and already.lesson_id == lesson.pk:
            return already
        if already is not None:  # a name that is taken elsewhere says nothing here
            pk = None
    _refuse_decided(lesson)
    last = lesson.assignments.aggregate(last=Max("position"))["last"] or 0
    if last >= len(LETTERS):
        raise ValidationError(f"A sheet has at most {len(LETTERS)} lines, one for each letter. Remove one first.")
    row = Assignment(
        pk=pk or uuid4(),
        lesson=lesson,
        position=last + 1,
        kind=line.kind,
        title=line.title,
        unit=line.unit,
        piece=line.piece,
        bars=line.bars,
        hands=line.hands,
        bpm=line.bpm,
        minutes=line.minutes,
        why=line.why[:300],
        dimensions=checked_dimensions(line.dimensions, kind=line.kind),
    )
    row.full_clean()
    row.save()
    row.skills.set(line.skills)
    if line.kind == Assignment.Kind.UNIT and line.unit is not None:
        curriculum.begin_unit(line.unit, today=today)
    if line.kind == Assignment.Kind.PIECE and line.piece is not None:
        curriculum.begin_piece(line.piece, today=today)
    if line.correction is not None:
        line.correction.carried_to = row
        line.correction.save(update_fields=["carried_to"])
    return row


def checked_dimensions(ids: Sequence[str], *, kind: str) -> list[str]:
    """Return `ids` in judging order.

    Raises
    ------
    ValidationError
        If one is unknown, or there are none or more than three (an older piece may have none).
    """
    unknown = set(ids) - set(rubric().dimensions)
    if unknown:
        raise ValidationError({"dimensions": f"There is no dimension called “{min(unknown)}”."})
    ordered = in_judging_order(list(ids))
    if len(ordered) > MOST_DIMENSIONS:
        raise ValidationError({"dimensions": "Choose at most three things to judge; more cannot be judged well."})
    if not ordered and kind != Assignment.Kind.OLDER:
        raise ValidationError({"dimensions": "Choose at least one thing to judge, before you play."})
    return ordered


@transaction.atomic
def change_line(row: Assignment, *, skills: Iterable[Skill] | None = None, **fields: Any) -> None:
    """Change a line of the sheet."""
    _refuse_decided(row.lesson)
    for name, value in fields.items():
        setattr(row, name, value)
    row.dimensions = checked_dimensions(row.dimensions, kind=row.kind)
    row.full_clean()
    row.save()
    if skills is not None:
        row.skills.set(list(skills))


@transaction.atomic
def move_line(row: Assignment, *, to_position: int) -> None:
    """Move a line to another place of its sheet; letters follow the places."""
    _refuse_decided(row.lesson)
    order = list(row.lesson.assignments.order_by("position"))
    order.remove(row)
    order.insert(max(0, min(to_position - 1, len(order))), row)
    _renumber(row.lesson, order)


@transaction.atomic
def remove_line(row: Assignment) -> None:
    """Take a line off the sheet. A line that was practised or filmed stays: what was done is not thrown away."""
    _refuse_decided(row.lesson)
    if row.verdict or row.tries.exists() or row.takes.exists() or row.clips.exists():
        raise ValidationError("This line was practised or filmed already. It stays; leave it out next week instead.")
    lesson, unit = row.lesson, row.unit
    began_here = row.kind == Assignment.Kind.UNIT and unit is not None and not unit.done_on
    row.delete()
    if began_here and unit is not None and not unit.assignments.exists():
        unit.begun_on = None
        unit.save(update_fields=["begun_on"])
    _renumber(lesson, list(lesson.assignments.order_by("position")))


def _refuse_decided(lesson: Lesson) -> None:
    if lesson.decided_at is not None:
        raise ValidationError(
            "This lesson is decided, so its sheet stays as it was. Change the next one.", code="decided"
        )


def _renumber(lesson: Lesson, order: Sequence[Assignment]) -> None:
    lesson.assignments.update(position=F("position") + ASIDE)
    for number, row in enumerate(order, start=1):
        row.position = number
    Assignment.objects.bulk_update(order, ["position"])
