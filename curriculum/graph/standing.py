"""The standing of one skill: a pure function of its evidence, the rules and today. The rules are told in `curriculum.graph`."""

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum
from itertools import pairwise

from curriculum.graph.errors import RulesError
from curriculum.graph.wording import (
    SetBack,
    SetBackBy,
    Tick,
    TickedBy,
    say_claimed,
    say_due,
    say_in_work,
    say_set_back,
    say_ticked,
    say_untried,
)


class Source(StrEnum):
    """Where evidence comes from."""

    REVIEW = "review"
    TRY = "try"
    CHECK = "check"
    HAND = "hand"
    CLAIM = "claim"


class Standing(StrEnum):
    """Where a skill stands.

    untried -> claimed | in work -> ticked -> due a check -> ticked | in work
    """

    UNTRIED = "untried"
    CLAIMED = "claimed"
    IN_WORK = "in_work"
    TICKED = "ticked"
    DUE = "due"

    @property
    def counts_as_ticked(self) -> bool:
        """Whether the gates treat the skill as ticked."""
        return self in {Standing.CLAIMED, Standing.TICKED, Standing.DUE}


@dataclass(frozen=True, slots=True)
class EvidenceItem:
    """One thing that was shown or claimed on one local day. Withdrawn evidence is left out by the caller.

    Attributes
    ----------
    played_on : date
        The learner's local date of the playing, which may be earlier than the day it was written down.
    source : Source
        Where it comes from.
    passed : bool
        Right, or not yet. A claim that says "not" is no claim and is passed over.
    is_first_try : bool
        Whether it was the first try of its assignment that day. Plays no part for claims and for by hand.
    reason : str
        The learner's reason; used for by hand only.
    """

    played_on: date
    source: Source
    passed: bool
    is_first_try: bool = True
    reason: str = ""


@dataclass(frozen=True, slots=True)
class StandingRules:
    """The numbers of the rules.

    That gaps with a night's sleep in them matter is from Simmons (2012); the numbers themselves are our inference.

    Attributes
    ----------
    window_tries : int
        Days played that are looked at, the latest ones. More would make old failures last longer.
    passes_needed : int
        Right days wanted among those. At 3 of 5 one bad day does not undo a week, and luck alone seldom ticks.
    least_span_days : int
        Days between the first and the last of the right days, and between two steps up by *check* assignments. Under 7
        one good week would tick for good, and one check, played twice, would go up two steps.
    check_intervals_days : tuple of int
        Days from the last passed check until the next falls due, one after another; the last repeats. Longer ones ask
        less often and find out later that something has been lost.
    claim_lapses_days : int
        Days for which an unproved claim stands.
    restore_passes : int
        Right days in a row that bring a lost tick back.

    Raises
    ------
    RulesError
        If a number is out of range or contradicts another.
    """

    window_tries: int = 5
    passes_needed: int = 3
    least_span_days: int = 7
    check_intervals_days: tuple[int, ...] = (30, 60, 120, 240)
    claim_lapses_days: int = 30
    restore_passes: int = 2

    def __post_init__(self) -> None:
        if not 1 <= self.passes_needed <= self.window_tries:
            raise RulesError(f"passes_needed is {self.passes_needed}; wanted 1 to window_tries ({self.window_tries})")
        if self.least_span_days < 0:
            raise RulesError(f"least_span_days is {self.least_span_days}; wanted 0 or more")
        intervals = self.check_intervals_days
        if not intervals or intervals[0] < 1 or any(later < earlier for earlier, later in pairwise(intervals)):
            raise RulesError(
                f"check_intervals_days is {intervals}; wanted at least one day each, none shorter than before"
            )
        if self.claim_lapses_days < 1 or self.restore_passes < 1:
            raise RulesError(
                f"claim_lapses_days is {self.claim_lapses_days}, restore_passes {self.restore_passes}; wanted 1 or more"
            )


DEFAULT_RULES = StandingRules()


@dataclass(frozen=True, slots=True)
class StandingReport:
    """Where a skill stands today, and why.

    Attributes
    ----------
    standing : Standing
        Where it stands.
    sentence : str
        One plain sentence with its dates.
    since : date or None
        First day of the present standing; a passed check does not begin it anew. None where nothing ever happened.
    ticked_on : date or None
        Day of the tick that holds now; None unless ticked or due a check.
    due_on : date or None
        Day from which a check is due; None unless ticked or due a check.
    lapses_on : date or None
        Day from which the claim no longer stands; None unless claimed.
    has_pass : bool
        Whether it was ever played right, on a first try or a later one. By hand and claims are no playing.
    is_by_hand : bool
        Whether the tick that holds now was given by hand.
    passes_in_window : int
        Right days among the last days played, 0 to `tries_in_window`.
    tries_in_window : int
        Days played that are looked at, 0 to `StandingRules.window_tries`.
    check_failed_on : date or None
        Day of the failed check that took the tick or disproved the claim, until there is a tick.
    ripe_on : date or None
        First day from which one more right day ticks; None where more is wanted, and unless in work.
    """

    standing: Standing
    sentence: str
    since: date | None = None
    ticked_on: date | None = None
    due_on: date | None = None
    lapses_on: date | None = None
    has_pass: bool = False
    is_by_hand: bool = False
    passes_in_window: int = 0
    tries_in_window: int = 0
    check_failed_on: date | None = None
    ripe_on: date | None = None


def standing_of(
    evidence: Iterable[EvidenceItem], *, today: date, rules: StandingRules = DEFAULT_RULES
) -> StandingReport:
    """Return where one skill stands today, and why.

    Parameters
    ----------
    evidence : iterable of EvidenceItem
        All evidence of one skill that has not been withdrawn, in any order. Evidence dated after `today` is passed over.
    today : date
        The learner's local date.
    rules : StandingRules
        The numbers.

    Returns
    -------
    StandingReport
        The same for every order of the evidence. Without evidence the skill is untried.

    Examples
    --------
    >>> right = [EvidenceItem(date(2025, 3, day), Source.TRY, True) for day in (1, 8, 14)]
    >>> report = standing_of(right, today=date(2025, 3, 20))
    >>> report.sentence
    'Ticked on 14 March: right on 1, 8 and 14 March.'
    >>> report.due_on
    datetime.date(2025, 4, 13)
    """
    days: dict[date, _Day] = {}
    for item in evidence:
        if item.played_on <= today:
            days.setdefault(item.played_on, _Day(item.played_on)).add(item)
    story = _Story(rules)
    for day in sorted(days.values(), key=lambda day: day.on):
        story.live(day)
    return story.report(today)


@dataclass(frozen=True, slots=True)
class StandingChange:
    """A day on which the standing of a skill changed.

    Attributes
    ----------
    on : date
        The learner's local date.
    before : Standing
        Where the skill stood the day before.
    report : StandingReport
        Where it stood at the end of that day, with its sentence.
    """

    on: date
    before: Standing
    report: StandingReport


def standing_history(
    evidence: Iterable[EvidenceItem], *, today: date, rules: StandingRules = DEFAULT_RULES
) -> tuple[StandingChange, ...]:
    """Return every change of the standing of one skill, day by day: ticks and setbacks, checks fallen due, claims lapsed.

    Parameters
    ----------
    evidence : iterable of EvidenceItem
        All evidence of one skill that has not been withdrawn, in any order. Evidence dated after `today` is passed over.
    today : date
        The learner's local date.
    rules : StandingRules
        The numbers.

    Returns
    -------
    tuple of StandingChange
        Earliest first, at most one a day; the first begins at untried. Empty where nothing ever happened. On any day the
        skill stood where the last change up to that day says.

    Examples
    --------
    >>> right = [EvidenceItem(date(2025, 3, day), Source.TRY, True) for day in (1, 8, 14)]
    >>> for change in standing_history(right, today=date(2025, 4, 20)):
    ...     print(change.on, change.before, "->", change.report.standing)
    2025-03-01 untried -> in_work
    2025-03-14 in_work -> ticked
    2025-04-13 ticked -> due
    """
    days: dict[date, _Day] = {}
    for item in evidence:
        if item.played_on <= today:
            days.setdefault(item.played_on, _Day(item.played_on)).add(item)
    ordered = sorted(days.values(), key=lambda day: day.on)
    story = _Story(rules)
    changes: list[StandingChange] = []
    before = Standing.UNTRIED

    def note(on: date) -> StandingReport:
        nonlocal before
        report = story.report(on)
        if report.standing is not before:
            changes.append(StandingChange(on, before, report))
            before = report.standing
        return report

    for place, day in enumerate(ordered):
        story.live(day)
        report = note(day.on)
        # Time alone changes a standing at most once before something is shown again.
        turn = report.lapses_on or (report.due_on if report.standing is Standing.TICKED else None)
        until = ordered[place + 1].on if place + 1 < len(ordered) else today + timedelta(days=1)
        if turn is not None and day.on < turn < until:
            note(turn)
    return tuple(changes)


@dataclass(slots=True)
class _Day:
    """What the evidence of one day comes to. Built from any order of items to the same values."""

    on: date
    results: set[bool] = field(default_factory=set)
    checks: set[bool] = field(default_factory=set)
    by_hand: dict[bool, str] = field(default_factory=dict)
    is_claimed: bool = False
    is_played: bool = False
    has_pass: bool = False

    def add(self, item: EvidenceItem) -> None:
        if item.source == Source.CLAIM:
            self.is_claimed = self.is_claimed or item.passed
        elif item.source == Source.HAND:
            # Of several reasons the first by alphabet is told, so that the order of rows plays no part.
            told = self.by_hand.get(item.passed)
            self.by_hand[item.passed] = item.reason if told is None else min(told, item.reason)
        else:
            self.is_played = True
            self.has_pass = self.has_pass or item.passed
            if item.is_first_try:
                self.results.add(item.passed)
                if item.source == Source.CHECK:
                    self.checks.add(item.passed)

    @property
    def is_right(self) -> bool:
        """Whether every first try of the day was right."""
        return self.results == {True}


@dataclass(frozen=True, slots=True)
class _Result:
    """The result of one day. `run_from` is the first of the right days in a row to which a right day belongs."""

    on: date
    is_right: bool
    run_from: date
    is_taken_for_granted: bool = False


class _Story:
    """What has happened to one skill so far, day by day."""

    def __init__(self, rules: StandingRules) -> None:
        self.rules = rules
        self.window: deque[_Result] = deque(maxlen=rules.window_tries)
        self.is_tried = False
        self.has_pass = False
        self.since: date | None = None
        self.claimed_on: date | None = None
        self.lapsed_claim_on: date | None = None
        self.tick: Tick | None = None
        self.rung = 0
        self.last_right_on = date.min
        self.checked_on: date | None = None
        self.climbed_on: date | None = None
        self.set_back: SetBack | None = None
        self.check_failed_on: date | None = None
        # Once ticked and lost, right days in a row bring the tick back; the ordinary rule is for a first tick.
        self.is_restoring = False
        self.right_since: list[date] = []

    def live(self, day: _Day) -> None:
        """Take in one day: a claim first, then what was played, then what was set by hand, which has the last word."""
        self._let_claim_lapse(day.on)
        self.has_pass = self.has_pass or day.has_pass
        if (day.is_played or False in day.by_hand) and not self.is_tried:
            self.is_tried = True
            self.since = day.on
        if day.is_claimed and self.tick is None:
            self.claimed_on = day.on
            self.lapsed_claim_on = None
        if day.results:
            self._take_result(day)
        if False in day.by_hand:
            self._send_back_by_hand(day.on, reason=day.by_hand[False])
        elif True in day.by_hand:
            self._tick_by_hand(day.on, reason=day.by_hand[True])

    def report(self, today: date) -> StandingReport:
        """Return where the story stands today."""
        self._let_claim_lapse(today)
        standing, sentence = self._stand(today)
        played = [result for result in self.window if not result.is_taken_for_granted]
        has_tick = self.tick is not None
        since = {Standing.CLAIMED: self.claimed_on, Standing.DUE: self._due_on()}.get(standing, self.since)
        return StandingReport(
            standing=standing,
            sentence=sentence,
            since=self.tick.on if self.tick is not None and standing is Standing.TICKED else since,
            ticked_on=self.tick.on if self.tick is not None else None,
            due_on=self._due_on() if has_tick else None,
            lapses_on=self._lapse_of(self.claimed_on) if self.claimed_on is not None else None,
            has_pass=self.has_pass,
            is_by_hand=self.tick is not None and self.tick.by is TickedBy.HAND,
            passes_in_window=sum(result.is_right for result in played),
            tries_in_window=len(played),
            check_failed_on=self.check_failed_on,
            ripe_on=self._ripe_on() if standing is Standing.IN_WORK else None,
        )

    def _stand(self, today: date) -> tuple[Standing, str]:
        lapsed_on = self._lapse_of(self.lapsed_claim_on) if self.lapsed_claim_on is not None else None
        if self.tick is not None:
            if today >= self._due_on():
                return Standing.DUE, say_due(
                    due_on=self._due_on(),
                    last_right_on=self.last_right_on,
                    is_by_hand=self.tick.by is TickedBy.HAND and self.checked_on is None,
                    today=today,
                )
            return Standing.TICKED, say_ticked(self.tick, checked_on=self.checked_on, today=today)
        if self.claimed_on is not None:
            return Standing.CLAIMED, say_claimed(
                claimed_on=self.claimed_on, lapses_on=self._lapse_of(self.claimed_on), today=today
            )
        if not self.is_tried:
            return Standing.UNTRIED, say_untried(claimed_on=self.lapsed_claim_on, lapsed_on=lapsed_on, today=today)
        if self.set_back is not None and (self.is_restoring or self._is_last_word(self.set_back)):
            wanted = self.rules.restore_passes if self.is_restoring else 0
            return Standing.IN_WORK, say_set_back(
                self.set_back,
                right_since=self.right_since,
                right_days_wanted=wanted,
                claimed_on=self.lapsed_claim_on,
                lapsed_on=lapsed_on,
                today=today,
            )
        return Standing.IN_WORK, say_in_work(
            right_on=[result.on for result in self._right_results()],
            tries=len(self.window),
            ripe_on=self._ripe_on(),
            claimed_on=self.lapsed_claim_on,
            lapsed_on=lapsed_on,
            today=today,
        )

    def _is_last_word(self, set_back: SetBack) -> bool:
        return self.lapsed_claim_on is None and (not self.window or self.window[-1].on <= set_back.on)

    def _right_results(self) -> list[_Result]:
        return [result for result in self.window if result.is_right]

    def _due_on(self) -> date:
        return self.last_right_on + timedelta(days=self.rules.check_intervals_days[self.rung])

    def _ripe_on(self) -> date | None:
        """First day from which one more right day ticks, if one is enough."""
        a_day = timedelta(days=1)
        if self.is_restoring:
            if self.rules.restore_passes - len(self.right_since) > 1 or self.set_back is None:
                return None
            return max([self.set_back.on, *(result.on for result in self.window)]) + a_day
        # The day that would leave a full window no longer counts.
        staying = list(self.window)[-(self.rules.window_tries - 1) :] if self.rules.window_tries > 1 else []
        right = [result for result in staying if result.is_right]
        if not right or len(right) + 1 < self.rules.passes_needed:
            return None
        return max(right[0].run_from + timedelta(days=self.rules.least_span_days), self.window[-1].on + a_day)

    def _lapse_of(self, claimed_on: date) -> date:
        return claimed_on + timedelta(days=self.rules.claim_lapses_days)

    def _let_claim_lapse(self, today: date) -> None:
        if self.claimed_on is not None and today >= self._lapse_of(self.claimed_on):
            self.lapsed_claim_on = self.claimed_on
            self.since = self._lapse_of(self.claimed_on)
            self.claimed_on = None

    def _add_to_window(self, day: _Day) -> None:
        follows_right = bool(self.window) and self.window[-1].is_right
        run_from = self.window[-1].run_from if follows_right else day.on
        self.window.append(_Result(day.on, day.is_right, run_from))

    def _take_days_before_for_granted(self, on: date) -> None:
        stand_in = _Result(on, is_right=True, run_from=on, is_taken_for_granted=True)
        self.window.extend([stand_in] * self.rules.window_tries)

    def _take_result(self, day: _Day) -> None:
        claimed_on = self.claimed_on
        if claimed_on is not None and day.is_right:
            self._take_days_before_for_granted(day.on)
            self._add_to_window(day)
            self._put_tick(Tick(day.on, TickedBy.CLAIM, claimed_on=claimed_on))
            return
        self._add_to_window(day)
        if claimed_on is not None:
            self.claimed_on = None
            self.right_since = []
            self.since = day.on
            self.check_failed_on = day.on if False in day.checks else self.check_failed_on
            self.set_back = SetBack(day.on, SetBackBy.CLAIM, claimed_on=claimed_on)
        elif self.tick is not None:
            self._take_result_of_ticked(day)
        elif self.is_restoring:
            self._take_result_of_lost(day)
        elif day.is_right:
            self._tick_by_tries(day.on)

    def _take_result_of_ticked(self, day: _Day) -> None:
        is_due = day.on >= self._due_on()
        if False in day.checks or (is_due and not day.is_right):
            self.check_failed_on = day.on
            self._lose(SetBack(day.on, SetBackBy.CHECK))
        elif day.is_right:
            # Playing before the check is due only begins the wait anew: daily practice must not race up the ladder.
            self.last_right_on = day.on
            if is_due or (day.checks and self._is_another_check(day.on)):
                self.climbed_on = day.on
                self.rung = min(self.rung + 1, len(self.rules.check_intervals_days) - 1)
                self.checked_on = day.on
        else:
            passes = len(self._right_results())
            if passes < self.rules.passes_needed:
                self._lose(SetBack(day.on, SetBackBy.TRIES, passes=passes, tries=len(self.window)))

    def _is_another_check(self, on: date) -> bool:
        """A check played on the sheet and once more in the lesson's film is one check, and goes one step up."""
        return self.climbed_on is None or (on - self.climbed_on).days >= self.rules.least_span_days

    def _take_result_of_lost(self, day: _Day) -> None:
        if not day.is_right:
            self.right_since = []
            return
        self.right_since.append(day.on)
        if len(self.right_since) >= self.rules.restore_passes:
            self._put_tick(Tick(day.on, TickedBy.AGAIN, right_on=tuple(self.right_since)))

    def _tick_by_tries(self, on: date) -> None:
        right = self._right_results()
        if len(right) < self.rules.passes_needed:
            return
        # Right days in a row that reach back beyond the window count for the span. Were it measured inside the window
        # alone, somebody who plays on five days a week and is always right would never be ticked.
        run_from = right[0].run_from
        if (on - run_from).days >= self.rules.least_span_days:
            days = tuple(result.on for result in right)
            self._put_tick(Tick(on, TickedBy.TRIES, right_on=days, run_from=run_from))

    def _tick_by_hand(self, on: date, *, reason: str) -> None:
        if self.tick is not None and on < self._due_on():
            return
        self._take_days_before_for_granted(on)
        self._put_tick(Tick(on, TickedBy.HAND, reason=reason))

    def _put_tick(self, tick: Tick) -> None:
        self.tick = tick
        self.rung = 0
        self.last_right_on = tick.on
        self.checked_on = self.climbed_on = self.set_back = self.check_failed_on = None
        self.claimed_on = self.lapsed_claim_on = None
        self.is_restoring = False
        self.right_since = []

    def _lose(self, set_back: SetBack) -> None:
        self.tick = None
        self.set_back = set_back
        self.since = set_back.on
        self.is_restoring = True
        self.right_since = []

    def _send_back_by_hand(self, on: date, *, reason: str) -> None:
        set_back = SetBack(on, SetBackBy.HAND, reason=reason)
        self.claimed_on = self.lapsed_claim_on = None
        if self.tick is not None or self.is_restoring:
            self._lose(set_back)
            return
        # Never ticked: what was shown up to now no longer speaks for it.
        self.window.clear()
        self.set_back = set_back
        self.since = on
