"""Whole weeks lived through the services: nobody who plays right is held up, and nobody is ever stuck."""

from datetime import date, timedelta

import pytest

from curriculum import services as curriculum
from curriculum.graph.standing import Standing
from curriculum.models import Learner, Unit
from curriculum.outline.table import read_table
from curriculum.queries import UnitState, learner_graph
from keyslip.sample.story import BOOK_FILE
from lessons import services as lessons
from lessons.models import Assignment
from lessons.queries import sheet_of

FIRST_DAY = date(2026, 1, 5)
DAYS_A_WEEK = 5

pytestmark = pytest.mark.django_db


@pytest.fixture
def learner() -> Learner:
    return curriculum.create_learner("perfect", password="a long passphrase")


def give_book(learner: Learner) -> list[Unit]:
    outline = read_table(BOOK_FILE.read_text(encoding="utf-8"))[0]
    book = curriculum.add_book(learner, title=outline.title, units=outline.units)
    return list(book.units.order_by("position"))


def live_week(learner: Learner, starts_on: date) -> list[Assignment]:
    """Take the proposed sheet, play everything right on five days, and move on with everything."""
    lines = lessons.propose_lines(learner, today=starts_on)
    lesson = lessons.set_sheet(learner, starts_on=starts_on, lines=lines, today=starts_on)
    sheet = list(sheet_of(lesson))
    for day in range(DAYS_A_WEEK):
        for row in sheet:
            lessons.write_first_try(row, was_right=True, played_on=starts_on + timedelta(days=day))
    for row in sheet:
        if row.kind != Assignment.Kind.OLDER:
            lessons.decide_assignment(row, verdict=Assignment.Verdict.MOVE_ON, today=starts_on + timedelta(days=6))
    return sheet


def live_weeks(learner: Learner, weeks: int) -> list[list[Assignment]]:
    return [live_week(learner, FIRST_DAY + timedelta(weeks=week)) for week in range(weeks)]


def standing(learner: Learner, slug: str, *, today: date) -> Standing:
    return learner_graph(learner, today=today).report(slug).standing


def test_five_finger_place_is_ticked_by_the_third_week(learner):
    give_book(learner)
    live_weeks(learner, 3)
    assert standing(learner, "five-finger-place", today=FIRST_DAY + timedelta(weeks=3)) is Standing.TICKED


def test_hands_together_is_playable_within_the_order_of_the_book(learner):
    units = give_book(learner)
    weeks = live_weeks(learner, 13)
    assert all(any(row.kind == Assignment.Kind.UNIT for row in sheet) for sheet in weeks), "a week without a unit"
    played = [row.unit.title for sheet in weeks for row in sheet if row.kind == Assignment.Kind.UNIT]
    assert "Miller's Lane" in played
    in_order = [unit.title for unit in units]
    first_played = list(dict.fromkeys(played))
    assert first_played == in_order[: len(first_played)]
    graph = learner_graph(learner, today=FIRST_DAY + timedelta(weeks=15))
    assert graph.report("hands-together-simple").has_pass


@pytest.mark.slow
def test_everything_the_book_teaches_is_ticked_soon_after_it_ends_and_stays_so_for_the_year(learner):
    units = give_book(learner)
    live_weeks(learner, 36)
    graph = learner_graph(learner, today=FIRST_DAY + timedelta(weeks=36))
    assert all(graph.unit_state(unit) is UnitState.DONE for unit in graph.units.values())
    taught = {slug for unit in units for slug in graph.teaches[str(unit.pk)] if not graph.skills[slug].is_watched}
    assert {slug for slug in taught if not graph.report(slug).standing.counts_as_ticked} == set()
    # The rest of the year: checks come round, nothing that was ticked is lost, and no sheet is empty.
    for week in range(36, 52):
        assert live_week(learner, FIRST_DAY + timedelta(weeks=week)), f"nothing to do in week {week}"
    graph = learner_graph(learner, today=FIRST_DAY + timedelta(weeks=52))
    assert {slug for slug in taught if not graph.report(slug).standing.counts_as_ticked} == set()


@pytest.mark.slow
def test_a_returner_is_not_held_up_when_claims_lapse(learner):
    units = give_book(learner)
    curriculum.stand_here(units[19], today=FIRST_DAY)
    weeks = live_weeks(learner, len(units) - 19)
    assert all(any(row.kind == Assignment.Kind.UNIT for row in sheet) for sheet in weeks), "a week without a unit"
    graph = learner_graph(learner, today=FIRST_DAY + timedelta(weeks=len(weeks)))
    assert all(graph.is_done(unit) for unit in graph.units.values())
