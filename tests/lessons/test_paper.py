"""The sheet on paper, and the pages as a browser shows them."""

import re
from datetime import date

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from lessons import services
from tests.make import make_assignment, make_book, make_learner, make_lesson, make_unit

pytestmark = [pytest.mark.e2e, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def learner():
    return make_learner(practice_days=[0, 1, 2, 3, 4, 5, 6])


@pytest.fixture
def full_sheet(learner):
    """Five lines with three dimensions each, long titles, long reasons and a try on every day: the most that a sheet holds."""
    before = make_lesson(learner, starts_on=date(2026, 1, 5))
    services.choose_work_on(
        before, dimension="evenness", text="Let the thumb arrive with no more weight than the other fingers."
    )
    lesson = make_lesson(learner, practice_days=learner.practice_days)
    unit = make_unit(make_book(learner, "A rather long title of a method book, volume one"), page="112-115")
    for number in range(5):
        make_assignment(
            lesson,
            title=f"Exercise {number} in contrary motion, left hand leading",
            unit=unit,
            bars="1-4, 9-12, 17-20",
            hands="together",
            bpm=66,
            dimensions=["rhythm", "evenness", "dynamics-balance"],
            why="You marked even tone comes and goes last Sunday, and the piece you want to play rests on it.",
        )
    return lesson


def sign_in(page, live_server, learner):
    client = Client()
    client.force_login(learner)
    cookie = client.cookies[settings.SESSION_COOKIE_NAME].value
    page.context.add_cookies([{"name": settings.SESSION_COOKIE_NAME, "value": cookie, "url": live_server.url}])


def test_fullest_sheet_prints_on_one_page(desktop, live_server, learner, full_sheet):
    sign_in(desktop, live_server, learner)
    desktop.goto(live_server.url + reverse("lessons:week"))
    paper = desktop.pdf(format="A4")
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", paper)) == 1
    desktop.emulate_media(media="print")
    assert desktop.locator(".tick-grid").first.is_visible()
    assert not desktop.get_by_role("link", name="Film the lesson").is_visible()


def test_right_try_by_a_tap_keeps_the_finger_where_it_was(phone, live_server, learner):
    row = make_assignment(make_lesson(learner), title="Five notes")
    sign_in(phone, live_server, learner)
    phone.goto(live_server.url + reverse("lessons:assignment", kwargs={"pk": row.pk}))
    phone.get_by_role("button", name="Right").click()
    phone.get_by_text("1 of 1 right").first.wait_for()
    assert phone.evaluate("document.activeElement.id") == "try-right"
    phone.get_by_role("button", name="Not yet").click()
    phone.get_by_text("1 of 2 right").first.wait_for()
    assert row.tries.count() == 2
