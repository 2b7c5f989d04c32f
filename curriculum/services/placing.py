"""Placement of a returner: the answers as they come, and taking over what they come to."""

from collections.abc import Iterable
from datetime import date

from django.db import transaction
from django.utils import timezone

from curriculum.models import Book, Learner, Placement, Skill, Unit
from curriculum.services.books import stand_here
from curriculum.services.evidence import claim_skills


def begin_placement(learner: Learner, *, book: Book | None) -> Placement:
    """Begin a placement, or go on with the one that was stopped half-way."""
    going = Placement.objects.filter(learner=learner, finished_at=None, book=book).first()
    return going or Placement.objects.create(learner=learner, book=book)


def keep_answer(placement: Placement, *, kind: str, about: str, said: str) -> None:
    """Keep the answer to one question."""
    placement.answers = [*placement.answers, {"kind": kind, "id": about, "said": said}]
    placement.save(update_fields=["answers"])


def take_back_answer(placement: Placement) -> None:
    """Go back one question."""
    placement.answers = placement.answers[:-1]
    placement.save(update_fields=["answers"])


def drop_placement(placement: Placement) -> None:
    """Throw the answers away. Nothing that was claimed goes with them."""
    placement.delete()


@transaction.atomic
def accept_placement(placement: Placement, *, placed: Iterable[Skill], unit: Unit | None, today: date) -> int:
    """Claim what was placed, with the reason, and stand at `unit`; return how many skills were claimed. Twice is once."""
    if not Placement.objects.filter(pk=placement.pk, finished_at=None).update(finished_at=timezone.now()):
        return 0
    count = claim_skills(placed, today=today, reference=f"placement:{placement.pk}", reason="placed by questions")
    if unit is not None:
        stand_here(unit, today=today)
    return count
