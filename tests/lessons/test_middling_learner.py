"""A year of somebody who is right two times in three, misses days and stays away for a month: slow, and never stuck."""

import random
from datetime import date, timedelta

import pytest

from curriculum import services as curriculum
from curriculum.models import Learner
from curriculum.outline.table import read_table
from curriculum.queries import UnitState, learner_graph
from keyslip.sample.story import BOOK_FILE
from lessons import services as lessons
from lessons.models import Assignment
from lessons.queries import sheet_of

FIRST_DAY = date(2026, 1, 5)
WEEKS, DAYS_A_WEEK = 52, 5
AWAY = range(20, 25)  # weeks without a lesson: longer than a claim lasts
RIGHT_FRAC, MISSED_FRAC = 0.65, 0.2
# Right first tries of a week's five after which somebody moves on.
ENOUGH_RIGHT = 2

pytestmark = pytest.mark.django_db


def live_week(learner: Learner, starts_on: date, chance: random.Random) -> list[Assignment]:
    lines = lessons.propose_lines(learner, today=starts_on)
    lesson = lessons.set_sheet(learner, starts_on=starts_on, lines=lines, today=starts_on)
    sheet = list(sheet_of(lesson))
    rights = dict.fromkeys([row.pk for row in sheet], 0)
    for day in range(DAYS_A_WEEK):
        if chance.random() < MISSED_FRAC:
            continue
        for row in sheet:
            was_right = chance.random() < RIGHT_FRAC
            lessons.write_first_try(row, was_right=was_right, played_on=starts_on + timedelta(days=day))
            rights[row.pk] += was_right
    for row in sheet:
        if row.kind != Assignment.Kind.OLDER:
            moves_on = rights[row.pk] >= ENOUGH_RIGHT
            verdict = Assignment.Verdict.MOVE_ON if moves_on else Assignment.Verdict.ANOTHER_WEEK
            lessons.decide_assignment(row, verdict=verdict, today=starts_on + timedelta(days=6))
    return sheet


@pytest.mark.slow
def test_somebody_right_two_times_in_three_is_never_stuck_in_a_year():
    learner = curriculum.create_learner("middling", password="a long passphrase")
    outline = read_table(BOOK_FILE.read_text(encoding="utf-8"))[0]
    curriculum.add_book(learner, title=outline.title, units=outline.units)
    chance = random.Random(6)
    counts_done = []
    for week in range(WEEKS):
        starts_on = FIRST_DAY + timedelta(weeks=week)
        if week in AWAY:
            continue
        sheet = live_week(learner, starts_on, chance)
        graph = learner_graph(learner, today=starts_on + timedelta(days=6))
        states = [graph.unit_state(unit) for unit in graph.units.values()]
        counts_done.append(states.count(UnitState.DONE))
        assert sheet, f"week {week} has nothing to do"
        if UnitState.TO_COME in states:
            assert {UnitState.OPEN, UnitState.IN_WORK} & set(states), f"week {week}: all that is left is held"
            assert any(row.kind == Assignment.Kind.UNIT for row in sheet), f"week {week} without a unit"
    longest = max(counts_done.count(count) for count in counts_done if count < len(graph.units))
    assert longest <= 6, "the same number of units done for weeks"
    assert counts_done[-1] >= len(graph.units) // 2
