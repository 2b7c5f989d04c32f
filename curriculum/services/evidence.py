"""Writes of evidence. Nothing is edited: a wrong row is withdrawn and a right one written."""

from collections.abc import Iterable
from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from curriculum.models import Evidence, Skill


@transaction.atomic
def record_evidence(
    skill: Skill,
    *,
    played_on: date,
    source: str,
    passed: bool,
    reference: str = "",
    is_first_try: bool = True,
    reason: str = "",
) -> Evidence:
    """Write one row of evidence. A row in force with the same reference is withdrawn first, so that saying it again is harmless."""
    if reference:
        withdraw_evidence(reference, skills=[skill])
    row = Evidence(
        learner_id=skill.learner_id,
        skill=skill,
        played_on=played_on,
        source=source,
        passed=passed,
        reference=reference,
        is_first_try=is_first_try,
        reason=reason,
    )
    row.full_clean(exclude=["learner", "skill"], validate_constraints=False)
    row.save()
    return row


# References in one query: SQLite takes 32,766 values; a tenth of that leaves room for others.
REFERENCES_AT_ONCE = 3_000


def withdraw_evidence(*references: str, skills: Iterable[Skill] | None = None) -> int:
    """Withdraw the rows in force that carry one of `references`, for all skills or for those given; return how many."""
    chosen = None if skills is None else list(skills)
    count = 0
    for start in range(0, len(references), REFERENCES_AT_ONCE):
        rows = Evidence.objects.filter(reference__in=references[start : start + REFERENCES_AT_ONCE], withdrawn_at=None)
        if chosen is not None:
            rows = rows.filter(skill__in=chosen)
        count += rows.update(withdrawn_at=timezone.now())
    return count


def withdraw_row(row: Evidence) -> None:
    """Withdraw one row. It stays in the history, struck out; doing it twice changes nothing."""
    Evidence.objects.filter(pk=row.pk, withdrawn_at=None).update(withdrawn_at=timezone.now())


def set_by_hand(skill: Skill, *, passed: bool, reason: str, today: date) -> Evidence:
    """Tick a skill, or send it back to work, by hand. A reason is asked, and the standing shows it.

    Said twice on one day with one reason it is written once.
    """
    if not reason.strip():
        raise ValidationError({"reason": "Say why you set this by hand."})
    said = Evidence.objects.filter(
        skill=skill,
        played_on=today,
        source=Evidence.Source.HAND,
        passed=passed,
        reason=reason.strip(),
        withdrawn_at=None,
    ).first()
    if said is not None:
        return said
    return record_evidence(
        skill, played_on=today, source=Evidence.Source.HAND, passed=passed, reason=reason.strip(), is_first_try=False
    )


@transaction.atomic
def claim_skills(
    skills: Iterable[Skill], *, today: date, reference: str = "", reason: str = "", also_tried: bool = False
) -> int:
    """Claim skills that have no evidence in force yet, or with `also_tried` all of them; return how many were claimed.

    A claim of something ticked changes nothing, and an earlier one with the same reference is withdrawn.
    """
    wanted = list(skills)
    if not wanted:
        return 0
    if also_tried:
        fresh = wanted
        if reference:
            withdraw_evidence(reference, skills=fresh)
    else:
        shown = set(Evidence.objects.filter(skill__in=wanted, withdrawn_at=None).values_list("skill_id", flat=True))
        fresh = [skill for skill in wanted if skill.pk not in shown]
    Evidence.objects.bulk_create(
        Evidence(
            learner_id=skill.learner_id,
            skill=skill,
            played_on=today,
            source=Evidence.Source.CLAIM,
            passed=True,
            is_first_try=False,
            reference=reference,
            reason=reason,
        )
        for skill in fresh
    )
    return len(fresh)
