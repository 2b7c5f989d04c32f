"""The way of a clip from a stored file to something that can be judged: checked, copied, pictured.

Each step works on files in a folder of its own that is always removed; only the last step, inside one transaction,
moves them to where the pages look and says so on the clip.
"""

import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

from django.conf import settings
from django.db import transaction

from lessons import media
from lessons.models import Clip, Job
from lessons.services.clips import take_whole_clip
from lessons.services.jobs import (
    REPORT_EVERY_S,
    Claim,
    LostLeaseError,
    claim_job,
    fail_job,
    finish_job,
    note_clip,
    report_progress,
)

# Share of the whole bar for each step: looking takes about a sixth as long as copying (measured on 1080p clips).
CHECK_FRAC, COPY_FRAC = 0.15, 0.80
# The steps as the learner reads them, in their order.
CHECK_STEP, COPY_STEP, POSTER_STEP = STEPS = (
    "Looking at the clip",
    "Making a copy that plays in the browser",
    "Taking a first picture",
)


def run_job(job_id: str) -> bool:
    """Claim a job and do its work; return whether it was ours to do. Running it twice does no harm.

    Raises
    ------
    Exception
        Any surprise, after it was written to the row.
    """
    claim = claim_job(job_id)
    if claim is None:
        return False
    job = Job.objects.select_related("clip", "clip__assignment", "clip__lesson").get(pk=job_id)
    try:
        prepare_clip(job.clip, claim)
    except LostLeaseError:
        return False
    except Clip.DoesNotExist:
        return False
    except media.MediaError as error:
        fail_job(claim, error=str(error), is_permanent=error.permanent)
    except BaseException as error:
        fail_job(claim, error=f"{type(error).__name__}: {error}", is_permanent=False)
        raise
    return True


def prepare_clip(clip: Clip, claim: Claim) -> None:
    """Check a clip, make its browser copy and its poster, and write what was found."""
    note_clip(claim, state=Clip.State.CHECKING)
    report = _Reporter(claim)
    with _work_folder(clip) as folder:
        report.step("Looking at the clip", 0.0)
        found = media.probe(
            clip.original_path,
            limits=probe_limits(),
            name=clip.given_name,
            on_progress=report.within("Looking at the clip", 0.0, CHECK_FRAC),
        )
        if found.verdict in {media.Verdict.REJECT, media.Verdict.LIMIT} or found.kind not in {
            media.Kind.VIDEO,
            media.Kind.SOUND,
            media.Kind.MIDI,
        }:
            finish_job(claim, write_result=lambda: _refuse(clip, found))
            return
        copy: media.CopyResult | None = None
        copy_path = folder / "copy.mp4"
        poster_path = folder / "poster.jpg"
        has_poster = False
        if found.kind is not media.Kind.MIDI:
            note_clip(claim, state=Clip.State.PREPARING, kind=found.kind.value)
            report.step(COPY_STEP, CHECK_FRAC)
            copy = media.make_copy(
                clip.original_path,
                copy_path,
                probe=found,
                limits=media.CopyLimits(),
                on_progress=report.within(COPY_STEP, CHECK_FRAC, COPY_FRAC),
            )
            report.step(POSTER_STEP, CHECK_FRAC + COPY_FRAC)
            if found.kind is media.Kind.VIDEO:
                has_poster = media.make_poster(copy_path, poster_path)
        finish_job(
            claim,
            write_result=lambda: _write_result(
                clip, found, copy=copy, copy_path=copy_path, poster_path=poster_path if has_poster else None
            ),
        )


def probe_limits() -> media.ProbeLimits:
    """Return what a clip may be, from the settings."""
    return media.ProbeLimits(
        max_bytes=settings.KEYSLIP_MOST_CLIP_BYTES, max_duration_s=float(settings.KEYSLIP_MOST_CLIP_MINUTES * 60)
    )


class _Reporter:
    """Writes progress to the row, not more often than the pages need."""

    def __init__(self, claim: Claim) -> None:
        self.claim = claim
        self.last_at = 0.0

    def step(self, name: str, done_frac: float) -> None:
        report_progress(self.claim, step=name, progress_frac=done_frac)
        self.last_at = time.monotonic()

    def within(self, name: str, done_frac: float, share_frac: float) -> Callable[[float], None]:
        def report(frac: float) -> None:
            if time.monotonic() - self.last_at >= REPORT_EVERY_S:
                self.step(name, done_frac + share_frac * min(max(frac, 0.0), 1.0))

        return report


@contextmanager
def _work_folder(clip: Clip) -> Iterator[Path]:
    """A temporary folder on the disk of the clips, so that moving a file out of it is one rename."""
    base = Path(settings.KEYSLIP_DATA) / "work"
    base.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=f"{clip.pk}-", dir=base))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _refuse(clip: Clip, found: media.Probe) -> None:
    text = found.text
    if found.kind is media.Kind.PICTURE and found.verdict not in {media.Verdict.REJECT, media.Verdict.LIMIT}:
        text = "This is a picture, not a clip. Nothing was kept. Choose the film or the sound of your lesson."
    Clip.objects.filter(pk=clip.pk).update(
        state=Clip.State.REFUSED, reason=found.reason.value, text=text, kind=Clip.Kind.UNKNOWN
    )
    # Only once that is written down: a file must not go while its row still says that it is here.
    transaction.on_commit(lambda: clip.original_path.unlink(missing_ok=True))


def _write_result(
    clip: Clip, found: media.Probe, *, copy: media.CopyResult | None, copy_path: Path, poster_path: Path | None
) -> None:
    clip.refresh_from_db()
    clip.state = Clip.State.READY
    clip.kind = found.kind.value
    clip.reason = found.reason.value
    clip.text = found.text if found.verdict is media.Verdict.PARTIAL else ""
    clip.duration_s = copy.duration_s if copy else found.duration_s
    clip.facts = asdict(found)
    clip.folder.mkdir(parents=True, exist_ok=True)
    if copy is not None:
        shutil.move(copy_path, clip.copy_path)
        clip.has_copy = True
    if poster_path is not None:
        shutil.move(poster_path, clip.poster_path)
        clip.has_poster = True
    clip.save()
    take_whole_clip(clip)
