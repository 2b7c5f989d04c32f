"""The standing of a skill: hand-worked tables of dates for each rule, then relations that must always hold."""

import random
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.graph.errors import RulesError
from curriculum.graph.standing import (
    DEFAULT_RULES,
    EvidenceItem,
    Source,
    Standing,
    StandingRules,
    standing_history,
    standing_of,
)

MANY = settings(max_examples=200, derandomize=True, deadline=None)

# Day 1 of the tables is Saturday 1 March 2025: day 14 is 14 March, day 44 is 13 April.
DAY_ONE = date(2025, 3, 1)


def day(number: int) -> date:
    return DAY_ONE + timedelta(days=number - 1)


def make_evidence(table: str) -> list[EvidenceItem]:
    """Read "1+ 8- 9c+": day, then source (none: a try; r review, c check, h by hand, m claim, l a later try), then result."""
    sources = {
        "": Source.TRY,
        "r": Source.REVIEW,
        "c": Source.CHECK,
        "h": Source.HAND,
        "m": Source.CLAIM,
        "l": Source.TRY,
    }
    items = []
    for word in table.split():
        number = "".join(letter for letter in word if letter.isdigit())
        source = word[len(number) : -1]
        items.append(
            EvidenceItem(
                played_on=day(int(number)),
                source=sources[source],
                passed=word[-1] == "+",
                is_first_try=source != "l",
                reason="because I say so." if source == "h" else "",
            )
        )
    return items


def stand(table: str, *, on: int, rules: StandingRules = DEFAULT_RULES):
    return standing_of(make_evidence(table), today=day(on), rules=rules)


@pytest.mark.parametrize(
    ("table", "on", "expected"),
    [
        # Nothing yet, and nothing that is still to come.
        ("", 1, "untried"),
        ("5+", 4, "untried"),
        # Ticking: three right of the last five days, seven days apart.
        ("1+", 1, "in_work"),
        ("1-", 1, "in_work"),
        ("1+ 8+", 8, "in_work"),
        ("1+ 2+ 7+", 7, "in_work"),
        ("1+ 2+ 8+", 8, "ticked"),
        ("1+ 8+ 14+", 14, "ticked"),
        ("1+ 2- 3+ 4- 8+", 8, "ticked"),
        ("1+ 2- 3- 4- 5+ 8+", 8, "in_work"),  # the first right day has left the window
        ("1+ 2- 3- 5+ 8+", 8, "ticked"),
        ("1- 2- 3+ 4+ 10+", 10, "ticked"),
        ("1+ 2+ 8-", 8, "in_work"),
        ("1+ 2+ 3+ 8-", 8, "in_work"),  # right days enough, but the last of them is day 3
        ("1+ 2+ 3+ 4- 8+", 8, "ticked"),
        # Reviews and checks are first tries too.
        ("1r+ 8c+ 14+", 14, "ticked"),
        # Right days in a row reach back beyond the window.
        ("1+ 2+ 3+ 4+ 5+ 6+ 7+", 7, "in_work"),
        ("1+ 2+ 3+ 4+ 5+ 6+ 7+ 8+", 8, "ticked"),
        ("1+ 2+ 3- 4+ 5+ 6+ 7+ 8+", 8, "in_work"),
        ("1+ 2+ 3- 4+ 5+ 6+ 7+ 8+ 9+ 10+", 10, "in_work"),
        ("1+ 2+ 3- 4+ 5+ 6+ 7+ 8+ 9+ 10+ 11+", 11, "ticked"),
        # One result a day: right only if every first try was.
        ("1+ 1- 8+ 14+", 14, "in_work"),
        ("1+ 1+ 8+ 14+", 14, "ticked"),
        ("1+ 1+ 1+", 8, "in_work"),
        # Later tries pass and fail nothing.
        ("1+ 8+ 14l+", 14, "in_work"),
        ("1+ 8+ 14+ 14l-", 14, "ticked"),
        ("1l+", 1, "in_work"),
        ("1l-", 1, "in_work"),
        # The check falls due thirty days after the tick.
        ("1+ 8+ 14+", 43, "ticked"),
        ("1+ 8+ 14+", 44, "due"),
        ("1+ 8+ 14+", 400, "due"),
        # Right while due: sixty days, then 120, 240, 240.
        ("1+ 8+ 14+ 44+", 103, "ticked"),
        ("1+ 8+ 14+ 44+", 104, "due"),
        ("1+ 8+ 14+ 50+", 109, "ticked"),
        ("1+ 8+ 14+ 50+", 110, "due"),
        ("1+ 8+ 14+ 44+ 104+", 223, "ticked"),
        ("1+ 8+ 14+ 44+ 104+", 224, "due"),
        ("1+ 8+ 14+ 44+ 104+ 224+", 463, "ticked"),
        ("1+ 8+ 14+ 44+ 104+ 224+", 464, "due"),
        ("1+ 8+ 14+ 44+ 104+ 224+ 464+", 703, "ticked"),
        ("1+ 8+ 14+ 44+ 104+ 224+ 464+", 704, "due"),
        # Right before it is due: the wait begins anew and stays as long.
        ("1+ 8+ 14+ 20+ 30+", 59, "ticked"),
        ("1+ 8+ 14+ 20+ 30+", 60, "due"),
        # A check goes a step up whenever it is.
        ("1+ 8+ 14+ 20c+", 79, "ticked"),
        ("1+ 8+ 14+ 20c+", 80, "due"),
        # Not right while due, or in a check: the check has failed.
        ("1+ 8+ 14+ 44-", 44, "in_work"),
        ("1+ 8+ 14+ 43-", 43, "ticked"),
        ("1+ 8+ 14+ 20c-", 20, "in_work"),
        ("1+ 8+ 14+ 20c+ 20c-", 20, "in_work"),
        ("1+ 8+ 14+ 44+ 44-", 44, "in_work"),
        # Two right days in a row bring it back, and the first check is due after thirty days again.
        ("1+ 8+ 14+ 44- 46+", 46, "in_work"),
        ("1+ 8+ 14+ 44- 46+ 46+", 46, "in_work"),
        ("1+ 8+ 14+ 44- 46+ 47+", 47, "ticked"),
        ("1+ 8+ 14+ 44- 46+ 47- 48+", 48, "in_work"),
        ("1+ 8+ 14+ 44- 46+ 47- 48+ 60+", 60, "ticked"),
        ("1+ 8+ 14+ 44- 46+ 47+", 76, "ticked"),
        ("1+ 8+ 14+ 44- 46+ 47+", 77, "due"),
        ("1+ 8+ 14+ 44+ 104- 105+ 106+", 135, "ticked"),
        ("1+ 8+ 14+ 44+ 104- 105+ 106+", 136, "due"),
        # Not right while ticked, not due: three of the last five keep it.
        ("1+ 8+ 14+ 15-", 15, "ticked"),
        ("1+ 8+ 14+ 15- 16-", 16, "ticked"),
        ("1+ 8+ 14+ 15- 16- 17-", 17, "in_work"),
        ("1+ 8+ 14+ 15- 16- 17+ 18-", 18, "in_work"),  # + - - + -
        ("1+ 8+ 14+ 15- 16+ 17- 18+", 18, "ticked"),
        ("1+ 8+ 14+ 15- 16- 17- 18+ 19+", 19, "ticked"),
        # Such a failure does not move the check.
        ("1+ 8+ 14+ 15-", 44, "due"),
        # Claims: thirty days, then what was there before.
        ("1m+", 1, "claimed"),
        ("1m+", 30, "claimed"),
        ("1m+", 31, "untried"),
        ("1- 2m+", 31, "claimed"),
        ("1- 2m+", 32, "in_work"),
        ("1m+ 20m+", 49, "claimed"),
        ("1m+ 20m+", 50, "untried"),
        ("1m-", 1, "untried"),
        # The first result on or after it decides.
        ("1m+ 1+", 1, "ticked"),
        ("1m+ 5+", 34, "ticked"),
        ("1m+ 5+", 35, "due"),
        ("1m+ 5-", 5, "in_work"),
        ("1m+ 1-", 1, "in_work"),
        ("1m+ 5l+", 5, "claimed"),
        ("1m+ 5- 6+ 7+", 7, "in_work"),  # never ticked: the ordinary rule holds
        ("1m+ 5- 6+ 7+ 13+", 13, "ticked"),
        ("1m+ 31+", 31, "in_work"),  # too late: an ordinary result
        # Days before a proved claim are taken for right ones.
        ("1m+ 5+ 6- 7-", 7, "ticked"),
        ("1m+ 5+ 6- 7- 8-", 8, "in_work"),
        ("1- 2- 3- 4m+ 5+ 6-", 6, "ticked"),
        # A claim of something ticked or due changes nothing; of something lost it stands for the time being.
        ("1+ 8+ 14+ 20m+ 21-", 21, "ticked"),
        ("1+ 8+ 14+ 45m+", 45, "due"),
        ("1+ 8+ 14+ 44- 45m+", 45, "claimed"),
        ("1+ 8+ 14+ 44- 45m+", 75, "in_work"),
        ("1+ 8+ 14+ 44- 45m+ 46-", 46, "in_work"),
        ("1+ 8+ 14+ 44- 45m+ 46- 47+ 48+", 48, "ticked"),
        # By hand.
        ("1h+", 1, "ticked"),
        ("1h+", 30, "ticked"),
        ("1h+", 31, "due"),
        ("1h+ 2- 3-", 3, "ticked"),
        ("1h+ 2- 3- 4-", 4, "in_work"),
        ("1h+ 2h-", 2, "in_work"),
        ("1h+ 2h- 3+ 4+", 4, "ticked"),
        ("1+ 8+ 14+ 15h-", 15, "in_work"),
        ("1+ 8+ 14+ 15h- 16+ 17+", 17, "ticked"),
        ("1+ 2+ 3h- 8+", 8, "in_work"),
        ("1+ 2+ 3h- 8+ 9+ 15+", 15, "ticked"),
        ("1m+ 2h-", 2, "in_work"),
        ("1h-", 1, "in_work"),
        # Within a day by hand has the last word, and of two the worse one.
        ("1h+ 1h-", 1, "in_work"),
        ("1- 1h+", 1, "ticked"),
        ("1+ 8+ 14+ 44c- 44h+", 44, "ticked"),
        ("1+ 8+ 14+ 14h-", 14, "in_work"),
    ],
)
def test_standing_on_a_day(table, on, expected):
    assert stand(table, on=on).standing == expected


@pytest.mark.parametrize(
    ("table", "on", "sentence"),
    [
        ("", 1, "Not tried yet."),
        ("1m+", 40, "Not tried yet: the claim of 1 March lapsed on 31 March."),
        ("1m+", 2, "Claimed on 1 March: a right first try before 31 March proves it."),
        ("1l+", 2, "In work: no first try written down yet."),
        ("1-", 2, "In work: not yet right on the last day played."),
        ("1- 2-", 2, "In work: not yet right on the last 2 days played."),
        ("1+", 2, "In work: right on 1 March, the only day played."),
        ("1+ 2- 8-", 8, "In work: right on 1 March, 1 of the last 3 days played."),
        ("1+ 8+", 9, "In work: right on 1 and 8 March, 2 of the last 2 days played; one more right day ticks it."),
        (
            "1+ 2+ 3+",
            3,
            "In work: right on 1, 2 and 3 March, 3 of the last 3 days played; a right day on or after 8 March ticks it.",
        ),
        (
            "1- 2m+",
            40,
            "In work: not yet right on the last day played; the claim of 2 March lapsed on 1 April.",
        ),
        ("1+ 8+ 14+", 20, "Ticked on 14 March: right on 1, 8 and 14 March."),
        ("1+ 8+ 14+ 44+", 50, "Ticked on 14 March: right on 1, 8 and 14 March; check passed on 13 April."),
        (
            "1+ 2+ 3+ 4+ 5+ 6+ 7+ 8+",
            9,
            "Ticked on 8 March: right on 4, 5, 6, 7 and 8 March, and on every day played since 1 March.",
        ),
        ("1+ 8+ 14+", 50, "Due a check since 13 April: last right on 14 March."),
        ("1+ 8+ 14+ 20+", 50, "Due a check since 19 April: last right on 20 March."),
        ("1m+ 5+", 6, "Ticked on 5 March: claimed on 1 March and right on 5 March."),
        ("1m+ 5-", 6, "In work: claimed on 1 March, not right on 5 March."),
        ("5h+", 6, "Ticked by hand on 5 March (because I say so)."),
        ("5h+", 40, "Due a check since 4 April: ticked by hand, last counted right on 5 March."),
        (
            "5h+ 6h-",
            6,
            "In work: sent back by hand on 6 March (because I say so); 2 right days in a row bring it back.",
        ),
        (
            "1+ 8+ 14+ 44- 46+",
            46,
            "In work: not right when checked on 13 April; right again on 15 April, 1 more right day brings it back.",
        ),
        (
            "1+ 8+ 14+ 15- 16- 17-",
            17,
            "In work: right on only 2 of the last 5 days counted, up to 17 March; 2 right days in a row bring it back.",
        ),
        ("1+ 8+ 14+ 44- 46+ 47+", 47, "Ticked again on 16 April: right on 15 and 16 April."),
        ("1+ 8+ 14+", 310, "Due a check since 13 April 2025: last right on 14 March 2025."),
    ],
)
def test_standing_explains_itself_in_one_sentence(table, on, sentence):
    assert stand(table, on=on).sentence == sentence


def test_report_carries_the_dates_behind_the_sentence():
    report = stand("1+ 8+ 14+ 20-", on=21)
    assert (report.ticked_on, report.due_on, report.since) == (day(14), day(44), day(14))
    assert (report.passes_in_window, report.tries_in_window, report.has_pass) == (3, 4, True)
    assert (report.lapses_on, report.check_failed_on, report.is_by_hand, report.ripe_on) == (None, None, False, None)


def test_due_skill_is_due_since_its_check_fell_due():
    report = stand("1+ 8+ 14+", on=60)
    assert (report.since, report.due_on, report.ticked_on) == (day(44), day(44), day(14))


def test_failed_check_is_named_until_the_tick_is_back():
    assert stand("1+ 8+ 14+ 44- 45+", on=46).check_failed_on == day(44)
    assert stand("1+ 8+ 14+ 44- 45+", on=46).since == day(44)
    assert stand("1+ 8+ 14+ 44- 45+ 46+", on=46).check_failed_on is None
    assert stand("1+ 8+ 14+ 15- 16- 17-", on=17).check_failed_on is None


def test_claim_names_the_day_it_lapses():
    report = stand("1m+", on=2)
    assert (report.lapses_on, report.since, report.has_pass) == (day(31), day(1), False)
    assert stand("1m+", on=31).since == day(31)


def test_by_hand_shows_as_long_as_that_tick_lasts():
    assert stand("1h+ 31+", on=40).is_by_hand
    assert not stand("1h+ 31- 32+ 33+", on=40).is_by_hand
    assert not stand("1+ 8+ 14+ 20h+", on=20).is_by_hand
    assert stand("1+ 8+ 14+ 50h+", on=50).is_by_hand


def test_later_try_that_was_right_is_remembered_as_a_pass():
    assert stand("1- 1l+", on=1).has_pass
    assert not stand("1- 1l-", on=1).has_pass
    assert not stand("1m+", on=1).has_pass
    assert not stand("1h+", on=1).has_pass


def test_someone_always_right_on_five_days_a_week_is_ticked_on_the_eighth_day():
    table = " ".join(f"{number}+" for number in range(1, 29) if (number - 1) % 7 < 5)
    ticked_on = next(number for number in range(1, 29) if stand(table, on=number).standing is Standing.TICKED)
    assert ticked_on == 8


def test_daily_practice_does_not_race_up_the_steps():
    table = " ".join(f"{number}+" for number in range(1, 101))
    assert stand(table, on=100).due_on == day(130)


def test_check_played_twice_in_a_week_goes_one_step_up():
    assert stand("1+ 8+ 14+ 44+", on=44).due_on == day(44 + 60)
    assert stand("1+ 8+ 14+ 44+ 48c+", on=48).due_on == day(48 + 60)
    assert stand("1+ 8+ 14+ 20c+ 24c+", on=24).due_on == day(24 + 60)
    assert stand("1+ 8+ 14+ 44+ 51c+", on=51).due_on == day(51 + 120)


def test_rules_are_numbers_that_may_be_set():
    rules = StandingRules(window_tries=3, passes_needed=2, least_span_days=1, check_intervals_days=(5, 10))
    assert stand("1+ 2+", on=2, rules=rules).standing == "ticked"
    assert stand("1+ 2+", on=7, rules=rules).standing == "due"
    assert stand("1+ 2+ 7+", on=16, rules=rules).standing == "ticked"
    assert stand("1+ 2+ 7+ 17+", on=27, rules=rules).standing == "due"
    once = StandingRules(window_tries=1, passes_needed=1, least_span_days=0, restore_passes=1)
    assert stand("1+", on=1, rules=once).standing == "ticked"
    assert stand("1+ 2-", on=2, rules=once).standing == "in_work"
    assert stand("1+ 2- 3+", on=3, rules=once).standing == "ticked"


@pytest.mark.parametrize(
    "numbers",
    [
        {"passes_needed": 6},
        {"passes_needed": 0},
        {"least_span_days": -1},
        {"check_intervals_days": ()},
        {"check_intervals_days": (30, 20)},
        {"check_intervals_days": (0,)},
        {"claim_lapses_days": 0},
        {"restore_passes": 0},
    ],
)
def test_contradicting_rules_are_refused_with_the_number(numbers):
    with pytest.raises(RulesError, match=next(iter(numbers))):
        StandingRules(**numbers)


# Relations. Histories are dense enough that ticks, dues, falls and claims all happen.


def make_history(seed: int) -> list[EvidenceItem]:
    chance = random.Random(seed)
    bias = chance.choice([0.5, 0.8, 0.95, 1.0])
    weights = chance.choice([(8, 2, 1, 1, 1), (1, 0, 0, 0, 0), (4, 4, 4, 0, 1), (2, 1, 1, 2, 2)])
    number, items = 1, []
    for _ in range(chance.randint(0, 25)):
        number += chance.choice([0, 0, 1, 1, 2, 3, 7, 30])
        items.append(
            EvidenceItem(
                played_on=day(number),
                source=chance.choices(list(Source), weights)[0],
                passed=chance.random() < bias,
                is_first_try=chance.random() < 0.8,
                reason=chance.choice(["", "a", "b"]),
            )
        )
    return items


histories = st.integers(0, 2**32).map(make_history)
numbers = st.integers(1, 200)


@MANY
@given(histories, numbers, st.integers(0, 2**32).map(random.Random))
def test_order_of_evidence_plays_no_part(history, on, chance):
    shuffled = chance.sample(history, k=len(history))
    assert standing_of(shuffled, today=day(on)) == standing_of(history, today=day(on))


@MANY
@given(histories, numbers)
def test_the_same_evidence_twice_over_says_the_same(history, on):
    assert standing_of(history * 2, today=day(on)) == standing_of(history, today=day(on))


@MANY
@given(histories, numbers)
def test_evidence_after_today_does_not_exist_yet(history, on):
    so_far = [item for item in history if item.played_on <= day(on)]
    assert standing_of(history, today=day(on)) == standing_of(so_far, today=day(on))


@MANY
@given(histories, numbers, st.sampled_from([Source.TRY, Source.REVIEW, Source.CHECK, Source.HAND, Source.CLAIM]))
def test_one_more_right_result_today_never_costs_a_tick(history, on, source):
    before = standing_of(history, today=day(on)).standing
    after = standing_of([*history, EvidenceItem(day(on), source, True)], today=day(on)).standing
    assert after.counts_as_ticked >= before.counts_as_ticked


@MANY
@given(histories, numbers, st.sampled_from([Source.TRY, Source.REVIEW, Source.CHECK, Source.HAND]))
def test_one_more_failure_today_never_brings_a_tick(history, on, source):
    before = standing_of(history, today=day(on)).standing
    after = standing_of([*history, EvidenceItem(day(on), source, False)], today=day(on)).standing
    assert after.counts_as_ticked <= before.counts_as_ticked


@MANY
@given(histories, numbers, st.integers(0, 400))
def test_time_alone_only_makes_checks_due_and_lets_claims_lapse(history, on, more):
    so_far = [item for item in history if item.played_on <= day(on)]
    now, later = (standing_of(so_far, today=day(number)) for number in (on, on + more))
    allowed = {
        Standing.TICKED: {Standing.TICKED, Standing.DUE},
        Standing.CLAIMED: {Standing.CLAIMED, Standing.UNTRIED, Standing.IN_WORK},
    }
    assert later.standing in allowed.get(now.standing, {now.standing})
    if now.due_on:
        assert (later.standing is Standing.DUE) == (day(on + more) >= now.due_on)
    if now.lapses_on:
        assert (later.standing is Standing.CLAIMED) == (day(on + more) < now.lapses_on)


@MANY
@given(histories, numbers)
def test_a_tick_has_something_behind_it(history, on):
    report = standing_of(history, today=day(on))
    seen = [item for item in history if item.played_on <= day(on)]
    right_days = {item.played_on for item in seen if item.passed and item.is_first_try}
    said = any(item.passed and item.source in {Source.HAND, Source.CLAIM} for item in seen)
    if report.standing.counts_as_ticked and not said:
        assert len(right_days) >= 3
        assert max(right_days) - min(right_days) >= timedelta(days=7)
    if report.standing is Standing.UNTRIED:
        assert not [item for item in seen if item.source not in {Source.CLAIM, Source.HAND}]


@MANY
@given(histories, numbers)
def test_dates_of_a_report_agree_with_its_standing(history, on):
    report = standing_of(history, today=day(on))
    has_tick = report.standing in {Standing.TICKED, Standing.DUE}
    assert (report.ticked_on is not None) == (report.due_on is not None) == has_tick
    assert (report.lapses_on is not None) == (report.standing is Standing.CLAIMED)
    assert report.standing is Standing.UNTRIED or report.since is not None
    assert report.since is None or report.since <= day(on)
    assert report.is_by_hand <= has_tick
    assert 0 <= report.passes_in_window <= report.tries_in_window <= 5
    assert report.sentence.endswith(".")
    assert report.sentence.count(". ") == 0


@MANY
@given(histories, numbers)
def test_ripe_day_keeps_its_promise(history, on):
    history = [item for item in history if item.played_on <= day(on)]
    report = standing_of(history, today=day(on))
    if report.standing is not Standing.IN_WORK:
        assert report.ripe_on is None
        return
    tomorrow = day(on + 1)
    for when in {tomorrow, max(tomorrow, report.ripe_on or tomorrow)}:
        after = standing_of([*history, EvidenceItem(when, Source.TRY, True)], today=when).standing
        assert (after is Standing.TICKED) == (report.ripe_on is not None and when >= report.ripe_on)


@MANY
@given(histories, numbers)
def test_history_says_where_the_skill_stood_on_every_day(history, on):
    changes = standing_history(history, today=day(on))
    assert [change.on for change in changes] == sorted({change.on for change in changes})
    before = Standing.UNTRIED
    for change in changes:
        assert change.before is before
        assert change.report == standing_of(history, today=change.on)
        before = change.report.standing
    stood = Standing.UNTRIED
    left = list(changes)
    for number in range(1, on + 1):
        while left and left[0].on <= day(number):
            stood = left.pop(0).report.standing
        assert standing_of(history, today=day(number)).standing is stood
    assert not left


@MANY
@given(histories, numbers, st.integers(0, 2**32).map(random.Random))
def test_order_of_evidence_plays_no_part_in_the_history(history, on, chance):
    shuffled = chance.sample(history, k=len(history))
    assert standing_history(shuffled, today=day(on)) == standing_history(history, today=day(on))


@pytest.mark.parametrize(
    ("table", "changes"),
    [
        ("", []),
        ("1+ 8+ 14+", ["1 in_work", "14 ticked", "44 due"]),
        ("1m+", ["1 claimed", "31 untried"]),
        ("1m+ 5+ 20-", ["1 claimed", "5 ticked", "35 due"]),
        ("1m+ 31+", ["1 claimed", "31 in_work"]),
        ("1+ 8+ 14+ 50- 51+ 52+", ["1 in_work", "14 ticked", "44 due", "50 in_work", "52 ticked"]),
        ("1+ 8+ 14+ 44+ 46c-", ["1 in_work", "14 ticked", "46 in_work"]),
    ],
)
def test_history_tells_each_change_with_its_day(table, changes):
    told = standing_history(make_evidence(table), today=day(60))
    assert [f"{(change.on - DAY_ONE).days + 1} {change.report.standing}" for change in told] == changes


def test_random_histories_reach_every_standing():
    reached = {standing_of(make_history(seed), today=day(200)).standing for seed in range(300)}
    reached |= {standing_of(make_history(seed), today=day(20)).standing for seed in range(300)}
    assert reached == set(Standing)
