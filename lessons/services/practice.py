"""Writes about practice: tries, right or not yet."""

from datetime import date
from uuid import UUID, uuid4

from django.core.exceptions import ValidationError
from django.db import transaction

from curriculum import services as curriculum
from curriculum.models import Evidence
from lessons.models import Assignment, Lesson, Try
from lessons.queries import has_first_try


@transaction.atomic
def write_try(
    assignment: Assignment,
    *,
    was_right: bool,
    played_on: date,
    bars: str | None = None,
    hands: str | None = None,
    bpm: int | None = None,
    pk: UUID | None = None,
) -> Try:
    """Write one try. The first of a day is evidence for the skills that the assignment exercises.

    Bars, hands and tempo that are not given are the assignment's own. The same form sent twice (the same `pk`) gives the
    try that is there already.

    Raises
    ------
    ValidationError
        If the week of this sheet has not begun, or a newer sheet has begun by then: a page left open would write there.
    """
    Assignment.objects.select_for_update().get(pk=assignment.pk)
    if pk is not None:
        already = Try.objects.filter(pk=pk).first()
        if already is not None and already.assignment_id == assignment.pk:
            return already
        if already is not None:  # a name that is taken elsewhere says nothing here
            pk = None
    _refuse_other_week(assignment.lesson, played_on)
    row = Try(
        pk=pk or uuid4(),
        assignment=assignment,
        played_on=played_on,
        bars=assignment.bars if bars is None else bars,
        hands=assignment.hands if hands is None else hands,
        bpm=bpm if bpm is not None else assignment.bpm,
        was_right=was_right,
        is_first_of_day=not has_first_try(assignment, played_on),
    )
    row.full_clean()
    row.save()
    if row.is_first_of_day:
        for skill in assignment.skills.all():
            curriculum.record_evidence(
                skill,
                played_on=played_on,
                source=Evidence.Source.TRY,
                passed=was_right,
                reference=_reference(row),
            )
    return row


def _refuse_other_week(lesson: Lesson, played_on: date) -> None:
    if played_on < lesson.starts_on:
        raise ValidationError(
            f"This sheet begins on {lesson.starts_on:%-d %B}. Nothing was written; until then use the one before.",
            code="early",
        )
    newer = Lesson.objects.filter(
        learner=lesson.learner_id, starts_on__gt=lesson.starts_on, starts_on__lte=played_on
    ).exists()
    if newer:
        raise ValidationError(
            "A newer sheet has begun, so nothing was written here. Write your tries there.", code="late"
        )


@transaction.atomic
def write_first_try(assignment: Assignment, *, was_right: bool, played_on: date) -> Try:
    """Write the first try of a day by one tap. A second tap the same way is harmless; the other way corrects it."""
    first = assignment.tries.filter(played_on=played_on, is_first_of_day=True).first()
    if first is None:
        return write_try(assignment, was_right=was_right, played_on=played_on)
    if first.was_right != was_right:
        first.was_right = was_right
        first.save(update_fields=["was_right"])
        # Also for skills that the line no longer exercises: what they were told was wrong.
        curriculum.withdraw_evidence(_reference(first))
        for skill in assignment.skills.all():
            curriculum.record_evidence(
                skill,
                played_on=played_on,
                source=Evidence.Source.TRY,
                passed=was_right,
                reference=_reference(first),
            )
    return first


@transaction.atomic
def take_back_try(row: Try) -> None:
    """Delete a try that was written by mistake, and withdraw its evidence. A first try goes only with the rest of its day."""
    if row.is_first_of_day and row.assignment.tries.filter(played_on=row.played_on, is_first_of_day=False).exists():
        raise ValidationError("Take back the later tries of that day first: the first try is what counts.")
    curriculum.withdraw_evidence(_reference(row))
    row.delete()


def _reference(row: Try) -> str:
    return f"try:{row.pk}"
