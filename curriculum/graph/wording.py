"""Sentences about a standing, with their dates. Plain words, no praise, no blame."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum, auto

# Not from the system's locale, so that a sentence reads the same on every computer.
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


class TickedBy(Enum):
    """What a tick rests on."""

    TRIES = auto()
    CLAIM = auto()
    HAND = auto()
    AGAIN = auto()


class SetBackBy(Enum):
    """What put a skill back in work."""

    CHECK = auto()
    TRIES = auto()
    HAND = auto()
    CLAIM = auto()


@dataclass(frozen=True, slots=True)
class Tick:
    """A tick: its day, what it rests on, the right days that earned it, and the first of them that reaches furthest back."""

    on: date
    by: TickedBy
    right_on: tuple[date, ...] = ()
    run_from: date | None = None
    claimed_on: date | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SetBack:
    """A step back: its day and cause. `passes` of `tries` days were right where tries were the cause."""

    on: date
    by: SetBackBy
    passes: int = 0
    tries: int = 0
    claimed_on: date | None = None
    reason: str = ""


def say_day(day: date, *, today: date) -> str:
    """Return a day in words, with its year only where that is not this year.

    Parameters
    ----------
    day : date
        The day to name.
    today : date
        The learner's local date.

    Returns
    -------
    str
        Such as "8 March" or "8 March 2024".

    Examples
    --------
    >>> say_day(date(2024, 3, 8), today=date(2025, 1, 1))
    '8 March 2024'
    """
    return list_days([day], today=today)


def list_days(days: Sequence[date], *, today: date) -> str:
    """Return days in words, naming a month once where several days share it.

    Parameters
    ----------
    days : sequence of date
        Days, earliest first.
    today : date
        The learner's local date.

    Returns
    -------
    str
        Such as "28 February, 7 and 14 March". Empty for no days.

    Examples
    --------
    >>> list_days([date(2025, 3, 1), date(2025, 3, 8), date(2025, 3, 14)], today=date(2025, 3, 20))
    '1, 8 and 14 March'
    """
    words = []
    for place, day in enumerate(days):
        following = days[place + 1] if place + 1 < len(days) else None
        word = str(day.day)
        if following is None or (following.year, following.month) != (day.year, day.month):
            word += f" {MONTHS[day.month - 1]}"
            if day.year != today.year:
                word += f" {day.year}"
        words.append(word)
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))


def say_ticked(tick: Tick, *, checked_on: date | None, today: date) -> str:
    """Return the sentence of a ticked skill.

    Parameters
    ----------
    tick : Tick
        The tick that holds.
    checked_on : date or None
        Day of the last check passed since, if any.
    today : date
        The learner's local date.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> tick = Tick(date(2025, 3, 5), TickedBy.HAND, reason="played it at home for years")
    >>> say_ticked(tick, checked_on=None, today=date(2025, 3, 6))
    'Ticked by hand on 5 March (played it at home for years).'
    """
    day = say_day(tick.on, today=today)
    right = list_days(tick.right_on, today=today)
    if tick.by is TickedBy.HAND:
        words = f"Ticked by hand on {day}{_because(tick.reason)}"
    elif tick.by is TickedBy.CLAIM and tick.claimed_on is not None:
        words = f"Ticked on {day}: claimed on {say_day(tick.claimed_on, today=today)} and right on {day}"
    elif tick.by is TickedBy.AGAIN:
        words = f"Ticked again on {day}: right on {right}"
    else:
        words = f"Ticked on {day}: right on {right}"
        if tick.run_from is not None and tick.run_from < tick.right_on[0]:
            words += f", and on every day played since {say_day(tick.run_from, today=today)}"
    if checked_on is not None:
        words += f"; check passed on {say_day(checked_on, today=today)}"
    return f"{words}."


def say_due(*, due_on: date, last_right_on: date, is_by_hand: bool, today: date) -> str:
    """Return the sentence of a skill that is due a check.

    Parameters
    ----------
    due_on : date
        Day from which the check is due.
    last_right_on : date
        Day of the last passed check, or of the tick.
    is_by_hand : bool
        Whether that tick was given by hand.
    today : date
        The learner's local date.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> say_due(due_on=date(2025, 4, 13), last_right_on=date(2025, 3, 14), is_by_hand=False, today=date(2025, 4, 20))
    'Due a check since 13 April: last right on 14 March.'
    """
    last = "ticked by hand, last counted right on" if is_by_hand else "last right on"
    return f"Due a check since {say_day(due_on, today=today)}: {last} {say_day(last_right_on, today=today)}."


def say_claimed(*, claimed_on: date, lapses_on: date, today: date) -> str:
    """Return the sentence of a claimed skill.

    Parameters
    ----------
    claimed_on : date
        Day of the claim.
    lapses_on : date
        Day from which it no longer stands.
    today : date
        The learner's local date.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> say_claimed(claimed_on=date(2025, 3, 1), lapses_on=date(2025, 3, 31), today=date(2025, 3, 2))
    'Claimed on 1 March: a right first try before 31 March proves it.'
    """
    day, lapse = say_day(claimed_on, today=today), say_day(lapses_on, today=today)
    return f"Claimed on {day}: a right first try before {lapse} proves it."


def say_untried(*, claimed_on: date | None, lapsed_on: date | None, today: date) -> str:
    """Return the sentence of an untried skill.

    Parameters
    ----------
    claimed_on, lapsed_on : date or None
        Days of a claim that lapsed, if there was one.
    today : date
        The learner's local date.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> say_untried(claimed_on=None, lapsed_on=None, today=date(2025, 3, 2))
    'Not tried yet.'
    """
    if claimed_on is None or lapsed_on is None:
        return "Not tried yet."
    return f"Not tried yet: {_lapse_words(claimed_on, lapsed_on, today=today)}."


def say_set_back(
    set_back: SetBack,
    *,
    right_since: Sequence[date],
    right_days_wanted: int,
    claimed_on: date | None,
    lapsed_on: date | None,
    today: date,
) -> str:
    """Return the sentence of a skill that was put back in work.

    Parameters
    ----------
    set_back : SetBack
        What put it back.
    right_since : sequence of date
        Right days in a row since then, earliest first.
    right_days_wanted : int
        Right days in a row that bring the tick back; 0 where it never had one.
    claimed_on, lapsed_on : date or None
        Days of a claim that lapsed, if there was one.
    today : date
        The learner's local date.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> lost = SetBack(date(2025, 4, 13), SetBackBy.CHECK)
    >>> say_set_back(lost, right_since=[date(2025, 4, 15)], right_days_wanted=2, claimed_on=None, lapsed_on=None,
    ...              today=date(2025, 4, 16))
    'In work: not right when checked on 13 April; right again on 15 April, 1 more right day brings it back.'
    """
    day = say_day(set_back.on, today=today)
    if set_back.by is SetBackBy.CHECK:
        words = f"not right when checked on {day}"
    elif set_back.by is SetBackBy.TRIES:
        words = f"right on only {set_back.passes} of the last {set_back.tries} days counted, up to {day}"
    elif set_back.by is SetBackBy.HAND:
        words = f"sent back by hand on {day}{_because(set_back.reason)}"
    else:
        claimed = (
            "claimed" if set_back.claimed_on is None else f"claimed on {say_day(set_back.claimed_on, today=today)}"
        )
        words = f"{claimed}, not right on {day}"
    left = right_days_wanted - len(right_since)
    if right_days_wanted and right_since:
        words += f"; right again on {list_days(right_since, today=today)}, {left} more right {_days(left)} it back"
    elif right_days_wanted:
        in_a_row = " in a row" if right_days_wanted > 1 else ""
        words += f"; {right_days_wanted} right {_days(right_days_wanted, suffix=in_a_row)} it back"
    if claimed_on is not None and lapsed_on is not None:
        words += f"; {_lapse_words(claimed_on, lapsed_on, today=today)}"
    return f"In work: {words}."


def say_in_work(
    *,
    right_on: Sequence[date],
    tries: int,
    ripe_on: date | None,
    claimed_on: date | None,
    lapsed_on: date | None,
    today: date,
) -> str:
    """Return the sentence of a skill that is in work and was never ticked.

    Parameters
    ----------
    right_on : sequence of date
        Right days among the last days played, earliest first.
    tries : int
        How many last days played are looked at.
    ripe_on : date or None
        First day from which one more right day ticks; None where more is wanted.
    claimed_on, lapsed_on : date or None
        Days of a claim that lapsed, if there was one.
    today : date
        The learner's local date.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> say_in_work(right_on=[date(2025, 3, 1), date(2025, 3, 8)], tries=3, ripe_on=None, claimed_on=None,
    ...             lapsed_on=None, today=date(2025, 3, 9))
    'In work: right on 1 and 8 March, 2 of the last 3 days played.'
    >>> say_in_work(right_on=[date(2025, 3, 1), date(2025, 3, 2)], tries=2, ripe_on=date(2025, 3, 8), claimed_on=None,
    ...             lapsed_on=None, today=date(2025, 3, 3))
    'In work: right on 1 and 2 March, 2 of the last 2 days played; a right day on or after 8 March ticks it.'
    """
    if right_on:
        words = f"right on {list_days(right_on, today=today)}, {len(right_on)} of the last {tries} days played"
        if tries == 1:
            words = f"right on {list_days(right_on, today=today)}, the only day played"
    elif tries:
        words = (
            "not yet right on the last day played" if tries == 1 else f"not yet right on the last {tries} days played"
        )
    else:
        words = "no first try written down yet"
    if ripe_on is not None and ripe_on <= today:
        words += "; one more right day ticks it"
    elif ripe_on is not None:
        words += f"; a right day on or after {say_day(ripe_on, today=today)} ticks it"
    if claimed_on is not None and lapsed_on is not None:
        words += f"; {_lapse_words(claimed_on, lapsed_on, today=today)}"
    return f"In work: {words}."


def _lapse_words(claimed_on: date, lapsed_on: date, *, today: date) -> str:
    return f"the claim of {say_day(claimed_on, today=today)} lapsed on {say_day(lapsed_on, today=today)}"


def _days(count: int, *, suffix: str = "") -> str:
    return f"day{suffix} brings" if count == 1 else f"days{suffix} bring"


def _because(reason: str) -> str:
    told = reason.strip().rstrip(".")
    return f" ({told})" if told else ""
