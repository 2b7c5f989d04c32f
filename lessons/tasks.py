"""Celery entry points. The queue only rings: what is to do stands on the job's row."""

from celery import shared_task

from lessons import services


@shared_task(name="lessons.run_job", ignore_result=True)
def run_job(job_id: str) -> None:
    """Do one job, if nobody else has it, and ring for what it put off or announced."""
    services.run_job(job_id)
    sweep()


def ring(job_id: str) -> None:
    """Tell a worker that there is a job. If the queue cannot be reached the sweeper rings later; nothing is lost."""
    services.note_rung(job_id)
    try:
        run_job.apply_async((job_id,), retry=False)
    except run_job.OperationalError:
        services.forget_rung(job_id)


def sweep() -> int:
    """Ring for every job that waits or whose worker died; return how many."""
    waiting = services.jobs_to_ring()
    for job_id in waiting:
        ring(job_id)
    return len(waiting)


def tidy() -> str:
    """Do what is due once a day: let go of clips as they came, remove what nothing knows, find what is lost. Return it in words."""
    arrived = services.finish_arrived_uploads()
    gone = services.drop_old_originals()
    removed = services.remove_leftovers() + services.remove_gone_originals()
    again = services.find_lost_copies()
    services.note_sizes()
    services.find_lost_pictures()
    services.complete_one_clip()
    return (
        f"Removed {removed} leftovers and {gone} files as they came; {again} clips are prepared again, "
        f"{arrived} uploads were finished."
    )
