"""The search for the cheapest set of units of one task: relaxed program, whole program, cuts against circles.

The method is told in `curriculum.graph.way`.
"""

import math
import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from curriculum.graph.task import Task

# Rounds of handing on shares. Stopping early only finds circles that are none, and their rows do no harm.
MOST_ROUNDS = 12
# Weeks by which a bound may miss a whole number through rounding.
ROUNDING_WEEKS = 1e-6
# Shares of a unit below this count as none.
LEAST_SHARE = 1e-6
# Rounds of the relaxed program. Each takes about 50 ms with 2,000 units; after a few the bound hardly rises.
MOST_RELAXED = 3
# Circles cut off after one round of the relaxed program; more make it slow and raise the bound by little.
MOST_CIRCLES = 60
# Rounds in a row without a higher bound after which the relaxed program is left.
MOST_IDLE = 2
# Times that the whole program is solved with circles cut off in between; a handful is the rule.
MOST_TURNS = 1_000
# Share of the time left that goes to the units which the relaxed program took, to get a good answer early.
SHARE_FOR_PROMISING = 0.5
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

    First the relaxed program, in which units may be taken in part: it is fast, gives a bound, shows circles to cut off,
    and leads the way to a good answer. Then the whole program, less the units that cannot be part of a better answer.
    """

    def __init__(self, task: Task, *, ends_at_s: float) -> None:
        self.task = task
        self.ends_at_s = ends_at_s
        self.program = _Program(task)
        self.bound = 0
        self.best = task.cheap_set([float(weeks) for weeks in task.weeks])
        self.best_weeks = task.sum_weeks(self.best)
        self.promising: set[int] = set(self.best)

    @property
    def left_s(self) -> float:
        return self.ends_at_s - time.perf_counter()

    @property
    def is_over(self) -> bool:
        return self.bound >= self.best_weeks or self.left_s <= 0

    def run(self) -> CheapestSet:
        # A good answer early, in case time is short: then the bound, then a better answer, then the proof.
        for rounds, turns in ((1, 1), (MOST_RELAXED, MOST_TURNS)):
            self._relax(rounds=rounds)
            if not self.is_over:
                limit_s = self.left_s * SHARE_FOR_PROMISING
                self._solve_whole(only=frozenset(self.promising), limit_s=limit_s, turns=turns)
        if not self.is_over:
            self._solve_whole(only=None, limit_s=self.left_s)
        return CheapestSet(self.best, self.best_weeks, min(self.bound, self.best_weeks), self.best_weeks <= self.bound)

    def _offer(self, chosen: frozenset[int]) -> None:
        weeks = self.task.sum_weeks(chosen)
        if weeks < self.best_weeks:
            self.best, self.best_weeks = chosen, weeks
            self.program.forget_dearer_than(weeks)

    def _relax(self, *, rounds: int) -> None:
        idle = 0
        for _ in range(rounds):
            if self.is_over or idle == MOST_IDLE:
                return
            answer = self.program.relax(limit_s=self.left_s, best_weeks=self.best_weeks)
            if answer is None:
                self.bound = self.best_weeks if self.program.is_exhausted else self.bound
                return
            values, proved = answer
            idle = 0 if proved > self.bound else idle + 1
            self.bound = max(self.bound, proved)
            self.promising.update(int(place) for place in np.flatnonzero(values > LEAST_SHARE))
            prices = [weeks * (1.0 - value) for weeks, value in zip(self.task.weeks, values.tolist(), strict=True)]
            self._offer(self.task.cheap_set(prices))
            if not self.program.cut_off_shares(values):
                return

    def _solve_whole(self, *, only: frozenset[int] | None, limit_s: float, turns: int = MOST_TURNS) -> None:
        """Solve for whole units until nothing goes round in a circle any more."""
        ends_at_s = time.perf_counter() + limit_s
        for _ in range(turns):
            if self.is_over or time.perf_counter() >= ends_at_s:
                return
            chosen, proved = self.program.solve(limit_s=ends_at_s - time.perf_counter(), only=only)
            if only is None:
                self.bound = max(self.bound, proved)
            if chosen is None:
                if only is None and self.program.is_exhausted:
                    self.bound = self.best_weeks
                return
            played = self.task.play(chosen)
            if len(played) == len(chosen):
                self._offer(chosen)
                return
            is_new = self.program.cut_off(chosen, played=frozenset(played))
            self._offer(self.task.opened_up(chosen))
            if not is_new:
                return


class _Program:
    """The integer program of a task; rows say `sum(factor * unit) >= least`."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.rows: list[tuple[dict[int, float], float]] = []
        self.told: set[frozenset[tuple[int, float]]] = set()
        self.weeks = np.asarray(task.weeks, dtype=np.float64)
        self.closed = np.zeros(len(task.ids), dtype=np.bool_)
        self.is_exhausted = False
        self.reduced: list[tuple[float, NDArray[np.float64]]] = []
        self.waiting_for: dict[str, list[int]] = {}
        for place, needs in enumerate(task.needs):
            for need in needs:
                self.waiting_for.setdefault(need, []).append(place)
        self.forced_units = self._find_forced()
        self.forced_set = frozenset(int(place) for place in np.flatnonzero(self.forced_units))
        for skill in sorted(task.wanted):
            if self.forced_set.isdisjoint(task.teachers[skill]):
                self.rows.append((dict.fromkeys(task.teachers[skill], 1.0), 1.0))
        for place in range(len(task.ids)):
            for before in task.after[place]:
                self._one_of(place, [before])
            for need in task.needs[place]:
                supports = task.supports(place, need)
                self._one_of(place, supports)
                # What comes before every teacher comes before the unit too; the row says so for parts of units.
                if len(supports) > 1 and (common := task.common_musts(supports)):
                    self._one_of(place, [common.bit_length() - 1])
        self.first_cut = len(self.rows)

    def _find_forced(self) -> NDArray[np.bool_]:
        """Units that every answer takes."""
        forced = 0
        for skill in self.task.wanted:
            forced |= self.task.common_musts(self.task.teachers[skill])
        return np.array([forced >> place & 1 for place in range(len(self.task.ids))], dtype=np.bool_)

    def _one_of(self, place: int, others: Sequence[int]) -> None:
        """A unit is taken only with at least one of the others."""
        row: tuple[dict[int, float], float] = ({place: -1.0, **dict.fromkeys(others, 1.0)}, 0.0)
        if _key(row) in self.told or not self.forced_set.isdisjoint(others):
            return
        self.told.add(_key(row))
        self.rows.append(row)

    def forget_dearer_than(self, best_weeks: int) -> None:
        """Close units with which no answer can cost less than the best one known."""
        for proved, reduced in self.reduced:
            closed = proved + reduced > best_weeks - 1 + ROUNDING_WEEKS
            self.closed |= closed & ~self.forced_units

    def _drop_slack(self, slack: NDArray[np.float64]) -> None:
        """Drop rows against circles that do not bind now, so that the program stays small; they come back if wanted."""
        kept = []
        for place, row in enumerate(self.rows):
            if place < self.first_cut or slack[place] <= LEAST_SHARE:
                kept.append(row)
            else:
                self.told.discard(_key(row))
        self.rows = kept

    def _matrix(self) -> sparse.csr_array:
        columns = [place for row, _ in self.rows for place in row]
        factors = [factor for row, _ in self.rows for factor in row.values()]
        starts = np.cumsum([0, *(len(row) for row, _ in self.rows)])
        return sparse.csr_array((factors, columns, starts), shape=(len(self.rows), len(self.task.ids)))

    def relax(self, *, limit_s: float, best_weeks: int) -> tuple[NDArray[np.float64], int] | None:
        """Return how much of each unit the cheapest answer in parts takes, and the bound that follows; None without one."""
        highest = np.where(self.closed, 0.0, 1.0)
        answer = linprog(
            self.weeks,
            A_ub=-self._matrix() if self.rows else None,
            b_ub=[-least for _, least in self.rows] if self.rows else None,
            bounds=np.column_stack([self.forced_units.astype(np.float64), highest]),
            method="highs-ds",
            options={"time_limit": limit_s},
        )
        self.is_exhausted = answer.status == INFEASIBLE
        if answer.status != 0:
            return None
        self._drop_slack(np.asarray(answer.ineqlin.residual, dtype=np.float64))
        self.reduced.append((float(answer.fun), np.asarray(answer.lower.marginals, dtype=np.float64)))
        self.forget_dearer_than(best_weeks)
        return np.asarray(answer.x, dtype=np.float64), math.ceil(answer.fun - ROUNDING_WEEKS)

    def solve(self, *, limit_s: float, only: frozenset[int] | None) -> tuple[frozenset[int] | None, int]:
        """Return the units of the best answer found, if any, and weeks that no answer goes below."""
        # Where units are closed, the bound holds for answers that are better than the best known.
        count = len(self.task.ids)
        highest = np.where(self.closed, 0.0, 1.0)
        if only is not None:
            outside = np.ones(count, dtype=np.bool_)
            outside[list(only)] = False
            highest[outside] = 0.0
        answer = milp(
            self.weeks,
            integrality=np.ones(count),
            bounds=Bounds(self.forced_units.astype(np.float64), np.maximum(highest, self.forced_units)),
            constraints=LinearConstraint(self._matrix(), lb=[least for _, least in self.rows]) if self.rows else (),
            options={"time_limit": limit_s, "mip_rel_gap": 0.0},
        )
        self.is_exhausted = answer.status == INFEASIBLE
        bound = answer.mip_dual_bound
        proved = math.ceil(bound - ROUNDING_WEEKS) if bound is not None and math.isfinite(bound) else 0
        if answer.x is None:
            return None, max(proved, 0)
        return frozenset(int(place) for place in np.flatnonzero(answer.x > 0.5)), max(proved, 0)

    def cut_off_shares(self, values: NDArray[np.float64]) -> bool:
        """Add rows against circles among units taken in part; False where none was found."""
        # Shares are handed on from what is known: a skill is there as far as its teachers are, a unit as far as the least
        # of what it waits for. A unit of which more is taken than this leans on a circle. From the skill that keeps it
        # back the circle is walked through the teachers that are kept back themselves.
        taken = {int(place): float(values[place]) for place in np.flatnonzero(values > LEAST_SHARE)}
        there, shares = self._hand_on(taken)
        kept_back = {place for place, value in taken.items() if shares[place] < value - LEAST_SHARE}
        rows_before = len(self.rows)
        seen: set[frozenset[str]] = set()
        for place in sorted(kept_back):
            skills, walked = self._walk(place, kept_back=kept_back, there=there, shares=shares)
            if not skills or frozenset(skills) in seen:
                continue
            seen.add(frozenset(skills))
            if len(seen) > MOST_CIRCLES:
                break
            inside, outside = self._sides(skills)
            help_from_outside = sum(taken.get(teacher, 0.0) for teacher in outside)
            for other in sorted(walked & inside):
                if taken[other] > help_from_outside + LEAST_SHARE:
                    self._one_of(other, outside)
        return len(self.rows) > rows_before

    def _walk(
        self, start: int, *, kept_back: Collection[int], there: Mapping[str, float], shares: Mapping[int, float]
    ) -> tuple[set[str], set[int]]:
        task = self.task
        skills: set[str] = set()
        walked: set[int] = set()
        waiting = [start]
        while waiting:
            here = waiting.pop()
            if here in walked:
                continue
            walked.add(here)
            before = min(task.after[here], key=lambda other: shares.get(other, 0.0), default=None)
            need = min(task.needs[here], key=lambda skill: there.get(skill, 0.0), default=None)
            before_share = shares.get(before, 0.0) if before is not None else math.inf
            if need is None or before_share < there.get(need, 0.0):
                if before is not None:
                    waiting.append(before)
            elif need not in skills:
                skills.add(need)
                waiting += [teacher for teacher in task.teachers[need] if teacher in kept_back]
        return skills, walked

    def _hand_on(self, taken: Mapping[int, float]) -> tuple[dict[str, float], dict[int, float]]:
        task = self.task
        there: dict[str, float] = {}
        shares = dict.fromkeys(taken, 0.0)
        order = sorted(taken)  # the order in which they become playable
        for _ in range(MOST_ROUNDS):
            is_changed = False
            for place in order:
                share = min(
                    [
                        taken[place],
                        *(shares.get(before, 0.0) for before in task.after[place]),
                        *(there.get(need, 0.0) for need in task.needs[place]),
                    ]
                )
                if share > shares[place] + LEAST_SHARE:
                    for skill in task.teaches[place]:
                        there[skill] = there.get(skill, 0.0) + share - shares[place]
                    shares[place] = share
                    is_changed = True
            if not is_changed:
                break
        return there, shares

    def _sides(self, skills: Collection[str]) -> tuple[set[int], list[int]]:
        """Return the units that wait for some of the skills or for one another, and the teachers among all others."""
        task = self.task
        inside = {place for skill in skills for place in self.waiting_for.get(skill, ())}
        waiting = list(inside)
        while waiting:
            for follower in task.followers[waiting.pop()]:
                if follower not in inside:
                    inside.add(follower)
                    waiting.append(follower)
        return inside, sorted({teacher for skill in skills for teacher in task.teachers[skill]} - inside)

    def cut_off(self, chosen: frozenset[int], *, played: frozenset[int]) -> bool:
        """Add rows that forbid the circles in which the units wait that could not be played; False where none was new."""
        rows_before = len(self.rows)
        task = self.task
        taught = {skill for place in played for skill in task.teaches[place]}
        stuck = chosen - played
        waits: dict[int, set[str]] = {
            place: {need for need in task.needs[place] if need not in taught} for place in stuck
        }
        leans_on: dict[int, list[int]] = {}
        for place in stuck:
            leans = [before for before in task.after[place] if before in stuck]
            leans += [other for other in stuck if task.teaches[other] & waits[place]]
            leans_on[place] = leans
        for circle in _closed_circles(leans_on):
            self._cut_circle(circle, waits=waits)
        return len(self.rows) > rows_before

    def _cut_circle(self, circle: frozenset[int], *, waits: Mapping[int, set[str]]) -> None:
        task = self.task
        skills: set[str] = set()
        for place in sorted(circle):
            if any(before in circle for before in task.after[place]) or waits[place] & skills:
                continue
            # One reason to wait is enough, and fewer skills let in fewer teachers from outside.
            skills.add(min(waits[place], key=lambda skill: (len(task.teachers[skill]), skill)))
        _, outside = self._sides(skills)
        for place in sorted(circle):
            self._one_of(place, outside)


def _key(row: tuple[dict[int, float], float]) -> frozenset[tuple[int, float]]:
    return frozenset(row[0].items())


def _closed_circles(leans_on: Mapping[int, Sequence[int]]) -> list[frozenset[int]]:
    """Return the sets of units that lean on one another and on nothing outside (the sink components, by Tarjan's method)."""
    index: dict[int, int] = {}
    low: dict[int, int] = {}
    path: list[int] = []
    on_path: set[int] = set()
    component: dict[int, int] = {}
    components: list[frozenset[int]] = []
    for root in sorted(leans_on):
        if root in index:
            continue
        work = [(root, iter(leans_on[root]))]
        index[root] = low[root] = len(index)
        path.append(root)
        on_path.add(root)
        while work:
            here, others = work[-1]
            for other in others:
                if other not in index:
                    index[other] = low[other] = len(index)
                    path.append(other)
                    on_path.add(other)
                    work.append((other, iter(leans_on[other])))
                    break
                if other in on_path:
                    low[here] = min(low[here], index[other])
            else:
                work.pop()
                if work:
                    low[work[-1][0]] = min(low[work[-1][0]], low[here])
                if low[here] == index[here]:
                    members: set[int] = set()
                    while not members or here not in members:
                        member = path.pop()
                        on_path.discard(member)
                        members.add(member)
                        component[member] = len(components)
                    components.append(frozenset(members))
    return [
        members
        for place, members in enumerate(components)
        if all(component[other] == place for member in members for other in leans_on[member])
    ]
