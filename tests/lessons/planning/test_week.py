"""Composing a week."""

import random
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lessons.planning.errors import CandidateError, PlanningError, WeekError
from lessons.planning.week import KINDS, Candidate, WeekRules, compose_week

MANY = settings(max_examples=200, derandomize=True, deadline=None)


def make_candidate(key: str, kind: str = "unit", minutes_wanted: int = 8, **hints) -> Candidate:
    return Candidate(key, kind, title=key, minutes_wanted=minutes_wanted, why=f"why {key}", **hints)


FULL = [
    make_candidate("piece", "piece", is_in_work=True),
    make_candidate("older", "older", 4),
    make_candidate("unit 13", order=13, is_in_work=True),
    make_candidate("unit 14", order=14),
    make_candidate("check 1", "check", 4, last_played_on=date(2025, 1, 9)),
    make_candidate("check 2", "check", 4, last_played_on=date(2025, 1, 2)),
    make_candidate("thumb", "correction", 5),
]


def keys(lines) -> list[str]:
    return [line.key for line in lines]


def compose(candidates=FULL, *, minutes: int = 30, days: int = 5, **options):
    return compose_week(candidates, minutes_per_day=minutes, days=days, **options)


def test_lines_stand_in_the_order_of_the_sheet():
    assert keys(compose()) == ["thumb", "unit 13", "check 2", "piece", "older"]
    without = [each for each in FULL if each.kind not in {"piece", "older"}]
    assert keys(compose(without)) == ["thumb", "unit 13", "check 2", "check 1", "unit 14"]


def test_every_line_keeps_its_own_why_and_counts_from_one():
    lines = compose()
    assert [line.why for line in lines] == [f"why {line.key}" for line in lines]
    assert [line.order for line in lines] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [
        (5, {"unit 13": 5}),
        (6, {"thumb": 3, "unit 13": 3}),
        (10, {"thumb": 3, "unit 13": 4, "check 2": 3}),
        (15, {"thumb": 3, "unit 13": 6, "check 2": 3, "piece": 3}),
    ],
)
def test_short_day_has_fewer_lines_and_a_unit_first(minutes, expected):
    assert {line.key: line.minutes for line in compose(minutes=minutes)} == expected


def test_five_minutes_a_day_still_move_through_the_book():
    assert keys(compose(minutes=5)) == ["unit 13"]
    assert keys(compose([each for each in FULL if each.key != "unit 13"], minutes=5)) == ["unit 14"]


def test_no_day_and_no_time_give_no_lines():
    assert compose(days=0) == ()
    assert compose(minutes=2) == ()
    assert compose([]) == ()


def test_long_day_lets_units_and_the_piece_grow_and_leaves_the_rest_free():
    minutes = {line.key: line.minutes for line in compose(minutes=120)}
    assert minutes == {"thumb": 5, "unit 13": 25, "check 2": 4, "piece": 25, "older": 4}


def test_one_new_unit_is_begun_at_a_time_unless_the_last_ones_moved_on():
    new = [make_candidate("a", order=1), make_candidate("b", order=2), make_candidate("c", order=3)]
    assert keys(compose(new)) == ["a"]
    assert keys(compose(new, has_moved_on=True)) == ["a", "b"]
    assert keys(compose([*new, make_candidate("old", is_in_work=True)], has_moved_on=True)) == ["old", "a"]


def test_two_units_in_work_leave_no_room_for_a_new_one():
    begun = [make_candidate("x", order=1, is_in_work=True), make_candidate("y", order=2, is_in_work=True)]
    assert keys(compose([*begun, make_candidate("new", order=3)], has_moved_on=True)) == ["x", "y"]


def test_two_days_a_week_are_too_few_for_a_second_unit():
    units = [make_candidate("old", is_in_work=True), make_candidate("new")]
    assert keys(compose(units, days=2)) == ["old"]
    assert keys(compose(units, days=3)) == ["old", "new"]


def test_claim_about_to_lapse_is_checked_before_anything_due():
    checks = [
        make_candidate("due", "check", order=0, last_played_on=date(2024, 1, 1)),
        make_candidate("late", "check", order=5, lapses_on=date(2025, 3, 9)),
        make_candidate("soon", "check", order=9, lapses_on=date(2025, 3, 2)),
    ]
    assert keys(compose(checks)) == ["soon", "late"]


def test_older_piece_played_longest_ago_comes_first():
    older = [
        make_candidate("lately", "older", last_played_on=date(2025, 2, 1)),
        make_candidate("long ago", "older", last_played_on=date(2024, 2, 1)),
    ]
    assert keys(compose(older)) == ["long ago"]


def test_piece_in_work_goes_before_one_not_begun():
    pieces = [make_candidate("new", "piece", order=1), make_candidate("begun", "piece", order=2, is_in_work=True)]
    assert keys(compose(pieces)) == ["begun"]


@pytest.mark.parametrize(
    ("candidates", "wrong"),
    [
        ([make_candidate("a", "scale")], "'scale'"),
        ([make_candidate("a", minutes_wanted=0)], "wants 0 minutes"),
        ([make_candidate("a"), make_candidate("a", "piece")], "given twice"),
    ],
)
def test_odd_candidates_are_refused_by_name(candidates, wrong):
    with pytest.raises(CandidateError, match=wrong):
        compose(candidates)


@pytest.mark.parametrize(("minutes", "days"), [(0, 5), (30, -1), (30, 8)])
def test_impossible_weeks_are_refused(minutes, days):
    with pytest.raises(WeekError, match="wanted"):
        compose(minutes=minutes, days=days)


@pytest.mark.parametrize("numbers", [{"least_minutes": 0}, {"least_minutes": 30}, {"unit_share_frac": 1.5}])
def test_contradicting_rules_are_refused(numbers):
    with pytest.raises(PlanningError, match=next(iter(numbers))):
        WeekRules(**numbers)


def make_pool(seed: int) -> list[Candidate]:
    chance = random.Random(seed)
    return [
        make_candidate(
            f"c{number}",
            chance.choice(KINDS),
            chance.randint(1, 40),
            order=chance.randint(0, 3),
            is_in_work=chance.random() < 0.4,
            last_played_on=chance.choice([None, date(2025, 1, chance.randint(1, 31))]),
            lapses_on=chance.choice([None, None, date(2025, 2, chance.randint(1, 28))]),
        )
        for number in range(chance.randint(0, 14))
    ]


pools = st.integers(0, 2**32).map(make_pool)


@MANY
@given(pools, st.integers(1, 150), st.integers(0, 7), st.booleans())
def test_sheet_keeps_to_its_limits(pool, minutes_per_day, days, has_moved_on):
    rules = WeekRules()
    lines = compose_week(pool, minutes_per_day=minutes_per_day, days=days, has_moved_on=has_moved_on)
    found = [next(each for each in pool if each.key == line.key) for line in lines]
    total = sum(line.minutes for line in lines)
    assert total <= minutes_per_day
    assert len(lines) <= 5
    assert all(3 <= line.minutes <= 25 for line in lines)
    assert all(
        line.minutes <= max(3, each.minutes_wanted)
        for line, each in zip(lines, found, strict=True)
        if each.kind not in {"unit", "piece"}
    )
    most = {"unit": 2, "check": 2, "correction": 2, "piece": 1, "older": 1}
    assert all(sum(each.kind == kind for each in found) <= number for kind, number in most.items())
    begun = sum(each.kind == "unit" and not each.is_in_work for each in found)
    assert begun <= (2 if has_moved_on else 1)
    if days and minutes_per_day >= rules.least_minutes and pool:
        assert lines
        assert any(each.kind == "unit" for each in found) == any(each.kind == "unit" for each in pool)
        wanted = sum(min(25, max(3, each.minutes_wanted)) for each in found)
        assert total >= min(minutes_per_day, wanted)


@MANY
@given(pools, st.integers(3, 120), st.integers(0, 2**32).map(random.Random))
def test_order_of_candidates_plays_no_part(pool, minutes_per_day, chance):
    shuffled = chance.sample(pool, k=len(pool))
    assert compose(shuffled, minutes=minutes_per_day) == compose(pool, minutes=minutes_per_day)


@MANY
@given(pools, st.integers(3, 119))
def test_longer_day_drops_no_line(pool, minutes_per_day):
    shorter, longer = (compose(pool, minutes=minutes) for minutes in (minutes_per_day, minutes_per_day + 1))
    assert set(keys(shorter)) <= set(keys(longer))


@MANY
@given(pools, st.integers(3, 120))
def test_titles_and_reasons_change_nothing_but_themselves(pool, minutes_per_day):
    renamed = [replace(each, title="x", why="y") for each in pool]
    told = [(line.key, line.minutes) for line in compose(renamed, minutes=minutes_per_day)]
    assert told == [(line.key, line.minutes) for line in compose(pool, minutes=minutes_per_day)]
