"""Clips as they came: kept for some days beside the copy, then let go, unless the learner keeps one for good.

The row is written first and the file goes after it. A crash in between leaves a file that its row calls gone, which the
sweeper removes; the other way round a row would promise a file that is not there.
"""

import logging
from datetime import date, datetime, timedelta

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from lessons.models import Clip, Job

logger = logging.getLogger(__name__)


def goes_on(clip: Clip) -> date | None:
    """Return the day from which the sweeper lets go of a clip as it came; None where it stays or is gone already."""
    days = int(settings.KEYSLIP_ORIGINAL_DAYS)
    if not days or clip.keeps_original or not clip.may_lose_original:
        return None
    return timezone.localdate(clip.created_at) + timedelta(days=days)


def drop_original(clip: Clip) -> None:
    """Let go of a clip as it came, and keep its copy.

    Raises
    ------
    ValidationError
        If there is no copy to keep, or the clip is being prepared.
    """
    if clip.original_gone_on is not None:
        return
    if clip.kind == Clip.Kind.MIDI:
        raise ValidationError("A MIDI file is small and says what was played, so it is kept as it came.", code="midi")
    if not clip.may_lose_original or not clip.copy_path.is_file():
        raise ValidationError("This clip has no copy, so the file as it came is kept.", code="copy")
    if not _let_go(clip, Clip.objects.all()):
        raise ValidationError("This clip is being prepared. Try again once it is ready.", code="job")


def keep_original(clip: Clip, *, is_kept: bool) -> None:
    """Keep a clip as it came for good, or no longer.

    Raises
    ------
    ValidationError
        If it is gone already.
    """
    changed = Clip.objects.filter(pk=clip.pk, original_gone_on=None).update(keeps_original=is_kept)
    if changed != 1 and is_kept:
        raise ValidationError("The file as it came is gone already. The copy stays.", code="gone")


def drop_old_originals(*, now: datetime | None = None) -> int:
    """Let go of clips as they came after the days that the settings allow; return how many.

    Only those go that are ready, whose copy lies on the disk, and that the learner does not keep.
    """
    days = int(settings.KEYSLIP_ORIGINAL_DAYS)
    if not days:
        return 0
    before = (now or timezone.now()) - timedelta(days=days)
    old = Clip.objects.filter(created_at__lt=before, keeps_original=False)
    count = 0
    ready = old.filter(state=Clip.State.READY, has_copy=True, original_gone_on=None)
    for clip in ready.exclude(kind=Clip.Kind.MIDI).select_related("lesson__learner"):
        if clip.copy_path.is_file() and clip.copy_path.stat().st_size and _let_go(clip, old):
            count += 1
    if count:
        logger.info("Let go of %d clips as they came, after %d days. Their copies stay.", count, days)
    return count


def remove_gone_originals() -> int:
    """Remove files whose rows call them gone or refused, because a crash came between the two; return how many."""
    count = 0
    for clip in Clip.objects.exclude(Q(original_gone_on=None) & ~Q(state=Clip.State.REFUSED)):
        if clip.original_path.is_file():
            clip.original_path.unlink(missing_ok=True)
            count += 1
            logger.info("Removed the file as it came of the clip %s, whose row calls it gone.", clip.pk)
    return count


@transaction.atomic
def _let_go(clip: Clip, rows: "QuerySet[Clip]") -> bool:
    """Write that the file as it came is gone, if nothing has changed meanwhile; the file goes once that is written."""
    under_way = Job.objects.filter(clip=OuterRef("pk"), state__in=[Job.State.QUEUED, Job.State.RUNNING])
    free = rows.filter(~Exists(under_way), pk=clip.pk, state=Clip.State.READY, has_copy=True, original_gone_on=None)
    if free.update(original_gone_on=clip.lesson.learner.today(), keeps_original=False) != 1:
        return False
    path = clip.original_path
    transaction.on_commit(lambda: path.unlink(missing_ok=True))
    return True
