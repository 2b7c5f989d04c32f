"""What a crash can leave behind: files without rows, and rows whose files are gone. The sweeper looks once a day."""

import logging
import shutil
import uuid
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone

from lessons.models import Clip, Job
from lessons.services.jobs import add_job

logger = logging.getLogger(__name__)

# Hours after which a file that no row knows is nobody's. The longest job runs six; a day leaves no doubt.
LEFT_AFTER_HOURS = 24


def remove_leftovers(*, now: datetime | None = None) -> int:
    """Remove what no row knows and nobody has touched for a day; return how many files and folders went.

    These are uploads that broke off, the temporary folders of jobs that were killed, and folders of clips whose row was
    never written. Where more folders are unknown than known, this is another database's data folder: nothing is touched.
    """
    before = (now or timezone.now()) - timedelta(hours=LEFT_AFTER_HOURS)
    data = Path(settings.KEYSLIP_DATA)
    left = [path for name in ("work", "incoming") for path in _old_entries(data / name, before=before)]
    left += _unknown_clip_folders(data / "clips", before=before)
    for path in left:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
        logger.info("Removed %s, which nothing knows any more.", path.relative_to(data))
    return len(left)


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


def _unknown_clip_folders(clips: Path, *, before: datetime) -> list[Path]:
    known = {str(pk) for pk in Clip.objects.values_list("pk", flat=True)}
    found = [path for path in sorted(clips.glob("??/*")) if _is_clip_folder(path) and path.name not in known]
    unknown = [path for path in found if _touched_at(path) < before]
    if unknown and len(unknown) > len(known):
        logger.warning(
            "%d folders of clips belong to no row, more than the %d that do. Is this the right database? Nothing was removed.",
            len(unknown),
            len(known),
        )
        return []
    return unknown


def _is_clip_folder(path: Path) -> bool:
    try:
        return str(uuid.UUID(path.name)) == path.name and path.is_dir()
    except ValueError:
        return False


def find_lost_copies() -> int:
    """Prepare clips again whose copy is gone while the file as it came is there; return how many.

    Where that is gone as well nothing can be done; the log says so.
    """
    count = 0
    for clip in Clip.objects.filter(state=Clip.State.READY, has_copy=True):
        if clip.copy_path.exists():
            continue
        if not clip.original_path.exists():
            logger.warning("The files of the clip %s are gone. A backup may hold them.", clip.pk)
            continue
        try:
            with transaction.atomic():
                changed = Clip.objects.filter(pk=clip.pk, state=Clip.State.READY).update(state=Clip.State.RECEIVED)
                if changed == 1:
                    add_job(clip, kind=Job.Kind.PREPARE_CLIP)
                    count += 1
        except IntegrityError:  # it is being prepared already
            continue
        logger.warning("The copy of the clip %s was gone. It is made again.", clip.pk)
    return count
