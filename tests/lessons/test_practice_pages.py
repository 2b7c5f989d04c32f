"""Practice pages and the one tap on the sheet."""

import uuid
from datetime import date, timedelta

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone

from lessons.models import Try
from tests.make import make_assignment, make_learner, make_lesson, make_try

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 11, 23)
TODAY = date(2026, 11, 24)
HTMX = {"HX-Request": "true"}


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel("2026-11-24T10:00:00Z", tick=False) as traveller:
        yield traveller


@pytest.fixture
def row(client):
    learner = make_learner()
    client.force_login(learner)
    return make_assignment(make_lesson(learner, starts_on=MONDAY), title="Five notes", bars="1-4", bpm=60)


def url(name, row):
    return reverse(f"lessons:{name}", kwargs={"pk": row.pk})


def sent(**changes):
    return {"was_right": "yes", "bars": "1-4", "hands": "", "bpm": "60", "token": str(uuid.uuid4())} | changes


def test_try_is_written_with_its_stretch(client, row):
    response = client.post(url("try-new", row), sent(bars="2 to 3", hands="right", bpm="48", was_right="no"))
    assert response["Location"] == url("assignment", row)
    each = Try.objects.get()
    assert (each.bars, each.hands, each.bpm, each.was_right, each.played_on) == ("2-3", "right", 48, False, TODAY)
    page = client.get(url("assignment", row)).content.decode()
    assert 'value="2-3"' in page
    assert "0 of 1 right" in page
    assert "1 try today: not yet" in page


def test_button_pressed_twice_writes_one_try(client, row):
    data = sent()
    for _ in range(2):
        assert client.post(url("try-new", row), data).status_code == 302
    assert Try.objects.count() == 1


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bpm": "5"}, "from 20 to 300"),
        ({"bars": "x"}, "names no bars"),
        ({"was_right": ""}, "Say whether it was right."),
        ({"was_right": "perhaps"}, "perhaps"),
        ({"token": "no token"}, "UUID"),
    ],
)
def test_try_with_a_mistake_is_not_written(client, row, changes, words):
    response = client.post(url("try-new", row), sent(**changes))
    assert response.status_code == 422
    if "token" not in changes:
        assert words in response.content.decode()
    assert not Try.objects.exists()


def test_htmx_gets_the_changing_part_alone(client, row):
    response = client.post(url("try-new", row), sent(), headers=HTMX)
    page = response.content.decode()
    assert response.status_code == 200
    assert page.lstrip().startswith('<div class="cols" id="practice">')
    assert "<html" not in page
    assert "HX-Request" in response["Vary"]
    assert "<html" in client.get(url("assignment", row)).content.decode()


def test_last_try_is_taken_back(client, row):
    client.post(url("try-new", row), sent())
    each = Try.objects.get()
    assert "Take the last try back" in client.get(url("assignment", row)).content.decode()
    response = client.post(url("try-delete", each))
    assert response["Location"] == url("assignment", row)
    assert not Try.objects.exists()
    assert client.post(url("try-delete", each)).status_code == 404


def test_first_try_stays_while_later_ones_stand(client, row):
    first = make_try(row, played_on=TODAY)
    make_try(row, played_on=TODAY)
    response = client.post(url("try-delete", first), follow=True)
    assert "Take back the later tries" in response.content.decode()
    assert Try.objects.count() == 2


def test_tries_of_somebody_else_are_not_found(client, row):
    each = make_try(row)
    client.force_login(make_learner())
    assert client.post(url("try-delete", each)).status_code == 404
    assert Try.objects.count() == 1


def test_days_and_tempi_are_counted_as_facts(client, row):
    for right in (True, False, True):
        make_try(row, played_on=MONDAY, was_right=right, bpm=54)
    make_try(row, played_on=TODAY, bpm=60)
    page = client.get(url("assignment", row)).content.decode()
    for words in ("Monday 23 November", "2 of 3 right", "This week: 3 of 4 right.", "1 of 1 right"):
        assert words in page, words


def test_rest_is_suggested_after_twenty_five_minutes(client, row, clock):
    for _ in range(6):
        client.post(url("try-new", row), sent())
        clock.shift(timedelta(minutes=5))
    page = client.get(url("assignment", row)).content.decode()
    assert "30 minutes at a stretch" in page
    assert "Stand up" in page
    clock.shift(timedelta(minutes=15))
    assert "Stand up" not in client.get(url("assignment", row)).content.decode()


def test_page_leads_to_what_to_do_when_something_hurts(client, row):
    page = client.get(url("assignment", row)).content.decode()
    assert f'href="{reverse("care")}">This hurts' in page


def test_one_tap_writes_the_first_try_of_today(client, row):
    response = client.post(url("first-try", row), {"was_right": "yes"})
    assert response["Location"] == f"{reverse('lessons:week')}#line-A"
    each = Try.objects.get()
    assert (each.is_first_of_day, each.played_on, each.bars) == (True, TODAY, "1-4")
    assert 'First try today: <span class="pencil">right</span>' in client.get(reverse("lessons:week")).content.decode()


def test_one_tap_by_htmx_gets_its_line_back(client, row):
    page = client.post(url("first-try", row), {"was_right": "no"}, headers=HTMX).content.decode()
    assert page.lstrip().startswith('<li id="line-A">')
    assert 'First try today: <span class="pencil">not yet</span>' in page


def test_tap_that_says_nothing_writes_nothing(client, row):
    assert client.post(url("first-try", row), {}).status_code == 422
    assert not Try.objects.exists()


def test_today_is_the_learners_own_day(client, row):
    row.lesson.learner.time_zone = "Pacific/Kiritimati"
    row.lesson.learner.save()
    client.post(url("first-try", row), {"was_right": "yes"})
    assert Try.objects.get().played_on == timezone.now().date() + timedelta(days=1)


def test_queries_do_not_grow_with_tries(client, row, django_assert_max_num_queries):
    for _ in range(30):
        make_try(row, played_on=MONDAY)
    with django_assert_max_num_queries(10):
        client.get(url("assignment", row))


@pytest.mark.parametrize(("instrument", "is_said"), [("digital", True), ("acoustic", False), ("short", False)])
def test_level_of_headphones_is_spoken_of_at_a_digital_piano(client, row, instrument, is_said):
    learner = row.lesson.learner
    learner.instrument = instrument
    learner.save()
    assert ("With headphones: set the level" in client.get(url("assignment", row)).content.decode()) is is_said
