"""Writes about jobs. The row is the truth and the queue only a doorbell (see `Job`)."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db import IntegrityError, models, transaction
from django.db.models import Case, F, Q, When
from django.utils import timezone

from lessons.models import Clip, Job

# Seconds a worker owns a job without reporting. A step reports at least every second or so, so a live one never loses it;
# longer only delays the rerun after a worker died.
LEASE_S = 30
# Seconds before a job that nobody took up is rung for again. A starting worker needs about ten.
RING_AGAIN_S = 30
# Tries at one job before the learner is told. A third failure has not been seen to be chance (common practice, no source).
MOST_ATTEMPTS = 3
# Seconds between two progress writes of a step. SQLite takes one or two a second without holding up the pages.
REPORT_EVERY_S = 0.7


class LostLeaseError(Exception):
    """Another worker owns the job now; stop at once and write nothing."""


@dataclass(frozen=True, slots=True)
class Claim:
    """A worker's right to write about a job: good for one attempt."""

    job_id: str
    attempt: int


@dataclass(frozen=True, slots=True)
class Work:
    """What a kind of job does, and what is written on the clip once it is given up, with words for the learner or none."""

    do: Callable[[Clip, Claim], None]
    give_up: Callable[[Clip, str], None]


class PutOffError(Exception):
    """The job was put back behind another by its own work; whoever has it stops here."""


# Filled when the program starts: by this app, and by apps above it whose work this one must not know.
_WORK: dict[str, Work] = {}
# Listening is short and what the learner waits for; a copy may take minutes. So it goes first wherever both wait.
_URGENCY = Case(When(kind=Job.Kind.MEASURE_CLIP, then=0), default=1)


def register_work(kind: str, work: Work) -> None:
    """Say what a kind of job does. Of a kind that nobody has registered no job may be added."""
    _WORK[kind] = work


def work_of(kind: str) -> Work:
    """Return what a kind of job does.

    Raises
    ------
    LookupError
        If nobody has registered it.
    """
    try:
        return _WORK[kind]
    except KeyError as error:
        raise LookupError(
            f"nobody knows how to do a job of kind {str(kind)!r}; known are {sorted(map(str, _WORK))}"
        ) from error


def add_job(clip: Clip, *, kind: str) -> Job:
    """Add a job for a clip; one of a kind at a time."""
    work_of(kind)
    return Job.objects.create(clip=clip, kind=kind)


def claim_job(job_id: str) -> Claim | None:
    """Claim a job by one conditional UPDATE; None where it is done, failed or somebody else's."""
    now = timezone.now()
    free = Q(state=Job.State.QUEUED) | Q(state=Job.State.RUNNING, lease_until__lt=now)
    changed = Job.objects.filter(free, pk=job_id, attempt__lt=MOST_ATTEMPTS).update(
        state=Job.State.RUNNING,
        attempt=F("attempt") + 1,
        lease_until=now + timedelta(seconds=LEASE_S),
        progress_frac=0.0,
        error="",
    )
    if changed != 1:
        return None
    return Claim(job_id=job_id, attempt=Job.objects.values_list("attempt", flat=True).get(pk=job_id))


def report_progress(claim: Claim, *, step: str, progress_frac: float) -> None:
    """Write how far a job is and renew its lease.

    Raises
    ------
    LostLeaseError
        If another worker has taken the job over.
    """
    changed = _ours(claim).update(
        step=step,
        progress_frac=min(max(progress_frac, 0.0), 1.0),
        lease_until=timezone.now() + timedelta(seconds=LEASE_S),
    )
    if changed != 1:
        raise LostLeaseError(claim.job_id)


def note_clip(claim: Claim, **fields: Any) -> None:
    """Write how far a clip has come, if its job is still ours.

    A worker that lost its lease must not turn a clip back that another has made ready.

    Raises
    ------
    LostLeaseError
        If another worker has taken the job over, or the clip is gone.
    """
    changed = Clip.objects.filter(jobs__in=_ours(claim)).update(**fields)
    if changed != 1:
        raise LostLeaseError(claim.job_id)


@transaction.atomic
def finish_job(claim: Claim, *, write_result: Callable[[], None]) -> bool:
    """Write the result and close the job in one transaction, if it is still ours; return whether it was."""
    changed = _ours(claim).update(
        state=Job.State.DONE, progress_frac=1.0, lease_until=None, finished_at=timezone.now(), error=""
    )
    if changed == 1:
        write_result()
    return changed == 1


def put_off(claim: Claim) -> None:
    """Put a running job back into the queue, because another one of its clip goes first. It does not count as an attempt.

    Raises
    ------
    LostLeaseError
        If another worker has taken the job over.
    """
    changed = _ours(claim).update(
        state=Job.State.QUEUED, attempt=F("attempt") - 1, lease_until=None, sent_at=None, progress_frac=0.0
    )
    if changed != 1:
        raise LostLeaseError(claim.job_id)


def has_urgent_job(clip: Clip) -> bool:
    """Return whether a job of this clip waits that goes before its copy."""
    return clip.jobs.filter(kind=Job.Kind.MEASURE_CLIP, state=Job.State.QUEUED).exists()


def urgent_jobs(*, besides: str) -> list[str]:
    """Return the ids of waiting jobs that go before a job which a worker was rung for, oldest first."""
    urgent = Job.objects.filter(kind=Job.Kind.MEASURE_CLIP, state=Job.State.QUEUED, attempt__lt=MOST_ATTEMPTS)
    return [str(pk) for pk in urgent.exclude(pk=besides).order_by("created_at").values_list("pk", flat=True)]


@transaction.atomic
def fail_job(claim: Claim, *, error: str, is_permanent: bool, text: str = "") -> None:
    """Put a job back for another attempt, or close it as failed with what went wrong; `text` is for the learner then."""
    last = is_permanent or claim.attempt >= MOST_ATTEMPTS
    changed = _ours(claim).update(
        state=Job.State.FAILED if last else Job.State.QUEUED,
        lease_until=None,
        sent_at=None,
        error=error[:2000],
        finished_at=timezone.now() if last else None,
    )
    if last and changed == 1:
        _give_up(claim.job_id, text)


def _ours(claim: Claim) -> "models.QuerySet[Job]":
    return Job.objects.filter(pk=claim.job_id, attempt=claim.attempt, state=Job.State.RUNNING)


def _give_up(job_id: str, text: str = "") -> None:
    job = Job.objects.select_related("clip").get(pk=job_id)
    work_of(job.kind).give_up(job.clip, text)


@transaction.atomic
def retry_job(clip: Clip) -> Job | None:
    """Queue a failed clip again, from the learner's button.

    None where it has not failed, is under way again already, or is not here any more as it came.
    """
    if not clip.original_path.is_file():
        return None
    changed = Clip.objects.filter(pk=clip.pk, state=Clip.State.FAILED).update(
        state=Clip.State.RECEIVED, text="", reason=""
    )
    if changed != 1:
        return None
    try:
        with transaction.atomic():
            return add_job(clip, kind=Job.Kind.PREPARE_CLIP)
    except IntegrityError:  # the button was pressed in two tabs
        return None


def jobs_to_ring() -> list[str]:
    """Close jobs that died on their last attempt, and return the ids of those that somebody should take up.

    These are queued ones not rung for lately and running ones whose lease ran out, the urgent ones first. `sent_at` NULL
    means never rung.
    """
    now = timezone.now()
    dead = Job.objects.filter(state=Job.State.RUNNING, lease_until__lt=now, attempt__gte=MOST_ATTEMPTS)
    for job_id in list(dead.values_list("pk", flat=True)):
        with transaction.atomic():
            closed = dead.filter(pk=job_id).update(
                state=Job.State.FAILED,
                lease_until=None,
                finished_at=now,
                error="The worker stopped in the middle, three times.",
            )
            if closed == 1:
                _give_up(str(job_id))
    waiting = Q(state=Job.State.QUEUED) | Q(state=Job.State.RUNNING, lease_until__lt=now)
    long_ago = Q(sent_at=None) | Q(sent_at__lt=now - timedelta(seconds=RING_AGAIN_S))
    found = list(Job.objects.filter(waiting & long_ago).order_by(_URGENCY, "created_at").values_list("pk", flat=True))
    return [
        str(job_id) for job_id in found if Job.objects.filter(waiting & long_ago, pk=job_id).update(sent_at=now) == 1
    ]


def note_rung(job_id: str) -> None:
    """Keep when a job was rung for, so that the sweeper does not ring at once again."""
    Job.objects.filter(pk=job_id).update(sent_at=timezone.now())


def forget_rung(job_id: str) -> None:
    """Forget that a job was rung for, because the queue could not be reached; the sweeper rings at its next round."""
    Job.objects.filter(pk=job_id).update(sent_at=None)
