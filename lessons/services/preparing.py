"""The way of a clip from a stored file to something that can be judged: checked, copied, pictured.

Each step works on files in a folder of its own that is always removed; only the last step, inside one transaction,
moves them to where the pages look and says so on the clip.

Once a clip is checked this app says so (`signals.clip_checked`). Where somebody then adds a job that goes first, such as
listening to the clip, the copy is put off until it is done: what was played is known before the copy is ready.
"""

import errno
import logging
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, TypeVar

from django.conf import settings
from django.db import transaction
from django.db.models import Count, Q

from lessons import media
from lessons.models import Clip, Job
from lessons.services.clips import take_whole_clip
from lessons.services.jobs import (
    REPORT_EVERY_S,
    Claim,
    LostLeaseError,
    PutOffError,
    Work,
    add_job,
    claim_job,
    fail_job,
    finish_job,
    has_urgent_job,
    note_clip,
    put_off,
    register_work,
    report_progress,
    urgent_jobs,
    work_of,
)
from lessons.services.keeping import free_bytes, made_bytes_of
from lessons.signals import clip_checked

logger = logging.getLogger(__name__)
Made = TypeVar("Made")

# Where the bar stands when a step begins: looking takes about a sixth as long as copying (measured on 1080p clips), and
# drawing pictures and sound from the copy about a tenth.
COPY_FROM_FRAC, PICTURES_FROM_FRAC, SOUND_FROM_FRAC = 0.15, 0.86, 0.95
# The steps as the learner reads them, in their order.
CHECK_STEP, COPY_STEP, VOICE_STEP, PICTURES_STEP, SOUND_STEP = (
    "Looking at the clip",
    "Making a copy that plays in the browser",
    "Playing the keys on Keyslip’s piano",
    "Taking small pictures",
    "Drawing its sound",
)
# Bytes that stay free while a copy is made, so that marks can still be written. Less than what is kept free when a clip is
# taken in: a clip that was let in gets its copy.
COPY_RESERVE_BYTES = 100_000_000
# Seconds between two small pictures of a clip; more where a sheet of 120 would not do.
STRIP_EVERY_S = 1.0
# Samples a second of the sound that is drawn. A hundred pairs a second need no more, and the highest note of a piano, 4186 Hz,
# is still in it; an hour of two channels takes 230 MB in the work folder, at 48 000 it would be 1.4 GB.
OUTLINE_RATE_HZ = 8_400
# Times that a job may give way to others in one go: once for each kind that goes first, and once to spare.
MOST_PUT_OFF = 3
# Jobs of a clip after which the sweeper no longer tries to draw what is missing: the first, and two more.
MOST_JOBS = 3


def steps_of(clip: Clip) -> tuple[str, ...]:
    """Return the steps in which a clip is prepared, as the learner reads them; what it is may be known only after the first."""
    if clip.kind == Clip.Kind.MIDI:
        return CHECK_STEP, VOICE_STEP, SOUND_STEP
    return CHECK_STEP, COPY_STEP, PICTURES_STEP, SOUND_STEP


FAILED_TEXT = "Keyslip could not prepare this clip, and the fault may be ours. The file is kept as it came. Try again with the button."
# What a clip's `reason` says while a full disk keeps it from being prepared.
DISK_FULL = "disk_full"
FULL_DISK_TEXT = (
    "The disk is full, so no copy could be made that plays here. The file is kept as it came. "
    "Make room on the page “What takes space”, then try again with the button."
)


class FullDiskError(media.MediaError):
    """There is no room for what is to be made; trying again before somebody makes room is useless."""

    permanent = True


def run_job(job_id: str) -> bool:
    """Claim a job and do its work; return whether it was ours to do. Running it twice does no harm.

    Jobs that wait and go first are done before it.

    Raises
    ------
    Exception
        Any surprise, after it was written to the row.
    """
    for urgent in urgent_jobs(besides=job_id):
        _run(urgent)
    return _run(job_id)


def run_through(job_id: str) -> None:
    """Do a job here and now, with whatever it gives way to, and without the queue."""
    for _ in range(MOST_PUT_OFF):
        run_job(job_id)
        if not Job.objects.filter(pk=job_id, state=Job.State.QUEUED).exists():
            return


def _run(job_id: str) -> bool:
    claim = claim_job(job_id)
    if claim is None:
        return False
    job = Job.objects.select_related("clip", "clip__assignment", "clip__lesson").get(pk=job_id)
    try:
        work_of(job.kind).do(job.clip, claim)
    except PutOffError:
        return True
    except (LostLeaseError, Clip.DoesNotExist):
        return False
    except (FullDiskError, media.BoxSpaceError) as error:
        fail_job(claim, error=str(error), is_permanent=True, text=FULL_DISK_TEXT)
    except media.MediaError as error:
        fail_job(claim, error=str(error), is_permanent=error.permanent)
    except OSError as error:
        is_full = error.errno in (errno.ENOSPC, errno.EDQUOT)
        fail_job(claim, error=str(error), is_permanent=is_full, text=FULL_DISK_TEXT if is_full else "")
        if not is_full:
            raise
    except BaseException as error:
        fail_job(claim, error=f"{type(error).__name__}: {error}", is_permanent=False)
        raise
    return True


@dataclass(slots=True)
class _Made:
    """What was made beside the file as it came, in the work folder: the facts of the copy, and which files there are."""

    copy: media.CopyResult | None = None
    strip: dict[str, Any] = field(default_factory=dict)
    paths: list[Path] = field(default_factory=list)

    def has(self, path: Path) -> bool:
        return path.name in {each.name for each in self.paths}


def prepare_clip(clip: Clip, claim: Claim) -> None:
    """Check a clip, make its browser copy, its pictures and the outline of its sound, and write what was found.

    A clip that is ready already only gets what it lacks: pictures, outline, the sound of a MIDI file.
    """
    report = _Reporter(claim)
    with _work_folder(clip) as folder:
        made = _Made()
        copy_path = folder / clip.copy_path.name
        if clip.state == Clip.State.READY:
            if clip.has_copy:
                copy_path = clip.copy_path
            elif (known := _probe_of(clip)) is not None:
                _make_copy(clip, copy_path, known, made, report)
            _draw(clip, copy_path, folder, made, report)
            finish_job(claim, write_result=lambda: _write_drawn(clip, made))
            return
        found = _found_before(clip) or _check(clip, claim, report)
        if found is None:
            return
        copy_path = folder / clip.copy_path.name  # its kind is known only now
        _make_copy(clip, copy_path, found, made, report)
        _draw(clip, copy_path, folder, made, report)
        finish_job(claim, write_result=lambda: _write_result(clip, found, made))


def _check(clip: Clip, claim: Claim, report: "_Reporter") -> media.Probe | None:
    """Return what a clip is, once that is written down; None where it is refused, and the job is done.

    Raises
    ------
    PutOffError
        If another job of this clip goes first.
    """
    note_clip(claim, state=Clip.State.CHECKING)
    report.step(CHECK_STEP, 0.0)
    found = media.probe(
        clip.original_path,
        limits=probe_limits(),
        name=clip.given_name,
        on_progress=report.within(CHECK_STEP, 0.0, COPY_FROM_FRAC),
    )
    if found.verdict in {media.Verdict.REJECT, media.Verdict.LIMIT} or found.kind not in {
        media.Kind.VIDEO,
        media.Kind.SOUND,
        media.Kind.MIDI,
    }:
        finish_job(claim, write_result=lambda: _refuse(clip, found))
        return None
    with transaction.atomic():
        known = {"kind": found.kind.value, "facts": asdict(found), "duration_s": found.duration_s}
        note_clip(claim, state=Clip.State.PREPARING, **known)
        clip.refresh_from_db()
        clip_checked.send(sender=Clip, clip=clip)
        is_put_off = has_urgent_job(clip)
        if is_put_off:
            put_off(claim)
    if is_put_off:
        raise PutOffError(claim.job_id)
    return found


def _found_before(clip: Clip) -> media.Probe | None:
    """Return what was found when the copy was put off or its worker died; None where the clip must be looked at."""
    return _probe_of(clip) if clip.state == Clip.State.PREPARING else None


def _probe_of(clip: Clip) -> media.Probe | None:
    """Return what was found about a clip; None where nothing is written, or by a version that wrote it otherwise."""
    known = {each.name for each in fields(media.Probe)}
    facts = {name: value for name, value in clip.facts.items() if name in known}
    try:
        return media.Probe(
            **facts
            | {
                "kind": media.Kind(facts["kind"]),
                "verdict": media.Verdict(facts["verdict"]),
                "reason": media.ReasonCode(facts["reason"]),
                "video": media.VideoFacts(**facts["video"]) if facts.get("video") else None,
                "audio": media.AudioFacts(**facts["audio"]) if facts.get("audio") else None,
                "midi": media.MidiFacts(**facts["midi"]) if facts.get("midi") else None,
            }
        )
    except (KeyError, TypeError, ValueError):
        return None


def _make_copy(clip: Clip, copy_path: Path, found: media.Probe, made: _Made, report: "_Reporter") -> None:
    step = VOICE_STEP if found.kind is media.Kind.MIDI else COPY_STEP
    report.step(step, COPY_FROM_FRAC)
    # No copy has been seen to be larger than its clip; one that is ends at the full disk like any other.
    if free_bytes() < clip.size_bytes + COPY_RESERVE_BYTES:
        raise FullDiskError(f"{free_bytes()} bytes are free; a copy of {clip.size_bytes} bytes may need as many")
    on_progress = report.within(step, COPY_FROM_FRAC, PICTURES_FROM_FRAC - COPY_FROM_FRAC)
    if found.kind is media.Kind.MIDI:
        recordings = {int(path.stem): path for path in settings.KEYSLIP_PIANO.glob("*.mp3") if path.stem.isdecimal()}
        made.copy = media.voice_midi(
            clip.original_path, copy_path, probe=found, recordings=recordings, on_progress=on_progress
        )
    else:
        made.copy = media.make_copy(clip.original_path, copy_path, probe=found, on_progress=on_progress)
    made.paths.append(copy_path)


def _draw(clip: Clip, copy_path: Path, folder: Path, made: _Made, report: "_Reporter") -> None:
    """Make what helps to find one's way in a copy. A clip without it can be judged all the same."""
    duration_s = made.copy.duration_s if made.copy else clip.duration_s or 0.0
    if clip.kind == Clip.Kind.VIDEO and duration_s > 0:
        report.step(PICTURES_STEP, PICTURES_FROM_FRAC)
        poster, frames, strip = (folder / path.name for path in (clip.poster_path, clip.frames_path, clip.strip_path))
        if _tried(lambda: media.make_poster(copy_path, poster), clip):
            made.paths.append(poster)
        if _tried(lambda: media.list_frames(copy_path, frames, duration_s=duration_s), clip):
            made.paths.append(frames)
        report.step(PICTURES_STEP, (PICTURES_FROM_FRAC + SOUND_FROM_FRAC) / 2)
        sheet = _tried(
            lambda: media.make_thumbnails(copy_path, strip, duration_s=duration_s, every_s=STRIP_EVERY_S), clip
        )
        if sheet is not None:
            made.paths.append(strip)
            made.strip = asdict(sheet)
    report.step(SOUND_STEP, SOUND_FROM_FRAC)
    probe = _probe_of(clip)
    if probe is not None and probe.kind is media.Kind.MIDI:
        probe = _tried(lambda: media.probe(copy_path, limits=probe_limits()), clip)
    if probe is not None and probe.audio is not None and (made.copy is None or made.copy.has_sound):
        peaks = folder / clip.peaks_path.name
        on_progress = report.within(SOUND_STEP, SOUND_FROM_FRAC, 1.0 - SOUND_FROM_FRAC)
        if _tried(lambda: _draw_sound(copy_path, peaks, probe=probe, on_progress=on_progress), clip):
            made.paths.append(peaks)


def _draw_sound(copy_path: Path, peaks: Path, *, probe: media.Probe, on_progress: Callable[[float], None]) -> bool:
    """Draw the outline of what the learner hears in the copy. False where it holds no sound."""
    from lessons.media.samples import make_peaks  # only the worker needs NumPy

    samples = peaks.with_name("sound.npy")
    facts = media.decode_sound(copy_path, samples, probe=probe, rate_hz=OUTLINE_RATE_HZ, on_progress=on_progress)
    make_peaks(samples, peaks, rate_hz=facts.rate_hz, names=facts.channels)
    samples.unlink()
    return facts.samples > 0


def _tried(make: Callable[[], Made], clip: Clip) -> Made | None:
    """Return what was made; None where it cannot be made of this copy. What may work later is left to another attempt."""
    try:
        return make()
    except media.MediaError as error:
        if not error.permanent:
            raise
        logger.warning("The clip %s goes without a drawing: %s", clip.pk, error)
        return None


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


def _write_result(clip: Clip, found: media.Probe, made: _Made) -> None:
    clip.refresh_from_db()
    clip.state = Clip.State.READY
    clip.kind = found.kind.value
    clip.reason = found.reason.value
    clip.text = found.text if found.verdict is media.Verdict.PARTIAL else ""
    clip.duration_s = made.copy.duration_s if made.copy else found.duration_s
    clip.facts = asdict(found)
    _take_in(clip, made)
    clip.save()
    take_whole_clip(clip)


def _write_drawn(clip: Clip, made: _Made) -> None:
    """Only what is missing: the learner may have changed the rest of the row meanwhile."""
    clip.refresh_from_db()
    _take_in(clip, made)
    clip.save(update_fields=["has_copy", "has_poster", "has_peaks", "has_frames", "has_strip", "strip", "made_bytes"])


def _take_in(clip: Clip, made: _Made) -> None:
    """Move what was made to where the pages look, with its bytes on the disk before the row says so."""
    clip.folder.mkdir(parents=True, exist_ok=True)
    for path in made.paths:
        with path.open("rb") as file:
            os.fsync(file.fileno())
        path.chmod(0o600)
        path.replace(clip.folder / path.name)
    clip.has_copy |= made.copy is not None
    clip.has_poster |= made.has(clip.poster_path)
    clip.has_frames |= made.has(clip.frames_path)
    clip.has_peaks |= made.has(clip.peaks_path)
    if made.has(clip.strip_path):
        clip.has_strip, clip.strip = True, made.strip
    clip.made_bytes = made_bytes_of(clip)


def _give_up(clip: Clip, text: str) -> None:
    """Tell the learner. A clip that was ready stays so: only drawings are missing."""
    Clip.objects.filter(pk=clip.pk).exclude(state=Clip.State.READY).update(
        state=Clip.State.FAILED, text=text or FAILED_TEXT, reason=DISK_FULL if text == FULL_DISK_TEXT else ""
    )


register_work(Job.Kind.PREPARE_CLIP, Work(do=prepare_clip, give_up=_give_up))


def complete_one_clip() -> int:
    """Queue one clip that was prepared before sound was drawn, pictures were counted and MIDI files were heard; return how many.

    One a day, the newest first, so that clips of this week never wait behind old ones.
    """
    lacks = Q(kind=Clip.Kind.VIDEO, has_frames=False) | (Q(has_peaks=False) & ~Q(facts__audio=None))
    silent = Q(kind=Clip.Kind.MIDI, has_copy=False)
    clips = Clip.objects.filter(Q(lacks, has_copy=True) | silent, state=Clip.State.READY)
    found = clips.annotate(job_count=Count("jobs")).filter(job_count__lt=MOST_JOBS).order_by("-created_at")
    for clip in found.exclude(jobs__state__in=[Job.State.QUEUED, Job.State.RUNNING])[:1]:
        if (clip.copy_path if clip.has_copy else clip.original_path).is_file():
            add_job(clip, kind=Job.Kind.PREPARE_CLIP)
            return 1
    return 0
