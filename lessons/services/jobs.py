"""Writes about jobs. The row is the truth and the queue only a doorbell (see `Job`)."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db import IntegrityError, models, transaction
from django.db.models import F, Q
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


def add_job(clip: Clip, *, kind: str) -> Job:
    """Add a job for a clip; one of a kind at a time."""
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


@transaction.atomic
def fail_job(claim: Claim, *, error: str, is_permanent: bool) -> None:
    """Put a job back for another attempt, or close it as failed with what went wrong."""
    last = is_permanent or claim.attempt >= MOST_ATTEMPTS
    changed = _ours(claim).update(
        state=Job.State.FAILED if last else Job.State.QUEUED,
        lease_until=None,
        sent_at=None,
        error=error[:2000],
        finished_at=timezone.now() if last else None,
    )
    if last and changed == 1:
        _tell_learner(claim.job_id)


def _ours(claim: Claim) -> "models.QuerySet[Job]":
    return Job.objects.filter(pk=claim.job_id, attempt=claim.attempt, state=Job.State.RUNNING)


def _tell_learner(job_id: str) -> None:
    Clip.objects.filter(jobs__in=Job.objects.filter(pk=job_id)).update(
        state=Clip.State.FAILED,
        text="Keyslip could not prepare this clip, and the fault may be ours. The file is kept as it came. Try again with the button.",
    )


@transaction.atomic
def retry_job(clip: Clip) -> Job | None:
    """Queue a failed clip again, from the learner's button; None where it has not failed, or is under way again already."""
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

    These are queued ones not rung for lately and running ones whose lease ran out. `sent_at` NULL means never rung.
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
                _tell_learner(str(job_id))
    waiting = Q(state=Job.State.QUEUED) | Q(state=Job.State.RUNNING, lease_until__lt=now)
    long_ago = Q(sent_at=None) | Q(sent_at__lt=now - timedelta(seconds=RING_AGAIN_S))
    found = list(Job.objects.filter(waiting & long_ago).values_list("pk", flat=True))
    return [
        str(job_id) for job_id in found if Job.objects.filter(waiting & long_ago, pk=job_id).update(sent_at=now) == 1
    ]


def note_rung(job_id: str) -> None:
    """Keep when a job was rung for, so that the sweeper does not ring at once again."""
    Job.objects.filter(pk=job_id).update(sent_at=timezone.now())


def forget_rung(job_id: str) -> None:
    """Forget that a job was rung for, because the queue could not be reached; the sweeper rings at its next round."""
    Job.objects.filter(pk=job_id).update(sent_at=None)
