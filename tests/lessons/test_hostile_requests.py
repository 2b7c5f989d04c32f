"""Forms that say more than fits, tokens of somebody else, ranges that are none, files that are not clips."""

import uuid
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from curriculum.models import Learner
from lessons.models import Clip
from lessons.queries import week_start
from tests.make import (
    make_assignment,
    make_book,
    make_clip,
    make_filmed,
    make_learner,
    make_lesson,
    make_mark,
    make_skill,
    make_try,
    make_unit,
)

# 38 characters as typed, 53 as kept: “1, 2, 3 …”.
MANY_BARS = ";".join(str(number) for number in range(1, 17))


@pytest.fixture
def learner(db: None, settings: Any, tmp_path: Any) -> Learner:
    settings.KEYSLIP_DATA = tmp_path
    return make_learner("ada")


@pytest.fixture
def ada(client: Client, learner: Learner) -> Client:
    client.force_login(learner)
    return client


def test_more_bars_than_fit_are_refused_in_every_form(ada: Client, learner: Learner) -> None:
    lesson = make_lesson(learner)
    take = make_filmed(lesson)
    row = take.assignment
    unit = make_unit(make_book(learner), teaches=[make_skill(learner)])
    for address, typed in (
        (reverse("reviews:look", args=[take.pk, "notes"]), {"level": "3", "bars": ";".join("1" * 40)}),
        (reverse("lessons:try-new", args=[row.pk]), {"was_right": "yes"}),
        (reverse("lessons:line-edit", args=[row.pk]), {"why": "So", "minutes": "5", "dimensions": ["notes"]}),
        (reverse("lessons:line-new", args=[lesson.pk]), {"what": f"unit:{unit.pk}", "minutes": "5"}),
    ):
        answer = ada.post(address, {"bars": MANY_BARS} | typed)
        assert answer.status_code == 422, address
        assert "too many bars for one line" in answer.content.decode()
    make_mark(take)
    typed = {"verdict": "another_week", "dimension": "notes", "text": "Slower", "bars": MANY_BARS}
    assert ada.post(reverse("reviews:verdict", args=[row.pk]), typed).status_code == 422
    row.refresh_from_db()
    assert not row.verdict
    assert not row.corrections.exists()


def test_more_bars_than_fit_leave_the_sheet_unset(ada: Client, learner: Learner) -> None:
    unit = make_unit(make_book(learner), teaches=[make_skill(learner)])
    line = f"unit-{unit.pk}-"
    starts_on = week_start(learner, learner.today()).isoformat()
    typed = {"starts_on": starts_on, f"{line}keep": "on", f"{line}minutes": "5", f"{line}bars": MANY_BARS}
    assert ada.post(reverse("lessons:week-propose"), typed).status_code == 422
    assert not learner.lessons.exists()


@pytest.mark.parametrize("asked", [f"bytes=0-{'9' * 5000}", f"bytes={'9' * 5000}-", f"bytes=-{'9' * 5000}"])
def test_range_of_more_bytes_than_any_disk_holds_is_answered(ada: Client, learner: Learner, asked: str) -> None:
    clip = make_clip(make_lesson(learner), content=b"film" * 9)
    answer = ada.get(reverse("lessons:clip-copy", args=[clip.pk]), headers={"range": asked})
    assert answer.status_code == 200
    assert answer.getvalue() == b"film" * 9


def upload(lesson: Any, name: str = "a.mov", content: bytes = b"film", **typed: Any) -> dict[str, Any]:
    return {
        "clip": SimpleUploadedFile(name, content),
        "assignment": "whole",
        "was_first_today": "yes",
        "played_on": lesson.starts_on.isoformat(),
    } | typed


def test_upload_with_somebody_elses_token_is_refused_and_leaves_no_file(
    ada: Client, learner: Learner, tmp_path: Any
) -> None:
    token = uuid.uuid4()
    make_clip(make_lesson(make_learner("mallory")), upload_token=token)
    lesson = make_lesson(learner)
    answer = ada.post(reverse("lessons:clip-upload", args=[lesson.pk]), upload(lesson, upload_token=str(token)))
    assert answer.status_code == 422
    assert "Load the page again" in answer.content.decode()
    assert not lesson.clips.exists()
    assert not [path for path in (tmp_path / "clips").rglob("*") if path.is_file()]


def test_try_and_line_with_somebody_elses_token_are_written_as_ones_own(ada: Client, learner: Learner) -> None:
    theirs = make_try(make_assignment(make_lesson(make_learner("mallory"))))
    row = make_assignment(make_lesson(learner))
    unit = make_unit(make_book(learner), teaches=[make_skill(learner)])
    typed = {"was_right": "yes", "token": str(theirs.pk)}
    assert ada.post(reverse("lessons:try-new", args=[row.pk]), typed).status_code == 302
    typed = {"what": f"unit:{unit.pk}", "minutes": "5", "token": str(theirs.assignment_id)}
    assert ada.post(reverse("lessons:line-new", args=[row.lesson_id]), typed).status_code == 302
    assert (row.tries.count(), row.lesson.assignments.count()) == (1, 2)
    theirs.refresh_from_db()
    assert theirs.assignment.lesson.learner.username == "mallory"


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../etc/passwd", "passwd"),
        ("a/b\\c.mp4", "c.mp4"),
        ("x\r\nSet-Cookie: a=b.mp4", "xSet-Cookie: a=b.mp4"),
        ('"q";x="y.mp4', '"q";x="y.mp4'),
        ("é😀\u202egpj.mp4", "é😀gpj.mp4"),
        ("<img src=x onerror=alert(1)>.mp4", "<img src=x onerror=alert(1)>.mp4"),
        ("x" * 400 + ".mp4", None),
    ],
)
def test_name_of_a_clip_stays_a_name(
    ada: Client, learner: Learner, tmp_path: Any, name: str, shown: str | None
) -> None:
    lesson = make_lesson(learner)
    clip = make_clip(lesson, content=b"film", given_name=name[:200])
    answer = ada.get(reverse("lessons:clip-original", args=[clip.pk]))
    answer.close()
    assert answer["Content-Disposition"].startswith("attachment")
    assert "Set-Cookie" not in answer.headers
    assert answer["Content-Type"] == "application/octet-stream"

    quoted = name.replace("\\", "\\\\").replace('"', '\\"').encode()
    body = (
        b'--B\r\nContent-Disposition: form-data; name="clip"; filename="%s"\r\nContent-Type: text/html\r\n\r\nfilm\r\n'
        % quoted
    )
    for field, value in upload(lesson).items():
        if field != "clip":
            body += f'--B\r\nContent-Disposition: form-data; name="{field}"\r\n\r\n{value}\r\n'.encode()
    sent = ada.post(
        reverse("lessons:clip-upload", args=[lesson.pk]), body + b"--B--\r\n", "multipart/form-data; boundary=B"
    )
    if "\r" in name:  # the line ends there, so that no file was sent
        assert sent.status_code == 422 or Clip.objects.exclude(pk=clip.pk).exists()
        return
    assert sent.status_code == 302
    kept = Clip.objects.exclude(pk=clip.pk).get()
    assert shown is None or kept.given_name == shown
    assert len(kept.given_name) <= 200
    assert kept.original_path.is_relative_to(tmp_path / "clips")
    assert kept.original_path.name == "original"


def test_sheet_ends_with_the_alphabet(ada: Client, learner: Learner) -> None:
    lesson = make_lesson(learner)
    for _ in range(26):
        make_assignment(lesson)
    unit = make_unit(make_book(learner), teaches=[make_skill(learner)])
    answer = ada.post(reverse("lessons:line-new", args=[lesson.pk]), {"what": f"unit:{unit.pk}", "minutes": "5"})
    assert answer.status_code == 422
    assert "at most 26 lines" in answer.content.decode()


@pytest.mark.parametrize("htmx", [{}, {"hx-request": "true"}])
@pytest.mark.parametrize("dimensions", [["rhythm"], []])
def test_note_is_unpinned_though_the_sheet_no_longer_asks_for_its_look(
    ada: Client, learner: Learner, htmx: dict[str, str], dimensions: list[str]
) -> None:
    take = make_filmed(make_lesson(learner), dimensions=["notes"])
    note = take.moment_notes.create(dimension="notes", at_s=1.0, text="late")
    take.assignment.dimensions = dimensions
    take.assignment.save()
    answer = ada.post(reverse("reviews:note-unpin", args=[note.pk]), headers=htmx)
    overview = reverse("reviews:lesson", args=[take.assignment.lesson_id])
    assert answer.get("HX-Redirect", answer.get("Location")) == overview
    assert not take.moment_notes.exists()


def test_upload_button_pressed_twice_leads_to_the_one_clip(
    ada: Client, learner: Learner, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second press is stored while the first is written down."""
    from lessons.services import clips

    lesson, token = make_lesson(learner), uuid.uuid4()
    address = reverse("lessons:clip-upload", args=[lesson.pk])
    stored = clips._store

    def store_meanwhile(*args: Any) -> str:
        monkeypatch.setattr(clips, "_store", stored)
        first.append(ada.post(address, upload(lesson, upload_token=str(token))))
        return stored(*args)

    first: list[Any] = []
    monkeypatch.setattr(clips, "_store", store_meanwhile)
    second = ada.post(address, upload(lesson, upload_token=str(token)))
    clip = lesson.clips.get()
    assert first[0]["Location"] == second["Location"] == reverse("lessons:clip", args=[clip.pk])
    assert [path for path in (tmp_path / "clips").rglob("*") if path.is_file()] == [clip.original_path]


def test_clip_of_a_single_picture_takes_no_take(ada: Client, learner: Learner) -> None:
    row = make_assignment(make_lesson(learner))
    clip = make_clip(row.lesson, duration_s=0.0)
    typed = {"assignment": str(row.pk), "start_s": "0:00", "end_s": "0:05"}
    answer = ada.post(reverse("lessons:take-new", args=[clip.pk]), typed)
    assert answer.status_code == 422
    assert "a take starts before that" in answer.content.decode()
