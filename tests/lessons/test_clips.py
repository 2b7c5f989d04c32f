"""Storing clips, setting takes, and deleting both."""

import hashlib
import uuid
from collections import namedtuple
from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile, TemporaryUploadedFile
from django.db import IntegrityError

from curriculum import services as curriculum
from curriculum.models import Evidence
from lessons import services
from lessons.models import Clip, Job, Take
from lessons.services import clips as clips_service
from tests.make import make_assignment, make_clip, make_learner, make_lesson, make_skill, make_take

pytestmark = pytest.mark.django_db

DAY = date(2026, 11, 24)
Usage = namedtuple("Usage", "total used free")


@pytest.fixture
def lesson():
    return make_lesson(make_learner(), starts_on=date(2026, 11, 23))


def upload(content=b"film", name="IMG_0001.MOV"):
    return SimpleUploadedFile(name, content, content_type="video/quicktime")


def record(lesson, **fields):
    return services.record_clip(lesson, **{"upload": upload(), "played_on": DAY} | fields)


def test_clip_is_stored_under_our_own_name(lesson):
    clip, job = record(lesson, upload=upload(name="../../etc/passwd"))
    assert clip.original_path.read_bytes() == b"film"
    assert clip.original_path.parent.name == str(clip.pk)
    assert clip.given_name == "passwd"
    assert clip.sha256 == hashlib.sha256(b"film").hexdigest()
    assert clip.original_path.stat().st_mode & 0o777 == 0o600
    assert (job.kind, job.state) == (Job.Kind.PREPARE_CLIP, Job.State.QUEUED)


def test_upload_that_lies_on_disk_is_moved_and_not_copied(lesson):
    file = TemporaryUploadedFile("long.mov", "video/quicktime", 4, None)
    file.write(b"film")
    file.seek(0)
    inode = file.file.fileno()
    clip, _ = record(lesson, upload=file)
    assert clip.original_path.read_bytes() == b"film"
    assert clip.original_path.stat().st_nlink == 2, inode
    file.close()
    assert clip.original_path.stat().st_nlink == 1


@pytest.mark.parametrize(
    ("content", "words"), [(b"", "empty"), (b"x" * 2001, "is the most")], ids=["empty", "too large"]
)
def test_clip_that_cannot_be_taken_leaves_nothing_behind(lesson, settings, content, words):
    settings.KEYSLIP_MOST_CLIP_BYTES = 2000
    with pytest.raises(ValidationError, match=words):
        record(lesson, upload=upload(content))
    assert not Clip.objects.exists()


def test_full_disk_is_said_before_anything_is_stored(lesson, monkeypatch):
    monkeypatch.setattr(clips_service.shutil, "disk_usage", lambda _: Usage(1, 1, 1000))
    with pytest.raises(ValidationError, match="disk is nearly full"):
        record(lesson)
    assert not Clip.objects.exists()


def test_form_sent_twice_stores_one_clip(lesson):
    token = uuid.uuid4()
    clip, _ = record(lesson, upload_token=token)
    again, job = record(lesson, upload_token=token, upload=upload(b"the same form, read again"))
    assert (again, job) == (clip, None)
    assert Clip.objects.count() == Job.objects.count() == 1


def test_form_sent_twice_at_the_same_moment_stores_one_clip(lesson, monkeypatch):
    token = uuid.uuid4()
    clip, _ = record(lesson, upload_token=token)
    asked = iter([None, clip])
    monkeypatch.setattr(clips_service, "sent_before", lambda *_: next(asked))
    again, job = record(lesson, upload_token=token, upload=upload(b"other bytes"))
    assert (again, job) == (clip, None)
    assert [folder.name for folder in clip.folder.parent.iterdir() if folder.name == str(clip.pk)] == [str(clip.pk)]


def test_same_file_again_is_named_instead_of_stored(lesson):
    record(lesson)
    with pytest.raises(ValidationError, match=r"here already, as “IMG_0001\.MOV”"):
        record(lesson, upload=upload(name="copy.mov"))
    assert Clip.objects.count() == 1


def test_surprise_while_storing_leaves_no_files(lesson, monkeypatch):
    kept = []
    monkeypatch.setattr(clips_service, "add_job", lambda clip, **_: kept.append(clip) or 1 / 0)
    with pytest.raises(ZeroDivisionError):
        record(lesson)
    assert not kept[0].folder.exists()
    assert not Clip.objects.exists()


def test_line_of_another_week_is_refused(lesson):
    other = make_assignment(make_lesson(lesson.learner, starts_on=date(2026, 11, 16)))
    with pytest.raises(ValidationError, match="another week"):
        record(lesson, assignment=other)


def test_clip_for_one_line_is_one_take_over_its_whole_length(lesson):
    row = make_assignment(lesson)
    clip = make_clip(lesson, assignment=row, duration_s=12.5)
    take = services.take_whole_clip(clip)
    assert (take.start_s, take.end_s, take.number, take.is_judged) == (0.0, 12.5, 1, True)
    assert services.take_whole_clip(clip) is None


def test_first_take_is_judged_until_another_is_chosen(lesson):
    row, clip = make_assignment(lesson), make_clip(lesson)
    first = services.add_take(clip, assignment=row, start_s=0, end_s=5)
    second = services.add_take(clip, assignment=row, start_s=6, end_s=9)
    assert (first.is_judged, second.is_judged, second.number) == (True, False, 2)
    services.judge_take(second)
    first.refresh_from_db()
    assert (first.is_judged, second.is_judged) == (False, True)


def test_same_take_set_twice_is_one_take(lesson):
    row, clip = make_assignment(lesson), make_clip(lesson)
    first = services.add_take(clip, assignment=row, start_s=0, end_s=5)
    assert services.add_take(clip, assignment=row, start_s=0, end_s=5) == first


def test_fourth_take_is_refused_and_a_freed_number_is_used_again(lesson):
    row, clip = make_assignment(lesson), make_clip(lesson)
    takes = [services.add_take(clip, assignment=row, start_s=at, end_s=at + 2) for at in (0, 3, 6)]
    with pytest.raises(ValidationError, match="Three takes"):
        services.add_take(clip, assignment=row, start_s=9, end_s=11)
    services.delete_take(takes[1])
    assert services.add_take(clip, assignment=row, start_s=9, end_s=11).number == 2


@pytest.mark.parametrize(("start_s", "end_s"), [(5, 5), (6, 5), (30.0, 31.0), (20.0, 30.2)])
def test_take_lies_within_its_clip(lesson, start_s, end_s):
    row, clip = make_assignment(lesson), make_clip(lesson, duration_s=30.0)
    with pytest.raises(ValidationError):
        services.add_take(clip, assignment=row, start_s=start_s, end_s=end_s)
    take = make_take(row, clip=clip)
    with pytest.raises(ValidationError):
        services.move_take(take, start_s=start_s, end_s=end_s)


def test_end_typed_a_tenth_too_late_is_the_end_of_the_clip(lesson):
    row, clip = make_assignment(lesson), make_clip(lesson, duration_s=30.02)
    assert services.add_take(clip, assignment=row, start_s=0, end_s=30.1).end_s == 30.02


def test_take_waits_until_the_clip_is_ready(lesson):
    clip = make_clip(lesson, state=Clip.State.PREPARING)
    with pytest.raises(ValidationError, match="not ready"):
        services.add_take(clip, assignment=make_assignment(lesson), start_s=0, end_s=1)


def test_take_of_another_week_is_refused(lesson):
    other = make_assignment(make_lesson(lesson.learner, starts_on=date(2026, 11, 16)))
    with pytest.raises(ValidationError, match="another week"):
        services.add_take(make_clip(lesson), assignment=other, start_s=0, end_s=1)


def test_next_take_is_judged_when_the_judged_one_goes(lesson):
    row, clip = make_assignment(lesson), make_clip(lesson)
    first = services.add_take(clip, assignment=row, start_s=0, end_s=5)
    second = services.add_take(clip, assignment=row, start_s=6, end_s=9)
    services.delete_take(first)
    second.refresh_from_db()
    assert second.is_judged


def test_deleted_clip_takes_its_files_and_leaves_evidence(lesson, django_capture_on_commit_callbacks):
    skill = make_skill(lesson.learner)
    row = make_assignment(lesson, skills=[skill])
    clip = make_clip(lesson, content=b"film")
    make_take(row, clip=clip)
    curriculum.record_evidence(skill, played_on=DAY, source="review", passed=True, reference=f"review:{row.pk}")
    with django_capture_on_commit_callbacks(execute=True):
        services.delete_clip(clip)
    assert not clip.folder.exists()
    assert not Take.objects.exists()
    assert Evidence.objects.filter(withdrawn_at=None).count() == 1


def test_files_go_with_the_learner(lesson, django_capture_on_commit_callbacks):
    clip = make_clip(lesson, content=b"film")
    with django_capture_on_commit_callbacks(execute=True):
        lesson.learner.delete()
    assert not clip.folder.exists()


def test_two_clips_cannot_carry_one_token(lesson):
    token = uuid.uuid4()
    make_clip(lesson, upload_token=token)
    with pytest.raises(IntegrityError):
        make_clip(lesson, upload_token=token)
