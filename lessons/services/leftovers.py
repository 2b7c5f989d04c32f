"""What a crash can leave behind: files without rows, and rows whose files are gone. The sweeper looks once a day."""

import logging
import shutil
import uuid
from collections.abc import Collection
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone

from curriculum.models import Score
from lessons import media
from lessons.models import Clip, Job, ReferencePicture, Still, Upload
from lessons.services.jobs import add_job
from lessons.services.keeping import made_bytes_of

logger = logging.getLogger(__name__)

# Hours after which a file that no row knows is nobody's. The longest job runs six; a day leaves no doubt.
LEFT_AFTER_HOURS = 24
# What a clip's `reason` says while its files are not on the disk.
FILES_GONE = "files_gone"
FILES_GONE_TEXT = "The files of this clip are not on the disk any more. A backup may hold them. Its takes and marks stay written down."


def remove_leftovers(*, now: datetime | None = None) -> int:
    """Remove what no row knows and nobody has touched for a day; return how many files and folders went.

    These are uploads that ran out or broke off, the temporary folders of jobs that were killed, and folders of clips,
    pictures and scores whose row was never written. The bytes of an upload under way stay as long as its row. Where more
    folders are unknown than known, this is another database's data folder: nothing is touched.
    """
    moment = now or timezone.now()
    before = moment - timedelta(hours=LEFT_AFTER_HOURS)
    data = Path(settings.KEYSLIP_DATA)
    count = _end_uploads(before=moment)
    under_way = {str(pk) for pk in Upload.objects.values_list("pk", flat=True)}
    left = _old_entries(data / "work", before=before)
    left += [path for path in _old_entries(data / "incoming", before=before) if path.name[:36] not in under_way]
    clips = {str(pk) for pk in Clip.objects.values_list("pk", flat=True)}
    left += _unknown_folders(data / "clips", known=clips, before=before)
    pictures = {str(pk) for model in (ReferencePicture, Still) for pk in model.objects.values_list("pk", flat=True)}
    left += _unknown_folders(data / "pictures", known=pictures, before=before)
    scores = {str(pk) for pk in Score.objects.values_list("pk", flat=True)}
    left += _unknown_folders(data / "scores", known=scores, before=before)
    for path in left:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
        logger.info("Removed %s, which nothing knows any more.", path.relative_to(data))
    return count + len(left)


def _end_uploads(*, before: datetime) -> int:
    """Delete the rows of uploads whose time is over; what had arrived goes with them (receivers). Return how many.

    The row of a finished one only remembers which clip it became; its time is over in the same way, and it does not count.
    """
    over = Upload.objects.filter(expires_at__lt=before)
    over.exclude(clip=None, finished_at=None).delete()
    broken = list(over)
    for upload in broken:
        logger.info("The upload %s ran out; %d bytes of it had arrived.", upload.pk, upload.offset_bytes)
        upload.delete()
    return len(broken)


def _old_entries(folder: Path, *, before: datetime) -> list[Path]:
    return [path for path in sorted(folder.iterdir()) if _touched_at(path) < before] if folder.is_dir() else []


def _touched_at(path: Path) -> datetime:
    """Return when anything in a folder, or a file, was written last; something that goes meanwhile was written now."""
    try:
        entries = [path, *path.rglob("*")] if path.is_dir() and not path.is_symlink() else [path]
        newest_s = max(entry.lstat().st_mtime for entry in entries)
    except OSError:
        return timezone.now()
    return datetime.fromtimestamp(newest_s, tz=timezone.get_default_timezone())


def _unknown_folders(folder: Path, *, known: Collection[str], before: datetime) -> list[Path]:
    found = [path for path in sorted(folder.glob("??/*")) if _is_ours(path) and path.name not in known]
    unknown = [path for path in found if _touched_at(path) < before]
    if unknown and len(unknown) > len(known):
        logger.warning(
            "%d folders of %s belong to no row, more than the %d that do. Is this the right database? Nothing was removed.",
            len(unknown),
            folder.name,
            len(known),
        )
        return []
    return unknown


def _is_ours(path: Path) -> bool:
    try:
        return str(uuid.UUID(path.name)) == path.name and path.is_dir()
    except ValueError:
        return False


def find_lost_copies() -> int:
    """Prepare clips again whose copy is gone while the file as it came is there; return how many.

    A clip with nothing left says so until its files are back. Where more clips have lost their files than have them, the disk
    with the clips is missing: nothing is written.
    """
    _take_back_found()
    ready = list(Clip.objects.filter(state=Clip.State.READY))
    lost_copy = [clip for clip in ready if clip.has_copy and not clip.copy_path.is_file()]
    lost_original = {clip.pk for clip in ready if clip.original_gone_on is None and not clip.original_path.is_file()}
    gone = [clip for clip in ready if (clip in lost_copy or not clip.has_copy) and not clip.original_path.is_file()]
    if gone and 2 * len(gone) > len(ready) > 1:
        logger.warning(
            "The files of %d of %d clips are gone. Is the disk with the data folder there? Nothing was changed.",
            len(gone),
            len(ready),
        )
        return 0
    for clip in gone:
        Clip.objects.filter(pk=clip.pk, state=Clip.State.READY).update(
            state=Clip.State.FAILED, reason=FILES_GONE, text=FILES_GONE_TEXT
        )
        logger.warning("The files of the clip %s are gone. A backup may hold them.", clip.pk)
    for pk in lost_original - {clip.pk for clip in gone}:
        logger.warning("The file as it came of the clip %s is gone. Its copy is left; a backup may hold the rest.", pk)
    return sum(_prepare_again(clip) for clip in lost_copy if clip not in gone)


def _take_back_found() -> None:
    """Make clips ready again whose files were gone and are back, from a backup or with their disk."""
    for clip in Clip.objects.filter(state=Clip.State.FAILED, reason=FILES_GONE):
        path = clip.copy_path if clip.has_copy else clip.original_path
        if path.is_file():
            Clip.objects.filter(pk=clip.pk, state=Clip.State.FAILED).update(
                state=Clip.State.READY,
                reason=clip.facts.get("reason", media.ReasonCode.OK.value),
                text=clip.facts.get("text", "") if clip.facts.get("verdict") == media.Verdict.PARTIAL else "",
            )
            logger.info("The files of the clip %s are back.", clip.pk)


def _prepare_again(clip: Clip) -> bool:
    try:
        with transaction.atomic():
            if Clip.objects.filter(pk=clip.pk, state=Clip.State.READY).update(state=Clip.State.RECEIVED) != 1:
                return False
            add_job(clip, kind=Job.Kind.PREPARE_CLIP)
    except IntegrityError:  # it is being prepared already
        return False
    logger.warning("The copy of the clip %s was gone. It is made again.", clip.pk)
    return True


def note_sizes() -> int:
    """Write down what copies take that were made before this was counted; return for how many clips."""
    count = 0
    for clip in Clip.objects.filter(state=Clip.State.READY, has_copy=True, made_bytes=0):
        count += Clip.objects.filter(pk=clip.pk, made_bytes=0).update(made_bytes=made_bytes_of(clip))
    return count


def find_lost_pictures() -> int:
    """Say in the log which pictures have lost their files; return how many. Their pages show an empty frame."""
    lost = [
        picture
        for model in (ReferencePicture, Still)
        for picture in model.objects.all()
        if not picture.large_path.is_file()
    ]
    for picture in lost:
        logger.warning("The files of the picture %s are gone. A backup may hold them.", picture.pk)
    return len(lost)
