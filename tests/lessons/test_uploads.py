"""Uploads over the protocol: begun, sent in slices, finished, given up."""

import base64
import errno
import fcntl
import hashlib
import os
import pkgutil
import threading
import uuid
from datetime import date

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

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
def data(settings, tmp_path):
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


def begin(client, lesson, *, size=10_240, **values):
    length = {"Upload-Defer-Length": "1"} if size is None else {"Upload-Length": str(size)}
    return client.post(
        reverse("lessons:clip-upload-begin", kwargs={"pk": lesson.pk}),
        headers={"Tus-Resumable": "1.0.0", "Upload-Metadata": metadata(**values)} | length,
    )


def ask(client, place, **headers):
    return client.head(place, headers={"Tus-Resumable": "1.0.0"} | headers)


def send(client, place, content, *, at, **headers):
    if not content:  # the test client says nothing about what is empty
        headers |= {"Content-Type": "application/offset+octet-stream", "Content-Length": "0"}
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


# Beginning


def test_server_says_what_it_speaks(client):
    for path in (f"/lessons/{uuid.uuid4()}/uploads/", f"/uploads/{uuid.uuid4()}/"):
        answer = client.options(path)
        assert answer.status_code == 204
        assert answer["Tus-Version"] == "1.0.0"
        assert answer["Tus-Extension"] == "creation,creation-defer-length,checksum,expiration,termination"
        assert answer["Tus-Max-Size"] == "8000000000"
        assert answer["Tus-Checksum-Algorithm"] == "sha256,sha1"


@pytest.mark.parametrize("version", [None, "0.2.2", "1.0.1"])
def test_other_version_is_refused_with_ours(client, lesson, version):
    place = begin(client, lesson)["Location"]
    headers = {} if version is None else {"Tus-Resumable": version}
    for answer in (
        client.head(place, headers=headers),
        client.delete(place, headers=headers),
        client.post(reverse("lessons:clip-upload-begin", kwargs={"pk": lesson.pk}), headers=headers),
    ):
        assert answer.status_code == 412
        assert answer["Tus-Version"] == "1.0.0"
    assert Upload.objects.count() == 1


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"assignment": ""}, "Say what is on the clip."),
        ({"assignment": str(uuid.uuid4())}, "no longer on the sheet"),
        ({"was_first_today": ""}, "had played it before"),
        ({"played_on": "2026-11-25"}, "still to come"),
        ({"played_on": "2026-11-22"}, "begins on 23 November"),
        ({"token": "no token"}, "valid UUID"),
    ],
)
def test_what_is_said_about_the_clip_is_checked_as_in_the_plain_form(client, lesson, values, words):
    answer = begin(client, lesson, **values)
    assert answer.status_code == 400
    assert answer["Content-Type"].startswith("text/plain")
    assert words in answer.content.decode()
    assert not Upload.objects.exists()


def test_clip_that_is_empty_too_large_or_has_no_room_is_refused_before_a_byte_of_it(client, lesson, settings):
    settings.KEYSLIP_MOST_CLIP_BYTES = 2_000_000
    assert begin(client, lesson, size=0).status_code == 400
    assert begin(client, lesson, size=2_000_001).status_code == 413
    lesson.learner.quota_bytes = 1_000_000
    lesson.learner.save()
    refused = begin(client, lesson, size=1_500_000)
    assert refused.status_code == 507
    assert "1 MB are left" in refused.content.decode() or "1 MB of your 1 MB are left" in refused.content.decode()
    assert not Upload.objects.exists()


def test_room_that_an_upload_under_way_has_announced_is_not_given_twice(client, lesson):
    lesson.learner.quota_bytes = 1_000_000
    lesson.learner.save()
    assert begin(client, lesson, size=600_000).status_code == 201
    assert begin(client, lesson, size=600_000).status_code == 507


def test_full_disk_is_refused_before_a_byte_arrives(client, lesson, monkeypatch):
    monkeypatch.setattr("lessons.services.keeping.free_bytes", lambda: 500_000_000)
    answer = begin(client, lesson)
    assert answer.status_code == 507
    assert "nearly full" in answer.content.decode()


def test_begun_twice_with_one_token_is_one_upload(client, lesson):
    token = str(uuid.uuid4())
    places = {begin(client, lesson, token=token)["Location"] for _ in "ab"}
    assert places == {f"/uploads/{token}/"}
    send(client, places.pop(), b"some", at=0)
    assert begin(client, lesson, token=token)["Location"] != f"/uploads/{token}/"


def test_token_of_somebody_else_opens_nothing(client, lesson):
    token = str(uuid.uuid4())
    begin(client, lesson, token=token)
    stranger = make_learner()
    other = Client()
    other.force_login(stranger)
    place = begin(other, make_lesson(stranger, starts_on=MONDAY), token=token)["Location"]
    assert place != f"/uploads/{token}/"
    assert Upload.objects.get(pk=token).learner == lesson.learner


def test_at_most_twenty_are_under_way(client, lesson):
    for _ in range(20):
        assert begin(client, lesson).status_code == 201
    answer = begin(client, lesson)
    assert answer.status_code == 400
    assert "20 clips are on their way" in answer.content.decode()


@pytest.mark.parametrize("name", ["../../etc/passwd", "..\\..\\boot.ini", "/abs/olute", "a\0b\nc", "x" * 400])
def test_name_from_the_phone_is_shown_and_never_a_path(client, lesson, name, data):
    upload = Upload.objects.get(pk=begin(client, lesson, filename=name)["Location"].split("/")[2])
    assert "/" not in upload.given_name
    assert "\\" not in upload.given_name
    assert upload.given_name.isprintable()
    assert len(upload.given_name) <= 200
    assert upload.path.parent == data / "incoming"
    assert [path.name for path in (data / "incoming").iterdir()] == [f"{upload.pk}.part"]


# Whose it is


def test_stranger_finds_nothing(client, lesson):
    place = begin(client, lesson)["Location"]
    stranger = Client()
    stranger.force_login(make_learner())
    assert begin(stranger, lesson).status_code == 404
    assert ask(stranger, place).status_code == 404
    assert send(stranger, place, b"some", at=0).status_code == 404
    assert stranger.delete(place, headers={"Tus-Resumable": "1.0.0"}).status_code == 404
    assert stranger.get(f"{place}compare/", headers={"Tus-Resumable": "1.0.0"}).status_code == 404
    assert stranger.post(f"{place}keep/").status_code == 404
    assert stranger.get(f"{place}give-up/").status_code == 404
    assert stranger.post(f"{place}give-up/").status_code == 404
    assert ask(client, place)["Upload-Offset"] == "0"


def test_who_is_signed_out_is_told_so_and_what_arrived_is_kept(client, lesson):
    place = begin(client, lesson)["Location"]
    send(client, place, FILM[:100], at=0)
    visitor = Client()
    answer = send(visitor, place, FILM[100:], at=100)
    assert answer.status_code == 401
    assert "Sign in again" in answer.content.decode()
    assert visitor.get(place).status_code == 302
    assert ask(client, place)["Upload-Offset"] == "100"


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_other_site_begins_nothing_and_ends_nothing(lesson, headers):
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(lesson.learner)
    place = begin(strict, lesson)["Location"]
    for answer in (
        strict.post(
            reverse("lessons:clip-upload-begin", kwargs={"pk": lesson.pk}),
            headers={"Tus-Resumable": "1.0.0", "Upload-Length": "5", "Upload-Metadata": metadata()} | headers,
        ),
        strict.delete(place, headers={"Tus-Resumable": "1.0.0"} | headers),
        send(strict, place, b"some", at=0, **headers),
    ):
        assert answer.status_code == 403
    assert ask(strict, place, Origin="http://testserver")["Upload-Offset"] == "0"
    assert strict.post(f"{place}keep/").status_code == 403
    assert strict.post(f"{place}give-up/").status_code == 403


# How far it is


def test_answer_says_how_far_it_is_what_was_said_and_until_when(client, lesson, row):
    place = begin(client, lesson, assignment=str(row.pk), filename="Übung.mov")["Location"]
    send(client, place, FILM[:100], at=0)
    answer = ask(client, place)
    assert (answer["Upload-Offset"], answer["Upload-Length"]) == ("100", str(len(FILM)))
    assert answer["Cache-Control"] == "no-store"
    assert answer["Upload-Expires"] == "Tue, 01 Dec 2026 10:00:00 GMT"
    said = metadata(filename="Übung.mov", assignment=str(row.pk)).split(",")
    assert set(answer["Upload-Metadata"].split(",")) == {pair for pair in said if "filetype" not in pair}


def test_what_the_disk_has_lost_does_not_count(client, lesson):
    place = begin(client, lesson)["Location"]
    send(client, place, FILM[:5000], at=0)
    os.truncate(Upload.objects.get().path, 3000)
    assert ask(client, place)["Upload-Offset"] == "3000"
    send(client, place, FILM[3000:], at=3000)
    assert Clip.objects.get().original_path.read_bytes() == FILM


def test_method_may_be_named_in_a_header(client, lesson):
    place = begin(client, lesson)["Location"]
    answer = client.post(
        place,
        b"abc",
        content_type="application/offset+octet-stream",
        headers={"Tus-Resumable": "1.0.0", "Upload-Offset": "0", "X-HTTP-Method-Override": "PATCH"},
    )
    assert (answer.status_code, answer["Upload-Offset"]) == (204, "3")


# Slices


def test_slice_that_is_not_in_order_is_refused_and_changes_nothing(client, lesson):
    place = begin(client, lesson)["Location"]
    send(client, place, FILM[:100], at=0)
    assert send(client, place, b"x", at=99).status_code == 409
    assert send(client, place, b"x", at=101).status_code == 409
    assert send(client, place, bytes(len(FILM)), at=100).status_code == 413
    assert send(client, place, b"x", at="minus one").status_code == 400
    wrong_kind = client.patch(
        place, b"x", content_type="application/json", headers={"Tus-Resumable": "1.0.0", "Upload-Offset": "100"}
    )
    assert wrong_kind.status_code == 415
    assert send(client, place, b"x", at=100, **{"Upload-Length": "12"}).status_code == 413
    assert ask(client, place)["Upload-Offset"] == "100"
    assert Upload.objects.get().path.read_bytes() == FILM[:100]


@pytest.mark.parametrize("algorithm", ["sha1", "sha256"])
def test_slice_that_changed_on_its_way_is_dropped(client, lesson, algorithm):
    def sum_of(content):
        return f"{algorithm} {base64.b64encode(hashlib.new(algorithm, content).digest()).decode()}"

    place = begin(client, lesson)["Location"]
    send(client, place, FILM[:100], at=0)
    wrong = send(client, place, FILM[100:5000], at=100, **{"Upload-Checksum": sum_of(b"other")})
    assert wrong.status_code == 460
    assert ask(client, place)["Upload-Offset"] == "100"
    right = send(client, place, FILM[100:5000], at=100, **{"Upload-Checksum": sum_of(FILM[100:5000])})
    assert (right.status_code, right["Upload-Offset"]) == (204, "5000")
    assert send(client, place, b"x", at=5000, **{"Upload-Checksum": "crc32 AAAA"}).status_code == 400
    send(client, place, FILM[5000:], at=5000)
    assert Clip.objects.get().original_path.read_bytes() == FILM


def test_slice_whose_line_falls_silent_ends_and_keeps_what_came(client, lesson, monkeypatch):
    class Silent:
        def __init__(self):
            self.is_heard = threading.Event()
            self.said = [FILM[:4000]]

        def read(self, *_):
            if self.said:
                return self.said.pop()
            self.is_heard.wait(10)
            return b""

    silent = Silent()
    monkeypatch.setattr(views, "STALL_S", 0.05)
    monkeypatch.setattr("django.http.request.HttpRequest.read", silent.read)
    place = begin(client, lesson)["Location"]
    answer = send(client, place, FILM, at=0)
    silent.is_heard.set()
    assert answer.status_code == 408
    assert ask(client, place)["Upload-Offset"] == "4000"


def test_disk_that_fills_up_in_the_middle_keeps_what_arrived(client, lesson, monkeypatch):
    write, left = os.write, [3000]

    def write_some(file, content):
        if not left[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        done = write(file, content[: left[0]])
        left[0] -= done
        return done

    place = begin(client, lesson)["Location"]
    with monkeypatch.context() as full:
        full.setattr("lessons.services.uploads.os.write", write_some)
        answer = send(client, place, FILM, at=0)
    assert answer.status_code == 507
    assert "What arrived is kept" in answer.content.decode()
    assert ask(client, place)["Upload-Offset"] == "3000"
    send(client, place, FILM[3000:], at=3000)
    assert Clip.objects.get().original_path.read_bytes() == FILM


def test_upload_that_somebody_writes_to_is_locked(client, lesson):
    place = begin(client, lesson)["Location"]
    with Upload.objects.get().path.open("r+b") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        assert send(client, place, FILM, at=0).status_code == 423
        assert client.delete(place, headers={"Tus-Resumable": "1.0.0"}).status_code == 423
        assert ask(client, place).status_code == 200
    assert send(client, place, FILM, at=0).status_code == 204


def test_upload_that_nobody_went_on_with_is_gone_after_a_week(client, lesson, settings):
    place = begin(client, lesson)["Location"]
    send(client, place, FILM[:100], at=0)
    with time_machine.travel("2026-12-01T09:59:00Z", tick=False):
        assert send(client, place, FILM[100:200], at=100).status_code == 204
    with time_machine.travel("2026-12-08T10:00:00Z", tick=False):
        client.force_login(lesson.learner)
        for answer in (ask(client, place), send(client, place, FILM[200:], at=200)):
            assert answer.status_code == 410
        assert "Nothing is on its way" in client.get(reverse("lessons:clip-uploads")).content.decode()
    assert not Clip.objects.exists()


# Ending


def test_upload_given_up_is_gone_with_its_bytes(client, lesson):
    place = begin(client, lesson)["Location"]
    send(client, place, FILM[:100], at=0)
    path = Upload.objects.get().path
    assert client.delete(place, headers={"Tus-Resumable": "1.0.0"}).status_code == 204
    assert not path.exists()
    assert ask(client, place).status_code == 404


def test_finished_upload_says_again_which_clip_it_became(client, lesson, rung, django_capture_on_commit_callbacks):
    place = begin(client, lesson)["Location"]
    with django_capture_on_commit_callbacks(execute=True):
        first = send(client, place, FILM, at=0)
        again = send(client, place, b"", at=len(FILM))
        asked = ask(client, place)
    assert first["Keyslip-Clip"] == again["Keyslip-Clip"] == asked["Keyslip-Clip"]
    assert Clip.objects.count() == len(rung) == 1
    assert client.delete(place, headers={"Tus-Resumable": "1.0.0"}).status_code == 204
    assert Clip.objects.get().original_path.read_bytes() == FILM


def test_clip_that_is_here_already_is_not_stored_twice(client, lesson, data):
    first = send(client, begin(client, lesson)["Location"], FILM, at=0)
    place = begin(client, lesson)["Location"]
    second = send(client, place, FILM, at=0)
    assert second["Keyslip-Clip"] == first["Keyslip-Clip"]
    assert second["Keyslip-Twin"] == "1"
    assert Clip.objects.count() == Job.objects.count() == 1
    assert list((data / "incoming").iterdir()) == []
    assert len(list((data / "clips").glob("??/*"))) == 1
    assert ask(client, place)["Keyslip-Clip"]


def test_clip_that_came_by_the_plain_form_meanwhile_is_the_clip(client, lesson):
    token = uuid.uuid4()
    place = begin(client, lesson, token=str(token))["Location"]
    clip = make_clip(lesson, upload_token=token)
    assert send(client, place, FILM, at=0)["Keyslip-Clip"] == reverse("lessons:clip", kwargs={"pk": clip.pk})
    assert Clip.objects.count() == 1


class Killed(BaseException):
    """Stands for a program that ends in the middle."""


STEPS = [
    "os.ftruncate",
    "os.fsync",
    "_digest_of",
    "_rename_safely",
    "after _rename_safely",
    "_close",
    "after _close",
    "add_job",
    "after add_job",
    "Path.unlink",
]


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("by", ["asking", "the sweeper", "sending nothing"])
def test_program_killed_while_it_puts_a_clip_away_leaves_one_clip(client, lesson, monkeypatch, step, by):
    place = begin(client, lesson)["Location"]
    name = step.removeprefix("after ")
    target = f"pathlib.{name}" if name.startswith("Path") else f"lessons.services.uploads.{name}"
    owner, _, attribute = target.rpartition(".")
    real = getattr(pkgutil.resolve_name(owner), attribute)

    def killed(*args, **kwargs):
        if step.startswith("after "):
            real(*args, **kwargs)
        raise Killed

    send(client, place, FILM[:-1], at=0)
    with monkeypatch.context() as dying:
        dying.setattr(target, killed)
        with pytest.raises(Killed):
            send(client, place, FILM[-1:], at=len(FILM) - 1)
    if by == "asking":
        ask(client, place)
    elif by == "the sweeper":
        services.finish_arrived_uploads()
    else:
        send(client, place, b"", at=len(FILM))
    clip = Clip.objects.get()
    assert clip.original_path.read_bytes() == FILM
    assert Job.objects.count() == 1
    assert ask(client, place)["Keyslip-Clip"] == reverse("lessons:clip", kwargs={"pk": clip.pk})
    services.finish_arrived_uploads()
    assert not Upload.objects.get().path.exists()
    assert Clip.objects.count() == 1


def test_disk_without_second_names_keeps_a_clip_too(client, lesson, monkeypatch):
    def refuse(*_):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr("lessons.services.uploads.os.link", refuse)
    place = begin(client, lesson)["Location"]
    with monkeypatch.context() as dying:
        dying.setattr("lessons.services.uploads.add_job", lambda *_, **__: (_ for _ in ()).throw(Killed))
        with pytest.raises(Killed):
            send(client, place, FILM, at=0)
    assert not Upload.objects.get().path.exists()
    assert ask(client, place)["Keyslip-Clip"]
    assert Clip.objects.get().original_path.read_bytes() == FILM


def test_sweeper_leaves_alone_what_is_still_on_its_way(client, lesson):
    send(client, begin(client, lesson)["Location"], FILM[:100], at=0)
    begin(client, lesson, size=None)
    assert services.finish_arrived_uploads() == 0
    assert not Clip.objects.exists()


# Recordings, whose length is told in the end


def test_recording_tells_its_length_with_its_last_bytes(client, lesson):
    place = begin(client, lesson, size=None)["Location"]
    send(client, place, FILM[:5000], at=0)
    answer = ask(client, place)
    assert answer["Upload-Defer-Length"] == "1"
    assert "Upload-Length" not in answer
    done = send(client, place, FILM[5000:], at=5000, **{"Upload-Length": str(len(FILM))})
    assert done["Keyslip-Clip"]
    assert Clip.objects.get().original_path.read_bytes() == FILM


def test_recording_may_tell_its_length_after_its_last_bytes(client, lesson):
    place = begin(client, lesson, size=None)["Location"]
    send(client, place, FILM, at=0)
    assert send(client, place, b"", at=len(FILM), **{"Upload-Length": "12"}).status_code == 413
    assert send(client, place, b"", at=len(FILM), **{"Upload-Length": str(len(FILM))})["Keyslip-Clip"]


def test_recording_grows_no_further_than_a_clip_may_or_the_learners_share(client, lesson, settings):
    settings.KEYSLIP_MOST_CLIP_BYTES = 6000
    place = begin(client, lesson, size=None)["Location"]
    assert send(client, place, FILM[:5000], at=0).status_code == 204
    assert send(client, place, FILM[5000:8000], at=5000).status_code == 413
    lesson.learner.quota_bytes = 5500
    lesson.learner.save()
    assert send(client, place, FILM[5000:5800], at=5000).status_code == 507
    assert send(client, place, FILM[5000:5400], at=5000).status_code == 204


def test_recording_that_broke_off_is_kept_as_far_as_it_came(client, lesson, rung, django_capture_on_commit_callbacks):
    place = begin(client, lesson, size=None)["Location"]
    send(client, place, FILM[:5000], at=0)
    with django_capture_on_commit_callbacks(execute=True):
        answers = [client.post(f"{place}keep/") for _ in "ab"]
    clip = Clip.objects.get()
    assert {answer["Location"] for answer in answers} == {reverse("lessons:clip", kwargs={"pk": clip.pk})}
    assert clip.original_path.read_bytes() == FILM[:5000]
    assert (clip.size_bytes, len(rung)) == (5000, 1)


def test_half_of_a_file_and_nothing_of_a_recording_are_not_kept(client, lesson):
    for size, words in ((len(FILM), "Half a file"), (None, "Nothing of this recording")):
        place = begin(client, lesson, size=size)["Location"]
        if size:
            send(client, place, FILM[:100], at=0)
        assert words in client.post(f"{place}keep/", follow=True).content.decode()
    assert not Clip.objects.exists()


# The file chosen again


def compare(client, place, content, *, at):
    wanted = client.get(f"{place}compare/", headers={"Tus-Resumable": "1.0.0"}).json()
    assert wanted["arrived_bytes"] == at
    body = b"".join(content[start:end] for start, end in wanted["windows"])
    return client.post(
        f"{place}compare/",
        body,
        content_type="application/octet-stream",
        headers={"Tus-Resumable": "1.0.0", "Upload-Offset": str(at)},
    )


def test_file_chosen_again_is_known_by_what_arrived_of_it(client, lesson):
    content = bytes(range(251)) * 8000  # 2 MB, of which no two windows are alike
    place = begin(client, lesson, size=len(content))["Location"]
    send(client, place, content[:1_500_000], at=0)
    assert compare(client, place, content, at=1_500_000).json() == {"is_same": True}
    assert compare(client, place, content[::-1], at=1_500_000).json() == {"is_same": False}
    assert compare(client, place, content[:1_400_000] + bytes(600_000), at=1_500_000).json() == {"is_same": False}


def test_comparison_is_refused_once_more_has_arrived(client, lesson):
    place = begin(client, lesson)["Location"]
    send(client, place, FILM[:100], at=0)
    answer = client.post(
        f"{place}compare/",
        FILM[:90],
        content_type="application/octet-stream",
        headers={"Tus-Resumable": "1.0.0", "Upload-Offset": "90"},
    )
    assert answer.status_code == 409
    huge = client.post(
        f"{place}compare/",
        bytes(2_000_001),
        content_type="application/octet-stream",
        headers={"Tus-Resumable": "1.0.0", "Upload-Offset": "100"},
    )
    assert huge.status_code == 413


# The pages


def test_list_says_what_arrived_when_and_until_when_it_is_kept(client, lesson, row):
    place = begin(client, lesson, size=190_000_000, assignment=str(row.pk))["Location"]
    send(client, place, bytes(2_000_000), at=0)
    begin(client, lesson, size=None)
    for page in (reverse("lessons:clip-uploads"), reverse("lessons:film")):
        words = client.get(page).content.decode()
        for part in (
            "IMG_0001.MOV",
            "2 MB of 190 MB arrived.",
            "The last of it came on Tuesday 24 November at 10:00.",
            "It is kept until Tuesday 1 December.",
            "Choose the file again",
            "Recording of 24 November",
            "Nothing of it has arrived yet.",
        ):
            assert part in words, part
        assert words.count("Keep what arrived") == 0


def test_list_needs_as_many_queries_for_many_uploads(client, lesson, row, django_assert_max_num_queries):
    for _ in range(12):
        begin(client, lesson, assignment=str(row.pk))
    with django_assert_max_num_queries(6):
        client.get(reverse("lessons:clip-uploads"))


def test_list_of_nothing_says_so(client, lesson):
    assert "Nothing is on its way" in client.get(reverse("lessons:clip-uploads")).content.decode()


def test_giving_up_asks_first(client, lesson):
    place = begin(client, lesson)["Location"]
    assert "Give this upload up?" in client.get(f"{place}give-up/").content.decode()
    assert Upload.objects.exists()
    answer = client.post(f"{place}give-up/", follow=True)
    assert "The upload is given up." in answer.content.decode()
    assert not Upload.objects.exists()


def test_film_page_keeps_its_plain_form_beside_the_script(client, lesson, row):
    page = client.get(reverse("lessons:film")).content.decode()
    assert f'action="{reverse("lessons:clip-upload", kwargs={"pk": lesson.pk})}"' in page
    assert f'data-upload="{reverse("lessons:clip-upload-begin", kwargs={"pk": lesson.pk})}"' in page
