"""What this app does when rows go."""

import shutil
from typing import Any

from django.db import transaction
from django.db.models.signals import post_delete
from django.dispatch import receiver

from lessons.models import Clip


@receiver(post_delete, sender=Clip, dispatch_uid="lessons-remove-clip-files")
def remove_clip_files(instance: Clip, **kwargs: Any) -> None:
    """Remove the files of a clip however its row went, also with its whole learner; after commit, so that nothing is lost."""
    folder = instance.folder
    transaction.on_commit(lambda: shutil.rmtree(folder, ignore_errors=True))
