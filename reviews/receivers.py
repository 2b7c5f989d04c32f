"""What this app does when a clip has been looked at, and how it hears clips."""

from typing import Any

from django.dispatch import receiver

from lessons.models import Clip, Job
from lessons.services.jobs import Work, register_work
from lessons.signals import clip_checked
from reviews import services

register_work(Job.Kind.MEASURE_CLIP, Work(do=services.measure_clip, give_up=services.give_up))


@receiver(clip_checked)
def hear_first(sender: type[Clip], clip: Clip, **kwargs: Any) -> None:
    """Hear a clip before its copy is made: it is short, and what the learner waits for."""
    services.hear_later(clip)
