"""Writes about clips and takes."""

import hashlib
import math
import os
import shutil
import uuid
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import TypeAlias

from django.core.exceptions import ValidationError
from django.core.files.base import File
from django.db import IntegrityError, transaction

from lessons.media.clock import write_clock
from lessons.models import MOST_TAKES, Assignment, Clip, Job, Lesson, Take
from lessons.services.jobs import add_job
from lessons.services.keeping import check_clip_size, check_room

Upload: TypeAlias = "File[bytes]"

# Bytes read at a time while a stored clip is summed up: enough to be quick, little beside everything else.
READ_BYTES = 1_048_576
# Seconds by which a typed end may pass the end of the clip: players round to tenths.
END_SLACK_S = 0.1


def record_clip(
    lesson: Lesson,
    *,
    upload: "File[bytes]",
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
        If the file is empty, is too large, is here already, or the disk is too full; nothing is kept then.
    """
    if assignment is not None and assignment.lesson_id != lesson.pk:
        raise ValidationError("This line belongs to another week.", code="week")
    already = sent_before(lesson, upload_token)
    if already is not None:
        return already, None
    size_bytes = upload.size or 0
    has_arrived = hasattr(upload, "temporary_file_path")
    check_clip_size(size_bytes, has_arrived=has_arrived)
    check_room(lesson.learner, size_bytes, has_arrived=has_arrived)
    clip = Clip(
        lesson=lesson,
        assignment=assignment,
        played_on=played_on,
        was_first_today=was_first_today,
        given_name=Path(upload.name or "clip").name[:200],
        size_bytes=size_bytes,
        upload_token=upload_token,
    )
    clip.folder.mkdir(parents=True, exist_ok=True)
    try:
        clip.sha256 = _store(upload, clip.original_path)
        already = sent_before(lesson, upload_token)  # by the same button pressed twice, while this one was stored
        if already is not None:
            shutil.rmtree(clip.folder, ignore_errors=True)
            return already, None
        _refuse_twin(clip)
        with transaction.atomic():
            clip.save()
            job = add_job(clip, kind=Job.Kind.PREPARE_CLIP)
    except IntegrityError:
        shutil.rmtree(clip.folder, ignore_errors=True)
        already = sent_before(lesson, upload_token)
        if already is None:
            raise ValidationError(
                "This clip could not be written down. Load the page again and choose it once more.", code="again"
            ) from None
        return already, None
    except BaseException:
        shutil.rmtree(clip.folder, ignore_errors=True)
        raise
    return clip, job


def twin_of(clip: Clip) -> Clip | None:
    """Return the clip of the same lesson that is the same byte for byte; None where there is none, or it was refused."""
    same = Clip.objects.filter(lesson_id=clip.lesson_id, sha256=clip.sha256)
    return same.exclude(state=Clip.State.REFUSED).exclude(pk=clip.pk).first()


def _refuse_twin(clip: Clip) -> None:
    twin = twin_of(clip)
    if twin is not None:
        raise ValidationError(
            "This clip is here already, as “%(name)s”. It was not stored twice.",
            code="twin",
            params={"name": str(twin)},
        )


def sent_before(lesson: Lesson, upload_token: uuid.UUID | None) -> Clip | None:
    """Return the learner's clip that came with this token; None where none did."""
    if upload_token is None:
        return None
    return Clip.objects.filter(upload_token=upload_token, lesson__learner_id=lesson.learner_id).first()


def _store(upload: "File[bytes]", path: Path) -> str:
    """Keep an upload at `path`; return its SHA-256. One that lies on the disk already is moved there, not copied."""
    arrived = getattr(upload, "temporary_file_path", None)
    if arrived is not None:
        upload.flush()
        try:
            os.link(arrived(), path)  # the upload removes its own name when it is closed
        except OSError:  # another disk, or one without links
            shutil.copyfile(arrived(), path)
        digest = _digest_of(path)
    else:
        digest = _write(upload.chunks(), path)
    path.chmod(0o600)
    return digest


def _digest_of(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(READ_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def _write(chunks: Iterable[bytes], path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("xb") as file:
        for chunk in chunks:
            digest.update(chunk)
            file.write(chunk)
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
    """Set a take by hand. The first of an assignment is the one judged. Setting the same take twice gives the one there is.

    Raises
    ------
    ValidationError
        If the clip is not ready, the ends lie outside it, the line is of another week, or has three takes already.
    """
    Assignment.objects.select_for_update().get(pk=assignment.pk)
    if assignment.lesson_id != clip.lesson_id:
        raise ValidationError("This clip belongs to another week.")
    if clip.state != Clip.State.READY:
        raise ValidationError("This clip is not ready yet. Takes can be set once it is.")
    end_s = _checked_end(clip, start_s=start_s, end_s=end_s)
    there = {take.number: take for take in assignment.takes.all()}
    for take in there.values():
        if take.clip_id == clip.pk and math.isclose(take.start_s, start_s) and math.isclose(take.end_s, end_s):
            return take
    free = [number for number in range(1, MOST_TAKES + 1) if number not in there]
    if not free:
        raise ValidationError("Three takes of one assignment are enough. Delete one first.")
    after_last = max(there, default=0) + 1
    take = Take(
        clip=clip,
        assignment=assignment,
        start_s=start_s,
        end_s=end_s,
        number=after_last if after_last <= MOST_TAKES else free[0],
        is_judged=not any(take.is_judged for take in there.values()),
    )
    take.full_clean()
    take.save()
    return take


def _checked_end(clip: Clip, *, start_s: float, end_s: float) -> float:
    """Return where a take ends, no later than its clip."""
    if end_s <= start_s:
        raise ValidationError({"end_s": "A take ends after it starts."})
    if clip.duration_s is None:
        return end_s
    if start_s >= clip.duration_s:
        raise ValidationError(
            {"start_s": f"The clip ends at {write_clock(clip.duration_s)}; a take starts before that."}
        )
    if end_s > clip.duration_s + END_SLACK_S:
        raise ValidationError(
            {"end_s": f"The clip ends at {write_clock(clip.duration_s)}; a take cannot end after it."}
        )
    return min(end_s, clip.duration_s)


@transaction.atomic
def move_take(take: Take, *, start_s: float, end_s: float) -> None:
    """Set other ends for a take."""
    take.start_s, take.end_s = start_s, _checked_end(take.clip, start_s=start_s, end_s=end_s)
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
