"""Filming, sending a clip, and what becomes of it."""

import uuid
from datetime import date, timedelta

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from lessons.models import Clip, Job, Take
from lessons.views import clips, film
from tests.make import make_assignment, make_clip, make_learner, make_lesson, make_take

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 11, 23)
TODAY = date(2026, 11, 24)
HTMX = {"HX-Request": "true"}


@pytest.fixture(autouse=True)
def _tuesday():
    with time_machine.travel("2026-11-24T10:00:00Z", tick=False):
        yield


@pytest.fixture(autouse=True)
def rung(monkeypatch):
    """The queue, as a list of the jobs rung for."""
    rung = []
    monkeypatch.setattr(film, "ring", rung.append)
    monkeypatch.setattr(clips, "ring", rung.append)
    return rung


@pytest.fixture
def lesson(client):
    learner = make_learner()
    client.force_login(learner)
    return make_lesson(learner, starts_on=MONDAY)


@pytest.fixture
def row(lesson):
    return make_assignment(lesson, title="Five notes", dimensions=["hand-shape", "notes"])


def url(name, row):
    return reverse(f"lessons:{name}", kwargs={"pk": row.pk})


def sent(row=None, content=b"film", **changes):
    return {
        "clip": SimpleUploadedFile("IMG_0001.MOV", content),
        "assignment": str(row.pk) if row else "whole",
        "was_first_today": "yes",
        "played_on": "2026-11-24",
        "upload_token": str(uuid.uuid4()),
    } | changes


def test_nothing_is_filmed_before_the_sheet(client):
    client.force_login(make_learner())
    page = client.get(reverse("lessons:film")).content.decode()
    assert "Nothing to film yet" in page


def test_place_of_the_phone_is_described_once_for_all_lines_that_need_it(client, row):
    for title in ("By ear", "By ear again", "Filmed by ear"):
        make_assignment(row.lesson, title=title, dimensions=["rhythm"])
    make_take(row.lesson.assignments.get(title="Filmed by ear"), clip=make_clip(row.lesson))
    page = client.get(reverse("lessons:film")).content.decode()
    assert page.count("The phone stands a step away") == 1
    assert page.count("Sound is enough.") == 2


def test_correction_is_told_from_the_line_that_it_corrects(client, row):
    make_assignment(row.lesson, title="Five notes", kind="correction", dimensions=["notes"])
    page = client.get(reverse("lessons:film")).content.decode()
    assert "A: Five notes" in page
    assert "B: To change: Five notes" in page


def test_running_order_says_where_the_phone_stands(client, row):
    make_assignment(row.lesson, title="By ear", dimensions=["rhythm"])
    make_assignment(row.lesson, title="Old friend", kind="older", dimensions=[])
    page = client.get(reverse("lessons:film")).content.decode()
    for words in ("From the side, level with the keys", "Sound is enough", "need not be filmed", "Next to film."):
        assert words in page, words


def test_line_that_is_filmed_is_no_longer_next(client, row):
    second = make_assignment(row.lesson, title="Second")
    make_take(row)
    page = client.get(reverse("lessons:film")).content.decode()
    assert page.index("Filmed.") < page.index("Second") < page.index("Next to film.")
    assert second.title in page


def test_film_page_needs_as_many_queries_for_many_clips(client, row, django_assert_max_num_queries):
    for _ in range(8):
        make_take(make_assignment(row.lesson))
    with django_assert_max_num_queries(15):
        client.get(reverse("lessons:film"))


def test_lesson_named_in_the_address_is_filmed(client, row):
    before = make_lesson(row.lesson.learner, starts_on=MONDAY - timedelta(days=7))
    page = client.get(f"{reverse('lessons:film')}?lesson={before.pk}").content.decode()
    assert "Lesson of 16 to 22 November" in page
    for wrong in (make_lesson(make_learner()).pk, "nonsense"):
        assert client.get(f"{reverse('lessons:film')}?lesson={wrong}").status_code == 404


def test_clip_is_stored_and_its_job_rung_for(client, row, rung, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        response = client.post(url("clip-upload", row.lesson), sent(row))
    clip = Clip.objects.get()
    assert response["Location"] == url("clip", clip)
    assert (clip.assignment, clip.was_first_today, clip.played_on) == (row, True, TODAY)
    assert clip.original_path.read_bytes() == b"film"
    assert rung == [str(Job.objects.get().pk)]


def test_form_sent_twice_leads_to_the_same_clip(client, row, rung, django_capture_on_commit_callbacks):
    token = str(uuid.uuid4())
    with django_capture_on_commit_callbacks(execute=True):
        places = {client.post(url("clip-upload", row.lesson), sent(row, upload_token=token))["Location"] for _ in "ab"}
    assert places == {url("clip", Clip.objects.get())}
    assert len(rung) == 1


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"clip": ""}, "Choose the clip first."),
        ({"content": b""}, "This file is empty."),
        ({"assignment": str(uuid.uuid4())}, "no longer on the sheet"),
        ({"was_first_today": ""}, "had played it before"),
        ({"played_on": "2026-11-25"}, "still to come"),
        ({"played_on": "2026-11-22"}, "begins on 23 November"),
        ({"played_on": "yesterday"}, "Write the day as"),
    ],
)
def test_upload_with_a_mistake_stores_nothing(client, row, changes, words):
    response = client.post(url("clip-upload", row.lesson), sent(row, **changes))
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Clip.objects.exists()


def test_same_clip_again_is_said_in_the_form(client, row):
    client.post(url("clip-upload", row.lesson), sent(row))
    response = client.post(url("clip-upload", row.lesson), sent(row))
    assert response.status_code == 422
    assert "This clip is here already" in response.content.decode()
    assert Clip.objects.count() == 1


def test_clip_that_is_too_large_is_refused_before_it_is_read(client, row, settings):
    settings.KEYSLIP_MOST_CLIP_BYTES = 1000
    response = client.post(url("clip-upload", row.lesson), sent(row, content=b"x" * 200_000))
    assert response.status_code == 413
    assert "is the most" in response.content.decode()
    assert not Clip.objects.exists()


def test_upload_is_guarded_against_other_sites(row):
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(row.lesson.learner)
    assert strict.post(url("clip-upload", row.lesson), sent(row)).status_code == 403
    assert not Clip.objects.exists()


def test_clip_under_way_shows_its_steps_and_asks_again(client, lesson):
    clip = make_clip(lesson, state=Clip.State.PREPARING)
    Job.objects.create(
        clip=clip,
        kind=Job.Kind.PREPARE_CLIP,
        state=Job.State.RUNNING,
        step="Making a copy that plays in the browser",
        progress_frac=0.425,
        attempt=1,
    )
    page = client.get(url("clip", clip)).content.decode()
    for words in (
        'value="42.5"',
        'hx-trigger="every 1s"',
        'http-equiv="refresh"',
        'Looking at the clip<span class="hide">: done</span>',
        'Making a copy that plays in the browser<span class="hide">: under way</span>',
        'Taking small pictures<span class="hide">: to come</span>',
        "You need not wait.",
    ):
        assert words in page, words
    part = client.get(url("clip", clip), headers=HTMX)
    assert "<title>A clip on its way" in part.content.decode().replace("\n", "")
    assert "<html" not in part.content.decode()
    assert "HX-Request" in part["Vary"]


def test_clip_that_waits_shows_a_bar_without_a_number(client, lesson):
    clip = make_clip(lesson, state=Clip.State.RECEIVED)
    Job.objects.create(clip=clip, kind=Job.Kind.PREPARE_CLIP)
    page = client.get(url("clip", clip)).content.decode()
    assert "Waiting for its turn" in page
    assert '<progress max="100" aria-label="Waiting for its turn">' in page


@pytest.mark.parametrize("state", [Clip.State.READY, Clip.State.REFUSED, Clip.State.FAILED])
def test_finished_clip_no_longer_asks(client, lesson, state):
    clip = make_clip(lesson, state=state, text="What happened, in words.")
    page = client.get(url("clip", clip), headers=HTMX).content.decode()
    assert "every 1s" not in page
    assert "What happened, in words." in page


def test_failed_clip_is_tried_again_once(client, lesson, rung, django_capture_on_commit_callbacks):
    clip = make_clip(lesson, state=Clip.State.FAILED, content=b"film")
    with django_capture_on_commit_callbacks(execute=True):
        for _ in range(2):
            assert client.post(url("clip-retry", clip))["Location"] == url("clip", clip)
    assert rung == [str(Job.objects.get().pk)]
    clip.refresh_from_db()
    assert clip.state == Clip.State.RECEIVED


def test_ready_clip_plays_our_copy_with_its_takes_drawn(client, row):
    clip = make_clip(row.lesson, content=b"film", has_poster=True)
    make_take(row, clip=clip, start_s=3, end_s=21.5)
    page = client.get(url("clip", clip)).content.decode()
    for words in (
        f'src="{url("clip-copy", clip)}"',
        f'poster="{url("clip-poster", clip)}"',
        "playsinline",
        "A clip of 0:30.0: A, take 1, from 0:03.0 to 0:21.5.",
        "This one is judged.",
    ):
        assert words in page, words


def test_take_is_played_without_scripts_by_its_own_address(client, row):
    take = make_take(row, clip=make_clip(row.lesson, content=b"film"), start_s=3, end_s=21.5)
    page = client.get(f"{url('clip', take.clip)}?take={take.pk}").content.decode()
    assert f'src="{url("clip-copy", take.clip)}#t=3.00,21.50"' in page


def test_sound_is_played_as_sound_and_midi_says_on_whose_piano(client, lesson):
    page = client.get(url("clip", make_clip(lesson, kind="sound", content=b"x"))).content.decode()
    assert "<audio" in page
    assert "own piano" not in page
    page = client.get(url("clip", make_clip(lesson, kind="midi", content=b"x"))).content.decode()
    assert "<audio" in page
    assert "<video" not in page
    assert "on Keyslip’s own piano" in page


def test_midi_clip_without_a_sound_says_so(client, lesson):
    page = client.get(url("clip", make_clip(lesson, kind="midi"))).content.decode()
    assert "<audio" not in page
    assert "not yet played here" in page


def test_take_is_set_by_typed_moments(client, row):
    clip = make_clip(row.lesson, duration_s=90.0)
    data = {"assignment": str(row.pk), "start_s": "0:03,5", "end_s": "1:05"}
    for _ in range(2):
        assert client.post(url("take-new", clip), data)["Location"] == f"{url('clip', clip)}#takes"
    take = Take.objects.get()
    assert (take.start_s, take.end_s, take.is_judged) == (3.5, 65.0, True)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"start_s": "soon"}, "is no moment"),
        ({"start_s": ""}, "Write minutes and seconds"),
        ({"start_s": "0:20"}, "ends after it starts"),
        ({"end_s": "0:45"}, "The clip ends at 0:30.0"),
        ({"end_s": "0:75"}, "is no moment"),
        ({"start_s": "nan"}, "is no moment"),
        ({"start_s": "-1"}, "is no moment"),
        ({"assignment": ""}, "Choose what is played"),
        ({"assignment": str(uuid.uuid4())}, "no longer on the sheet"),
    ],
)
def test_take_with_a_mistake_is_shown_again(client, row, changes, words):
    clip = make_clip(row.lesson, content=b"film", duration_s=30.0)
    data = {"assignment": str(row.pk), "start_s": "0:05", "end_s": "0:15"}
    response = client.post(url("take-new", clip), data | changes)
    page = response.content.decode()
    assert response.status_code == 422
    assert words in page
    assert f'value="{(data | changes)["end_s"]}"' in page
    assert not Take.objects.exists()


def test_take_is_changed_chosen_and_deleted(client, row):
    clip = make_clip(row.lesson, content=b"film")
    first, second = (make_take(row, clip=clip, start_s=at, end_s=at + 5) for at in (0, 10))
    assert client.post(url("take-edit", first), {"start_s": "0:01", "end_s": "0:04"}).status_code == 302
    assert client.post(url("take-edit", first), {"start_s": "0:09", "end_s": "0:04"}).status_code == 422
    assert client.post(url("take-edit", first), {"start_s": "0:01", "end_s": "5:00"}).status_code == 422
    first.refresh_from_db()
    assert (first.start_s, first.end_s) == (1.0, 4.0)
    client.post(url("take-judge", second))
    second.refresh_from_db()
    assert second.is_judged
    assert "stays written down" in client.get(url("take-delete", second)).content.decode()
    client.post(url("take-delete", second))
    first.refresh_from_db()
    assert first.is_judged


def test_clip_is_deleted_after_asking(client, row):
    take = make_take(row, clip=make_clip(row.lesson, content=b"film"))
    page = client.get(url("clip-delete", take.clip)).content.decode()
    assert "What they showed about your skills stays written down." in page
    assert Clip.objects.exists()
    response = client.post(url("clip-delete", take.clip), follow=True)
    assert "The clip is deleted." in response.content.decode()
    assert not Clip.objects.exists()
    assert client.post(url("clip-delete", take.clip)).status_code == 404


CLIP_PAGES = ["clip", "clip-copy", "clip-poster", "clip-original", "clip-retry", "clip-delete", "take-new"]
TAKE_PAGES = ["take-edit", "take-judge", "take-delete"]


@pytest.mark.parametrize("name", [*CLIP_PAGES, *TAKE_PAGES, "clip-upload"])
def test_clips_of_somebody_else_are_not_found(client, row, name):
    take = make_take(row, clip=make_clip(row.lesson, content=b"film"))
    target = take if name in TAKE_PAGES else row.lesson if name == "clip-upload" else take.clip
    client.force_login(make_learner())
    statuses = {client.get(url(name, target)).status_code, client.post(url(name, target)).status_code}
    assert statuses <= {404, 405}
    assert 404 in statuses
    assert Take.objects.filter(pk=take.pk).exists()


@pytest.mark.parametrize("name", [*CLIP_PAGES, *TAKE_PAGES, "clip-upload"])
def test_signed_out_visitors_see_no_clip(client, row, name):
    take = make_take(row, clip=make_clip(row.lesson, content=b"film"))
    target = take if name in TAKE_PAGES else row.lesson if name == "clip-upload" else take.clip
    client.logout()
    for response in (client.get(url(name, target)), client.post(url(name, target))):
        assert response.status_code == 302
        assert response["Location"].startswith(reverse("login"))


@pytest.mark.parametrize("name", ["clip-retry", "take-new", "clip-upload"])
def test_actions_on_clips_are_not_done_by_looking(client, row, name):
    clip = make_clip(row.lesson)
    assert client.get(url(name, row.lesson if name == "clip-upload" else clip)).status_code == 405


@pytest.mark.parametrize("name", ["clip", "clip-copy", "clip-poster", "clip-original"])
def test_clips_are_only_looked_at(client, lesson, name):
    assert client.post(url(name, make_clip(lesson))).status_code == 405
