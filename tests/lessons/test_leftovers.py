"""What crashes leave behind: files without rows, and rows without files."""

import logging
import os
import uuid
from datetime import timedelta
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import transaction
from django.utils import timezone

from curriculum.models import Score
from lessons import services
from lessons.models import Clip, Job, Lesson, ReferencePicture, Still, Upload
from tests.make import (
    make_assignment,
    make_book,
    make_clip,
    make_filmed,
    make_learner,
    make_lesson,
    make_take,
    make_unit,
)

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


def test_clip_whose_files_are_all_gone_says_so_until_they_are_back(lesson, caplog):
    clip = make_clip(lesson, content=b"film", facts={"reason": "cut_short", "verdict": "partial", "text": "Cut short."})
    clip.copy_path.rename(clip.folder / "away")
    clip.original_path.unlink()
    assert services.find_lost_copies() == 0
    clip.refresh_from_db()
    assert (clip.state, clip.reason) == (Clip.State.FAILED, services.FILES_GONE)
    assert "A backup may hold them" in clip.text
    assert str(clip.pk) in caplog.text
    (clip.folder / "away").rename(clip.copy_path)
    assert services.find_lost_copies() == 0
    clip.refresh_from_db()
    assert (clip.state, clip.reason, clip.text) == (Clip.State.READY, "cut_short", "Cut short.")


def test_midi_clip_has_only_the_file_as_it_came_to_lose(lesson):
    clip = make_clip(lesson, content=b"MThd", kind=Clip.Kind.MIDI, has_copy=False)
    services.find_lost_copies()
    clip.refresh_from_db()
    assert clip.state == Clip.State.READY
    clip.original_path.unlink()
    services.find_lost_copies()
    clip.refresh_from_db()
    assert clip.state == Clip.State.FAILED


def test_file_as_it_came_that_is_lost_beside_its_copy_is_only_named_in_the_log(lesson, caplog):
    """So that a backup that brings it back is believed."""
    clip = make_clip(lesson, content=b"film")
    clip.original_path.unlink()
    assert services.find_lost_copies() == 0
    clip.refresh_from_db()
    assert (clip.state, clip.original_gone_on) == (Clip.State.READY, None)
    assert f"The file as it came of the clip {clip.pk} is gone" in caplog.text


def test_disk_that_is_not_there_changes_no_clip(lesson, data, caplog):
    clips = [make_clip(lesson, content=b"film") for _ in range(3)]
    (data / "clips").rename(data / "elsewhere")
    assert services.find_lost_copies() == 0
    assert {clip.state for clip in Clip.objects.filter(pk__in=[clip.pk for clip in clips])} == {Clip.State.READY}
    assert "Is the disk with the data folder there?" in caplog.text


def make_upload(lesson, *, content=b"film", hours_left=100.0, **fields):
    """Make an upload; its bytes were last touched more than a day ago."""
    upload = Upload.objects.create(
        learner=lesson.learner,
        lesson=lesson,
        size_bytes=1000,
        offset_bytes=len(content),
        played_on=lesson.starts_on,
        expires_at=timezone.now() + timedelta(hours=hours_left),
        **fields,
    )
    put(upload.path).write_bytes(content)
    put(upload.path)
    return upload


def test_bytes_of_an_upload_under_way_stay_however_old(lesson, data):
    kept, left = make_upload(lesson), put(data / "incoming" / f"{uuid.uuid4()}.part")
    assert services.remove_leftovers() == 1
    assert kept.path.exists()
    assert not left.exists()


def test_upload_that_ran_out_goes_with_its_bytes(lesson, django_capture_on_commit_callbacks):
    over = make_upload(lesson, hours_left=-1)
    put(over.path, hours_ago=0)
    with django_capture_on_commit_callbacks(execute=True):
        assert services.remove_leftovers() == 1
    assert not Upload.objects.exists()
    assert not over.path.exists()


def test_row_of_a_finished_upload_goes_when_its_time_is_over_and_its_clip_stays(lesson):
    clip = make_clip(lesson, content=b"film")
    make_upload(lesson, hours_left=-1, clip=clip, finished_at=timezone.now())
    services.remove_leftovers()
    assert not Upload.objects.exists()
    assert Clip.objects.filter(pk=clip.pk).exists()


def picture_file(data: Path, name: str = "") -> Path:
    name = name or str(uuid.uuid4())
    return put(data / "pictures" / name[:2] / name / "large.jpg")


def test_pictures_without_a_row_are_removed_and_those_with_one_stay(lesson, data, caplog):
    size = {"width_px": 16, "height_px": 9}
    unit = make_unit(make_book(lesson.learner))
    reference = ReferencePicture.objects.create(learner=lesson.learner, unit=unit, **size)
    still = Still.objects.create(take=make_filmed(lesson), at_s=1.0, **size)
    kept, left = [picture_file(data, str(row.pk)) for row in (reference, still)], picture_file(data)
    assert services.remove_leftovers() == 1
    assert not left.exists()
    assert all(path.exists() for path in kept)
    assert services.find_lost_pictures() == 0
    kept[0].unlink()
    assert services.find_lost_pictures() == 1
    assert f"The files of the picture {reference.pk} are gone" in caplog.text


def test_scores_without_a_row_are_removed_and_those_with_one_stay(lesson, data):
    score = Score.objects.create(learner=lesson.learner, title="Waltz", source=Score.Source.FILE)
    kept = put(score.musicxml_path)
    name = "8f0c6b1e-58d1-4f0b-9b4a-0d3c1f5a7e21"
    left = put(data / "scores" / name[:2] / name / "score.musicxml")

    assert services.remove_leftovers() == 1
    assert kept.exists()
    assert not left.exists()


def test_deleting_anything_deletes_its_files(lesson, data, django_capture_on_commit_callbacks):
    size = {"width_px": 16, "height_px": 9}
    clip = make_clip(lesson, content=b"film")
    still = Still.objects.create(take=make_take(make_assignment(lesson), clip=clip), at_s=1.0, **size)
    other = Still.objects.create(take=make_filmed(lesson), at_s=1.0, **size)
    unit = make_unit(make_book(lesson.learner))
    reference = ReferencePicture.objects.create(learner=lesson.learner, unit=unit, **size)
    upload = make_upload(lesson)
    for row in (still, other, reference):
        picture_file(data, str(row.pk))
    with django_capture_on_commit_callbacks(execute=True):
        other.take.delete()
    assert not other.folder.exists()
    with django_capture_on_commit_callbacks(execute=True):
        clip.delete()
    assert not clip.folder.exists()
    assert not still.folder.exists()
    assert reference.folder.exists()
    with django_capture_on_commit_callbacks(execute=True):
        lesson.learner.delete()
    assert not reference.folder.exists()
    assert not upload.path.exists()
    assert not [path for path in data.rglob("*") if path.is_file()]


def test_deletion_that_is_taken_back_deletes_no_file(lesson):
    path = make_clip(lesson, content=b"film").original_path

    @transaction.atomic
    def delete_and_fail():
        Clip.objects.all().delete()
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        delete_and_fail()
    assert path.exists()


def test_copies_that_were_never_counted_are_counted(lesson):
    clip = make_clip(lesson, content=b"film")
    clip.poster_path.write_bytes(b"poster")
    assert services.note_sizes() == 1
    clip.refresh_from_db()
    assert clip.made_bytes == 10
    assert services.note_sizes() == 0


def test_one_round_of_the_sweeper_says_what_it_did(lesson, data, capsys):
    make_clip(lesson, content=b"film", has_frames=True, facts={"audio": None})
    clip_file(data)
    call_command("sweep")
    assert capsys.readouterr().out == (
        "Removed 1 leftovers and 0 files as they came; 0 clips are prepared again, 0 uploads were finished. "
        "Rang for 0 jobs.\n"
    )
