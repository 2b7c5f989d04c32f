"""What this app does when rows go: files go with them, however the row went, also with its whole learner.

They go after commit, so that nothing is lost when the transaction is rolled back; what a crash leaves in between the
sweeper removes.
"""

import shutil
from typing import Any

from django.db import transaction
from django.db.models.signals import post_delete
from django.dispatch import receiver

from lessons.models import Clip, ReferencePicture, Still, Upload


@receiver(post_delete, sender=Clip, dispatch_uid="lessons-remove-clip-files")
@receiver(post_delete, sender=Still, dispatch_uid="lessons-remove-still-files")
@receiver(post_delete, sender=ReferencePicture, dispatch_uid="lessons-remove-reference-files")
def remove_files(instance: Clip | Still | ReferencePicture, **kwargs: Any) -> None:
    """Remove the folder of a clip or a picture."""
    folder = instance.folder
    transaction.on_commit(lambda: shutil.rmtree(folder, ignore_errors=True))


@receiver(post_delete, sender=Upload, dispatch_uid="lessons-remove-upload-bytes")
def remove_bytes(instance: Upload, **kwargs: Any) -> None:
    """Remove what has arrived of an upload that was given up, ran out or was finished; a finished one has no bytes left."""
    path = instance.path
    transaction.on_commit(lambda: path.unlink(missing_ok=True))
