"""Celery entry points that belong to no single app."""

import logging

from celery import shared_task
from django.utils import timezone

log = logging.getLogger(__name__)


@shared_task(name="keyslip.make_sample", ignore_result=True)
def make_sample() -> None:
    """Make the sample learner anew. Running twice gives the same."""
    from keyslip.sample.story import load_sample  # the story draws and synthesises: no page needs that in memory

    load_sample(today=timezone.localdate(), tell=log.info)
