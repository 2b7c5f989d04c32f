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
3. For a set S of skills of which one is wanted, the first unit to teach a skill of S needs no skill of S. So every way takes
   one of the units that teach a skill of S and need none of it. These are the loop formulas of answer set programming (Lin and
   Zhao, 2004; from memory), as they stand where what the loop gives is wanted. A dual ascent finds some hundreds of such sets
   before the first program is solved (`curriculum.graph.ascent`), and more for each answer that fails some, in parts of units
   first and then whole. Where all of them are met, all that is wanted can be reached, and what is stuck is left out.

The answer is the cheapest one, proved, unless the time limit strikes; then it is the best found, with a lower bound.
"""

import time
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from curriculum.graph.errors import GraphError
from curriculum.graph.gates import SkillFacts, UnitFacts, known_skills, unit_gates, unit_needs
from curriculum.graph.prerequisites import NOTHING, Needs, learnable_order
from curriculum.graph.task import Task

# Seconds of solving after which the best way found is returned with a bound. A learner waits for this page; 2,000 units in
# three books usually take well under one second.
LIMIT_S = 1.4


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
    task = Task(target, needs=needs, units=units, known=known)
    blocked_by = learnable_order(task.missing, needs=needs, rank=rank)
    gaps = [skill for skill in blocked_by if skill in task.gaps]
    stuck = [skill for skill in blocked_by if skill in task.wanted and skill not in task.reached]
    if stuck:
        return Way(blocked_by, tuple(gaps), None, task.say_stuck(stuck[0]), None, False, None)
    # Loading SciPy takes as long as hearing a short clip, and whoever hears clips asks for no way. Before the search's clock starts.
    from curriculum.graph.program import cheapest_set

    found = cheapest_set(task, ends_at_s=time.perf_counter() + limit_s)
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
    task = Task(target, needs=needs, units=units, known=known)
    first_teacher: dict[str, str] = {}
    for unit_id in way.units:
        for skill in task.units[unit_id].teaches & task.wanted:
            first_teacher.setdefault(skill, unit_id)
    contested: dict[str, list[str]] = {}
    for skill, unit_id in first_teacher.items():
        if len(task.teachers[skill]) > 1:
            contested.setdefault(unit_id, []).append(skill)
    from curriculum.graph.program import cheapest_set  # here for the same reason as in `cheapest_way`

    ends_at_s = time.perf_counter() + limit_s
    found = []
    for unit_id in [unit_id for unit_id in way.units if unit_id in contested][:most]:
        if time.perf_counter() >= ends_at_s:
            break
        without = [_unplayable(unit) if unit.id == unit_id else unit for unit in units]
        other = Task(target, needs=needs, units=without, known=known, gaps=task.all_gaps)
        if other.wanted - other.reached:
            continue
        solved = cheapest_set(other, ends_at_s=ends_at_s)
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
        replace(unit, needs=unit_needs(unit, skills=skills) - known - frozenset(gates[unit_id].taken_for_granted))
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
