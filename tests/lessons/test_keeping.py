"""What takes space, and how much of it a learner may take."""

from collections import namedtuple
from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from lessons import services
from lessons.models import Clip, ReferencePicture, Still, Upload
from lessons.services import keeping
from tests.make import make_assignment, make_book, make_clip, make_learner, make_lesson, make_take, make_unit

pytestmark = pytest.mark.django_db

GB = 1_000_000_000


def make_upload(lesson, **fields):
    known = {"size_bytes": 2 * GB, "played_on": lesson.starts_on, "expires_at": timezone.now() + timedelta(days=7)}
    return Upload.objects.create(learner=lesson.learner, lesson=lesson, **known | fields)


@pytest.fixture
def learner():
    return make_learner()


@pytest.fixture
def lesson(learner):
    return make_lesson(learner)


@pytest.fixture
def disk(monkeypatch):
    """A disk with as many free bytes as a test says; the one here may be full itself."""
    usage = namedtuple("Usage", "total used free")
    free = {"bytes": 1000 * GB}
    monkeypatch.setattr(keeping.shutil, "disk_usage", lambda _: usage(1000 * GB, 0, free["bytes"]))
    return free


def test_nothing_takes_no_space(learner):
    space = services.space_of(learner)
    assert space.taken_bytes == 0
    assert space.left_bytes == space.quota_bytes == 50 * GB
    assert not space.is_nearly_full


def test_space_is_the_sum_of_files_as_they_came_copies_pictures_and_uploads(learner, lesson):
    clip = make_clip(lesson, size_bytes=100, made_bytes=30)
    take = make_take(make_assignment(lesson), clip=clip)
    size = {"width_px": 1600, "height_px": 900}
    Still.objects.create(take=take, at_s=1.0, made_bytes=5, **size)
    ReferencePicture.objects.create(learner=learner, unit=make_unit(make_book(learner)), made_bytes=4, **size)
    make_upload(lesson, size_bytes=50, offset_bytes=20)
    make_upload(lesson, size_bytes=None, offset_bytes=7)
    space = services.space_of(learner)
    assert (space.originals_bytes, space.copies_bytes, space.pictures_bytes) == (100, 30, 9)
    assert (space.uploads_bytes, space.expected_bytes) == (27, 30)
    assert space.taken_bytes == 166
    assert space.left_bytes == 50 * GB - 196


def test_files_that_are_gone_take_no_space(learner, lesson):
    make_clip(lesson, size_bytes=100, state=Clip.State.REFUSED)
    make_clip(lesson, size_bytes=100, made_bytes=9, original_gone_on=lesson.starts_on)
    assert services.space_of(learner).taken_bytes == 9


def test_space_of_others_and_finished_uploads_do_not_count(learner, lesson):
    make_clip(make_lesson(make_learner()), size_bytes=100)
    make_upload(lesson, size_bytes=10, offset_bytes=10, finished_at=timezone.now())
    assert services.space_of(learner).taken_bytes == 0


def test_clip_that_passes_the_share_is_refused_with_what_is_left(learner, lesson, disk):
    learner.quota_bytes = 3 * GB
    make_clip(lesson, size_bytes=2 * GB)
    services.check_room(learner, GB)
    with pytest.raises(ValidationError, match=r"This takes 1.0 GB, and 1.0 GB of your 3.0 GB are left") as refused:
        services.check_room(learner, GB + 1)
    assert refused.value.code == "quota"


def test_upload_under_way_counts_by_the_size_it_announced(learner, lesson, disk):
    learner.quota_bytes = 3 * GB
    upload = make_upload(lesson, offset_bytes=1)
    with pytest.raises(ValidationError):
        services.check_room(learner, 2 * GB)
    services.check_room(learner, 2 * GB, upload=upload)


def test_recording_of_unknown_length_counts_by_what_has_arrived(learner, lesson, disk):
    learner.quota_bytes = 3 * GB
    make_upload(lesson, size_bytes=None, offset_bytes=2 * GB)
    services.check_room(learner, GB)
    with pytest.raises(ValidationError):
        services.check_room(learner, GB + 1)


def test_share_of_nothing_refuses_everything(learner, disk):
    learner.quota_bytes = 0
    with pytest.raises(ValidationError, match="nothing of your nothing"):
        services.check_room(learner, 1)


def test_disk_keeps_a_reserve_and_room_for_what_others_have_announced(learner, disk):
    disk["bytes"] = 3 * GB
    services.check_room(learner, 2 * GB)
    make_upload(make_lesson(make_learner()), size_bytes=GB, offset_bytes=GB // 2 + 1)
    services.check_room(learner, 2 * GB)
    make_upload(make_lesson(make_learner()), size_bytes=GB // 2, offset_bytes=0)
    with pytest.raises(ValidationError, match="The disk is nearly full") as refused:
        services.check_room(learner, 2 * GB)
    assert refused.value.code == "full"
    services.check_room(learner, 2 * GB, has_arrived=True)


def test_pages_speak_of_space_from_four_fifths_on(learner, lesson):
    learner.quota_bytes = 100
    clip = make_clip(lesson, size_bytes=79)
    assert not services.space_of(learner).is_nearly_full
    Clip.objects.filter(pk=clip.pk).update(size_bytes=80)
    assert services.space_of(learner).is_nearly_full
