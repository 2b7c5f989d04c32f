"""A real film through the whole pipeline: what lies in its folder afterwards, and a disk that is full."""

import json
import math
import shutil
import subprocess
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from django.core.exceptions import ValidationError
from django.core.files import File

from lessons import services
from lessons.models import Clip
from tests.lessons.media.test_midi import NOTE, RUNNING, midi, track
from tests.make import make_assignment, make_learner, make_lesson
from tests.tools.phone_clip import FPS, PLACE, make_phone_clip

pytestmark = [pytest.mark.django_db, pytest.mark.slow]


@pytest.fixture
def data(settings, tmp_path: Path) -> Path:
    settings.KEYSLIP_DATA = tmp_path / "data"
    settings.KEYSLIP_DATA.mkdir()
    return settings.KEYSLIP_DATA


def prepared(path: Path, *, assignment=None) -> Clip:
    """Take a file in and run its job, as the worker does."""
    lesson = assignment.lesson if assignment else make_lesson(make_learner())
    with path.open("rb") as file:
        clip, job = services.record_clip(
            lesson, upload=File(file, name=path.name), played_on=lesson.starts_on, assignment=assignment
        )
    services.run_job(str(job.pk))
    clip.refresh_from_db()
    return clip


def test_phone_film_is_copied_and_drawn(data, tmp_path):
    film = make_phone_clip(tmp_path / "IMG_1.mov", seconds=3, width=180, height=320)
    clip = prepared(film, assignment=make_assignment(make_lesson(make_learner())))
    assert (clip.state, clip.kind, clip.takes.count()) == (Clip.State.READY, Clip.Kind.VIDEO, 1)
    assert clip.duration_s == pytest.approx(3.0, abs=0.1)
    assert {path.name for path in clip.folder.iterdir()} == {
        "original",
        "copy.mp4",
        "poster.jpg",
        "frames.json",
        "strip.jpg",
        "peaks",
    }
    assert clip.made_bytes == sum(path.stat().st_size for path in clip.folder.iterdir()) - clip.size_bytes
    times = json.loads(clip.frames_path.read_text())["times_s"]
    assert len(times) == 3 * FPS
    assert np.diff(times) == pytest.approx(1 / FPS, abs=2e-3)
    assert clip.strip["count"] == math.ceil(clip.duration_s)
    assert clip.strip["tile_height"] > clip.strip["tile_width"]
    outline = np.fromfile(clip.peaks_path, np.int8).reshape(-1, 2)
    assert len(outline) == pytest.approx(300, abs=10)
    assert (outline[:, 0] <= outline[:, 1]).all()
    assert outline.max() > 0
    assert all(PLACE.encode() not in path.read_bytes() for path in clip.folder.iterdir() if path.name != "original")
    assert all(path.stat().st_mode & 0o077 == 0 for path in clip.folder.iterdir())
    assert list((data / "work").iterdir()) == []


def test_sound_alone_has_an_outline_and_no_pictures(data, tmp_path):
    path = tmp_path / "take.wav"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=48_000, layout="mono")
        for number in range(100):
            loud = 12_000 if number == 50 else 300
            frame = av.AudioFrame.from_ndarray(np.full((1, 960), loud, np.int16), format="s16", layout="mono")
            frame.sample_rate, frame.pts, frame.time_base = 48_000, number * 960, Fraction(1, 48_000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    clip = prepared(path)
    assert (clip.state, clip.kind) == (Clip.State.READY, Clip.Kind.SOUND)
    assert {each.name for each in clip.folder.iterdir()} == {"original", "copy.m4a", "peaks"}
    outline = np.fromfile(clip.peaks_path, np.int8).reshape(-1, 2)
    assert outline.max(axis=1).argmax() == pytest.approx(101, abs=3)


def test_midi_file_is_played_on_the_piano_and_stays(data, settings, tmp_path):
    settings.KEYSLIP_PIANO = tmp_path / "no piano"
    path = tmp_path / "take.mid"
    path.write_bytes(midi(track(NOTE, RUNNING)))
    clip = prepared(path)
    assert (clip.state, clip.kind, clip.has_copy, clip.has_peaks) == (Clip.State.READY, Clip.Kind.MIDI, True, True)
    assert {each.name for each in clip.folder.iterdir()} == {"original", "copy.m4a", "peaks"}
    assert clip.duration_s == pytest.approx(1.5, abs=0.01)  # a second of playing, and half a one to die away
    assert np.fromfile(clip.peaks_path, np.int8).max() > 0
    with pytest.raises(ValidationError, match="says what was played"):
        services.drop_original(clip)


def test_midi_clip_of_before_is_given_its_sound(data, settings, tmp_path):
    settings.KEYSLIP_PIANO = tmp_path / "no piano"
    path = tmp_path / "take.mid"
    path.write_bytes(midi(track(NOTE)))
    clip = prepared(path)
    clip.copy_path.unlink()
    clip.peaks_path.unlink()
    Clip.objects.filter(pk=clip.pk).update(has_copy=False, has_peaks=False)
    assert services.complete_one_clip() == 1
    services.run_job(str(clip.jobs.latest("created_at").pk))
    clip.refresh_from_db()
    assert (clip.state, clip.has_copy, clip.has_peaks) == (Clip.State.READY, True, True)
    assert clip.copy_path.is_file()
    assert services.complete_one_clip() == 0


def test_clip_of_before_gets_what_it_lacks_without_being_copied_again(data, tmp_path):
    clip = prepared(make_phone_clip(tmp_path / "IMG_1.mov", seconds=1, width=180, height=320))
    copied_at = clip.copy_path.stat().st_mtime_ns
    for path in (clip.peaks_path, clip.frames_path, clip.strip_path):
        path.unlink()
    Clip.objects.filter(pk=clip.pk).update(has_peaks=False, has_frames=False, has_strip=False, strip={})
    assert services.complete_one_clip() == 1
    services.run_job(str(clip.jobs.latest("created_at").pk))
    clip.refresh_from_db()
    assert (clip.state, clip.has_peaks, clip.has_frames, clip.has_strip) == (Clip.State.READY, True, True, True)
    assert clip.strip["count"] == math.ceil(clip.duration_s)
    assert clip.copy_path.stat().st_mtime_ns == copied_at
    assert services.complete_one_clip() == 0


@pytest.fixture
def small_disk(settings, tmp_path):
    """A data folder on a disk of its own, of two megabytes; only who may mount one can try this."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("mounting a small disk is not allowed here; the faked one in test_jobs stands in for it")
    settings.KEYSLIP_DATA = disk
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


def test_disk_that_fills_up_while_a_copy_is_made_keeps_the_clip_as_it_came(
    small_disk, tmp_path, monkeypatch, django_capture_on_commit_callbacks
):
    monkeypatch.setattr(services.keeping, "free_bytes", lambda: 10**12)  # as if it filled up only later
    monkeypatch.setattr(services.preparing, "free_bytes", lambda: 10**12)
    film = make_phone_clip(tmp_path / "IMG_1.mov", seconds=2, width=360, height=640)
    filler = small_disk / "filler"
    lesson = make_lesson(make_learner())
    with film.open("rb") as file:
        clip, job = services.record_clip(lesson, upload=File(file, name="IMG_1.mov"), played_on=lesson.starts_on)
    with filler.open("wb") as file:
        file.write(bytes(shutil.disk_usage(small_disk).free - 8192))
    services.run_job(str(job.pk))
    clip.refresh_from_db()
    assert (clip.state, clip.text) == (Clip.State.FAILED, services.FULL_DISK_TEXT)
    assert clip.original_path.read_bytes() == film.read_bytes()
    assert {path.name for path in clip.folder.iterdir()} == {"original"}
    assert list((small_disk / "work").iterdir()) == []
    filler.unlink()
    services.run_job(str(services.retry_job(clip).pk))
    clip.refresh_from_db()
    assert clip.state == Clip.State.READY
