"""Writes of the review: marks, notes, answers. Verdicts and corrections go down through `lessons.services`."""

from django.core.exceptions import ValidationError
from django.db import transaction

from curriculum import services as curriculum
from curriculum.models import Evidence, Skill
from curriculum.rubric import rubric
from lessons.models import Assignment, Take
from lessons.queries import judged_take
from reviews.models import Mark, MomentNote, SkillAnswer
from reviews.queries import FIRST_LOOK


@transaction.atomic
def write_mark(take: Take, *, dimension: str, level: int | None, look: int = FIRST_LOOK, bars: str = "") -> Mark:
    """Write the learner's own mark; no level means *cannot tell*. Writing it again replaces it.

    Raises
    ------
    ValidationError
        If the sheet does not ask for this dimension, or the level is not 1 to 4.
    """
    if dimension not in rubric().dimensions or dimension not in take.assignment.dimensions:
        raise ValidationError({"dimension": "The sheet does not ask for this."})
    mark = Mark.objects.filter(take=take, dimension=dimension, look=look).first() or Mark(
        take=take, dimension=dimension, look=look
    )
    mark.level, mark.bars = level, bars.strip()
    mark.full_clean()
    mark.save()
    return mark


def pin_note(take: Take, *, at_s: float, text: str, dimension: str = "") -> MomentNote:
    """Pin a sentence to a moment of a take; `at_s` counts from the start of the clip and lies within the take."""
    if not take.start_s - 0.5 <= at_s <= take.end_s + 0.5:
        raise ValidationError(
            {"at_s": f"This take lies between {take.start_s:.1f} and {take.end_s:.1f} seconds of the clip."}
        )
    note = MomentNote(take=take, at_s=at_s, text=text.strip(), dimension=dimension)
    note.full_clean()
    note.save()
    return note


def unpin_note(note: MomentNote) -> None:
    """Delete a note."""
    note.delete()


@transaction.atomic
def answer_skill(assignment: Assignment, *, skill: Skill, answer: str) -> SkillAnswer:
    """Write the answer to a skill's own line; *yes* and *not yet* become evidence, *cannot tell* takes it back."""
    row = SkillAnswer.objects.filter(assignment=assignment, skill=skill).first() or SkillAnswer(
        assignment=assignment, skill=skill
    )
    row.answer = answer
    row.full_clean()
    row.save()
    reference = f"review:{assignment.pk}"
    if answer == SkillAnswer.Answer.CANNOT_TELL:
        curriculum.withdraw_evidence(reference, skills=[skill])
        return row
    take = judged_take(assignment)
    is_check = assignment.kind == Assignment.Kind.CHECK
    curriculum.record_evidence(
        skill,
        played_on=take.clip.played_on if take else assignment.lesson.learner.today(),
        source=Evidence.Source.CHECK if is_check else Evidence.Source.REVIEW,
        passed=answer == SkillAnswer.Answer.YES,
        reference=reference,
        is_first_try=take.clip.was_first_today if take else False,
    )
    return row
