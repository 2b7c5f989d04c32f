"""The cheapest way to a target: which units of the learner's own books teach all that is missing, in the fewest weeks.

The rules are those of `manage.py way`. *Missing* is the closure of the target without what is known. A missing skill that no
unit teaches is a gap: it is named, and then counts as known. A unit enters the way when the skills it needs are known, gaps,
or taught earlier in the way, and the units it comes after are done or earlier. Whatever teaches nothing that is wanted is
left out, so units are skipped where all they teach is known.

Method
------
Which units to take is an integer program with one yes-or-no for each unit: every missing skill is taught by a unit taken; a
unit taken has a teacher for each need and has the units it comes after. HiGHS solves it through `scipy.optimize.milp`. That
program alone would let two units teach each other what they need. Three things keep this out:

1. Units that can never be played, whatever is taken, are left out beforehand.
2. For each unit the units are found that come before it on every possible way (its *musts*; dominators, generalised to units
   that wait for several things at once). A unit never counts as a teacher for one of its own musts.
3. What still goes round in a circle is cut off when it turns up, and the program is solved again. For a set of skills S and
   the units U that wait for a skill of S or for one another, the first of U to be played needs a skill of S that a unit
   outside U has taught. So each unit of U is at most the sum of the units outside U that teach a skill of S. These are the
   loop formulas of answer set programming (Lin and Zhao, 2004; from memory) as linear cuts.

The answer is the cheapest one, proved, unless the time limit strikes; then it is the best found, with a lower bound.
"""

import heapq
import math
import time
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from curriculum.graph.errors import GraphError, UnknownIdError
from curriculum.graph.gates import SkillFacts, UnitFacts, known_skills, unit_gates, unit_needs
from curriculum.graph.prerequisites import NOTHING, Needs, closure, learnable_order

# Seconds of solving after which the best way found is returned with a bound. A learner waits for this page; 2,000 units in
# three books usually take well under one second.
LIMIT_S = 1.4
# Passes over all units in the search for musts. Two or three are the rule; stopping early only makes the program weaker.
MOST_PASSES = 12
# Weeks by which a bound may miss a whole number through rounding.
ROUNDING_WEEKS = 1e-6
# Ways round a loop that a sentence tells before it stops.
MOST_TOLD = 4


@dataclass(frozen=True, slots=True)
class Way:
    """The way to a target.

    Attributes
    ----------
    blocked_by : tuple of str
        Skills that are missing, in learnable order, gaps among them.
    gaps : tuple of str
        Skills that no unit teaches, in learnable order: those among `blocked_by`, and those that units of the way need.
    units : tuple of str or None
        Units in an order in which they can be played. Empty where nothing is missing; None where no way exists.
    reason : str
        Why no way exists. Empty where one does.
    weeks : int or None
        Weeks of all units of the way together.
    is_optimal : bool
        Whether it is proved that no way takes fewer weeks.
    bound : int or None
        No way takes fewer weeks than this. Equals `weeks` where `is_optimal`; None where no way exists.
    """

    blocked_by: tuple[str, ...]
    gaps: tuple[str, ...]
    units: tuple[str, ...] | None
    reason: str
    weeks: int | None
    is_optimal: bool
    bound: int | None


@dataclass(frozen=True, slots=True)
class Alternative:
    """What could stand in for one unit of the way.

    Attributes
    ----------
    unit : str
        The unit of the way that would be left out.
    skills : tuple of str
        Missing skills that it teaches on the way and that another unit teaches too, by id.
    instead : tuple of str
        Units that the cheapest way without it has and the way has not, in playing order.
    dropped : tuple of str
        Units of the way that go with it, itself among them, in playing order.
    weeks_more : int
        How many more weeks the way then takes, 0 or more.
    is_optimal : bool
        Whether this is proved to be the cheapest way without the unit.
    """

    unit: str
    skills: tuple[str, ...]
    instead: tuple[str, ...]
    dropped: tuple[str, ...]
    weeks_more: int
    is_optimal: bool


def cheapest_way(
    target: Iterable[str],
    *,
    needs: Needs,
    units: Sequence[UnitFacts],
    known: Collection[str],
    rank: Mapping[str, tuple[int, ...]] | None = None,
    limit_s: float = LIMIT_S,
) -> Way:
    """Return the cheapest way to a target.

    Parameters
    ----------
    target : iterable of str
        Skills to be reached.
    needs : mapping of str to frozenset of str
        Direct prerequisites of each skill.
    units : sequence of UnitFacts
        Units of all books; `needs` of a unit is complete (`completed_units` sees to that), `is_done` marks units done.
    known : collection of str
        Skills that are known, complete: what lies below them too.
    rank : mapping of str to tuple of int, optional
        Order of skills that could be learnt next, lowest first.
    limit_s : float
        Seconds of solving, above 0, after which the best way found is returned.

    Returns
    -------
    Way
        The same for the same input, unless the time limit strikes or several ways are equally cheap.

    Raises
    ------
    LoopError
        If what the target needs goes round in a circle.
    UnknownIdError
        If a unit comes after one that is not given, or two units share an id.

    Examples
    --------
    >>> units = [
    ...     UnitFacts("u1", "book", 1, teaches=frozenset({"place"})),
    ...     UnitFacts("u2", "book", 2, teaches=frozenset({"pulse"})),
    ...     UnitFacts("u3", "book", 3, teaches=frozenset({"legato"}), needs=frozenset({"place"})),
    ... ]
    >>> way = cheapest_way(["legato"], needs={"legato": frozenset({"place"})}, units=units, known=[])
    >>> way.blocked_by, way.units, way.weeks, way.is_optimal
    (('place', 'legato'), ('u1', 'u3'), 2, True)
    """
    task = _Task(target, needs=needs, units=units, known=known)
    blocked_by = learnable_order(task.missing, needs=needs, rank=rank)
    gaps = [skill for skill in blocked_by if skill in task.gaps]
    stuck = [skill for skill in blocked_by if skill in task.wanted and skill not in task.reached]
    if stuck:
        return Way(blocked_by, tuple(gaps), None, task.say_stuck(stuck[0]), None, False, None)
    found = task.solve(ends_at_s=time.perf_counter() + limit_s)
    taken = task.in_order(found.chosen)
    gaps += sorted({need for unit_id in taken for need in task.units[unit_id].needs if task.is_gap(need)} - set(gaps))
    return Way(
        blocked_by=blocked_by,
        gaps=learnable_order(gaps, needs=needs, rank=rank) if _is_orderable(gaps, needs) else tuple(gaps),
        units=taken,
        reason="",
        weeks=found.weeks,
        is_optimal=found.is_optimal,
        bound=found.bound,
    )


def alternatives_on_way(
    way: Way,
    *,
    target: Iterable[str],
    needs: Needs,
    units: Sequence[UnitFacts],
    known: Collection[str],
    most: int = 8,
    limit_s: float = LIMIT_S,
) -> tuple[Alternative, ...]:
    """Return what could stand in for the units of a way where another unit teaches the same.

    Parameters
    ----------
    way : Way
        As returned by `cheapest_way` for the same input.
    target, needs, units, known
        As for `cheapest_way`.
    most : int
        Units of the way that are tried, the first contested ones; each is solved for once.
    limit_s : float
        Seconds of solving for all of them together, above 0.

    Returns
    -------
    tuple of Alternative
        One for each contested unit that can be left out, in playing order. Empty without a way, and where nothing is
        contested. Contested units that time did not suffice for are left out.

    Raises
    ------
    UnknownIdError
        As `cheapest_way`.

    Examples
    --------
    >>> units = [
    ...     UnitFacts("red 4", "red", 4, teaches=frozenset({"legato"})),
    ...     UnitFacts("blue 9", "blue", 9, teaches=frozenset({"legato"}), weeks=2),
    ... ]
    >>> world = {"target": ["legato"], "needs": {}, "units": units, "known": []}
    >>> alternatives_on_way(cheapest_way(**world), **world)
    (Alternative(unit='red 4', skills=('legato',), instead=('blue 9',), dropped=('red 4',), weeks_more=1, is_optimal=True),)
    """
    if not way.units or way.weeks is None:
        return ()
    task = _Task(target, needs=needs, units=units, known=known)
    first_teacher: dict[str, str] = {}
    for unit_id in way.units:
        for skill in task.units[unit_id].teaches & task.wanted:
            first_teacher.setdefault(skill, unit_id)
    contested: dict[str, list[str]] = {}
    for skill, unit_id in first_teacher.items():
        if len(task.teachers[skill]) > 1:
            contested.setdefault(unit_id, []).append(skill)
    ends_at_s = time.perf_counter() + limit_s
    found = []
    for unit_id in [unit_id for unit_id in way.units if unit_id in contested][:most]:
        if time.perf_counter() >= ends_at_s:
            break
        without = [_unplayable(unit) if unit.id == unit_id else unit for unit in units]
        other = _Task(target, needs=needs, units=without, known=known, gaps=task.all_gaps)
        if other.wanted - other.reached:
            continue
        solved = other.solve(ends_at_s=ends_at_s)
        instead = other.in_order(solved.chosen)
        found.append(
            Alternative(
                unit=unit_id,
                skills=tuple(sorted(contested[unit_id])),
                instead=tuple(each for each in instead if each not in way.units),
                dropped=tuple(each for each in way.units if each not in instead),
                weeks_more=solved.weeks - way.weeks,
                is_optimal=way.is_optimal and solved.is_optimal,
            )
        )
    return tuple(found)


def completed_units(*, units: Mapping[str, UnitFacts], skills: Mapping[str, SkillFacts]) -> tuple[UnitFacts, ...]:
    """Return the units with everything they need written down, as `cheapest_way` wants them.

    Parameters
    ----------
    units : mapping of str to UnitFacts
        Every unit of the learner's books by id; `needs` holds what the learner named.
    skills : mapping of str to SkillFacts
        Every skill of the learner by id.

    Returns
    -------
    tuple of UnitFacts
        In the order given, with the direct prerequisites of what they teach added to what they need; without what is known
        and what the book takes for granted (see the unit gate), which hold nothing.

    Raises
    ------
    UnknownIdError
        If a unit names a unit or a skill that is not given.

    Examples
    --------
    >>> skills = {"place": SkillFacts("place"), "legato": SkillFacts("legato", frozenset({"place"}))}
    >>> units = {
    ...     "u1": UnitFacts("u1", "book", 1, teaches=frozenset({"place"})),
    ...     "u2": UnitFacts("u2", "book", 2, teaches=frozenset({"legato"})),
    ... }
    >>> [sorted(unit.needs) for unit in completed_units(units=units, skills=skills)]
    [[], ['place']]
    """
    gates = unit_gates(units=units, skills=skills)
    known = known_skills(skills=skills)
    return tuple(
        replace(
            unit, needs=unit_needs(unit, skills=skills) - known - frozenset(gates[unit_id].taken_for_granted)
        )
        for unit_id, unit in units.items()
    )


def _unplayable(unit: UnitFacts) -> UnitFacts:
    """Return the unit as one that cannot be taken; where it is done it stays done."""
    return replace(unit, teaches=NOTHING, after=unit.after if unit.is_done else unit.after | {unit.id})


def _is_orderable(ids: Collection[str], needs: Needs) -> bool:
    """Gaps that only units need may lie in a circle elsewhere among the skills; then they stay as they are."""
    try:
        learnable_order(ids, needs=needs)
    except GraphError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class _Solved:
    chosen: frozenset[int]
    weeks: int
    bound: int
    is_optimal: bool


class _Task:
    """One target and the units that could serve it, by number.

    Numbers are given to units that can be played at all and could be of use, in the order in which they become playable.
    """

    def __init__(
        self,
        target: Iterable[str],
        *,
        needs: Needs,
        units: Sequence[UnitFacts],
        known: Collection[str],
        gaps: frozenset[str] | None = None,
    ) -> None:
        self.units = {unit.id: unit for unit in units}
        if len(self.units) < len(units):
            raise UnknownIdError(f"{len(units)} units share {len(self.units)} ids; wanted one id each")
        self.known = known if isinstance(known, (set, frozenset)) else frozenset(known)
        self.missing = closure(target, needs=needs) - self.known
        taught = {skill for unit in units for skill in unit.teaches}
        every_need = {need for unit in units for need in unit.needs} - self.known
        self.all_gaps = gaps if gaps is not None else (self.missing | every_need) - taught
        self.gaps = self.missing & self.all_gaps
        self.wanted = self.missing - self.gaps
        self._find_playable(units)
        self._keep_useful(units)
        self._find_musts()

    def is_gap(self, skill: str) -> bool:
        return skill in self.all_gaps

    def _find_playable(self, units: Sequence[UnitFacts]) -> None:
        """Play every unit that can be played until nothing changes; what is left over never can."""
        waiting_for_skill: dict[str, list[str]] = {}
        waiting_for_unit: dict[str, list[str]] = {}
        counts: dict[str, int] = {}
        ready: list[str] = []
        for unit in units:
            needs = [need for need in unit.needs if need not in self.known and need not in self.all_gaps]
            after = []
            for before in unit.after:
                if before not in self.units:
                    raise UnknownIdError(f"unit {unit.id!r} comes after {before!r}; wanted one of the units given")
                if not self.units[before].is_done:
                    after.append(before)
            counts[unit.id] = len(needs) + len(after)
            for need in needs:
                waiting_for_skill.setdefault(need, []).append(unit.id)
            for before in after:
                waiting_for_unit.setdefault(before, []).append(unit.id)
            if not counts[unit.id]:
                ready.append(unit.id)
        self.reached: set[str] = set()
        self.playable: dict[str, int] = {}
        for unit_id in ready:  # grows while it is walked
            self.playable[unit_id] = len(self.playable)
            freed = list(waiting_for_unit.get(unit_id, ()))
            for skill in self.units[unit_id].teaches - self.reached:
                self.reached.add(skill)
                freed += waiting_for_skill.get(skill, ())
            for follower in freed:
                counts[follower] -= 1
                if not counts[follower]:
                    ready.append(follower)

    def _keep_useful(self, units: Sequence[UnitFacts]) -> None:
        """Number the playable units that teach something wanted, or serve one that does."""
        teachers: dict[str, list[str]] = {}
        for unit_id in self.playable:
            for skill in self.units[unit_id].teaches:
                teachers.setdefault(skill, []).append(unit_id)
        useful: set[str] = set()
        asked: set[str] = set()
        waiting = list(self.wanted)
        while waiting:
            skill = waiting.pop()
            if skill in asked:
                continue
            asked.add(skill)
            found = [unit_id for unit_id in teachers.get(skill, ()) if unit_id not in useful]
            while found:
                unit_id = found.pop()
                if unit_id in useful:
                    continue
                useful.add(unit_id)
                waiting += self._open_needs(unit_id)
                found += self._open_after(unit_id)
        self.ids = [unit_id for unit_id in self.playable if unit_id in useful]
        self.number = {unit_id: place for place, unit_id in enumerate(self.ids)}
        self.weeks = [self.units[unit_id].weeks for unit_id in self.ids]
        self.needs = [sorted(self._open_needs(unit_id)) for unit_id in self.ids]
        self.after = [[self.number[before] for before in self._open_after(unit_id)] for unit_id in self.ids]
        self.teaches = [self.units[unit_id].teaches & asked for unit_id in self.ids]
        self.teachers: dict[str, list[int]] = {skill: [] for skill in asked}
        for place, taught in enumerate(self.teaches):
            for skill in taught:
                self.teachers[skill].append(place)
        books = list(dict.fromkeys(unit.book for unit in units))
        shelf = {book: place for place, book in enumerate(books)}
        self.place_in_books = [
            (shelf[self.units[unit_id].book], self.units[unit_id].position, unit_id) for unit_id in self.ids
        ]

    def _open_needs(self, unit_id: str) -> list[str]:
        return [need for need in self.units[unit_id].needs if need not in self.known and need not in self.all_gaps]

    def _open_after(self, unit_id: str) -> list[str]:
        return [before for before in self.units[unit_id].after if not self.units[before].is_done]

    def _find_musts(self) -> None:
        """For each unit, as bits, the units that are played before it on every way."""
        everything = (1 << len(self.ids)) - 1
        musts = [everything] * len(self.ids)
        for _ in range(MOST_PASSES):
            is_changed = False
            for place, needs in enumerate(self.needs):
                found = 0
                for before in self.after[place]:
                    found |= musts[before] | 1 << before
                for need in needs:
                    common = everything
                    for teacher in self.teachers[need]:
                        if teacher != place:
                            common &= musts[teacher] | 1 << teacher
                    found |= common
                found &= ~(1 << place)
                if found != musts[place]:
                    musts[place] = found
                    is_changed = True
            if not is_changed:
                break
        else:
            # Not settled: what is left is too much, so only what follows from the books themselves is kept.
            musts = self._musts_of_books()
        self.musts = musts

    def _musts_of_books(self) -> list[int]:
        musts = [0] * len(self.ids)
        for place, before in enumerate(self.after):  # numbers rise along `after`
            for earlier in before:
                musts[place] |= musts[earlier] | 1 << earlier
        return musts

    def _supports(self, place: int, need: str) -> list[int]:
        """Units that could teach a need of a unit before it is played."""
        return [
            teacher
            for teacher in self.teachers[need]
            if teacher != place and not self.musts[teacher] >> place & 1
        ]

    def solve(self, *, ends_at_s: float) -> _Solved:
        """Return the cheapest set of units, or the best found when time is up."""
        if not self.wanted:
            return _Solved(frozenset(), 0, 0, True)
        best = self._cheap_set(frozenset())
        best_weeks = self._sum_weeks(best)
        bound = 0
        program = _Program(self)
        while best_weeks > bound:
            left_s = ends_at_s - time.perf_counter()
            if left_s <= 0:
                break
            chosen, proved = program.solve(limit_s=left_s)
            bound = max(bound, proved)
            if chosen is None:
                break
            played = self._play(chosen)
            if len(played) == len(chosen):
                candidate = chosen
            else:
                if not program.cut_off(chosen, played=frozenset(played)):
                    break
                candidate = self._cheap_set(chosen)
            weeks = self._sum_weeks(candidate)
            if weeks < best_weeks:
                best, best_weeks = candidate, weeks
        return _Solved(best, best_weeks, min(bound, best_weeks), best_weeks <= bound)

    def _sum_weeks(self, chosen: Iterable[int]) -> int:
        return sum(self.weeks[place] for place in chosen)

    def _cheap_set(self, liked: frozenset[int]) -> frozenset[int]:
        """Return a set of units that serves, not the cheapest, in which `liked` units cost nothing.

        The cost of a unit is taken to be its weeks and the costs of all it waits for, as if nothing were shared; the
        cheapest are settled first (Knuth 1977, from memory). Each settled unit leans on units settled earlier, so the
        set has no circle. Afterwards units are left out that it can do without.
        """
        weeks = [0 if place in liked else weeks for place, weeks in enumerate(self.weeks)]
        followers: list[list[int]] = [[] for _ in self.ids]
        waiting_for_skill: dict[str, list[int]] = {}
        open_count = [len(needs) + len(after) for needs, after in zip(self.needs, self.after, strict=True)]
        cost = list(weeks)
        for place, needs in enumerate(self.needs):
            for before in self.after[place]:
                followers[before].append(place)
            for need in needs:
                waiting_for_skill.setdefault(need, []).append(place)
        heap = [(cost[place], place) for place, count in enumerate(open_count) if not count]
        heapq.heapify(heap)
        teacher_of: dict[str, int] = {}
        while heap:
            paid, place = heapq.heappop(heap)
            freed = list(followers[place])
            for skill in self.teaches[place]:
                if skill not in teacher_of:
                    teacher_of[skill] = place
                    freed += waiting_for_skill.get(skill, ())
            for follower in freed:
                cost[follower] += paid
                open_count[follower] -= 1
                if not open_count[follower]:
                    heapq.heappush(heap, (cost[follower], follower))
        chosen: set[int] = set()
        waiting = [teacher_of[skill] for skill in self.wanted]
        while waiting:
            place = waiting.pop()
            if place not in chosen:
                chosen.add(place)
                waiting += self.after[place]
                waiting += [teacher_of[need] for need in self.needs[place]]
        return self._thinned(chosen)

    def _thinned(self, chosen: set[int]) -> frozenset[int]:
        """Leave out units, dearest first, that nothing in the set depends on."""
        taught: dict[str, int] = {}
        for place in chosen:
            for skill in self.teaches[place]:
                taught[skill] = taught.get(skill, 0) + 1
        is_before = {before for place in chosen for before in self.after[place]}
        asked = self.wanted.union(*(self.needs[place] for place in chosen))
        for place in sorted(chosen, key=lambda place: -self.weeks[place]):
            if place in is_before or any(taught[skill] < 2 for skill in self.teaches[place] & asked):
                continue
            rest = frozenset(chosen - {place})
            if len(self._play(rest)) == len(rest):
                chosen.discard(place)
                for skill in self.teaches[place]:
                    taught[skill] -= 1
        return frozenset(chosen)

    def _play(self, chosen: frozenset[int]) -> list[int]:
        """Return the units of a set that can be played, in an order that keeps to the books where it can."""
        waiting_for_skill: dict[str, list[int]] = {}
        waiting_for_unit: dict[int, list[int]] = {}
        counts: dict[int, int] = {}
        heap = []
        for place in chosen:
            counts[place] = len(self.needs[place]) + len(self.after[place])
            for need in self.needs[place]:
                waiting_for_skill.setdefault(need, []).append(place)
            for before in self.after[place]:
                waiting_for_unit.setdefault(before, []).append(place)
            if not counts[place]:
                heap.append((self.place_in_books[place], place))
        heapq.heapify(heap)
        taught: set[str] = set()
        played = []
        while heap:
            place = heapq.heappop(heap)[1]
            played.append(place)
            freed = list(waiting_for_unit.get(place, ()))
            for skill in self.teaches[place]:
                if skill not in taught:
                    taught.add(skill)
                    freed += waiting_for_skill.get(skill, ())
            for follower in freed:
                counts[follower] -= 1
                if not counts[follower]:
                    heapq.heappush(heap, (self.place_in_books[follower], follower))
        return played

    def in_order(self, chosen: frozenset[int]) -> tuple[str, ...]:
        """Return the ids of a set of units in playing order."""
        return tuple(self.ids[place] for place in self._play(chosen))

    def say_stuck(self, skill: str) -> str:
        """Say why a skill cannot be reached: units that wait for one another, as far as a loop."""
        waits: list[str] = []
        seen: set[str] = set()
        kind, here = "skill", skill
        while here not in seen and len(waits) < MOST_TOLD:
            seen.add(here)
            if kind == "skill":
                teachers = [unit for unit in self.units.values() if here in unit.teaches]
                unit = min(teachers, key=lambda unit: (unit.book, unit.position, unit.id))
                waits.append(f"{here!r} is taught only by {_listed([unit.id for unit in teachers])}")
            else:
                unit = self.units[here]
            needs = [need for need in self._open_needs(unit.id) if need not in self.reached]
            after = [before for before in self._open_after(unit.id) if before not in self.playable]
            if needs:
                kind, here = "skill", min(needs)
                waits.append(f"{unit.id!r} needs {here!r}")
            else:
                kind, here = "unit", min(after)
                waits.append(f"{unit.id!r} comes after {here!r}")
        told = ", ".join(waits)
        ending = "and so it goes round in a circle" if here in seen else "and so on, in a circle"
        return f"{skill!r} cannot be reached: {told}, {ending}."


def _listed(ids: Sequence[str]) -> str:
    shown = [repr(each) for each in sorted(ids)[:MOST_TOLD]]
    more = len(ids) - len(shown)
    return " and ".join([", ".join(shown), f"{more} more"] if more else [", ".join(shown)])


class _Program:
    """The integer program of a task; rows say `sum(factor * unit) >= least`."""

    def __init__(self, task: _Task) -> None:
        self.task = task
        self.rows: list[tuple[dict[int, float], float]] = []
        self.told: set[tuple[int, tuple[int, ...]]] = set()
        forced = 0
        everything = (1 << len(task.ids)) - 1
        for skill in sorted(task.wanted):
            common = everything
            for teacher in task.teachers[skill]:
                common &= task.musts[teacher] | 1 << teacher
            forced |= common
        self.forced = forced
        for skill in sorted(task.wanted):
            if not any(forced >> teacher & 1 for teacher in task.teachers[skill]):
                self.rows.append((dict.fromkeys(task.teachers[skill], 1.0), 1.0))
        for place in range(len(task.ids)):
            for before in task.after[place]:
                self._one_of(place, [before])
            for need in task.needs[place]:
                supports = task._supports(place, need)
                self._one_of(place, supports)
                if len(supports) > 1:
                    common = everything
                    for teacher in supports:
                        common &= task.musts[teacher] | 1 << teacher
                    if common:
                        self._one_of(place, [common.bit_length() - 1])

    def _one_of(self, place: int, others: Sequence[int]) -> None:
        """A unit is taken only with at least one of the others."""
        key = (place, tuple(sorted(others)))
        if key in self.told or any(self.forced >> other & 1 for other in others):
            return
        self.told.add(key)
        self.rows.append(({place: -1.0, **dict.fromkeys(others, 1.0)}, 0.0))

    def solve(self, *, limit_s: float) -> tuple[frozenset[int] | None, int]:
        """Return the units of the best answer found, if any, and weeks that no answer goes below."""
        task = self.task
        count = len(task.ids)
        fixed = np.array([self.forced >> place & 1 for place in range(count)], dtype=np.float64)
        if not self.rows:
            chosen = frozenset(int(place) for place in np.flatnonzero(fixed))
            return chosen, task._sum_weeks(chosen)
        columns = [place for row, _ in self.rows for place in row]
        factors = [factor for row, _ in self.rows for factor in row.values()]
        starts = np.cumsum([0, *(len(row) for row, _ in self.rows)])
        matrix = sparse.csr_array((factors, columns, starts), shape=(len(self.rows), count))
        answer = milp(
            np.asarray(task.weeks, dtype=np.float64),
            integrality=np.ones(count),
            bounds=Bounds(fixed, np.ones(count)),
            constraints=LinearConstraint(matrix, lb=[least for _, least in self.rows]),
            options={"time_limit": limit_s, "mip_rel_gap": 0.0},
        )
        bound = answer.mip_dual_bound
        proved = math.ceil(bound - ROUNDING_WEEKS) if bound is not None and math.isfinite(bound) else 0
        if answer.x is None:
            return None, max(proved, 0)
        values: NDArray[np.float64] = answer.x
        return frozenset(int(place) for place in np.flatnonzero(values > 0.5)), max(proved, 0)

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
        inside = {place for place in range(len(task.ids)) if skills.intersection(task.needs[place])}
        for place in range(len(task.ids)):  # numbers rise along `after`
            if any(before in inside for before in task.after[place]):
                inside.add(place)
        outside = sorted({teacher for skill in skills for teacher in task.teachers[skill]} - inside)
        for place in sorted(circle):
            self._one_of(place, outside)


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
                    members = set()
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
