"""The week's pages: sheet, proposal, lines."""

from datetime import date, timedelta

import pytest
import time_machine
from django.urls import reverse

from curriculum import services as curriculum
from lessons import services
from lessons.models import Assignment, Lesson
from tests.make import (
    make_assignment,
    make_book,
    make_learner,
    make_lesson,
    make_piece,
    make_skill,
    make_take,
    make_try,
    make_unit,
)

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 11, 23)


@pytest.fixture(autouse=True)
def _tuesday():
    with time_machine.travel("2026-11-24T10:00:00Z", tick=False):
        yield


@pytest.fixture
def learner(client):
    learner = make_learner()
    client.force_login(learner)
    return learner


@pytest.fixture
def unit(learner):
    return make_unit(make_book(learner, "Steps"), "Unit 1", teaches=[make_skill(learner, "steady-pulse")], page="12")


@pytest.fixture
def row(learner):
    lesson = make_lesson(learner, starts_on=MONDAY)
    return make_assignment(lesson, title="Five notes", bars="5-8", hands="left", bpm=60, dimensions=["evenness"])


def url(name, row=None):
    return reverse(f"lessons:{name}", kwargs={"pk": row.pk} if row else {})


def key_of(unit):
    return f"unit-{unit.pk}"


def proposal(unit, **changes):
    key = key_of(unit)
    return {"starts_on": "2026-11-23", f"{key}-keep": "on", f"{key}-minutes": "10"} | {
        f"{key}-{name}": value for name, value in changes.items()
    }


def test_empty_week_says_that_the_book_comes_first(client, learner):
    response = client.get(url("week"))
    assert response.status_code == 200
    assert "Your book comes first" in response.content.decode()


def test_unit_without_what_is_new_is_asked_for_first(client, learner):
    make_unit(make_book(learner), "Unit 1")
    page = client.get(url("week")).content.decode()
    assert "Say first what is new" in page
    anyway = client.get(f"{url('week-propose')}?anyway=1").content.decode()
    assert "Set this sheet" in anyway
    assert "What is new in Unit 1?" in anyway


def test_week_without_sheet_shows_the_proposal(client, unit):
    page = client.get(url("week")).content.decode()
    assert "Set this sheet" in page
    assert "The next open unit of Steps." in page
    assert not Lesson.objects.exists()


def test_proposal_is_set_with_what_was_changed(client, learner, unit):
    response = client.post(url("week-propose"), proposal(unit, bars="bars 1 to 4", hands="right", bpm="54"))
    assert response["Location"] == url("week")
    row = Assignment.objects.get()
    assert (row.bars, row.hands, row.bpm, row.minutes) == ("1-4", "right", 54, 10)
    assert row.lesson.starts_on == MONDAY
    assert "bars 1 to 4, right hand, at 54" in client.get(url("week")).content.decode().lower()


def test_setting_it_twice_is_harmless(client, unit):
    for _ in range(2):
        response = client.post(url("week-propose"), proposal(unit))
        assert response.status_code == 302
    assert Lesson.objects.count() == Assignment.objects.count() == 1


def test_line_left_out_is_not_set(client, learner, unit):
    other = make_unit(make_book(learner), "Unit X", teaches=[make_skill(learner)])
    client.post(url("week-propose"), proposal(unit))
    assert [row.unit for row in Assignment.objects.all()] == [unit]
    assert other.begun_on is None


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bpm": "301"}, "from 20 to 300"),
        ({"bpm": "fast"}, "from 20 to 300"),
        ({"bars": "8-5"}, "runs backwards"),
        ({"bars": "the end"}, "names no bars"),
        ({"minutes": "0"}, "from 1 to 120"),
        ({"keep": ""}, "Keep at least one line"),
    ],
)
def test_proposal_with_a_mistake_is_shown_again_and_nothing_is_set(client, unit, changes, words):
    data = proposal(unit, **changes)
    if changes.get("keep") == "":
        del data[f"{key_of(unit)}-keep"]
    response = client.post(url("week-propose"), data)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Lesson.objects.exists()


def test_next_sheet_is_set_once_this_one_is_decided(client, learner, unit):
    client.post(url("week-propose"), proposal(unit))
    assert client.get(url("week-propose")).status_code == 302
    services.choose_work_on(Lesson.objects.get(), dimension="notes", text="Look ahead.")
    assert "Set the next sheet" in client.get(url("week")).content.decode()
    assert "The next sheet" in client.get(url("week-propose")).content.decode()
    response = client.post(url("week-propose"), proposal(unit) | {"starts_on": "2026-11-30"})
    ahead = Lesson.objects.get(starts_on=MONDAY + timedelta(days=7))
    assert response["Location"] == url("lesson", ahead)
    page = client.get(url("lesson", ahead)).content.decode()
    assert "A week to come" in page
    assert "Look ahead." in page


def test_sheet_says_what_why_and_what_good_is(client, row):
    make_try(row, played_on=MONDAY)
    make_try(row, played_on=MONDAY, was_right=False)
    page = client.get(url("week")).content.decode()
    for words in (
        "Bars 5 to 8, left hand, at 60.",
        "Good, for even tone in runs",
        "Like beads of one size, at the tempo of the week, both hands.",
        "It is time for it.",
        "2 tries, 1 right",
        "Week 1, 23 to 29 November",
        "First try today?",
        "Film it on Sunday",
    ):
        assert words in page, words


def test_one_thing_to_change_comes_from_the_lesson_before(client, learner, row):
    before = make_lesson(learner, starts_on=MONDAY - timedelta(days=7))
    services.choose_work_on(before, dimension="evenness", text="Let the thumb be light.")
    assert "Let the thumb be light." in client.get(url("week")).content.decode()


def test_sheet_needs_as_many_queries_for_ten_lines_as_for_one(client, row, django_assert_max_num_queries):
    for _ in range(9):
        other = make_assignment(row.lesson, skills=[make_skill(row.lesson.learner)])
        make_try(other, played_on=MONDAY)
        make_take(other)
    with django_assert_max_num_queries(15):
        client.get(url("week"))


def test_week_list_needs_as_many_queries_for_forty_weeks(client, learner, django_assert_max_num_queries):
    for week in range(40):
        make_assignment(make_lesson(learner, starts_on=MONDAY - timedelta(weeks=week)))
    with django_assert_max_num_queries(4):
        page = client.get(url("week-list")).content.decode()
    assert "Week 40, 23 to 29 November" in page
    assert "1 line" in page


def test_earlier_week_is_shown_without_the_one_tap(client, learner):
    row = make_assignment(make_lesson(learner, starts_on=MONDAY - timedelta(days=7)))
    page = client.get(url("lesson", row.lesson)).content.decode()
    assert "An earlier week" in page
    assert "First try today" not in page


def test_line_is_changed(client, learner, row):
    skill = make_skill(learner, "legato")
    response = client.post(
        url("line-edit", row),
        {
            "bars": "1–4 and 7",
            "hands": "together",
            "bpm": "72",
            "minutes": "12",
            "why": "It limps.",
            "dimensions": ["rhythm", "evenness"],
            "one_more_skill": str(skill.pk),
        },
    )
    assert response["Location"] == f"{url('week')}#line-A"
    row.refresh_from_db()
    assert (row.bars, row.hands, row.bpm, row.minutes, row.why) == ("1-4, 7", "together", 72, 12, "It limps.")
    assert row.dimensions == ["rhythm", "evenness"]
    assert list(row.skills.all()) == [skill]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bpm": "12"}, "from 20 to 300"),
        ({"dimensions": []}, "at least one thing"),
        ({"dimensions": ["notes", "rhythm", "shape", "fluency"]}, "You chose 4"),
        ({"dimensions": ["beauty"]}, "beauty"),
        ({"why": " "}, "Say in a few words"),
        ({"minutes": "999"}, "from 1 to 120"),
        ({"hands": "three"}, "three"),
    ],
)
def test_line_with_a_mistake_is_shown_again_with_what_was_typed(client, row, changes, words):
    data = {"bars": "2", "hands": "left", "bpm": "60", "minutes": "5", "why": "typed", "dimensions": ["notes"]}
    response = client.post(url("line-edit", row), data | changes)
    assert response.status_code == 422
    assert words in response.content.decode()
    row.refresh_from_db()
    assert (row.bars, row.minutes) == ("5-8", 5)


def test_skill_of_somebody_else_cannot_be_named(client, row):
    data = {"bars": "", "hands": "", "bpm": "", "minutes": "5", "why": "typed", "dimensions": ["notes"]}
    foreign = make_skill(make_learner())
    assert client.post(url("line-edit", row), data | {"one_more_skill": str(foreign.pk)}).status_code == 422
    assert client.post(url("line-edit", row), data | {"skills": [str(foreign.pk)]}).status_code in {302, 422}
    assert not row.skills.exists()


def test_unit_piece_and_skill_are_added_by_choice(client, learner, row, unit):
    piece = make_piece(learner, "Slow Tide", needs=[], begun_on=MONDAY)
    skill = make_skill(learner, "legato")
    for what in (f"unit:{unit.pk}", f"piece:{piece.pk}", f"skill:{skill.pk}"):
        response = client.post(url("line-new", row.lesson), {"what": what, "minutes": "5"})
        assert response.status_code == 302, response.content.decode()
    kinds = list(row.lesson.assignments.order_by("position").values_list("kind", "title"))
    assert kinds[1:] == [("unit", "Unit 1"), ("piece", "Slow Tide"), ("check", skill.name)]


def test_held_unit_is_not_offered_and_not_taken(client, learner, row, unit):
    held = make_unit(unit.book, "Unit 2", teaches=[make_skill(learner, needs=[make_skill(learner)])])
    page = client.get(url("line-new", row.lesson)).content.decode()
    assert str(unit.pk) in page
    assert str(held.pk) not in page
    response = client.post(url("line-new", row.lesson), {"what": f"unit:{held.pk}", "minutes": "5"})
    assert response.status_code == 422
    assert "it is held" in response.content.decode()
    curriculum.open_unit_anyway(held, reason="I know it", today=MONDAY)
    assert client.post(url("line-new", row.lesson), {"what": f"unit:{held.pk}", "minutes": "5"}).status_code == 302


def test_line_sent_twice_is_added_once(client, row, unit):
    data = {"what": f"unit:{unit.pk}", "minutes": "5", "token": "7f1f3f0e-6a51-4a9e-a6a2-3a4a2b1c0d9e"}
    for _ in range(2):
        assert client.post(url("line-new", row.lesson), data).status_code == 302
    assert row.lesson.assignments.count() == 2


def test_lines_are_moved_and_taken_off(client, row):
    other = make_assignment(row.lesson, title="Other")
    client.post(url("line-move", other), {"to": "1"})
    assert [each.title for each in row.lesson.assignments.order_by("position")] == ["Other", "Five notes"]
    client.post(url("line-move", other), {"to": "first"})
    client.post(url("line-remove", other))
    row.refresh_from_db()
    assert row.letter == "A"


def test_line_that_was_practised_is_not_taken_off(client, row):
    make_try(row)
    response = client.post(url("line-remove", row), follow=True)
    assert "practised or filmed already" in response.content.decode()
    assert Assignment.objects.filter(pk=row.pk).exists()


def test_decided_sheet_is_not_changed(client, row):
    services.choose_work_on(row.lesson, dimension="notes")
    assert "stays as it was" in client.get(url("line-edit", row)).content.decode()
    data = {"bars": "", "hands": "", "bpm": "", "minutes": "7", "why": "typed", "dimensions": ["notes"]}
    assert client.post(url("line-edit", row), data).status_code == 422
    assert client.post(url("line-remove", row)).status_code == 302
    row.refresh_from_db()
    assert row.minutes == 5


NAMED = [
    ("lesson", "lesson"),
    ("line-new", "lesson"),
    ("line-edit", "row"),
    ("line-move", "row"),
    ("line-remove", "row"),
    ("first-try", "row"),
    ("assignment", "row"),
    ("try-new", "row"),
]


@pytest.mark.parametrize(("name", "of"), NAMED)
def test_pages_of_somebody_else_are_not_found(client, row, name, of):
    client.force_login(make_learner())
    target = row.lesson if of == "lesson" else row
    statuses = {client.get(url(name, target)).status_code, client.post(url(name, target)).status_code}
    assert statuses <= {404, 405}
    assert 404 in statuses


@pytest.mark.parametrize(("name", "of"), [*NAMED, ("week", ""), ("week-propose", ""), ("week-list", ""), ("film", "")])
def test_signed_out_visitors_are_sent_to_sign_in(client, row, name, of):
    client.logout()
    target = {"lesson": row.lesson, "row": row}.get(of)
    for response in (client.get(url(name, target)), client.post(url(name, target))):
        assert response.status_code == 302
        assert response["Location"].startswith(reverse("login"))


@pytest.mark.parametrize("name", ["line-move", "line-remove", "first-try", "try-new"])
def test_actions_are_not_done_by_looking(client, row, name):
    assert client.get(url(name, row)).status_code == 405


@pytest.mark.parametrize("name", ["week", "week-list"])
def test_pages_are_only_looked_at(client, learner, name):
    assert client.post(url(name)).status_code == 405
