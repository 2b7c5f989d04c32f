"""Writes of the review: marks, notes, answers, decisions. Verdicts and corrections go down through `lessons.services`."""

from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from curriculum import services as curriculum
from curriculum.models import Evidence, Skill, Unit
from curriculum.rubric import rubric
from lessons import services as lessons
from lessons.media.clock import write_clock
from lessons.models import Assignment, Take
from lessons.queries import judged_take
from reviews.models import Mark, MomentNote, SkillAnswer
from reviews.queries import FIRST_LOOK

# Seconds by which a note may lie outside its take: a thumb on a phone hits half a second beside the edge.
NOTE_SLACK_S = 0.5


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
    Take.objects.select_for_update().get(pk=take.pk)
    mark = Mark.objects.filter(take=take, dimension=dimension, look=look).first() or Mark(
        take=take, dimension=dimension, look=look
    )
    mark.level, mark.bars = level, bars.strip()
    mark.full_clean()
    mark.save()
    return mark


@transaction.atomic
def pin_note(take: Take, *, at_s: float, text: str, dimension: str = "") -> MomentNote:
    """Pin a sentence to a moment of a take; `at_s` counts from the start of the clip and lies within the take.

    The same words at the same moment are one note: a form sent twice pins once.
    """
    if not take.start_s - NOTE_SLACK_S <= at_s <= take.end_s + NOTE_SLACK_S:
        raise ValidationError(
            {
                "at_s": f"This take runs from {write_clock(take.start_s)} to {write_clock(take.end_s)}. Write a moment in it."
            }
        )
    Take.objects.select_for_update().get(pk=take.pk)
    note = MomentNote.objects.filter(take=take, at_s=at_s, text=text.strip(), dimension=dimension).first()
    if note is None:
        note = MomentNote(take=take, at_s=at_s, text=text.strip(), dimension=dimension)
        note.full_clean()
        note.save()
    return note


def unpin_note(note: MomentNote) -> None:
    """Delete a note."""
    note.delete()


@transaction.atomic
def answer_skill(assignment: Assignment, *, skill: Skill, answer: str) -> SkillAnswer:
    """Write the answer to a skill's own line; *yes* and *not yet* become evidence, *cannot tell* takes it back.

    Saying the same again changes nothing. What was not filmed cannot be answered: there is nothing that shows it.

    Raises
    ------
    ValidationError
        If the assignment does not exercise this skill, has no take, or the answer is unknown.
    """
    Assignment.objects.select_for_update().get(pk=assignment.pk)
    if not assignment.skills.filter(pk=skill.pk).exists():
        raise ValidationError("This line of the sheet does not exercise that skill.")
    take = judged_take(assignment)
    if take is None:
        raise ValidationError("Nothing was filmed for this line, so there is nothing that shows the skill.")
    row = SkillAnswer.objects.filter(assignment=assignment, skill=skill).first() or SkillAnswer(
        assignment=assignment, skill=skill
    )
    row.answer, row.created_at = answer, timezone.now()
    row.full_clean()
    row.save()
    _write_evidence(row, take=take)
    return row


def _write_evidence(row: SkillAnswer, *, take: Take) -> None:
    reference = f"review:{row.assignment_id}"
    if row.answer == SkillAnswer.Answer.CANNOT_TELL:
        curriculum.withdraw_evidence(reference, skills=[row.skill])
        return
    source = Evidence.Source.CHECK if row.assignment.kind == Assignment.Kind.CHECK else Evidence.Source.REVIEW
    played_on, is_first_try = take.clip.played_on, _is_first_try(take)
    passed = row.answer == SkillAnswer.Answer.YES
    in_force = Evidence.objects.filter(skill=row.skill, reference=reference, withdrawn_at=None)
    if in_force.filter(source=source, played_on=played_on, passed=passed, is_first_try=is_first_try).exists():
        return
    curriculum.record_evidence(
        row.skill, played_on=played_on, source=source, passed=passed, reference=reference, is_first_try=is_first_try
    )


def _is_first_try(take: Take) -> bool:
    """“The first time today” is said of a clip; of several takes of one line in it only the earliest was that."""
    if not take.clip.was_first_today:
        return False
    earlier = take.clip.takes.filter(assignment=take.assignment_id, start_s__lt=take.start_s)
    return not earlier.exclude(pk=take.pk).exists()


@transaction.atomic
def answer_skills(assignment: Assignment, *, answers: dict[Skill, str]) -> None:
    """Write the answers for all skills of a line at once; all of them or none."""
    for skill, answer in answers.items():
        answer_skill(assignment, skill=skill, answer=answer)


@transaction.atomic
def decide(
    assignment: Assignment, *, verdict: str, today: date, dimension: str = "", text: str = "", bars: str = ""
) -> Unit | None:
    """Decide on a line of the sheet, with a correction or without. Deciding again replaces verdict and correction.

    A correction that stands on a later sheet already is left alone: it is changed there.

    Returns the unit that *go back* proposes; None otherwise.
    """
    Assignment.objects.select_for_update().get(pk=assignment.pk)
    proposed = lessons.decide_assignment(assignment, verdict=verdict, today=today)
    words = (dimension, text.strip(), bars.strip())
    kept = False
    for correction in assignment.corrections.filter(let_go_on=None, carried_to=None):
        if words == (correction.dimension, correction.text, correction.bars):
            kept = True
        else:
            lessons.delete_correction(correction)
    if text.strip() and not kept:
        if dimension not in rubric().dimensions:
            raise ValidationError({"dimension": "Say what the correction is about."})
        lessons.write_correction(assignment, dimension=dimension, text=text.strip(), bars=bars.strip())
    return proposed
