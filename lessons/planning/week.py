"""Composing a week: which candidates come onto the sheet, in which order, with how many minutes a day."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from lessons.planning.errors import CandidateError, WeekError

CORRECTION, CHECK, UNIT, PIECE, OLDER = KINDS = ("correction", "check", "unit", "piece", "older")


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something that could be set this week.

    Attributes
    ----------
    key : str
        Its own name among the candidates.
    kind : str
        One of correction, check, unit, piece, older.
    title : str
        What the sheet calls it.
    minutes_wanted : int
        Minutes a day it would take, 1 or more.
    why : str
        Why it is set. Goes onto the sheet unchanged.
    order : int
        Its place among candidates of its kind, lowest first.
    is_in_work : bool
        Whether it was begun in an earlier week. Matters for units and pieces.
    last_played_on : date or None
        The learner's local date of the last playing, if any. Among checks and older pieces of equal order the one played
        longest ago comes first, one never played before all.
    lapses_on : date or None
        For a check that would prove a claim: the day the claim lapses. Such checks come before the others, soonest first.
    """

    key: str
    kind: str
    title: str
    minutes_wanted: int
    why: str
    order: int = 0
    is_in_work: bool = False
    last_played_on: date | None = None
    lapses_on: date | None = None


@dataclass(frozen=True, slots=True)
class WeekRules:
    """The limits of a week. They are our inference from common practice, without a source.

    Attributes
    ----------
    least_minutes : int
        Minutes a day of the shortest assignment. Under 3 the time goes into finding the page.
    most_minutes : int
        Minutes a day of the longest. Over 25 one line alone would run into the soft stop.
    most_assignments : int
        Lines of a sheet. Over 5 they no longer fit one screen of a phone, nor one filmed lesson.
    most_units, most_corrections, most_checks, most_pieces, most_older : int
        Lines of each kind. A second check keeps up with a book that brings one or two skills a week.
    most_new_units : int
        Units begun in one week. At 1 a unit in work leaves room to begin the next beside it.
    most_new_units_after_moving_on : int
        The same where last week's verdicts moved on.
    fewest_days_for_two_units : int
        Days of practice from which a second unit is set. On fewer, neither would be played often enough to be ticked.
    unit_share_frac : float
        Share of the day, 0 to 1, that the first unit gets if it wants it, however many other lines there are. Lower, and
        a short day would be cut into slices too thin to learn anything new.
    """

    least_minutes: int = 3
    most_minutes: int = 25
    most_assignments: int = 5
    most_units: int = 2
    most_corrections: int = 2
    most_checks: int = 2
    most_pieces: int = 1
    most_older: int = 1
    most_new_units: int = 1
    most_new_units_after_moving_on: int = 2
    fewest_days_for_two_units: int = 3
    unit_share_frac: float = 0.4

    def __post_init__(self) -> None:
        if not 1 <= self.least_minutes <= self.most_minutes:
            raise WeekError(
                f"least_minutes is {self.least_minutes}, most_minutes {self.most_minutes}; wanted 1 or more, least first"
            )
        if not 0.0 <= self.unit_share_frac <= 1.0:
            raise WeekError(f"unit_share_frac is {self.unit_share_frac}; wanted 0 to 1")


DEFAULT_RULES = WeekRules()


@dataclass(frozen=True, slots=True)
class Planned:
    """One line of the sheet: whose it is, its minutes a day, its place from 1 on, and why it is set."""

    key: str
    minutes: int
    order: int
    why: str


def compose_week(
    candidates: Iterable[Candidate],
    *,
    minutes_per_day: int,
    days: int,
    rules: WeekRules = DEFAULT_RULES,
    has_moved_on: bool = False,
) -> tuple[Planned, ...]:
    """Return the lines of a week's sheet.

    Parameters
    ----------
    candidates : iterable of Candidate
        What could be set, in any order.
    minutes_per_day : int
        Minutes of practice on one day, 1 or more.
    days : int
        Days of practice in the week, 0 to 7.
    rules : WeekRules
        The limits.
    has_moved_on : bool
        Whether all of last week's verdicts on units moved on; then two units may be begun at once.

    Returns
    -------
    tuple of Planned
        Corrections, units in work, checks, new units, the piece, the older piece, in this order. The minutes come to
        `minutes_per_day`, or to less where the candidates do not want more. Empty for no candidates, for no days, and for
        less time than the shortest assignment takes. The order of the candidates plays no part.

    Raises
    ------
    CandidateError
        If a kind is unknown, a key is given twice, or `minutes_wanted` is under 1.
    WeekError
        If `minutes_per_day` is under 1, or `days` is not 0 to 7.

    Examples
    --------
    >>> wanted = [
    ...     Candidate("new", "unit", "Unit 14", 12, "The next open unit."),
    ...     Candidate("old", "unit", "Unit 13", 12, "Second week.", is_in_work=True),
    ...     Candidate("thumb", "correction", "A lighter thumb", 5, "You marked even tone comes and goes."),
    ... ]
    >>> [(line.key, line.minutes) for line in compose_week(wanted, minutes_per_day=20, days=5)]
    [('thumb', 4), ('old', 8), ('new', 8)]
    """
    if minutes_per_day < 1:
        raise WeekError(f"minutes_per_day is {minutes_per_day}; wanted 1 or more")
    if not 0 <= days <= 7:
        raise WeekError(f"days is {days}; wanted 0 to 7")
    pool = list(candidates)
    _refuse_odd(pool)
    if not days:
        return ()
    chosen = _choose(pool, minutes_per_day=minutes_per_day, days=days, rules=rules, has_moved_on=has_moved_on)
    minutes = _share_out(chosen, minutes_per_day=minutes_per_day, rules=rules)
    lines = sorted(chosen, key=lambda candidate: (_line_group(candidate), _rank(candidate)))
    return tuple(
        Planned(key=line.key, minutes=minutes[line.key], order=order, why=line.why)
        for order, line in enumerate(lines, start=1)
    )


def _refuse_odd(pool: list[Candidate]) -> None:
    keys = set()
    for candidate in pool:
        if candidate.kind not in KINDS:
            raise CandidateError(f"{candidate.key!r} is of kind {candidate.kind!r}; wanted one of {', '.join(KINDS)}")
        if candidate.minutes_wanted < 1:
            raise CandidateError(f"{candidate.key!r} wants {candidate.minutes_wanted} minutes; wanted 1 or more")
        if candidate.key in keys:
            raise CandidateError(f"the key {candidate.key!r} is given twice; wanted one candidate each")
        keys.add(candidate.key)


def _rank(candidate: Candidate) -> tuple[bool, date, int, date, str]:
    """Place among candidates of one kind; the lowest comes first."""
    lapses_on = candidate.lapses_on if candidate.kind == CHECK else None
    matters = candidate.kind in {CHECK, OLDER} and candidate.last_played_on is not None
    played_on = candidate.last_played_on if matters and candidate.last_played_on is not None else date.min
    return (lapses_on is None, lapses_on or date.min, candidate.order, played_on, candidate.key)


def _line_group(candidate: Candidate) -> int:
    """Place of a kind on the sheet."""
    if candidate.kind == UNIT:
        return 1 if candidate.is_in_work else 3
    return {CORRECTION: 0, CHECK: 2, PIECE: 4, OLDER: 5}[candidate.kind]


def _choose(
    pool: list[Candidate], *, minutes_per_day: int, days: int, rules: WeekRules, has_moved_on: bool
) -> list[Candidate]:
    """Take candidates by what a week can least do without, as long as there is room for them."""
    by_kind = {kind: sorted((each for each in pool if each.kind == kind), key=_rank) for kind in KINDS}
    units = _units_in_turn(by_kind[UNIT], days=days, rules=rules, has_moved_on=has_moved_on)
    corrections = by_kind[CORRECTION][: rules.most_corrections]
    checks = by_kind[CHECK][: rules.most_checks]
    pieces = sorted(by_kind[PIECE], key=lambda piece: (not piece.is_in_work, _rank(piece)))[: rules.most_pieces]
    older = by_kind[OLDER][: rules.most_older]
    # A unit comes first of all: were a correction to come before it, a learner with five minutes a day would never leave
    # the first unit. Then one of each kind, then the second ones.
    in_turn = [kind[:1] for kind in (units, corrections, checks, pieces, older)]
    in_turn += [kind[1:] for kind in (units, checks, corrections, pieces, older)]
    chosen: list[Candidate] = []
    for candidate in (each for group in in_turn for each in group):
        if len(chosen) < rules.most_assignments:
            trial = [*chosen, candidate]
            if sum(_least_minutes(trial, minutes_per_day=minutes_per_day, rules=rules).values()) <= minutes_per_day:
                chosen = trial
    return chosen


def _units_in_turn(units: list[Candidate], *, days: int, rules: WeekRules, has_moved_on: bool) -> list[Candidate]:
    """Units in work, then as many new ones as may be begun."""
    most = rules.most_units if days >= rules.fewest_days_for_two_units else min(rules.most_units, 1)
    most_new = rules.most_new_units_after_moving_on if has_moved_on else rules.most_new_units
    begun = [unit for unit in units if unit.is_in_work]
    new = [unit for unit in units if not unit.is_in_work]
    return (begun[:most] + new[:most_new])[:most]


def _least_minutes(chosen: list[Candidate], *, minutes_per_day: int, rules: WeekRules) -> dict[str, int]:
    """Minutes a day that each line has at least. The first unit keeps its share, whatever else is set."""
    least = {each.key: rules.least_minutes for each in chosen}
    for unit in [each for each in chosen if each.kind == UNIT][:1]:
        share = min(math.ceil(rules.unit_share_frac * minutes_per_day), unit.minutes_wanted, rules.most_minutes)
        least[unit.key] = max(rules.least_minutes, share)
    return least


def _share_out(chosen: list[Candidate], *, minutes_per_day: int, rules: WeekRules) -> dict[str, int]:
    """Give out the day minute by minute, each to the line that has the smallest part of what it wants."""
    minutes = _least_minutes(chosen, minutes_per_day=minutes_per_day, rules=rules)
    wanted = {each.key: min(rules.most_minutes, max(rules.least_minutes, each.minutes_wanted)) for each in chosen}
    # Time left over when all have what they want goes to what is being learnt.
    most = {each.key: rules.most_minutes if each.kind in {UNIT, PIECE} else wanted[each.key] for each in chosen}
    keys = [each.key for each in sorted(chosen, key=lambda each: (_line_group(each), _rank(each)))]
    for limit in (wanted, most):
        for _ in range(minutes_per_day - sum(minutes.values())):
            hungry = [key for key in keys if minutes[key] < limit[key]]
            if not hungry:
                break
            minutes[min(hungry, key=lambda key: minutes[key] / wanted[key])] += 1
    return minutes
