"""The learner's account and week."""

import os
import zoneinfo
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from django.db import transaction

from curriculum.models import Learner
from curriculum.services.skills import seed_skills

# Where systems keep their own time zone: a link into the folder of zones.
LOCAL_TIME = Path("/etc/localtime")


def has_account() -> bool:
    """Tell whether somebody has an account. The sample learner is nobody's account."""
    return Learner.objects.filter(is_sample=False).exists()


def guess_time_zone() -> str:
    """Return the time zone of this computer, or UTC where it does not say."""
    named = os.environ.get("TZ", "").removeprefix(":")
    try:
        linked = str(LOCAL_TIME.readlink()).partition("zoneinfo/")[2]
    except OSError:
        linked = ""
    known = zoneinfo.available_timezones()
    return next((name for name in (named, linked) if name in known), "UTC")


@transaction.atomic
def create_learner(username: str, *, password: str, time_zone: str = "UTC", is_sample: bool = False) -> Learner:
    """Create a learner with the shipped skills as their own rows. The first learner of the house may administer."""
    is_first = not is_sample and not has_account()
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
