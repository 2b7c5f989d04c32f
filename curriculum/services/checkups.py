"""What the check-up of the books found: carrying out a proposal, or leaving things as they are."""

from collections.abc import Mapping
from datetime import date

from django.db import transaction

from curriculum.graph.checkup import Proposal, ProposalKind
from curriculum.models import Book, Skill, Unit
from curriculum.services.books import change_unit, finish_unit, move_unit
from curriculum.services.evidence import claim_skills


@transaction.atomic
def accept_proposal(proposal: Proposal, *, units: Mapping[str, Unit], skills: Mapping[str, Skill], today: date) -> None:
    """Do what a proposal says; all of it can be undone by editing the unit or the skill. A loop is refused, and nothing changes."""
    if proposal.kind is ProposalKind.CLAIM and proposal.skill is not None:
        claim_skills([skills[proposal.skill]], today=today)
        return
    if proposal.unit is None:
        return
    unit = units[proposal.unit]
    if proposal.kind in {ProposalKind.MOVE_BEFORE, ProposalKind.MOVE_AFTER} and proposal.other_unit is not None:
        _move_beside(unit, units[proposal.other_unit], is_after=proposal.kind is ProposalKind.MOVE_AFTER)
        return
    if proposal.kind is ProposalKind.SKIP:
        finish_unit(unit, today=today)
        return
    if proposal.skill is None:
        return
    teaches, needs = (
        {skill.slug: skill for skill in unit.teaches.all()},
        {skill.slug: skill for skill in unit.extra_needs.all()},
    )
    skill = skills[proposal.skill]
    if proposal.kind is ProposalKind.ADD_TEACHES:
        teaches[skill.slug] = skill
        needs.pop(skill.slug, None)
    elif proposal.kind is ProposalKind.DROP_NEED:
        needs.pop(skill.slug, None)
    elif proposal.kind is ProposalKind.NEED_INSTEAD:
        teaches.pop(skill.slug, None)
        needs[skill.slug] = skill
    change_unit(unit, teaches=teaches.values(), extra_needs=needs.values(), today=today)


def _move_beside(unit: Unit, other: Unit, *, is_after: bool) -> None:
    place = other.position - (unit.position < other.position) + is_after
    move_unit(unit, to_position=place)


def leave_as_is(book: Book, *, key: str) -> None:
    """Remember that a finding of the check-up is as the learner wants it."""
    if key not in book.left_as_is:
        book.left_as_is = [*book.left_as_is, key]
        book.save(update_fields=["left_as_is"])


def look_again(book: Book, *, key: str) -> None:
    """Let the check-up name a finding again."""
    book.left_as_is = [each for each in book.left_as_is if each != key]
    book.save(update_fields=["left_as_is"])
