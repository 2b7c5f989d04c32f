"""Writes about reference pictures and stills.

What a learner sends is read in a boxed child, drawn anew and thrown away: only our own drawing of it is kept, without the place
and the names that phones write into pictures. A row and its two files appear together or not at all.
"""

import errno
import shutil
import tempfile
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.files.base import File
from django.db import IntegrityError, transaction

from curriculum.models import Learner, Skill, Unit
from lessons import media
from lessons.media.clock import write_clock
from lessons.models import Clip, ReferencePicture, Still, Take
from lessons.services.keeping import check_disk, check_room, size_in_words

Kept = TypeVar("Kept", ReferencePicture, Still)

LARGE, SMALL = "large.jpg", "small.jpg"
# Bytes of one picture as it is sent. Phones of 48 megapixels write up to 25 MB; a scanned page as PNG has up to 40 MB.
MOST_PICTURE_BYTES = 50_000_000
# Pictures of one unit or skill, and stills of one take. More are no longer compared, and their page would not end.
MOST_PICTURES = 30
# Bytes that a still may take at most: a 4K frame of a noisy room as JPEG has 5 MB.
STILL_BYTES = 10_000_000
# Seconds by which a still may lie outside its take: a thumb on a phone hits half a second beside the edge.
STILL_SLACK_S = 0.5
# Digits kept of a still's moment, seconds: a tenth of a millisecond. The same frame read from the original and from its copy
# differs by the roundings of their clocks, which are smaller; frames of slow motion lie 4 ms apart.
MOMENT_DIGITS = 4

# What is said of a picture where the words about files in general speak of playing them.
_REFUSED_PLAINLY = {
    media.ReasonCode.READER_BROKE: (
        "Reading this picture failed half-way. Nothing was kept. Choose it again, or save it as JPEG and send that."
    ),
}


def check_picture_size(size_bytes: int) -> None:
    """Refuse a picture that is empty, too large, or does not fit on the disk.

    Raises
    ------
    ValidationError
        With a sentence for the learner; code ``empty``, ``large`` or ``full``.
    """
    if size_bytes == 0:
        raise ValidationError("This file is empty. Choose the picture again; nothing was kept.", code="empty")
    if size_bytes > MOST_PICTURE_BYTES:
        raise ValidationError(
            "This file is %(size)s; a picture may have %(most)s. Nothing was kept. Save a smaller version and send that.",
            code="large",
            params={"size": size_in_words(size_bytes), "most": size_in_words(MOST_PICTURE_BYTES)},
        )
    check_disk(size_bytes)


def add_picture(
    learner: Learner,
    *,
    upload: "File[bytes]",
    unit: Unit | None = None,
    skill: Skill | None = None,
    view: str = "",
    words: str = "",
    pk: uuid.UUID | None = None,
) -> ReferencePicture:
    """Keep a picture for one unit or one skill. The same form sent twice (the same `pk`) gives the picture that is there.

    Raises
    ------
    ValidationError
        If the file is no picture that can be shown, is too large, or there is no room; nothing is kept then.
    """
    there = _sent_before(learner, pk)
    if there is not None:
        return there
    check_picture_size(upload.size or 0)
    _check_count(pictures_there=ReferencePicture.objects.filter(learner=learner, unit=unit, skill=skill).count())
    with _work_folder() as folder:
        made = folder / "made"
        made.mkdir()
        drawn = _draw(_on_disk(upload, folder / "sent"), made)
        picture = ReferencePicture(
            id=_free_pk(pk),
            learner=learner,
            unit=unit,
            skill=skill,
            view=view,
            words=words.strip(),
            width_px=drawn.width,
            height_px=drawn.height,
        )
        return _keep_once(picture, made, learner=learner)


def keep_still(
    still: Still, *, unit: Unit | None = None, skill: Skill | None = None, pk: uuid.UUID | None = None
) -> ReferencePicture:
    """Keep a copy of a still as the reference picture of one unit or one skill; the still stays, and may go on its own."""
    learner = still.take.clip.lesson.learner
    there = _sent_before(learner, pk)
    if there is not None:
        return there
    _check_count(pictures_there=ReferencePicture.objects.filter(learner=learner, unit=unit, skill=skill).count())
    check_disk(still.made_bytes)
    with _work_folder() as folder:
        made = folder / "made"
        made.mkdir()
        try:
            for path in (still.large_path, still.small_path):
                shutil.copyfile(path, made / path.name)
        except FileNotFoundError as error:
            raise ValidationError("The files of this still are gone. Take it again.", code="gone") from error
        picture = ReferencePicture(
            id=_free_pk(pk),
            learner=learner,
            unit=unit,
            skill=skill,
            view=still.view,
            words=still.words,
            width_px=still.width_px,
            height_px=still.height_px,
        )
        return _keep_once(picture, made, learner=learner)


def describe_picture(picture: ReferencePicture, *, view: str, words: str) -> None:
    """Write other words on a reference picture."""
    picture.view, picture.words = view, words.strip()
    picture.full_clean()
    picture.save(update_fields=["view", "words"])


def delete_picture(picture: ReferencePicture) -> None:
    """Delete a reference picture; its files go with the row (receivers)."""
    picture.delete()


def take_still(take: Take, *, at_s: float, view: str = "") -> Still:
    """Keep the frame that is seen at a moment of a take, as large as it was filmed; taking it twice gives the still there is.

    It is taken from the file as it came; where that is gone, from the copy, and the still says so.

    Raises
    ------
    ValidationError
        If the clip has no picture, the moment lies outside the take, or there is no room; nothing is kept then.
    """
    clip = take.clip
    if clip.kind != Clip.Kind.VIDEO or clip.state != Clip.State.READY:
        raise ValidationError("This clip has no picture to take a still from.", code="no_picture")
    if not take.start_s - STILL_SLACK_S <= at_s <= take.end_s + STILL_SLACK_S:
        raise ValidationError(
            {
                "at_s": f"This take runs from {write_clock(take.start_s)} to {write_clock(take.end_s)}. Write a moment in it."
            }
        )
    _check_count(pictures_there=take.stills.count())
    check_disk(STILL_BYTES)
    is_from_copy = clip.original_gone_on is not None or not clip.original_path.exists()
    with _work_folder() as folder:
        made = folder / "made"
        made.mkdir()
        frame = _cut(clip, made, at_s=at_s, is_from_copy=is_from_copy)
        moment_s = round(frame.at_s, MOMENT_DIGITS)
        there = take.stills.filter(at_s=moment_s).first()
        if there is not None:
            return there
        still = Still(
            take=take,
            at_s=moment_s,
            is_from_copy=is_from_copy,
            view=view,
            width_px=frame.width,
            height_px=frame.height,
        )
        try:
            return _keep(still, made, learner=clip.lesson.learner)
        except IntegrityError:  # the button was pressed twice
            return take.stills.get(at_s=moment_s)


def describe_still(still: Still, *, view: str, words: str) -> None:
    """Write other words on a still."""
    still.view, still.words = view, words.strip()
    still.full_clean()
    still.save(update_fields=["view", "words"])


def delete_still(still: Still) -> None:
    """Delete a still; its files go with the row (receivers)."""
    still.delete()


def _keep_once(picture: ReferencePicture, made: Path, *, learner: Learner) -> ReferencePicture:
    try:
        return _keep(picture, made, learner=learner)
    except IntegrityError:  # the button was pressed twice, and the other one was quicker
        there = _sent_before(learner, picture.pk)
        if there is None:
            raise
        return there


def _sent_before(learner: Learner, pk: uuid.UUID | None) -> ReferencePicture | None:
    return None if pk is None else ReferencePicture.objects.filter(pk=pk, learner=learner).first()


def _free_pk(pk: uuid.UUID | None) -> uuid.UUID:
    """Return the key that a form brought, or a new one where something has it already: what a form brings is not ours."""
    if pk is None or any(table.objects.filter(pk=pk).exists() for table in (ReferencePicture, Still)):
        return uuid.uuid4()
    return pk


def _check_count(*, pictures_there: int) -> None:
    if pictures_there >= MOST_PICTURES:
        raise ValidationError(f"There are {MOST_PICTURES} pictures here already. Delete one first.", code="many")


@contextmanager
def _work_folder() -> Iterator[Path]:
    """A temporary folder on the disk of the pictures, so that moving one out of it is one rename."""
    base = Path(settings.KEYSLIP_DATA) / "work"
    base.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix="picture-", dir=base))
    try:
        yield folder
    except OSError as error:
        if error.errno not in {errno.ENOSPC, errno.EDQUOT}:
            raise
        raise ValidationError(
            "The disk is full, so nothing was kept. Delete old clips first; your marks stay.", code="full"
        ) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _on_disk(upload: "File[bytes]", path: Path) -> Path:
    """Return where an upload lies, written to `path` if it is in memory only."""
    arrived = getattr(upload, "temporary_file_path", None)
    if arrived is not None:
        upload.flush()
        return Path(arrived())
    with path.open("xb") as file:
        for chunk in upload.chunks():
            file.write(chunk)
    return path


def _draw(sent: Path, made: Path) -> media.SavedPicture:
    """Read what was sent and draw it anew, large and small; return the large one."""
    try:
        drawn = media.take_picture(sent, made / LARGE, limits=media.ProbeLimits(max_image_bytes=MOST_PICTURE_BYTES))
    except media.MediaError as error:
        raise ValidationError(
            "The picture could not be read just now. Nothing was kept. Send it once more.", code="again"
        ) from error
    if not drawn.is_taken:
        raise ValidationError(_REFUSED_PLAINLY.get(drawn.reason, drawn.text), code=drawn.reason.value)
    return _named(drawn.saved)


def _cut(clip: Clip, made: Path, *, at_s: float, is_from_copy: bool) -> media.Still:
    """Take the frame seen at a moment out of a clip, large and small."""
    # What is read again of the clip's facts is that it has a picture, and its length.
    known = media.Probe(
        kind=media.Kind.VIDEO,
        verdict=media.Verdict.ACCEPT,
        reason=media.ReasonCode.OK,
        text="",
        duration_s=clip.duration_s,
    )
    try:
        frame = media.take_still(
            clip.copy_path if is_from_copy else clip.original_path, made / LARGE, at_s=max(0.0, at_s), probe=known
        )
    except media.UnopenableFileError as error:
        raise ValidationError("The files of this clip are gone, so no still can be taken.", code="gone") from error
    except media.MediaError as error:
        raise ValidationError(
            "No picture could be read at this moment. Take the still a little earlier or later.", code="unreadable"
        ) from error
    _named(frame.saved)
    return frame


def _named(saved: Sequence[media.SavedPicture]) -> media.SavedPicture:
    """Give the small one the name under which it is kept; return the large one."""
    large, small = saved
    small.path.rename(small.path.with_name(SMALL))
    return large


def _keep(row: Kept, made: Path, *, learner: Learner) -> Kept:
    """Write the row and move its files to their place: both, or neither."""
    row.made_bytes = sum(path.stat().st_size for path in made.iterdir())
    is_moved = False
    try:
        with transaction.atomic():
            check_room(learner, row.made_bytes, has_arrived=True)
            row.save(force_insert=True)
            row.folder.parent.mkdir(parents=True, exist_ok=True)
            made.rename(row.folder)
            is_moved = True
    except BaseException:
        if is_moved:
            shutil.rmtree(row.folder, ignore_errors=True)
        raise
    return row
