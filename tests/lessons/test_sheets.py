"""Proposing, setting and changing a sheet."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError

from curriculum import services as curriculum
from curriculum.queries import UnitState, learner_graph
from lessons import services
from lessons.models import Assignment
from lessons.queries import film_lesson, week_start
from lessons.services import Line
from tests.make import make_assignment, make_book, make_lesson, make_piece, make_skill, make_try, make_unit

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 11, 23)


@pytest.fixture
def learner(django_user_model):
    return django_user_model.objects.create_user("mira", password="a long passphrase")


def test_first_open_unit_is_proposed_with_its_skills_and_dimensions(learner):
    skill = make_skill(learner, "steady-pulse")
    make_unit(make_book(learner, "Steps"), "Unit 1", teaches=[skill])
    lines = services.propose_lines(learner, today=MONDAY)
    assert [(line.title, line.kind, [each.slug for each in line.skills]) for line in lines] == [
        ("Unit 1", "unit", ["steady-pulse"])
    ]
    assert 1 <= len(lines[0].dimensions) <= 3
    assert lines[0].why == "The next open unit of Steps."


def test_nothing_is_proposed_without_a_book(learner):
    assert services.propose_lines(learner, today=MONDAY) == []


def test_lines_keep_their_keys_when_proposed_again(learner):
    make_unit(make_book(learner), teaches=[make_skill(learner)])
    first, again = (services.propose_lines(learner, today=MONDAY) for _ in range(2))
    assert [line.key for line in first] == [line.key for line in again] != [""]


def test_skill_that_is_not_for_me_is_not_exercised(learner):
    skill = make_skill(learner, "wide-stretch")
    curriculum.mark_not_for_me(skill, reason="small hands")
    unit = make_unit(make_book(learner), teaches=[skill, make_skill(learner, "legato")])
    graph = learner_graph(learner, today=MONDAY)
    assert [each.slug for each in services.line_of_unit(unit, graph, why="I want to").skills] == ["legato"]


def test_watched_skill_is_never_set_as_a_check(learner):
    watched = make_skill(learner, "easy-back", gate="watch")
    ticked = make_skill(learner, "legato")
    curriculum.claim_skills([watched, ticked], today=MONDAY - timedelta(days=25))
    titles = [line.title for line in services.propose_lines(learner, today=MONDAY)]
    assert titles == [ticked.name]


def test_correction_comes_first_on_the_next_sheet_and_is_not_proposed_twice(learner):
    unit = make_unit(make_book(learner), "Unit 1", teaches=[make_skill(learner)], begun_on=MONDAY)
    row = make_assignment(make_lesson(learner, starts_on=MONDAY - timedelta(days=7)), title="Unit 1", unit=unit)
    services.write_correction(row, dimension="rhythm", text="Count the rests.", bars="5-8")
    lines = services.propose_lines(learner, today=MONDAY)
    assert (lines[0].kind, lines[0].bars, lines[0].dimensions) == ("correction", "5-8", ["rhythm"])
    lesson = services.set_sheet(learner, starts_on=MONDAY, lines=lines, today=MONDAY)
    assert lesson.assignments.get(position=1).carries.get().text == "Count the rests."


def test_number_of_queries_does_not_grow_with_learnt_pieces(learner, django_assert_max_num_queries):
    make_unit(make_book(learner), teaches=[make_skill(learner)])
    for _ in range(12):
        make_piece(learner, learnt_on=date(2026, 3, 1), needs=[])
    with django_assert_max_num_queries(16):
        services.propose_lines(learner, today=MONDAY)


def test_piece_set_longest_ago_comes_as_the_older_piece(learner):
    lately = make_piece(learner, "Lately", learnt_on=date(2026, 3, 1))
    make_piece(learner, "Long ago", learnt_on=date(2026, 2, 1))
    make_assignment(make_lesson(learner, starts_on=MONDAY - timedelta(days=7)), piece=lately, kind="older")
    assert [line.title for line in services.propose_lines(learner, today=MONDAY)] == ["Long ago"]


def test_setting_a_week_twice_changes_nothing(learner):
    unit = make_unit(make_book(learner), teaches=[make_skill(learner)])
    lines = services.propose_lines(learner, today=MONDAY)
    first = services.set_sheet(learner, starts_on=MONDAY, lines=lines, today=MONDAY)
    again = services.set_sheet(learner, starts_on=MONDAY, lines=[], today=MONDAY)
    unit.refresh_from_db()
    assert first == again
    assert first.assignments.count() == 1
    assert unit.begun_on == MONDAY


def test_sheet_that_cannot_be_set_leaves_nothing_behind(learner):
    with pytest.raises(ValidationError):
        services.set_sheet(
            learner, starts_on=MONDAY, lines=[Line(kind="unit", title="No dimension", why="?")], today=MONDAY
        )
    assert not learner.lessons.exists()


def test_line_sent_twice_is_one_line(learner):
    lesson = make_lesson(learner)
    line = Line(kind="unit", title="Scales", why="I want to", dimensions=["notes"])
    row = services.add_line(lesson, line, today=MONDAY)
    assert services.add_line(lesson, line, today=MONDAY, pk=row.pk) == row
    assert lesson.assignments.count() == 1


@pytest.mark.parametrize("dimensions", [[], ["notes", "rhythm", "shape", "fluency"], ["beauty"]])
def test_line_is_judged_by_one_to_three_known_dimensions(learner, dimensions):
    row = make_assignment(make_lesson(learner))
    with pytest.raises(ValidationError):
        services.change_line(row, dimensions=dimensions)
    row.refresh_from_db()
    assert row.dimensions == ["notes"]


@pytest.mark.parametrize("bpm", [19, 301])
def test_tempo_outside_what_can_be_played_is_refused(learner, bpm):
    with pytest.raises(ValidationError):
        services.change_line(make_assignment(make_lesson(learner)), bpm=bpm)


def test_letters_follow_a_line_that_moves(learner):
    lesson = make_lesson(learner)
    first, second, third = (make_assignment(lesson, title=title) for title in ("one", "two", "three"))
    services.move_line(third, to_position=1)
    assert [(row.letter, row.title) for row in lesson.assignments.order_by("position")] == [
        ("A", "three"),
        ("B", "one"),
        ("C", "two"),
    ]
    services.move_line(first, to_position=99)
    second.refresh_from_db()
    assert second.letter == "B"


def test_line_taken_off_closes_the_gap_and_the_unit_is_as_before(learner):
    unit = make_unit(make_book(learner), teaches=[make_skill(learner)])
    lesson = services.set_sheet(
        learner, starts_on=MONDAY, lines=services.propose_lines(learner, today=MONDAY), today=MONDAY
    )
    other = make_assignment(lesson, title="other")
    services.remove_line(lesson.assignments.get(unit=unit))
    other.refresh_from_db()
    unit.refresh_from_db()
    assert other.letter == "A"
    assert learner_graph(learner, today=MONDAY).unit_state(unit) is UnitState.OPEN


def test_line_that_was_practised_stays(learner):
    row = make_assignment(make_lesson(learner))
    make_try(row)
    with pytest.raises(ValidationError, match="practised or filmed"):
        services.remove_line(row)


def test_decided_lesson_keeps_its_sheet(learner):
    row = make_assignment(make_lesson(learner))
    services.choose_work_on(row.lesson, dimension="notes")
    for change in (
        lambda: services.change_line(row, minutes=3),
        lambda: services.move_line(row, to_position=1),
        lambda: services.remove_line(row),
        lambda: services.add_line(
            row.lesson, Line(kind="unit", title="x", why="y", dimensions=["notes"]), today=MONDAY
        ),
    ):
        with pytest.raises(ValidationError, match="decided"):
            change()


def test_week_begins_on_the_learners_own_weekday(learner):
    learner.first_weekday = 6
    assert week_start(learner, date(2026, 11, 25)) == date(2026, 11, 22)
    assert week_start(learner, date(2026, 11, 22)) == date(2026, 11, 22)


def test_late_lesson_can_still_be_filmed_until_the_new_sheet_is_set(learner):
    before = make_lesson(learner, starts_on=MONDAY - timedelta(days=7))
    assert film_lesson(learner, today=MONDAY) == before
    now = make_lesson(learner, starts_on=MONDAY)
    assert film_lesson(learner, today=MONDAY) == now


def test_sheet_set_ahead_is_not_filmed_yet(learner):
    make_lesson(learner, starts_on=MONDAY + timedelta(days=7))
    assert film_lesson(learner, today=MONDAY) is None


def test_claim_is_set_as_a_check_that_says_why(learner):
    skill = make_skill(learner, "legato")
    curriculum.claim_skills([skill], today=MONDAY - timedelta(days=20))
    (line,) = services.propose_lines(learner, today=MONDAY)
    assert (line.kind, line.title) == (Assignment.Kind.CHECK, skill.name)
    assert "Claimed, and to be proved." in line.why


def test_piece_in_work_exercises_nothing_that_is_not_for_this_learner(learner):
    skills = [
        make_skill(learner, "legato"),
        make_skill(learner, "octaves", not_for_me=True, not_for_me_reason="a small hand"),
    ]
    make_piece(learner, "Lantern Tune", needs=skills, begun_on=MONDAY)
    lines = services.propose_lines(learner, today=MONDAY)
    assert [each.slug for line in lines if line.kind == "piece" for each in line.skills] == ["legato"]
