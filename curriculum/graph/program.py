"""The search for the cheapest set of units of one task: relaxed program, whole program, cuts against circles.

The method is told in `curriculum.graph.way`.
"""

import itertools
import math
import random
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from curriculum.graph.ascent import Climber
from curriculum.graph.task import Task

# Weeks by which a bound may miss a whole number through rounding.
ROUNDING_WEEKS = 1e-6
# Shares of a unit below this count as none, and sums of shares that miss a whole by less count as whole.
LEAST_SHARE = 1e-6
# Ascents before the first program, about 40 ms each with 2,000 units. Fewer leave more for the rounds, which take longer.
FIRST_ASCENTS = 4
# From how large a share a unit counts as taken when a round looks for sets that the answer in parts fails. Low ones find
# the sets that matter most, high ones those that are failed by a little.
SHARES_TAKEN = (LEAST_SHARE, 0.3, 0.5, 0.7, 0.99)
# Share of the time left that goes to answers in parts; the rest is for whole ones, and for the proof.
SHARE_FOR_PARTS = 0.5
# Share of the time left that one search for a whole answer may take, so that some is left to make of it one that serves.
SHARE_FOR_WHOLE = 0.8
# Rounds in a row without a higher bound after which answers in parts are left.
MOST_IDLE = 2
# From how large a share on a unit of the last answer in parts is kept while that is made whole. From 0.9 on the way through
# books in hardly any order is 1 % shorter on a quick computer, and 20 % longer where time does not suffice to get there.
SHARE_OPENED = 0.3
# Share of the units of an answer in parts that can be played before it is worth its time to make it whole early on.
SHARE_PLAYED = 0.5
# Share of the time left in which units are added, by programs of about 30 ms each, to an answer whose units wait for each
# other. What then still waits is opened up unit by unit, for more weeks.
SHARE_FOR_OPENING = 0.6
# Seconds left at which the search is over.
LEAST_LEFT_S = 1e-3
# Start of the chance that orders skills for ascents; the same for the same task, so that the answer is.
SEED = 1
# How SciPy says that a program has no answer.
INFEASIBLE = 2


@dataclass(frozen=True, slots=True)
class CheapestSet:
    """The best set of units found.

    Attributes
    ----------
    chosen : frozenset of int
        Units by their numbers in the task; all can be played, and teach all that is wanted.
    weeks : int
        Their weeks together.
    bound : int
        No set takes fewer weeks than this.
    is_optimal : bool
        Whether `bound` equals `weeks`.
    """

    chosen: frozenset[int]
    weeks: int
    bound: int
    is_optimal: bool


def cheapest_set(task: Task, *, ends_at_s: float) -> CheapestSet:
    """Return the cheapest set of units that serves a task, or the best found when time is up.

    Parameters
    ----------
    task : Task
        The task; all it wants can be reached.
    ends_at_s : float
        Moment by `time.perf_counter` at which the search ends.

    Returns
    -------
    CheapestSet
        Units by their numbers in the task. Empty where nothing is wanted.

    Examples
    --------
    >>> from curriculum.graph.gates import UnitFacts
    >>> units = [UnitFacts("u1", "book", 1, teaches=frozenset({"place"}), weeks=2)]
    >>> cheapest_set(Task(["place"], needs={}, units=units, known=[]), ends_at_s=time.perf_counter() + 1).weeks
    2
    """
    if not task.wanted:
        return CheapestSet(frozenset(), 0, 0, is_optimal=True)
    return _Search(task, ends_at_s=ends_at_s).run()


class _Search:
    """The search for the cheapest set of units of one task.

    First ascents, which are quick and give sets of which each answer takes a unit. Then the relaxed program, in which units
    may be taken in part, and which shows what sets are lacking: it gives a bound, and leads the way to good answers. Then
    the whole program, less the units that cannot be part of a better answer.
    """

    def __init__(self, task: Task, *, ends_at_s: float) -> None:
        self.task = task
        self.ends_at_s = ends_at_s
        self.program = _Program(task)
        self.bound = 0
        self.best = task.cheap_set([float(weeks) for weeks in task.weeks])
        self.best_weeks = task.sum_weeks(self.best)

    @property
    def left_s(self) -> float:
        """Seconds left, never none: HiGHS wants a limit above 0."""
        return max(self.ends_at_s - time.perf_counter(), LEAST_LEFT_S)

    @property
    def is_over(self) -> bool:
        return self.bound >= self.best_weeks or self.left_s <= LEAST_LEFT_S

    def run(self) -> CheapestSet:
        for turn in range(FIRST_ASCENTS):
            if self.is_over:
                break
            left, proved = self.program.ascend(is_by_price=turn % 2 == 0)
            self.bound = max(self.bound, proved)
            self._offer(self.task.cheap_set(left))
        self._relax(ends_at_s=time.perf_counter() + SHARE_FOR_PARTS * self.left_s)
        while not self.is_over:
            if not self._solve_whole():
                break
        return CheapestSet(self.best, self.best_weeks, min(self.bound, self.best_weeks), self.best_weeks <= self.bound)

    def _offer(self, chosen: frozenset[int]) -> None:
        weeks = self.task.sum_weeks(chosen)
        if weeks < self.best_weeks:
            self.best, self.best_weeks = chosen, weeks
            self.program.forget_dearer_than(weeks)

    def _relax(self, *, ends_at_s: float) -> None:
        """Solve for parts of units until the bound stays where it is."""
        idle = 0
        is_opened = False
        taken = np.zeros(0)
        while not self.is_over and idle < MOST_IDLE and time.perf_counter() < ends_at_s:
            answer = self.program.relax(limit_s=self.left_s, best_weeks=self.best_weeks)
            if answer is None:
                self.bound = self.best_weeks if self.program.is_exhausted else self.bound
                return
            taken, proved = answer
            idle = 0 if proved > self.bound else idle + 1
            self.bound = max(self.bound, proved)
            prices = [weeks * (1.0 - share) for weeks, share in zip(self.task.weeks, taken.tolist(), strict=True)]
            self._offer(self.task.cheap_set(prices))
            some = frozenset(np.flatnonzero(taken > LEAST_SHARE).tolist())
            if self.is_over:
                return
            if not is_opened and len(self.task.play(some)) > SHARE_PLAYED * len(some):
                # A good answer early, in case time is short.
                is_opened = True
                self._offer(self.task.opened_up(some))
            if not self.program.cut_off(taken, shares=SHARES_TAKEN):
                break
        self._open_up(frozenset(np.flatnonzero(taken >= SHARE_OPENED).tolist()))

    def _open_up(self, chosen: frozenset[int]) -> None:
        """Add to units that may wait for each other what is cheapest to let all of them be played."""
        grown = chosen
        ends_at_s = time.perf_counter() + SHARE_FOR_OPENING * self.left_s
        while (left_s := ends_at_s - time.perf_counter()) > LEAST_LEFT_S and self.program.fails(grown):
            more, _ = self.program.solve(limit_s=left_s, with_all=chosen)
            if more is None:
                break
            grown = more
        if not self.is_over:
            self._offer(self.task.opened_up(grown))

    def _solve_whole(self) -> bool:
        """Solve for whole units once; False where there is nothing left to do."""
        chosen, proved = self.program.solve(limit_s=SHARE_FOR_WHOLE * self.left_s)
        self.bound = max(self.bound, proved)
        if chosen is None:
            self.bound = self.best_weeks if self.program.is_exhausted else self.bound
            return False
        if not self.program.fails(chosen):
            self._offer(self.task.opened_up(chosen))
            return False
        self._open_up(chosen)
        return True


class _Program:
    """The integer program of a task; rows say `sum(factor * unit) >= least`."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.climber = Climber(task)
        self.chance = random.Random(SEED)
        self.weeks = np.asarray(task.weeks, dtype=np.float64)
        self.closed = np.zeros(len(task.ids), dtype=np.bool_)
        self.is_exhausted = False
        self.reduced: list[tuple[float, NDArray[np.float64]]] = []
        self.forced_units = self._find_forced()
        self.forced_set = frozenset(int(place) for place in np.flatnonzero(self.forced_units))
        taught = (task.teachers[skill] for skill in sorted(task.wanted))
        self.cuts = [frozenset(teachers) for teachers in taught if self.forced_set.isdisjoint(teachers)]
        self.waits = self._matrix_of_waits()
        # Few of these rows bind, so each comes in when an answer first fails it.
        self.is_told = np.zeros(self.waits.shape[0], dtype=np.bool_)

    def _matrix_of_waits(self) -> sparse.csr_array:
        """Return rows that say, by a sum of 0 or more, that a unit is taken only with one of some others."""
        task = self.task
        rows: dict[tuple[int, ...], None] = {}  # the unit, then the others
        for place in range(len(task.ids)):
            for before in task.after[place]:
                rows[place, before] = None
            for need in task.needs[place]:
                supports = task.supports(place, need)
                rows[place, *supports] = None
                # What comes before every teacher comes before the unit too; the row says so for parts of units.
                if len(supports) > 1 and (common := task.common_musts(supports)):
                    rows[place, common.bit_length() - 1] = None
        kept = [row for row in rows if self.forced_set.isdisjoint(row[1:])]
        columns = np.fromiter(itertools.chain.from_iterable(kept), dtype=np.int32)
        starts = np.cumsum([0, *(len(row) for row in kept)])
        factors = np.ones(len(columns))
        factors[starts[:-1]] = -1.0
        return sparse.csr_array((factors, columns, starts), shape=(len(kept), len(task.ids)))

    def _find_forced(self) -> NDArray[np.bool_]:
        """Units that every answer takes."""
        forced = 0
        for skill in self.task.wanted:
            forced |= self.task.common_musts(self.task.teachers[skill])
        return np.array([forced >> place & 1 for place in range(len(self.task.ids))], dtype=np.bool_)

    def forget_dearer_than(self, best_weeks: int) -> None:
        """Close units with which no answer can cost less than the best one known."""
        for proved, reduced in self.reduced:
            closed = proved + reduced > best_weeks - 1 + ROUNDING_WEEKS
            self.closed |= closed & ~self.forced_units

    def ascend(self, *, is_by_price: bool) -> tuple[tuple[float, ...], int]:
        """Add sets of which every answer takes a unit; return what is left of the weeks of each, and the bound that follows."""
        prices = np.where(self.forced_units, 0.0, self.weeks)
        climb = self.climber.climb(prices.tolist(), order=self._any_order(), is_by_price=is_by_price)
        self._add_cuts(climb.cuts)
        forced_weeks = self.weeks[self.forced_units].sum()
        return climb.left, math.ceil(forced_weeks + climb.bound - ROUNDING_WEEKS)

    def cut_off(self, values: NDArray[np.float64], *, shares: Sequence[float]) -> bool:
        """Add rows that an answer fails; False where none was found."""
        failed_waits = ~self.is_told & (self.waits @ values < -LEAST_SHARE)
        self.is_told |= failed_waits
        is_new = bool(failed_waits.any())
        for share in shares:
            prices = np.where(values >= share, 0.0, 1.0).tolist()
            for is_by_price in (False, True):
                climb = self.climber.climb(prices, order=self._any_order(), is_by_price=is_by_price)
                failed = [cut for cut in climb.cuts if values[list(cut)].sum() < 1.0 - LEAST_SHARE]
                is_new |= self._add_cuts(failed)
        return is_new

    def fails(self, chosen: frozenset[int]) -> bool:
        """Add rows that a set of units fails; False where all that is wanted can be reached with it."""
        values = np.zeros(len(self.task.ids))
        values[list(chosen)] = 1.0
        return self.cut_off(values, shares=[1.0])

    def _any_order(self) -> list[str]:
        order = sorted(self.task.wanted)
        self.chance.shuffle(order)
        return order

    def _add_cuts(self, cuts: Iterable[frozenset[int]]) -> bool:
        before = len(self.cuts)
        self.cuts = list(dict.fromkeys([*self.cuts, *cuts]))
        return len(self.cuts) > before

    def _rows(self) -> tuple[sparse.csr_array, NDArray[np.float64]]:
        """Return the factors of the rows, and the least that each comes to: sets first, then what units wait for."""
        columns = np.fromiter(itertools.chain.from_iterable(self.cuts), dtype=np.int32)
        starts = np.cumsum([0, *(len(cut) for cut in self.cuts)])
        sets = sparse.csr_array((np.ones(len(columns)), columns, starts), shape=(len(self.cuts), len(self.task.ids)))
        waits = self.waits[np.flatnonzero(self.is_told)]
        return sparse.vstack([sets, waits], format="csr"), np.repeat([1.0, 0.0], [len(self.cuts), waits.shape[0]])

    def relax(self, *, limit_s: float, best_weeks: int) -> tuple[NDArray[np.float64], int] | None:
        """Return how much of each unit the cheapest answer in parts takes, and the bound that follows; None without one."""
        highest = np.where(self.closed, 0.0, 1.0)
        matrix, least = self._rows()
        answer = linprog(
            self.weeks,
            A_ub=-matrix if least.size else None,
            b_ub=-least if least.size else None,
            bounds=np.column_stack([self.forced_units.astype(np.float64), highest]),
            method="highs-ds",
            options={"time_limit": limit_s},
        )
        self.is_exhausted = answer.status == INFEASIBLE
        if answer.status != 0:
            return None
        # Sets that do not bind now are dropped, so that the program stays small; they come back if they are wanted.
        self.cuts = [
            cut for cut, slack in zip(self.cuts, answer.ineqlin.residual, strict=False) if slack <= LEAST_SHARE
        ]
        self.reduced.append((float(answer.fun), np.asarray(answer.lower.marginals, dtype=np.float64)))
        self.forget_dearer_than(best_weeks)
        return np.asarray(answer.x, dtype=np.float64), math.ceil(answer.fun - ROUNDING_WEEKS)

    def solve(self, *, limit_s: float, with_all: Iterable[int] = ()) -> tuple[frozenset[int] | None, int]:
        """Return the units of the best answer found, if any, and weeks that no answer with some units goes below."""
        # Where units are closed, the bound holds for answers that are better than the best known.
        matrix, least = self._rows()
        lowest = self.forced_units.astype(np.float64)
        lowest[list(with_all)] = 1.0
        answer = milp(
            self.weeks,
            integrality=np.ones(len(self.task.ids)),
            bounds=Bounds(lowest, np.maximum(np.where(self.closed, 0.0, 1.0), lowest)),
            constraints=LinearConstraint(matrix, lb=least) if least.size else (),
            options={"time_limit": limit_s, "mip_rel_gap": 0.0},
        )
        self.is_exhausted = answer.status == INFEASIBLE
        bound = answer.mip_dual_bound
        proved = math.ceil(bound - ROUNDING_WEEKS) if bound is not None and math.isfinite(bound) else 0
        if answer.x is None:
            return None, max(proved, 0)
        return frozenset(int(place) for place in np.flatnonzero(answer.x > 0.5)), max(proved, 0)
