"""The page that records: whose it is, what it knows of lines and views, and what stands there without scripts."""

from datetime import date

import pytest
import time_machine
from django.urls import reverse

from tests.make import make_assignment, make_learner, make_lesson

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _tuesday():
    with time_machine.travel("2026-11-24T10:00:00Z", tick=False):
        yield


@pytest.fixture
def lesson(client):
    learner = make_learner()
    client.force_login(learner)
    return make_lesson(learner, starts_on=date(2026, 11, 23))


def page_of(client, lesson, **query):
    return client.get(reverse("lessons:film-record", kwargs={"pk": lesson.pk}), query)


def test_each_line_names_the_view_that_it_needs(client, lesson):
    posture = make_assignment(lesson, title="Five notes", dimensions=["posture"])
    notes = make_assignment(lesson, title="A scale", dimensions=["rhythm"])
    content = page_of(client, lesson).content.decode()
    assert f'data-line="{posture.pk}" data-view="side"' in content
    assert f'data-line="{notes.pk}" data-view="sound"' in content
    assert 'data-line="whole"' in content


def test_the_line_one_comes_from_is_chosen(client, lesson):
    row = make_assignment(lesson, title="Five notes")
    form = page_of(client, lesson, line=str(row.pk)).context["form"]
    assert form["assignment"].value() == str(row.pk)


def test_what_to_do_without_scripts_stands_there(client, lesson):
    content = page_of(client, lesson).content.decode()
    assert "<noscript>" in content
    assert "Use the camera app" in content


def test_a_lesson_to_come_cannot_be_recorded_yet(client, lesson):
    later = make_lesson(lesson.learner, starts_on=date(2026, 11, 30))
    answer = page_of(client, later)
    assert answer.status_code == 302
    assert answer.url == f"{reverse('lessons:film')}?lesson={later.pk}"


def test_strangers_find_nothing(client, lesson):
    client.force_login(make_learner("other"))
    assert page_of(client, lesson).status_code == 404


def test_the_film_page_leads_there(client, lesson):
    make_assignment(lesson, title="Five notes")
    assert (
        reverse("lessons:film-record", kwargs={"pk": lesson.pk}) in client.get(reverse("lessons:film")).content.decode()
    )
