"""Clips as they came: how long they stay, and what is left after them."""

from datetime import timedelta

import pytest
import time_machine
from django.core.exceptions import ValidationError
from django.utils import timezone

from lessons import services
from lessons.models import Clip, Job
from tests.make import make_clip, make_learner, make_lesson

pytestmark = pytest.mark.django_db


@pytest.fixture
def clip():
    return make_clip(make_lesson(make_learner()), content=b"film")


@pytest.fixture
def sweep(django_capture_on_commit_callbacks):
    """One round of the sweeper, so many days from now."""

    def after(days):
        with django_capture_on_commit_callbacks(execute=True):
            return services.drop_old_originals(now=timezone.now() + timedelta(days=days, minutes=1))

    return after


def test_file_as_it_came_goes_after_its_days_and_the_copy_stays(clip, sweep):
    assert sweep(29) == 0
    assert clip.original_path.exists()
    assert sweep(30) == 1
    assert sweep(30) == 0
    clip.refresh_from_db()
    assert clip.original_gone_on == clip.lesson.learner.today()
    assert not clip.original_path.exists()
    assert clip.copy_path.read_bytes() == b"film"


@pytest.mark.parametrize(
    "fields",
    [
        {"keeps_original": True},
        {"state": Clip.State.FAILED},
        {"state": Clip.State.PREPARING},
        {"has_copy": False},
        {"kind": Clip.Kind.MIDI},
    ],
)
def test_file_as_it_came_stays_where_it_is_wanted_or_all_there_is(clip, sweep, fields):
    Clip.objects.filter(pk=clip.pk).update(**fields)
    assert sweep(1000) == 0
    assert clip.original_path.exists()


@pytest.mark.parametrize("content", [None, b""])
def test_file_as_it_came_stays_where_its_copy_is_not_on_the_disk(clip, sweep, content):
    clip.copy_path.unlink() if content is None else clip.copy_path.write_bytes(content)
    assert sweep(1000) == 0
    assert clip.original_path.exists()


def test_file_as_it_came_stays_while_the_clip_is_worked_on(clip, sweep):
    job = Job.objects.create(clip=clip, kind=Job.Kind.PREPARE_CLIP, state=Job.State.RUNNING)
    assert sweep(1000) == 0
    Job.objects.filter(pk=job.pk).update(state=Job.State.DONE)
    assert sweep(1000) == 1


def test_no_days_mean_for_ever(clip, sweep, settings):
    settings.KEYSLIP_ORIGINAL_DAYS = 0
    assert sweep(10_000) == 0
    assert services.goes_on(clip) is None


def test_crash_before_the_file_went_is_made_good_by_the_sweeper(clip, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks():  # and the program dies before they run
        services.drop_original(clip)
    assert clip.original_path.exists()
    assert services.remove_gone_originals() == 1
    assert services.remove_gone_originals() == 0
    assert not clip.original_path.exists()
    assert clip.copy_path.exists()


def test_file_of_a_refused_clip_that_a_crash_left_is_removed(clip):
    Clip.objects.filter(pk=clip.pk).update(state=Clip.State.REFUSED)
    assert services.remove_gone_originals() == 1


def test_learner_lets_go_of_one_at_once_also_of_one_that_was_kept(clip, django_capture_on_commit_callbacks):
    services.keep_original(clip, is_kept=True)
    with django_capture_on_commit_callbacks(execute=True):
        services.drop_original(clip)
    clip.refresh_from_db()
    assert (clip.original_gone_on is not None, clip.keeps_original) == (True, False)
    services.drop_original(clip)
    with pytest.raises(ValidationError, match="gone already"):
        services.keep_original(clip, is_kept=True)


def test_clip_without_a_copy_keeps_the_file_as_it_came(clip):
    clip.copy_path.unlink()
    with pytest.raises(ValidationError, match="has no copy"):
        services.drop_original(clip)
    Job.objects.create(clip=clip, kind=Job.Kind.PREPARE_CLIP)
    clip.copy_path.write_bytes(b"film")
    with pytest.raises(ValidationError, match="is being prepared"):
        services.drop_original(clip)
    assert clip.original_path.exists()


def test_day_on_which_it_goes_is_told(clip):
    with time_machine.travel("2026-11-25T12:00:00Z", tick=False):
        Clip.objects.filter(pk=clip.pk).update(created_at=timezone.now())
        clip.refresh_from_db()
        assert str(services.goes_on(clip)) == "2026-12-25"
    clip.keeps_original = True
    assert services.goes_on(clip) is None
