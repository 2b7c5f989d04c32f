"""The learner's account and week."""

from collections.abc import Sequence
from datetime import date

from django.db import transaction

from curriculum.models import Learner
from curriculum.services.skills import seed_skills


@transaction.atomic
def create_learner(username: str, *, password: str, time_zone: str = "UTC", is_sample: bool = False) -> Learner:
    """Create a learner with the shipped skills as their own rows. The first learner of the house may administer."""
    is_first = not Learner.objects.exists()
    learner = Learner.objects.create_user(username, password=password, time_zone=time_zone, is_sample=is_sample)
    if is_first:
        learner.is_staff = learner.is_superuser = True
        learner.save(update_fields=["is_staff", "is_superuser"])
    seed_skills(learner)
    return learner


def set_week(learner: Learner, *, practice_days: Sequence[int], minutes_per_day: int, today: date) -> None:
    """Keep the learner's days and minutes; the rest of the settings form saves itself."""
    learner.practice_days = sorted(set(practice_days))
    learner.minutes_per_day = minutes_per_day
    learner.set_up_on = learner.set_up_on or today
    learner.save(update_fields=["practice_days", "minutes_per_day", "set_up_on"])
