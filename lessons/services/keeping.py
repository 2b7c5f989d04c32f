"""What takes space, how much of it a learner may take, and whether there is room for more."""

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import UUID

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db.models import BigIntegerField, F, Q, QuerySet, Subquery, Sum, Value
from django.db.models.functions import Coalesce

from curriculum.models import Learner
from lessons.models import Clip, ReferencePicture, Still, Upload

# Bytes that must stay free on the disk after everything under way has arrived: room for copies being made and for the
# database, which cannot write a single mark on a full disk. More refuses clips that would fit; less risks the marks.
LEAST_FREE_BYTES = 500_000_000
# Share of the quota above which pages speak of it: early enough to tidy at leisure.
NEARLY_FULL_FRAC = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """Bytes that one learner's files take, and how many they may take.

    `expected_bytes` is what uploads under way have announced and not yet sent.
    """

    originals_bytes: int
    copies_bytes: int
    pictures_bytes: int
    uploads_bytes: int
    expected_bytes: int
    quota_bytes: int

    @property
    def taken_bytes(self) -> int:
        return self.originals_bytes + self.copies_bytes + self.pictures_bytes + self.uploads_bytes

    @property
    def left_bytes(self) -> int:
        """What may still come, with what is announced already set aside; never below 0."""
        return max(0, self.quota_bytes - self.taken_bytes - self.expected_bytes)

    @property
    def taken_frac(self) -> float:
        return min(1.0, self.taken_bytes / self.quota_bytes) if self.quota_bytes else 1.0

    @property
    def is_nearly_full(self) -> bool:
        return self.taken_frac >= NEARLY_FULL_FRAC


def quota_of(learner: Learner) -> int:
    """Return how many bytes a learner's files may take."""
    return int(settings.KEYSLIP_LEARNER_BYTES) if learner.quota_bytes is None else learner.quota_bytes


def space_of(learner: Learner, *, besides: UUID | None = None) -> Space:
    """Return what takes this learner's space, counted from the rows; `besides` names an upload that is left out."""
    clips, stills = (
        Clip.objects.filter(lesson__learner=learner),
        Still.objects.filter(take__clip__lesson__learner=learner),
    )
    references = ReferencePicture.objects.filter(learner=learner)
    uploads = _under_way(besides=besides).filter(learner=learner)
    # One question with six parts: the page for filming asks it each time.
    sums = Learner.objects.filter(pk=learner.pk).values(
        originals=_total(clips.filter(has_original()), "size_bytes"),
        copies=_total(clips, "made_bytes"),
        references=_total(references, "made_bytes"),
        stills=_total(stills, "made_bytes"),
        arrived=_total(uploads, "offset_bytes"),
        announced=_total(uploads, Coalesce("size_bytes", "offset_bytes")),
    )[0]
    return Space(
        originals_bytes=sums["originals"],
        copies_bytes=sums["copies"],
        pictures_bytes=sums["references"] + sums["stills"],
        uploads_bytes=sums["arrived"],
        expected_bytes=sums["announced"] - sums["arrived"],
        quota_bytes=quota_of(learner),
    )


def check_room(learner: Learner, size_bytes: int, *, upload: Upload | None = None, has_arrived: bool = False) -> None:
    """Refuse what does not fit into a learner's share or onto the disk.

    Uploads under way count by the size they announced, those of unknown length by what has arrived. Call it in the
    transaction that writes the row, so that two that come together see each other.

    Parameters
    ----------
    learner
        Whose share it takes.
    size_bytes
        What is to be kept in the end; for an upload of unknown length the bytes that come now.
    upload
        The upload that `size_bytes` stands for, where its row is there already: it is not counted twice. None also for
        further bytes of an upload of unknown length, whose row counts what came before.
    has_arrived
        True where the bytes lie on the disk already.

    Raises
    ------
    ValidationError
        With a sentence for the learner; code ``quota`` or ``full``.
    """
    besides = upload.pk if upload is not None else None
    space = space_of(learner, besides=besides)
    if size_bytes > space.left_bytes:
        raise ValidationError(
            "This takes %(size)s, and %(left)s of your %(quota)s are left. "
            "Delete old clips, or keep only their copies, on the page “What takes space”. Your marks stay.",
            code="quota",
            params={
                "size": size_in_words(size_bytes),
                "left": size_in_words(space.left_bytes),
                "quota": size_in_words(space.quota_bytes),
            },
        )
    check_disk(0 if has_arrived else size_bytes, besides=besides)


def check_disk(size_bytes: int, *, besides: UUID | None = None) -> None:
    """Refuse what would leave too little free on the disk, with everybody's uploads under way set aside.

    Raises
    ------
    ValidationError
        With a sentence for the learner; code ``full``.
    """
    expected = _under_way(besides=besides).aggregate(
        expected=_sum(Coalesce("size_bytes", "offset_bytes") - F("offset_bytes"))
    )["expected"]
    if free_bytes() < size_bytes + expected + LEAST_FREE_BYTES:
        raise ValidationError(
            "The disk is nearly full, so this was not stored. Delete old clips first; your marks stay.", code="full"
        )


def check_clip_size(size_bytes: int, *, has_arrived: bool = False) -> None:
    """Refuse a clip that is empty, too large for any learner, or, unless it lies there already, does not fit on the disk.

    Raises
    ------
    ValidationError
        With a sentence for the learner; code ``empty``, ``large`` or ``full``.
    """
    if size_bytes == 0:
        raise ValidationError("This file is empty. Choose the clip again; nothing was stored.", code="empty")
    most = int(settings.KEYSLIP_MOST_CLIP_BYTES)
    if size_bytes > most:
        raise ValidationError(
            "This clip is %(size)s; %(most)s is the most. Film at 1080p and 30 frames, or in parts.",
            code="large",
            params={"size": size_in_words(size_bytes), "most": size_in_words(most)},
        )
    check_disk(0 if has_arrived else size_bytes)


def free_bytes() -> int:
    """Return how many bytes are free where the files are kept."""
    return shutil.disk_usage(Path(settings.KEYSLIP_DATA)).free


def made_bytes_of(clip: Clip) -> int:
    """Return the bytes of everything in a clip's folder besides the file as it came."""
    return sum(path.stat().st_size for path in clip.folder.glob("*") if path != clip.original_path and path.is_file())


def size_in_words(size_bytes: int) -> str:
    """Return a size as files are named on phones: “283 kB”, “190 MB”, “8.0 GB”; “nothing” for 0."""
    if size_bytes >= 1_000_000_000:
        return f"{size_bytes / 1e9:.1f} GB"
    if size_bytes >= 1_000_000:
        return f"{size_bytes / 1e6:.0f} MB"
    return f"{max(1, size_bytes // 1000)} kB" if size_bytes else "nothing"


def has_original() -> Q:
    """Return the condition under which a clip's file as it came is here."""
    return Q(original_gone_on=None) & ~Q(state=Clip.State.REFUSED)


def _under_way(*, besides: UUID | None) -> "QuerySet[Upload]":
    uploads = Upload.objects.filter(finished_at=None, clip=None)
    return uploads.exclude(pk=besides) if besides is not None else uploads


def _sum(what: Any, **options: Any) -> Coalesce:
    return Coalesce(Sum(what, **options), 0, output_field=BigIntegerField())


def _total(rows: "QuerySet[Any]", what: Any) -> Coalesce:
    """Return the sum over rows as part of another question; 0 for none."""
    one = rows.order_by().annotate(_all=Value(1)).values("_all")
    return Coalesce(Subquery(one.annotate(total=Sum(what)).values("total")), 0, output_field=BigIntegerField())
