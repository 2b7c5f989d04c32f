"""What this app does when rows go: the files of a score go with it, however the row went, also with its whole learner.

They go after commit, so that nothing is lost when the transaction is rolled back.
"""

import shutil
from typing import Any

from django.db import transaction
from django.db.models.signals import post_delete
from django.dispatch import receiver

from curriculum.models import Score
from curriculum.services.scores import forget_pictures


@receiver(post_delete, sender=Score, dispatch_uid="curriculum-remove-score-files")
def remove_files(instance: Score, **kwargs: Any) -> None:
    """Remove the folder of a score, and its pictures unless another score has the same content."""
    folder, content = instance.folder, instance.content_sha256

    def remove() -> None:
        shutil.rmtree(folder, ignore_errors=True)
        forget_pictures(content)

    transaction.on_commit(remove)
