"""Jobs: claimed once, owned by lease, finished once, tried three times, rung for again."""

import errno
import threading
from datetime import timedelta

import pytest
import time_machine
from django.db import IntegrityError, connection
from django.utils import timezone

from lessons import media, services, tasks
from lessons.media.clock import write_clock
from lessons.models import Clip, Job
from lessons.services import jobs, preparing
from lessons.services.jobs import Claim, LostLeaseError, add_job, note_clip
from lessons.signals import clip_checked
from tests.make import make_assignment, make_clip, make_learner, make_lesson

pytestmark = pytest.mark.django_db

MORE_THAN_LEASE = timedelta(seconds=services.LEASE_S + 1)


@pytest.fixture
def clip():
    lesson = make_lesson(make_learner())
    return make_clip(
        lesson, state=Clip.State.RECEIVED, content=b"film", has_copy=False, assignment=make_assignment(lesson)
    )


@pytest.fixture
def job(clip):
    return Job.objects.create(clip=clip, kind=Job.Kind.PREPARE_CLIP)


@pytest.fixture
def prepared(monkeypatch):
    """Every file is a good film of ten seconds, found and copied at once."""
    found = media.Probe(
        kind=media.Kind.VIDEO,
        verdict=media.Verdict.ACCEPT,
        reason=media.ReasonCode.OK,
        text="",
        duration_s=10.0,
        video=media.VideoFacts(width=360, height=640, rotation_deg=90, codec="h264"),
        audio=media.AudioFacts(channels=1, rate_hz=48_000, codec="aac"),
    )

    def make_copy(_path, out_path, **_):
        out_path.write_bytes(b"copy")
        return media.CopyResult(
            content_type="video/mp4",
            duration_s=9.9,
            width=360,
            height=640,
            frames=90,
            has_sound=True,
            damaged_packets=0,
            bytes=4,
        )

    def make_poster(_copy, out_path, **_):
        out_path.write_bytes(b"poster")
        return True

    def list_frames(_copy, out_path, **_):
        out_path.write_bytes(b"times")
        return media.FrameList(frames=90, first_s=0.0, last_s=9.8, longest_gap_s=0.2)

    def make_thumbnails(_copy, out_path, **_):
        out_path.write_bytes(b"small ones")
        return media.Thumbnails(count=1, columns=1, rows=1, tile_width=90, tile_height=160, every_s=1.0, times_s=(0.0,))

    def draw_sound(_copy, peaks, **_):
        peaks.write_bytes(b"outline")
        return True

    monkeypatch.setattr(preparing.media, "probe", lambda *_, **__: found)
    monkeypatch.setattr(preparing.media, "make_copy", make_copy)
    monkeypatch.setattr(preparing.media, "make_poster", make_poster)
    monkeypatch.setattr(preparing.media, "list_frames", list_frames)
    monkeypatch.setattr(preparing.media, "make_thumbnails", make_thumbnails)
    monkeypatch.setattr(preparing, "_draw_sound", draw_sound)


def test_job_is_claimed_once(job):
    first = services.claim_job(str(job.pk))
    assert first == Claim(job_id=str(job.pk), attempt=1)
    assert services.claim_job(str(job.pk)) is None


@pytest.mark.django_db(transaction=True)
def test_of_workers_that_claim_at_once_one_gets_the_job(clip):
    job = Job.objects.create(clip=clip, kind=Job.Kind.PREPARE_CLIP)
    start = threading.Barrier(4)
    claims = []

    def claim():
        start.wait()
        try:
            claims.append(services.claim_job(str(job.pk)))
        finally:
            connection.close()

    workers = [threading.Thread(target=claim) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert len(claims) == 4
    assert sum(each is not None for each in claims) == 1


def test_job_of_a_dead_worker_is_taken_over_after_its_lease(job):
    with time_machine.travel(timezone.now(), tick=False) as clock:
        services.claim_job(str(job.pk))
        clock.shift(timedelta(seconds=services.LEASE_S - 1))
        assert services.claim_job(str(job.pk)) is None
        clock.shift(timedelta(seconds=2))
        assert services.claim_job(str(job.pk)).attempt == 2


def test_progress_renews_the_lease(job):
    with time_machine.travel(timezone.now(), tick=False) as clock:
        claim = services.claim_job(str(job.pk))
        for _ in range(4):
            clock.shift(timedelta(seconds=services.LEASE_S - 5))
            services.report_progress(claim, step="Looking at the clip", progress_frac=0.5)
            assert services.claim_job(str(job.pk)) is None
        assert services.jobs_to_ring() == []


def test_worker_that_lost_its_lease_may_write_nothing(job, clip):
    with time_machine.travel(timezone.now(), tick=False) as clock:
        stale = services.claim_job(str(job.pk))
        clock.shift(MORE_THAN_LEASE)
        fresh = services.claim_job(str(job.pk))
    with pytest.raises(LostLeaseError):
        services.report_progress(stale, step="x", progress_frac=0.9)
    with pytest.raises(LostLeaseError):
        note_clip(stale, state=Clip.State.CHECKING)
    written = []
    assert not services.finish_job(stale, write_result=lambda: written.append(1))
    services.fail_job(stale, error="late", is_permanent=True)
    assert services.finish_job(fresh, write_result=lambda: written.append(2))
    assert not services.finish_job(fresh, write_result=lambda: written.append(3))
    job.refresh_from_db()
    assert (written, job.state, job.error) == ([2], Job.State.DONE, "")


def test_result_that_cannot_be_written_leaves_the_job_under_way(job):
    claim = services.claim_job(str(job.pk))
    with pytest.raises(ZeroDivisionError):
        services.finish_job(claim, write_result=lambda: 1 / 0)
    job.refresh_from_db()
    assert job.state == Job.State.RUNNING


def test_third_failure_is_told_to_the_learner_and_can_be_tried_again(job, clip):
    for attempt in (1, 2, 3):
        claim = services.claim_job(str(job.pk))
        assert claim.attempt == attempt
        services.fail_job(claim, error="disk trouble", is_permanent=False)
        job.refresh_from_db()
        assert job.state == (Job.State.FAILED if attempt == 3 else Job.State.QUEUED)
    clip.refresh_from_db()
    assert clip.state == Clip.State.FAILED
    assert "kept as it came" in clip.text
    assert "disk trouble" not in clip.text
    fresh = services.retry_job(clip)
    clip.refresh_from_db()
    assert (fresh.state, clip.state, clip.text) == (Job.State.QUEUED, Clip.State.RECEIVED, "")
    assert services.retry_job(clip) is None


def test_permanent_failure_is_not_tried_again(job):
    services.fail_job(services.claim_job(str(job.pk)), error="cannot be copied", is_permanent=True)
    job.refresh_from_db()
    assert (job.state, job.attempt) == (Job.State.FAILED, 1)


def test_clip_that_is_ready_cannot_be_sent_back_by_an_old_button(clip):
    Clip.objects.filter(pk=clip.pk).update(state=Clip.State.READY)
    assert services.retry_job(clip) is None
    clip.refresh_from_db()
    assert clip.state == Clip.State.READY


def test_worker_that_dies_three_times_closes_the_job(job, clip):
    with time_machine.travel(timezone.now(), tick=False) as clock:
        for _ in range(3):
            assert services.claim_job(str(job.pk)) is not None
            clock.shift(MORE_THAN_LEASE)
        assert services.claim_job(str(job.pk)) is None
        assert services.jobs_to_ring() == []
    job.refresh_from_db()
    clip.refresh_from_db()
    assert (job.state, clip.state) == (Job.State.FAILED, Clip.State.FAILED)


def test_job_rung_for_is_not_rung_again_at_once(job):
    with time_machine.travel(timezone.now(), tick=False) as clock:
        assert services.jobs_to_ring() == [str(job.pk)]
        for _ in range(5):
            clock.shift(timedelta(seconds=5))
            assert services.jobs_to_ring() == []
        clock.shift(timedelta(seconds=6))
        assert services.jobs_to_ring() == [str(job.pk)]


def test_failed_attempt_is_rung_for_at_once(job):
    services.note_rung(str(job.pk))
    services.fail_job(services.claim_job(str(job.pk)), error="x", is_permanent=False)
    assert services.jobs_to_ring() == [str(job.pk)]


def test_queue_that_does_not_answer_loses_nothing(job, monkeypatch):
    def silent(*_, **__):
        raise tasks.run_job.OperationalError("no queue")

    monkeypatch.setattr(tasks.run_job, "apply_async", silent)
    tasks.ring(str(job.pk))
    job.refresh_from_db()
    assert job.sent_at is None
    rung = []
    monkeypatch.setattr(tasks.run_job, "apply_async", lambda args, **_: rung.append(args[0]))
    assert tasks.sweep() == 1
    assert rung == [str(job.pk)]


def test_only_one_job_of_a_clip_is_under_way(job, clip):
    with pytest.raises(IntegrityError):
        Job.objects.create(clip=clip, kind=Job.Kind.PREPARE_CLIP)


def test_prepared_clip_is_ready_with_copy_poster_and_its_take(job, clip, prepared):
    assert services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert (clip.state, clip.kind, clip.duration_s) == (Clip.State.READY, Clip.Kind.VIDEO, 9.9)
    assert clip.copy_path.read_bytes() == b"copy"
    assert clip.poster_path.read_bytes() == b"poster"
    assert [(write_clock(take.start_s), write_clock(take.end_s)) for take in clip.takes.all()] == [("0:00.0", "0:09.9")]
    assert clip.facts["video"]["codec"] == "h264"
    assert (clip.has_copy, clip.has_poster, clip.has_frames, clip.has_strip, clip.has_peaks) == (True,) * 5
    assert clip.strip["tile_height"] == 160
    assert clip.made_bytes == sum(map(len, (b"copy", b"poster", b"times", b"small ones", b"outline")))


def test_clip_whose_outline_cannot_be_drawn_is_ready_without_it(job, clip, prepared, monkeypatch, caplog):
    def broken(*_, **__):
        raise media.CopyError("no such sound")

    monkeypatch.setattr(preparing, "_draw_sound", broken)
    assert services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert (clip.state, clip.has_copy, clip.has_peaks) == (Clip.State.READY, True, False)
    assert "goes without a drawing: no such sound" in caplog.text


def test_drawing_that_was_ended_from_outside_is_tried_again(job, clip, prepared, monkeypatch):
    def ended(*_, **__):
        raise media.BoxError("ended from outside")

    monkeypatch.setattr(preparing, "_draw_sound", ended)
    services.run_job(str(job.pk))
    job.refresh_from_db()
    clip.refresh_from_db()
    assert (job.state, clip.state) == (Job.State.QUEUED, Clip.State.PREPARING)


def test_worker_that_takes_over_a_copy_does_not_look_at_the_clip_again(job, clip, prepared, monkeypatch):
    copy = preparing.media.make_copy
    monkeypatch.setattr(preparing.media, "make_copy", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        services.run_job(str(job.pk))
    monkeypatch.setattr(preparing.media, "make_copy", copy)
    monkeypatch.setattr(preparing.media, "probe", lambda *_, **__: 1 / 0)
    assert services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert (clip.state, clip.facts["audio"]["codec"]) == (Clip.State.READY, "aac")


def test_clip_that_is_ready_keeps_its_state_while_drawings_are_added(clip, prepared, monkeypatch):
    clip = make_clip(clip.lesson, content=b"film", facts={"kind": "video", "verdict": "accept", "reason": "ok"})
    old = Job.objects.create(clip=clip, kind=Job.Kind.PREPARE_CLIP)
    monkeypatch.setattr(preparing.media, "make_copy", lambda *_, **__: 1 / 0)
    assert services.run_job(str(old.pk))
    clip.refresh_from_db()
    assert (clip.state, clip.has_frames, clip.has_strip, clip.has_peaks) == (Clip.State.READY, True, True, False)
    assert clip.copy_path.read_bytes() == b"film"


def test_one_clip_without_drawings_is_completed_a_day_and_only_twice(clip, job):
    done = {"has_frames": True, "facts": {"audio": None}}
    older = make_clip(clip.lesson, content=b"film", facts={"audio": None})
    newer = make_clip(clip.lesson, content=b"film", **done | {"facts": {"audio": {"channels": 1}}})
    make_clip(clip.lesson, content=b"film", **done)
    for expected in (newer, older, None):
        assert services.complete_one_clip() == (expected is not None)
        assert expected is None or expected.jobs.get().state == Job.State.QUEUED
    Job.objects.exclude(pk=job.pk).update(state=Job.State.FAILED)
    Job.objects.create(clip=newer, kind=Job.Kind.PREPARE_CLIP, state=Job.State.FAILED)
    Job.objects.create(clip=newer, kind=Job.Kind.PREPARE_CLIP, state=Job.State.FAILED)
    assert services.complete_one_clip() == 1
    assert older.jobs.count() == 2


# Listening goes before the copy ------------------------------------------------------------------------------------------


@pytest.fixture
def ear(monkeypatch):
    """Something that listens to every clip once it is checked; what it does is written down in order."""
    heard = []

    def listen(clip, claim):
        heard.append((str(clip.pk), clip.facts["audio"]["codec"], clip.has_copy))
        services.finish_job(claim, write_result=lambda: None)

    def give_up(clip, text):
        heard.append("given up")

    def announce(clip, **_):
        add_job(clip, kind=Job.Kind.MEASURE_CLIP)

    monkeypatch.setitem(jobs._WORK, Job.Kind.MEASURE_CLIP, services.Work(do=listen, give_up=give_up))
    clip_checked.connect(announce)
    yield heard
    clip_checked.disconnect(announce)


def test_job_of_a_kind_that_nobody_does_cannot_be_added(clip, monkeypatch):
    monkeypatch.delitem(jobs._WORK, Job.Kind.MEASURE_CLIP)
    with pytest.raises(LookupError, match="measure_clip"):
        add_job(clip, kind=Job.Kind.MEASURE_CLIP)


def test_copy_is_put_off_until_the_clip_has_been_listened_to(job, clip, prepared, ear):
    assert services.run_job(str(job.pk))
    job.refresh_from_db()
    assert (job.state, job.attempt, job.lease_until) == (Job.State.QUEUED, 0, None)
    measure = clip.jobs.get(kind=Job.Kind.MEASURE_CLIP)
    assert services.jobs_to_ring() == [str(measure.pk), str(job.pk)]
    assert services.run_job(str(measure.pk))
    assert ear == [(str(clip.pk), "aac", False)]
    assert services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert (clip.state, clip.has_copy, len(ear)) == (Clip.State.READY, True, 1)


def test_worker_rung_for_a_copy_first_listens_to_whatever_waits(job, clip, prepared, ear):
    services.run_job(str(job.pk))
    assert services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert len(ear) == 1
    assert clip.state == Clip.State.READY


def test_one_ring_after_another_brings_a_clip_through(job, clip, prepared, ear, monkeypatch):
    rung = []
    monkeypatch.setattr(tasks.run_job, "apply_async", lambda args, **_: rung.append(args[0]))
    tasks.ring(str(job.pk))
    for job_id in rung:
        tasks.run_job(job_id)
    clip.refresh_from_db()
    assert clip.state == Clip.State.READY
    assert not Job.objects.exclude(state=Job.State.DONE).exists()
    assert len(rung) == 3


def test_ear_that_fails_does_not_fail_the_clip(job, clip, prepared, ear, monkeypatch):
    def deaf(clip, claim):
        raise media.CopyError("cannot be heard")

    monkeypatch.setitem(
        jobs._WORK, Job.Kind.MEASURE_CLIP, services.Work(do=deaf, give_up=lambda *_: ear.append("given up"))
    )
    services.run_job(str(job.pk))
    assert services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert (clip.state, ear) == (Clip.State.READY, ["given up"])
    assert clip.jobs.get(kind=Job.Kind.MEASURE_CLIP).state == Job.State.FAILED


# A full disk -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "error", [OSError(errno.ENOSPC, "no space"), media.BoxSpaceError("no room"), preparing.FullDiskError("no room")]
)
def test_full_disk_is_told_in_plain_words_at_once_and_can_be_tried_again(job, clip, prepared, monkeypatch, error):
    def full(*_, **__):
        raise error

    monkeypatch.setattr(preparing.media, "make_copy", full)
    assert services.run_job(str(job.pk))
    clip.refresh_from_db()
    job.refresh_from_db()
    assert (job.state, job.attempt, clip.state, clip.text) == (
        Job.State.FAILED,
        1,
        Clip.State.FAILED,
        services.FULL_DISK_TEXT,
    )
    assert clip.original_path.read_bytes() == b"film"
    assert services.retry_job(clip).state == Job.State.QUEUED


def test_copy_that_would_fill_the_disk_is_not_begun(job, clip, prepared, monkeypatch):
    monkeypatch.setattr(preparing, "free_bytes", lambda: clip.size_bytes + preparing.COPY_RESERVE_BYTES - 1)
    monkeypatch.setattr(preparing.media, "make_copy", lambda *_, **__: 1 / 0)
    assert services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert (clip.state, clip.text) == (Clip.State.FAILED, services.FULL_DISK_TEXT)


def test_clip_that_is_not_here_as_it_came_cannot_be_tried_again(clip):
    Clip.objects.filter(pk=clip.pk).update(state=Clip.State.FAILED)
    clip.original_path.unlink()
    assert services.retry_job(clip) is None
    clip.refresh_from_db()
    assert clip.state == Clip.State.FAILED


def test_job_run_twice_writes_once(job, clip, prepared):
    assert services.run_job(str(job.pk))
    assert not services.run_job(str(job.pk))
    assert clip.takes.count() == 1


def test_job_taken_over_in_the_middle_is_finished_once(job, clip, prepared, monkeypatch):
    """The first worker sleeps past its lease while it copies; the second finishes; the first then writes nothing."""
    copy = preparing.media.make_copy
    taken_over = []

    def slow_copy(*args, **options):
        if not taken_over:
            taken_over.append(True)
            Job.objects.filter(pk=job.pk).update(lease_until=timezone.now() - timedelta(seconds=1))
            assert services.run_job(str(job.pk))
        return copy(*args, **options)

    monkeypatch.setattr(preparing.media, "make_copy", slow_copy)
    assert not services.run_job(str(job.pk))
    clip.refresh_from_db()
    job.refresh_from_db()
    assert (clip.state, job.state, job.attempt, clip.takes.count()) == (Clip.State.READY, Job.State.DONE, 2, 1)


def test_clip_deleted_in_the_middle_ends_its_job_quietly(job, clip, prepared, monkeypatch):
    copy = preparing.media.make_copy

    def copy_of_deleted(*args, **options):
        services.delete_clip(clip)
        return copy(*args, **options)

    monkeypatch.setattr(preparing.media, "make_copy", copy_of_deleted)
    assert not services.run_job(str(job.pk))
    assert not Clip.objects.exists()


def test_refused_clip_says_why_and_its_file_goes(job, clip, monkeypatch, django_capture_on_commit_callbacks):
    found = media.Probe(
        kind=media.Kind.UNKNOWN,
        verdict=media.Verdict.REJECT,
        reason=media.ReasonCode.NOT_MEDIA,
        text="This is no film.",
    )
    monkeypatch.setattr(preparing.media, "probe", lambda *_, **__: found)
    with django_capture_on_commit_callbacks(execute=True):
        services.run_job(str(job.pk))
    clip.refresh_from_db()
    job.refresh_from_db()
    assert (clip.state, clip.text, job.state) == (Clip.State.REFUSED, "This is no film.", Job.State.DONE)
    assert not clip.original_path.exists()


def test_surprise_is_written_down_and_raised(job, clip, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("not thought of")

    monkeypatch.setattr(preparing.media, "probe", broken)
    with pytest.raises(RuntimeError):
        services.run_job(str(job.pk))
    job.refresh_from_db()
    assert (job.state, job.error) == (Job.State.QUEUED, "RuntimeError: not thought of")


def test_work_folder_is_removed_whatever_happens(job, settings, monkeypatch):
    monkeypatch.setattr(preparing.media, "probe", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        services.run_job(str(job.pk))
    assert list((settings.KEYSLIP_DATA / "work").glob("*")) == []
