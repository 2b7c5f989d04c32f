"""What a decision does to units and corrections, and how it is taken back."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError

from curriculum import services as curriculum
from curriculum.models import Evidence, Learner, Unit
from curriculum.queries import UnitState, learner_graph
from lessons import services as lessons
from lessons.models import Assignment, Correction
from reviews import services
from tests.make import make_assignment, make_book, make_filmed, make_learner, make_lesson, make_skill, make_unit

pytestmark = pytest.mark.django_db

TODAY = date(2026, 3, 15)
MONDAY = date(2026, 3, 9)


@pytest.fixture
def learner() -> Learner:
    return make_learner()


def state_of(unit: Unit) -> UnitState:
    graph = learner_graph(unit.book.learner, today=TODAY)
    return graph.unit_state(graph.units[str(unit.pk)])


def on_sheet(unit: Unit, *, starts_on: date = MONDAY) -> Assignment:
    learner = unit.book.learner
    lesson = learner.lessons.filter(starts_on=starts_on).first() or make_lesson(learner, starts_on=starts_on)
    curriculum.begin_unit(unit, today=starts_on)
    return make_assignment(lesson, unit=unit)


def decide(row: Assignment, verdict: str, *, today: date = TODAY) -> Unit | None:
    row.refresh_from_db()
    return services.decide(row, verdict=verdict, today=today)


@pytest.fixture
def road(learner: Learner) -> list[Unit]:
    """Four units; the fourth rests on what the first and the second teach, and the second has less to show."""
    pulse, reading = make_skill(learner, "pulse"), make_skill(learner, "reading")
    both = make_skill(learner, "both", needs=[pulse, reading])
    book = make_book(learner)
    units = [
        make_unit(book, "One", teaches=[pulse]),
        make_unit(book, "Two", teaches=[reading]),
        make_unit(book, "Three"),
        make_unit(book, "Four", teaches=[both]),
    ]
    for week, unit in enumerate(units[:3], start=3):
        decide(
            on_sheet(unit, starts_on=MONDAY - timedelta(weeks=week)), "move_on", today=MONDAY - timedelta(weeks=week)
        )
    for days in (30, 25, 20):
        curriculum.record_evidence(
            pulse, played_on=TODAY - timedelta(days=days), source=Evidence.Source.TRY, passed=True
        )
    curriculum.record_evidence(reading, played_on=TODAY - timedelta(days=9), source=Evidence.Source.TRY, passed=True)
    return units


def test_going_back_proposes_the_unit_that_taught_the_weakest_needed_skill(road: list[Unit]) -> None:
    row = on_sheet(road[3])
    way = lessons.way_back(road[3], today=TODAY)
    assert (way.unit.title, way.skill.slug) == ("Two", "reading")
    assert decide(row, "go_back").title == "Two"
    road[3].refresh_from_db()
    assert state_of(road[3]) is UnitState.TO_COME
    assert state_of(road[1]) is UnitState.IN_WORK


def test_going_back_without_needed_skills_leads_to_the_unit_before(learner: Learner) -> None:
    book = make_book(learner)
    make_unit(book, "One")
    second = make_unit(book, "Two")
    way = lessons.way_back(second, today=TODAY)
    assert (way.unit.title, way.skill) == ("One", None)


def test_going_back_is_refused_where_nothing_comes_before(learner: Learner) -> None:
    row = on_sheet(make_unit(make_book(learner)))
    with pytest.raises(ValidationError, match="Nothing in your books comes before"):
        decide(row, "go_back")
    row.refresh_from_db()
    assert not row.verdict


def test_going_back_twice_is_going_back_once(road: list[Unit]) -> None:
    row = on_sheet(road[3])
    assert decide(row, "go_back") == decide(row, "go_back") == road[1]
    assert Unit.objects.filter(sent_back_on=TODAY).count() == 1


def test_the_unit_gone_back_to_is_in_work_even_if_all_it_teaches_is_ticked(road: list[Unit]) -> None:
    reading = road[1].teaches.get()
    for days in (18, 14, 10):
        curriculum.record_evidence(
            reading, played_on=TODAY - timedelta(days=days), source=Evidence.Source.TRY, passed=True
        )
    proposed = decide(on_sheet(road[3]), "go_back")
    assert state_of(proposed) is UnitState.IN_WORK
    titles = [line.title for line in lessons.propose_lines(road[0].book.learner, today=TODAY)]
    assert proposed.title in titles
    assert "Four" not in titles


def test_once_the_unit_gone_back_to_is_done_the_other_opens_again(road: list[Unit]) -> None:
    proposed = decide(on_sheet(road[3]), "go_back")
    decide(on_sheet(proposed, starts_on=MONDAY + timedelta(weeks=1)), "move_on")
    assert state_of(road[3]) is UnitState.OPEN


@pytest.mark.parametrize("verdict", ["another_week", "move_on"])
def test_taking_going_back_back_leaves_the_other_unit_done_as_before(road: list[Unit], verdict: str) -> None:
    row = on_sheet(road[3])
    road[1].refresh_from_db()
    before = (road[1].done_on, road[1].done_by)
    decide(row, "go_back")
    decide(row, verdict)
    road[1].refresh_from_db()
    assert (road[1].done_on, road[1].done_by) == before
    road[3].refresh_from_db()
    assert state_of(road[3]) is (UnitState.DONE if verdict == "move_on" else UnitState.IN_WORK)


def test_taking_going_back_back_keeps_i_am_here(learner: Learner) -> None:
    skill = make_skill(learner, "pulse")
    book = make_book(learner)
    first = make_unit(book, "One", teaches=[skill])
    second = make_unit(book, "Two", teaches=[make_skill(learner, "both", needs=[skill])])
    curriculum.stand_here(second, today=MONDAY)
    row = on_sheet(second)
    decide(row, "go_back")
    first.refresh_from_db()
    assert first.done_on is None
    decide(row, "another_week")
    first.refresh_from_db()
    assert first.done_by == Unit.DoneBy.HERE


def test_changing_an_old_verdict_does_not_move_a_unit_that_was_decided_since(road: list[Unit]) -> None:
    old = on_sheet(road[3], starts_on=MONDAY - timedelta(weeks=1))
    decide(old, "another_week", today=MONDAY)
    decide(on_sheet(road[3]), "move_on")
    decide(old, "another_week")
    decide(old, "go_back")
    road[3].refresh_from_db()
    assert state_of(road[3]) is UnitState.DONE


def test_a_carried_correction_is_let_go_by_moving_on_and_comes_back_the_day_after(road: list[Unit]) -> None:
    correction = lessons.write_correction(on_sheet(road[3]), dimension="rhythm", text="Count aloud.")
    line = make_assignment(
        make_lesson(road[3].book.learner, starts_on=MONDAY + timedelta(weeks=1)),
        kind=Assignment.Kind.CORRECTION,
        unit=road[3],
    )
    Correction.objects.filter(pk=correction.pk).update(carried_to=line)
    decide(line, "move_on", today=TODAY)
    correction.refresh_from_db()
    assert correction.let_go_on == TODAY
    decide(line, "another_week", today=TODAY + timedelta(days=1))
    correction.refresh_from_db()
    assert correction.let_go_on is None


def test_a_correction_on_a_later_sheet_is_left_alone(road: list[Unit]) -> None:
    row = on_sheet(road[3])
    services.decide(row, verdict="another_week", today=TODAY, dimension="rhythm", text="Count aloud.")
    line = make_assignment(make_lesson(road[3].book.learner, starts_on=MONDAY + timedelta(weeks=1)))
    Correction.objects.update(carried_to=line)
    services.decide(row, verdict="another_week", today=TODAY)
    assert Correction.objects.get().carried_to == line


def test_a_correction_about_nothing_is_refused_and_the_verdict_with_it(road: list[Unit]) -> None:
    row = on_sheet(road[3])
    with pytest.raises(ValidationError, match="Say what the correction is about"):
        services.decide(row, verdict="another_week", today=TODAY, dimension="", text="Count aloud.")
    row.refresh_from_db()
    assert not row.verdict


def test_a_skill_that_the_line_does_not_exercise_gets_no_answer(learner: Learner) -> None:
    take = make_filmed(make_lesson(learner, starts_on=MONDAY))
    with pytest.raises(ValidationError, match="does not exercise"):
        services.answer_skill(take.assignment, skill=make_skill(learner), answer="yes")
    assert not Evidence.objects.exists()


def test_what_was_not_filmed_is_no_evidence(learner: Learner) -> None:
    skill = make_skill(learner)
    row = make_assignment(make_lesson(learner, starts_on=MONDAY), skills=[skill])
    with pytest.raises(ValidationError, match="Nothing was filmed"):
        services.answer_skill(row, skill=skill, answer="yes")
    assert not Evidence.objects.exists()


def test_evidence_stays_when_its_clip_is_deleted(learner: Learner) -> None:
    skill = make_skill(learner)
    take = make_filmed(make_lesson(learner, starts_on=MONDAY), skills=[skill])
    services.answer_skill(take.assignment, skill=skill, answer="yes")
    lessons.delete_clip(take.clip)
    assert Evidence.objects.get().withdrawn_at is None


def test_correction_let_go_comes_back_when_the_decision_is_taken_back_some_days_later(learner: Learner) -> None:
    before = make_assignment(make_lesson(learner, starts_on=MONDAY - timedelta(days=7)))
    row = make_assignment(make_lesson(learner, starts_on=MONDAY), kind=Assignment.Kind.CORRECTION)
    correction = lessons.write_correction(before, dimension="notes", text="Bar 3 has an F sharp.")
    Correction.objects.update(carried_to=row)
    decide(row, "move_on")
    correction.refresh_from_db()
    assert correction.let_go_on == TODAY
    decide(row, "move_on", today=TODAY + timedelta(days=1))
    decide(row, "another_week", today=TODAY + timedelta(days=2))
    correction.refresh_from_db()
    assert correction.let_go_on is None
