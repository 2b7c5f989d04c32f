"""Writes about uploads: clips that arrive in slices, and what becomes of them however often the line or the program breaks.

The bytes lie in `incoming/`, one file for each upload, and whoever writes to it holds a lock on that file, which the kernel
takes back when its process dies. The row says how many of the bytes count. It is written after they are on the disk, so it
never counts too many; where it counts too few, the client sends them again.

Turning the bytes into a clip is one transaction between two steps that may be done twice: the file gets a second name in the
clip's own folder before, and loses its first name after. The clip takes the id of its upload, so that doing it again finds
what is there.
"""

import contextlib
import errno
import fcntl
import hashlib
import hmac
import os
import time
import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path, PurePath

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet
from django.utils import timezone

from curriculum.models import Learner
from lessons.models import Assignment, Clip, Job, Lesson, Upload
from lessons.services.clips import READ_BYTES, sent_before, twin_of
from lessons.services.jobs import add_job
from lessons.services.keeping import check_clip_size, check_room
from lessons.uploads import (
    BusyError,
    ChecksumError,
    GoneError,
    NoRoomError,
    OffsetError,
    SizeError,
    Slice,
    UploadError,
    windows,
)

# Uploads of one learner under way at a time. A lesson has a handful of clips; many more are a client gone wrong.
MOST_UNDER_WAY = 20
# Bytes for which there must be room before a recording begins: a minute or two of film. Each slice asks again.
FIRST_BYTES = 100_000_000
# Seconds between two notes of how far a long slice has come. Each waits for the disk; what a kill loses is at most this much.
NOTE_EVERY_S = 3.0


@dataclass(frozen=True, slots=True)
class Finished:
    """What became of an upload: the clip (None where it was deleted since), and the job to ring for, if it is new."""

    clip: Clip | None
    job: Job | None = None
    is_twin: bool = False


def begin_upload(
    lesson: Lesson,
    *,
    size_bytes: int | None,
    played_on: date,
    assignment: Assignment | None = None,
    was_first_today: bool = False,
    given_name: str = "",
    token: uuid.UUID | None = None,
) -> Upload:
    """Make room for a clip that is to arrive; `size_bytes` None means that its length is told later.

    The same request sent twice (the same token) gives the upload that is there already, while none of it has arrived.

    Raises
    ------
    ValidationError
        If the clip is empty or too large, does not fit, or too many are under way; code ``empty``, ``large``, ``full``,
        ``quota`` or ``many``.
    """
    if assignment is not None and assignment.lesson_id != lesson.pk:
        raise ValidationError("This line belongs to another week.", code="week")
    if size_bytes is not None:
        check_clip_size(size_bytes)
    upload = Upload(
        lesson=lesson,
        learner=lesson.learner,
        assignment=assignment,
        played_on=played_on,
        was_first_today=was_first_today,
        given_name=PurePath(given_name.replace("\\", "/")).name[:200],
        is_recording=size_bytes is None,
        size_bytes=size_bytes,
        expires_at=_expiry(),
    )
    try:
        with transaction.atomic():
            Learner.objects.select_for_update().get(pk=lesson.learner_id)  # two that come together see each other
            begun = _begun_before(upload, token)
            if begun is not None:
                return begun
            check_room(lesson.learner, FIRST_BYTES if size_bytes is None else size_bytes)
            if _open_uploads(lesson.learner).count() >= MOST_UNDER_WAY:
                raise ValidationError(
                    "%(count)d clips are on their way already. Give some of them up first, on the page “Unfinished uploads”.",
                    code="many",
                    params={"count": MOST_UNDER_WAY},
                )
            if token is not None and _is_free(token):
                upload.pk = token
            upload.save(force_insert=True)
    except IntegrityError:  # somebody else's, in the same moment
        upload.pk = uuid.uuid4()
        upload.save(force_insert=True)
    os.close(_open(upload))
    return upload


def _begun_before(upload: Upload, token: uuid.UUID | None) -> Upload | None:
    same = {name: getattr(upload, name) for name in ("lesson", "assignment", "played_on", "size_bytes", "given_name")}
    return _open_uploads(upload.learner).filter(pk=token, offset_bytes=0, **same).first() if token else None


def _is_free(token: uuid.UUID) -> bool:
    """True where no upload and no clip has this id, nor came with this token."""
    return not (
        Upload.objects.filter(pk=token).exists()
        or Clip.objects.filter(pk=token).exists()
        or Clip.objects.filter(upload_token=token).exists()
    )


def _open_uploads(learner: Learner) -> "QuerySet[Upload]":
    return Upload.objects.filter(learner=learner, finished_at=None)


def _expiry() -> datetime:
    return timezone.now() + timedelta(days=settings.KEYSLIP_UPLOAD_DAYS)


def add_slice(upload: Upload, piece: Slice, *, chunks: Iterable[bytes]) -> None:
    """Write the bytes of one slice behind those that have arrived, and on `upload` how many there are then.

    What came before a line broke counts, unless the slice has a checksum: then all of it counts or nothing.

    Raises
    ------
    UploadError
        If it has expired, is being written to, begins elsewhere, does not fit, differs from its checksum, or stalls.
    """
    with _held(upload) as file:
        check_alive(upload)
        arrived = _arrived_bytes(upload, file)
        if piece.offset_bytes != arrived:
            raise OffsetError(f"{arrived} bytes have arrived; the slice begins at {piece.offset_bytes}.")
        _agree_on_size(upload, piece)
        _check_growth(upload, piece)
        if upload.finished_at is None:
            _write_slice(upload, piece, file=file, chunks=chunks)


def check_alive(upload: Upload) -> None:
    """Refuse an upload whose time is over.

    Raises
    ------
    GoneError
        If nobody sent anything for days, and it is not finished.
    """
    if upload.finished_at is None and upload.expires_at <= timezone.now():
        raise GoneError(
            f"Nothing came for {settings.KEYSLIP_UPLOAD_DAYS} days, so what had arrived was thrown away. Send the clip anew."
        )


def _agree_on_size(upload: Upload, piece: Slice) -> None:
    """Take the length of the whole from a slice that tells it. It is told once."""
    if piece.size_bytes is None or piece.size_bytes == upload.size_bytes:
        return
    if upload.size_bytes is not None:
        raise SizeError(f"The length was told before: {upload.size_bytes} bytes, now {piece.size_bytes}.")
    if piece.size_bytes < piece.offset_bytes + piece.length_bytes:
        raise SizeError(f"{piece.size_bytes} bytes are less than what comes.")
    _note_size(upload, piece.size_bytes)


def _note_size(upload: Upload, size_bytes: int) -> None:
    try:
        check_clip_size(size_bytes, has_arrived=True)
        with transaction.atomic():
            check_room(upload.learner, size_bytes, upload=upload, has_arrived=size_bytes == upload.offset_bytes)
            Upload.objects.filter(pk=upload.pk, size_bytes=None).update(size_bytes=size_bytes)
    except ValidationError as error:
        raise refusal(error) from error
    upload.size_bytes = size_bytes


def _check_growth(upload: Upload, piece: Slice) -> None:
    """Refuse more than was announced; a recording, whose length nobody knows yet, is asked about slice by slice."""
    after = piece.offset_bytes + piece.length_bytes
    if upload.size_bytes is not None:
        if after > upload.size_bytes:
            raise SizeError(f"{upload.size_bytes} bytes were announced; these would be {after}.")
        return
    try:
        if piece.length_bytes:
            check_clip_size(after, has_arrived=True)
            check_room(upload.learner, piece.length_bytes)
    except ValidationError as error:
        raise refusal(error) from error


def refusal(error: ValidationError) -> UploadError:
    """Return what a service refused as the protocol answers it."""
    code = getattr(error, "code", None)
    kind = {"large": SizeError, "quota": NoRoomError, "full": NoRoomError}.get(code or "", UploadError)
    return kind(" ".join(error.messages))


def _write_slice(upload: Upload, piece: Slice, *, file: int, chunks: Iterable[bytes]) -> None:
    start = end = piece.offset_bytes
    digest = piece.checksum.begin() if piece.checksum is not None else None
    noted_s = time.monotonic()
    os.lseek(file, start, os.SEEK_SET)
    try:
        for chunk in chunks:
            _write_all(file, chunk)
            end += len(chunk)
            if digest is not None:
                digest.update(chunk)
            if time.monotonic() - noted_s >= NOTE_EVERY_S:
                _note(upload, start if digest is not None else end, file)
                noted_s = time.monotonic()
    except OSError as error:
        if error.errno not in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}:
            raise
        raise NoRoomError("The disk is full. What arrived is kept; delete old clips, then go on.") from error
    finally:
        if digest is None:
            _note(upload, os.lseek(file, 0, os.SEEK_CUR), file)
    if digest is None or piece.checksum is None:
        return
    if end - start < piece.length_bytes or digest.digest() != piece.checksum.digest:
        os.ftruncate(file, start)
        raise ChecksumError("This slice changed on its way, so it was dropped. It has to be sent again.")
    _note(upload, end, file)


def _write_all(file: int, chunk: bytes) -> None:
    left = memoryview(chunk)
    while left:
        left = left[os.write(file, left) :]


def _note(upload: Upload, end: int, file: int) -> None:
    """Write how much has arrived, once the disk has it."""
    os.fdatasync(file) if hasattr(os, "fdatasync") else os.fsync(file)
    now, expiry = timezone.now(), _expiry()
    changed = Upload.objects.filter(pk=upload.pk, finished_at=None).update(
        offset_bytes=end, last_byte_at=now, expires_at=expiry
    )
    if changed != 1:
        raise GoneError("This upload was given up.")
    upload.offset_bytes, upload.last_byte_at, upload.expires_at = end, now, expiry


def arrived_bytes(upload: Upload) -> int:
    """Return how many bytes count: what the row says, unless the disk has lost some of them."""
    if upload.finished_at is not None:
        return upload.offset_bytes
    try:
        return min(upload.offset_bytes, upload.path.stat().st_size)
    except FileNotFoundError:
        return upload.offset_bytes if _clip_of(upload).original_path.exists() else 0


def _arrived_bytes(upload: Upload, file: int) -> int:
    return upload.offset_bytes if upload.finished_at is not None else min(upload.offset_bytes, os.fstat(file).st_size)


def finish_upload(upload: Upload) -> Finished:
    """Turn an upload that has arrived whole into a clip, with the job that prepares it. Doing it twice gives the same clip.

    A clip of this lesson that is the same byte for byte stands for it; the bytes are then not kept twice.

    Raises
    ------
    UploadError
        If it has expired, is being written to, or has not arrived whole.
    """
    with _held(upload) as file:
        if upload.finished_at is not None:
            return Finished(upload.clip)
        check_alive(upload)
        if upload.size_bytes is None or _arrived_bytes(upload, file) < upload.size_bytes:
            raise OffsetError(f"Only {_arrived_bytes(upload, file)} bytes of {upload.size_bytes} have arrived.")
        return _finish(upload, file)


def keep_arrived(upload: Upload) -> Finished:
    """Turn what has arrived of a recording into a clip, because no more will come.

    Raises
    ------
    UploadError
        If nothing has arrived, it has expired, is being written to, or is a file that was to come whole: half of one can
        rarely be played.
    """
    with _held(upload) as file:
        if upload.finished_at is not None:
            return Finished(upload.clip)
        check_alive(upload)
        arrived = _arrived_bytes(upload, file)
        if not upload.is_recording:
            raise UploadError("Half a file can rarely be played. Choose the file again, and the rest of it is sent.")
        if arrived == 0:
            raise UploadError("Nothing of this recording has arrived.")
        if arrived < upload.offset_bytes:  # the disk lost some of it
            _note(upload, arrived, file)
        if upload.size_bytes is None:
            _note_size(upload, arrived)
        elif arrived < upload.size_bytes:
            Upload.objects.filter(pk=upload.pk, finished_at=None).update(size_bytes=arrived)
            upload.size_bytes = arrived
        return _finish(upload, file)


def _finish(upload: Upload, file: int) -> Finished:
    os.ftruncate(file, upload.offset_bytes)  # behind it may lie what was dropped
    os.fsync(file)
    clip = _clip_of(upload)
    clip.sha256 = _digest_of(file)
    twin = sent_before(upload.lesson, upload.pk) or twin_of(clip)
    if twin is not None:
        return _settle_for(upload, twin)
    clip.folder.mkdir(parents=True, exist_ok=True)
    clip.original_path.unlink(missing_ok=True)  # a second name from a try that was killed
    _rename_safely(upload.path, clip.original_path)
    try:
        with transaction.atomic():
            if _close(upload, clip=None) != 1:
                raise GoneError("This upload was given up.")
            clip.save(force_insert=True)
            job = add_job(clip, kind=Job.Kind.PREPARE_CLIP)
            Upload.objects.filter(pk=upload.pk).update(clip=clip)
    except IntegrityError:
        twin = sent_before(upload.lesson, upload.pk)  # by the plain form, in the same moment
        if twin is None:
            raise
        clip.original_path.unlink(missing_ok=True)
        return _settle_for(upload, twin)
    upload.path.unlink(missing_ok=True)
    upload.clip = clip
    return Finished(clip, job=job)


def _settle_for(upload: Upload, twin: Clip) -> Finished:
    """Close an upload whose clip is here already."""
    has_upload = Upload.objects.filter(clip=twin).exclude(pk=upload.pk).exists()
    _close(upload, clip=None if has_upload else twin)
    upload.path.unlink(missing_ok=True)
    return Finished(twin, is_twin=True)


def _close(upload: Upload, *, clip: Clip | None) -> int:
    upload.finished_at = timezone.now()
    return Upload.objects.filter(pk=upload.pk, finished_at=None).update(finished_at=upload.finished_at, clip=clip)


def _digest_of(file: int) -> str:
    digest = hashlib.sha256()
    os.lseek(file, 0, os.SEEK_SET)
    while chunk := os.read(file, READ_BYTES):
        digest.update(chunk)
    return digest.hexdigest()


def _rename_safely(here: Path, there: Path) -> None:
    """Give a file a second name, so that the first can go later; where a disk knows no second names, another one."""
    try:
        os.link(here, there)
    except OSError:
        here.replace(there)
        return
    with contextlib.suppress(OSError):  # some disks cannot be asked to remember a folder
        folder = os.open(there.parent, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def give_up(upload: Upload) -> None:
    """Forget an upload and throw away what has arrived. The clip of a finished one stays.

    Raises
    ------
    BusyError
        If somebody is sending to it.
    """
    path = upload.path
    with _held(upload):
        upload.delete()
        path.unlink(missing_ok=True)


def is_same_start(upload: Upload, chunks: Iterable[bytes], *, arrived: int) -> bool:
    """Compare what stands in `windows` of a file chosen again with what has arrived of the upload.

    Raises
    ------
    UploadError
        If it has expired, or more or less than `arrived` bytes have arrived meanwhile.
    """
    check_alive(upload)
    if upload.finished_at is not None or arrived_bytes(upload) != arrived:
        raise OffsetError("More of it has arrived meanwhile. Choose the file again.")
    sent = b"".join(chunks)
    with upload.path.open("rb") as file:
        kept = bytearray()
        for start, end in windows(arrived):
            file.seek(start)
            kept += file.read(end - start)
    return hmac.compare_digest(sent, kept)


def finish_arrived_uploads() -> int:
    """Turn uploads into clips that have arrived whole and whose program was killed before it could; return how many.

    Their jobs are rung for by the sweeper like all that nobody rang for.
    """
    count = 0
    for upload in Upload.objects.filter(finished_at=None, size_bytes=F("offset_bytes")).select_related("lesson"):
        try:
            count += finish_upload(upload).job is not None
        except UploadError:  # somebody is at it, or the disk has lost some of it: the client is told when it asks
            continue
    for upload in Upload.objects.exclude(finished_at=None).filter(expires_at__gt=timezone.now()):
        upload.path.unlink(missing_ok=True)  # the first name of a file that has its second
    return count


@contextmanager
def _held(upload: Upload) -> Iterator[int]:
    """Hold the file of an upload alone, as a file descriptor, with its row read anew.

    A finished upload has no file: nothing is held then, and -1 stands for it.
    """
    file = _open(upload)
    try:
        if file >= 0:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        upload.refresh_from_db()
        yield file
    except BlockingIOError as error:
        raise BusyError("An earlier connection is still sending to this upload. Wait half a minute.") from error
    except Upload.DoesNotExist as error:
        raise GoneError("This upload was given up.") from error
    finally:
        if file >= 0:
            os.close(file)  # which lets go of the lock


def _open(upload: Upload) -> int:
    """Open the file of an upload; one that a crash left with its second name alone gets the first one back."""
    try:
        return os.open(upload.path, os.O_RDWR | os.O_CLOEXEC)
    except FileNotFoundError:
        if not Upload.objects.filter(pk=upload.pk, finished_at=None).exists():
            return -1
        upload.path.parent.mkdir(parents=True, exist_ok=True)
        moved = _clip_of(upload).original_path
        if moved.exists():
            _rename_safely(moved, upload.path)
        return os.open(upload.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)


def _clip_of(upload: Upload) -> Clip:
    """Return the clip that an upload becomes, not stored. It has the id of its upload."""
    return Clip(
        id=upload.pk,
        lesson_id=upload.lesson_id,
        assignment_id=upload.assignment_id,
        played_on=upload.played_on,
        was_first_today=upload.was_first_today,
        given_name=upload.given_name,
        size_bytes=upload.offset_bytes,
        upload_token=upload.pk,
    )
