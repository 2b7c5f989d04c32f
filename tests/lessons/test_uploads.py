"""Uploads over the protocol: begun, sent in slices, finished, given up."""

import base64
import hashlib
import os
import uuid
from datetime import date, timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from lessons import services
from lessons.models import Clip, Job, Upload
from lessons.views import uploads as views
from tests.make import make_assignment, make_clip, make_learner, make_lesson

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 11, 23)
FILM = bytes(range(256)) * 40  # 10,240 bytes


@pytest.fixture(autouse=True)
def _tuesday():
    with time_machine.travel("2026-11-24T10:00:00Z", tick=False):
        yield


@pytest.fixture(autouse=True)
def _data(settings, tmp_path):
    settings.KEYSLIP_DATA = tmp_path
    return tmp_path


@pytest.fixture(autouse=True)
def rung(monkeypatch):
    """The queue, as a list of the jobs rung for."""
    rung = []
    monkeypatch.setattr(views, "ring", rung.append)
    return rung


@pytest.fixture
def lesson(client):
    learner = make_learner()
    client.force_login(learner)
    return make_lesson(learner, starts_on=MONDAY)


@pytest.fixture
def row(lesson):
    return make_assignment(lesson, title="Five notes")


def metadata(**values):
    said = {
        "filename": "IMG_0001.MOV",
        "filetype": "video/quicktime",
        "assignment": "whole",
        "was_first_today": "yes",
        "played_on": "2026-11-24",
    } | values
    return ",".join(f"{key} {base64.b64encode(value.encode()).decode()}" for key, value in said.items())


def begin(client, lesson, *, size=len(FILM), **values):
    length = {"Upload-Defer-Length": "1"} if size is None else {"Upload-Length": str(size)}
    return client.post(
        reverse("lessons:clip-upload-begin", kwargs={"pk": lesson.pk}),
        headers={"Tus-Resumable": "1.0.0", "Upload-Metadata": metadata(**values)} | length,
    )


def ask(client, place, **headers):
    return client.head(place, headers={"Tus-Resumable": "1.0.0"} | headers)


def send(client, place, content, *, at, **headers):
    return client.patch(
        place,
        content,
        content_type="application/offset+octet-stream",
        headers={"Tus-Resumable": "1.0.0", "Upload-Offset": str(at)} | headers,
    )


def test_clip_arrives_in_slices(client, lesson, row, rung, django_capture_on_commit_callbacks):
    begun = begin(client, lesson, assignment=str(row.pk))
    assert begun.status_code == 201
    place = begun["Location"]
    assert ask(client, place)["Upload-Offset"] == "0"
    for at in range(0, len(FILM), 4000):
        with django_capture_on_commit_callbacks(execute=True):
            answer = send(client, place, FILM[at : at + 4000], at=at)
        assert answer.status_code == 204
        assert answer["Upload-Offset"] == str(min(at + 4000, len(FILM)))
    clip = Clip.objects.get()
    assert answer["Keyslip-Clip"] == reverse("lessons:clip", kwargs={"pk": clip.pk})
    assert clip.original_path.read_bytes() == FILM
    assert clip.sha256 == hashlib.sha256(FILM).hexdigest()
    assert (clip.assignment, clip.was_first_today, clip.given_name) == (row, True, "IMG_0001.MOV")
    assert rung == [str(Job.objects.get().pk)]
    assert not Upload.objects.get().path.exists()
