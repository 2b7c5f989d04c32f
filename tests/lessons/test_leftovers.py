"""What crashes leave behind: files without rows, and rows without files."""

import logging
import os
import uuid
from datetime import timedelta
from pathlib import Path

import pytest
from django.core.management import call_command
from django.utils import timezone

from lessons import services
from lessons.models import Clip, Job, Lesson
from tests.make import make_clip, make_learner, make_lesson

pytestmark = pytest.mark.django_db


@pytest.fixture
def data(settings, tmp_path: Path) -> Path:
    settings.KEYSLIP_DATA = tmp_path
    return tmp_path


@pytest.fixture
def lesson(data: Path) -> Lesson:
    return make_lesson(make_learner())


def put(path: Path, *, hours_ago: float = services.LEFT_AFTER_HOURS + 1) -> Path:
    """Write a file that was last touched some hours ago, and its folder with it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"sound")
    touched_s = (timezone.now() - timedelta(hours=hours_ago)).timestamp()
    for each in (path, path.parent):
        os.utime(each, (touched_s, touched_s))
    return path


def clip_file(data: Path, **fields) -> Path:
    name = str(uuid.uuid4())
    return put(data / "clips" / name[:2] / name / "original", **fields)


def test_old_work_and_broken_uploads_are_removed_and_young_ones_stay(data):
    old = [put(data / "work" / "a-job" / "copy.mp4"), put(data / "incoming" / "broken.upload.mov")]
    young = [put(data / "work" / "b-job" / "copy.mp4", hours_ago=5), put(data / "incoming" / "new.mov", hours_ago=1)]
    assert services.remove_leftovers() == 2
    assert not any(path.exists() for path in [*old, data / "work" / "a-job"])
    assert all(path.exists() for path in young)


def test_folder_in_which_a_job_still_writes_is_young(data):
    old = put(data / "work" / "a-job" / "poster.jpg")
    put(data / "work" / "a-job" / "copy.mp4", hours_ago=0)
    os.utime(old.parent, (0, 0))
    assert services.remove_leftovers() == 0


def test_files_of_a_clip_without_a_row_are_removed_and_those_with_one_stay(lesson, data, caplog):
    kept = make_clip(lesson, content=b"film")
    put(kept.original_path)
    left, young = clip_file(data), clip_file(data, hours_ago=3)
    with caplog.at_level(logging.INFO, logger="lessons"):
        assert services.remove_leftovers() == 1
    assert not left.parent.exists()
    assert kept.original_path.exists()
    assert young.exists()
    assert f"Removed clips/{left.parent.parent.name}/{left.parent.name}" in caplog.text


def test_data_folder_of_another_database_is_left_alone(lesson, data, caplog):
    make_clip(lesson, content=b"film")
    strange = [clip_file(data), clip_file(data)]
    assert services.remove_leftovers() == 0
    assert all(path.exists() for path in strange)
    assert "Is this the right database?" in caplog.text


def test_what_is_no_clip_of_ours_is_left_alone(lesson, data):
    make_clip(lesson, content=b"film")
    note = put(data / "clips" / "ab" / "notes" / "read me")
    assert services.remove_leftovers() == 0
    assert note.exists()


def test_copy_that_is_gone_is_made_again(lesson):
    clip = make_clip(lesson, content=b"film")
    clip.copy_path.unlink()
    assert services.find_lost_copies() == 1
    clip.refresh_from_db()
    assert clip.state == Clip.State.RECEIVED
    assert Job.objects.get(clip=clip).state == Job.State.QUEUED
    assert services.find_lost_copies() == 0


def test_clip_whose_files_are_all_gone_is_named_in_the_log(lesson, caplog):
    clip = make_clip(lesson, content=b"film")
    clip.copy_path.unlink()
    clip.original_path.unlink()
    assert services.find_lost_copies() == 0
    clip.refresh_from_db()
    assert clip.state == Clip.State.READY
    assert str(clip.pk) in caplog.text


def test_one_round_of_the_sweeper_says_what_it_did(lesson, data, capsys):
    make_clip(lesson, content=b"film")
    clip_file(data)
    call_command("sweep")
    assert capsys.readouterr().out == "Rang for 0 jobs. Removed 1 leftovers; 0 clips are prepared again.\n"
