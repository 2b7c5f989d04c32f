"""Writes about clips and takes."""

import hashlib
import shutil
import uuid
from collections.abc import Iterable
from datetime import date
from pathlib import Path

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import UploadedFile
from django.db import transaction
from django.db.models import Max

from lessons.models import MOST_TAKES, Assignment, Clip, Job, Lesson, Take
from lessons.services.jobs import add_job

# Bytes that must stay free on the disk after a clip is stored: room for its copy and for the database.
LEAST_FREE_BYTES = 500_000_000


def record_clip(
    lesson: Lesson,
    *,
    upload: UploadedFile,
    played_on: date,
    assignment: Assignment | None = None,
    was_first_today: bool = False,
    upload_token: uuid.UUID | None = None,
) -> tuple[Clip, Job | None]:
    """Store an uploaded file under our own name and add the job that prepares it.

    The same form sent twice (the same token) gives the clip that is there already, and no job.

    Raises
    ------
    ValidationError
        If the file is empty, is too large, or the disk is too full; nothing is kept then.
    """
    if upload_token is not None:
        already = Clip.objects.filter(upload_token=upload_token, lesson__learner=lesson.learner).first()
        if already is not None:
            return already, None
    _check_size(upload.size or 0)
    clip = Clip(
        lesson=lesson,
        assignment=assignment,
        played_on=played_on,
        was_first_today=was_first_today,
        given_name=Path(upload.name or "clip").name[:200],
        size_bytes=upload.size or 0,
        upload_token=upload_token,
    )
    clip.folder.mkdir(parents=True, exist_ok=True)
    try:
        clip.sha256 = _store(upload.chunks(), clip.original_path)
        twin = Clip.objects.filter(lesson=lesson, sha256=clip.sha256).exclude(state=Clip.State.REFUSED).first()
        if twin is not None:
            raise ValidationError(
                "This clip is here already, as “%(name)s”. It was not stored twice.", code="twin", params={"name": str(twin)}
            )
        with transaction.atomic():
            clip.save()
            job = add_job(clip, kind=Job.Kind.PREPARE_CLIP)
    except BaseException:
        shutil.rmtree(clip.folder, ignore_errors=True)
        raise
    return clip, job


def _check_size(size_bytes: int) -> None:
    if size_bytes == 0:
        raise ValidationError("This file is empty. Choose the clip again; nothing was stored.", code="empty")
    most = int(settings.KEYSLIP_MOST_CLIP_BYTES)
    if size_bytes > most:
        raise ValidationError(
            "This clip is %(size).1f GB; %(most).1f GB is the most. Film at 1080p and 30 frames, or in parts.",
            code="large",
            params={"size": size_bytes / 1e9, "most": most / 1e9},
        )
    free = shutil.disk_usage(settings.KEYSLIP_DATA).free
    if free < size_bytes + LEAST_FREE_BYTES:
        raise ValidationError(
            "The disk is nearly full, so this clip was not stored. Delete old clips first; your marks stay.", code="full"
        )


def _store(chunks: Iterable[bytes], path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("xb") as file:
        for chunk in chunks:
            digest.update(chunk)
            file.write(chunk)
    path.chmod(0o600)
    return digest.hexdigest()


@transaction.atomic
def take_whole_clip(clip: Clip) -> Take | None:
    """A clip uploaded for one assignment is one take over its whole length, if a number is left."""
    if clip.assignment is None or not clip.duration_s or clip.takes.exists():
        return None
    if clip.assignment.takes.count() >= MOST_TAKES:
        return None
    return add_take(clip, assignment=clip.assignment, start_s=0.0, end_s=clip.duration_s)


@transaction.atomic
def add_take(clip: Clip, *, assignment: Assignment, start_s: float, end_s: float) -> Take:
    """Set a take by hand. The first of an assignment is the one judged."""
    Assignment.objects.select_for_update().get(pk=assignment.pk)
    if assignment.lesson_id != clip.lesson_id:
        raise ValidationError("This clip belongs to another week.")
    if clip.duration_s and end_s > clip.duration_s + 0.05:
        raise ValidationError(
            {"end_s": f"The clip ends at {clip.duration_s:.1f} seconds; a take cannot end after it."}
        )
    last = assignment.takes.aggregate(last=Max("number"))["last"] or 0
    free = [number for number in range(1, MOST_TAKES + 1) if not assignment.takes.filter(number=number).exists()]
    if not free:
        raise ValidationError("Three takes of one assignment are enough. Delete one first.")
    take = Take(
        clip=clip,
        assignment=assignment,
        start_s=start_s,
        end_s=end_s,
        number=last + 1 if last < MOST_TAKES else free[0],
        is_judged=not assignment.takes.filter(is_judged=True).exists(),
    )
    take.full_clean()
    take.save()
    return take


@transaction.atomic
def move_take(take: Take, *, start_s: float, end_s: float) -> None:
    """Set other ends for a take."""
    take.start_s, take.end_s = start_s, end_s
    if take.clip.duration_s and end_s > take.clip.duration_s + 0.05:
        raise ValidationError({"end_s": f"The clip ends at {take.clip.duration_s:.1f} seconds; a take cannot end after it."})
    take.full_clean()
    take.save(update_fields=["start_s", "end_s"])


@transaction.atomic
def judge_take(take: Take) -> None:
    """Let this take be the one judged for its assignment."""
    take.assignment.takes.filter(is_judged=True).update(is_judged=False)
    take.is_judged = True
    take.save(update_fields=["is_judged"])


@transaction.atomic
def delete_take(take: Take) -> None:
    """Delete a take and its marks; evidence stays. The next take of the assignment is judged instead."""
    assignment = take.assignment
    was_judged = take.is_judged
    take.delete()
    following = assignment.takes.order_by("number").first()
    if was_judged and following is not None:
        judge_take(following)


@transaction.atomic
def delete_clip(clip: Clip) -> None:
    """Delete a clip with its takes; its files go with the row (receivers). Evidence that came from it stays."""
    for take in list(clip.takes.all()):
        delete_take(take)
    clip.delete()
