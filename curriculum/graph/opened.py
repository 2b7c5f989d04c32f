"""What opened between two days: units and pieces that were held then and are open now, and why.

Both days are worked out from the same evidence and compared, so nothing has to be stored, and withdrawing evidence changes what
opened as it changes everything else. Skills, units and pieces themselves are taken as they are now.

A worked example: *place* was ticked on 14 March, and that opened unit 2 and the piece:

>>> from datetime import date
>>> from curriculum.graph.standing import EvidenceItem, Source
>>> skills = {"place": SkillFacts("place"), "legato": SkillFacts("legato", frozenset({"place"}))}
>>> units = {"two": UnitFacts("two", "book", 2, teaches=frozenset({"legato"}), needs=frozenset({"place"}))}
>>> tries = [EvidenceItem(date(2025, 3, day), Source.TRY, True) for day in (1, 8, 14)]
>>> opened = opened_between(
...     date(2025, 3, 10), date(2025, 3, 16), skills=skills, evidence={"place": tries}, units=units,
...     pieces={"tune": PieceFacts(frozenset({"place"}))},
... )
>>> [(item.id, item.skills) for item in opened.pieces], [change.skill for change in opened.skills]
([('tune', ('place',))], ['place'])
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from curriculum.graph.gates import SkillFacts, UnitFacts, piece_gate, unit_gates
from curriculum.graph.standing import (
    DEFAULT_RULES,
    EvidenceItem,
    Standing,
    StandingReport,
    StandingRules,
    standing_of,
)


@dataclass(frozen=True, slots=True)
class PieceFacts:
    """What the gate of a piece needs to know: the skills it names, and what it asks beyond any skill."""

    needs: frozenset[str] = frozenset()
    beyond: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class OpenedItem:
    """A unit or piece that opened.

    Attributes
    ----------
    id : str
        The unit or piece.
    skills : tuple of str
        Skills that held it and do no longer, in learnable order.
    units : tuple of str
        Units that held it and are done now, by book and position; none for a piece.
    """

    id: str
    skills: tuple[str, ...]
    units: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SkillMove:
    """A skill that stands elsewhere than before: its standing then, and the report of now."""

    skill: str
    before: Standing
    report: StandingReport


@dataclass(frozen=True, slots=True)
class Opened:
    """What changed between two days.

    Attributes
    ----------
    units, pieces : tuple of OpenedItem
        In the order given.
    skills : tuple of SkillMove
        Skills that stand elsewhere, in the order given.
    """

    units: tuple[OpenedItem, ...]
    pieces: tuple[OpenedItem, ...]
    skills: tuple[SkillMove, ...]


@dataclass(frozen=True, slots=True)
class _Day:
    reports: dict[str, StandingReport]
    skills: dict[str, SkillFacts]
    units: dict[str, UnitFacts]


def opened_between(
    start: date,
    end: date,
    *,
    skills: Mapping[str, SkillFacts],
    evidence: Mapping[str, Iterable[EvidenceItem]],
    units: Mapping[str, UnitFacts],
    pieces: Mapping[str, PieceFacts],
    done_on: Mapping[str, date] | None = None,
    never_by_ticks: Collection[str] = (),
    rules: StandingRules = DEFAULT_RULES,
) -> Opened:
    """Return what opened after one day and up to another.

    Parameters
    ----------
    start, end : date
        Local dates; what was open at the end of `start` did not open between.
    skills : mapping of str to SkillFacts
        Every skill of the learner by id. Standings are worked out anew for both days.
    evidence : mapping of str to iterable of EvidenceItem
        For each skill its evidence that has not been withdrawn; read more than once.
    units : mapping of str to UnitFacts
        Every unit by id. Which are done is worked out anew for both days.
    pieces : mapping of str to PieceFacts
        Pieces by id that were looked at and are not begun.
    done_on : mapping of str to date, optional
        Days on which units were done by a verdict or by "I am here".
    never_by_ticks : collection of str
        Units that ticks alone do not finish, for they were sent back or are waited for.
    rules : StandingRules
        The numbers.

    Returns
    -------
    Opened
        Units that are done now are left out: they are past. Empty where `end` is not after `start`.

    Raises
    ------
    UnknownIdError
        If a skill, unit or piece names one that is not given.
    LoopError
        If what a piece needs goes round in a circle.

    Examples
    --------
    >>> opened_between(date(2025, 3, 1), date(2025, 3, 8), skills={}, evidence={}, units={}, pieces={})
    Opened(units=(), pieces=(), skills=())
    """
    if end <= start:
        return Opened((), (), ())
    then, now = (
        _day(
            day,
            skills=skills,
            evidence=evidence,
            units=units,
            done_on=done_on or {},
            never_by_ticks=never_by_ticks,
            rules=rules,
        )
        for day in (start, end)
    )
    gates_then, gates_now = (unit_gates(units=day.units, skills=day.skills) for day in (then, now))
    opened_units = tuple(
        OpenedItem(unit_id, gates_then[unit_id].waiting_skills, gates_then[unit_id].waiting_units)
        for unit_id in units
        if gates_now[unit_id].is_open and not gates_then[unit_id].is_open and not now.units[unit_id].is_done
    )
    opened_pieces = []
    for piece_id, piece in pieces.items():
        gate_then, gate_now = (
            piece_gate(piece.needs, skills=day.skills, units={}, beyond=piece.beyond) for day in (then, now)
        )
        if gate_now.is_open and not gate_then.is_open:
            opened_pieces.append(OpenedItem(piece_id, tuple(blocker.skill for blocker in gate_then.blockers)))
    moves = tuple(
        SkillMove(skill, then.reports[skill].standing, now.reports[skill])
        for skill in skills
        if then.reports[skill].standing is not now.reports[skill].standing
    )
    return Opened(opened_units, tuple(opened_pieces), moves)


def _day(
    day: date,
    *,
    skills: Mapping[str, SkillFacts],
    evidence: Mapping[str, Iterable[EvidenceItem]],
    units: Mapping[str, UnitFacts],
    done_on: Mapping[str, date],
    never_by_ticks: Collection[str],
    rules: StandingRules,
) -> _Day:
    reports = {skill: standing_of(evidence.get(skill, ()), today=day, rules=rules) for skill in skills}
    facts = {
        skill: replace(known, standing=reports[skill].standing, has_pass=reports[skill].has_pass)
        for skill, known in skills.items()
    }
    lived = {}
    for unit_id, unit in units.items():
        is_done = unit_id in done_on and done_on[unit_id] <= day
        if not is_done and unit_id not in never_by_ticks:
            is_done = is_done_by_ticks(unit, skills=facts)
        lived[unit_id] = replace(unit, is_done=is_done)
    return _Day(reports, facts, lived)


def is_done_by_ticks(unit: UnitFacts, *, skills: Mapping[str, SkillFacts]) -> bool:
    """Return whether all that a unit teaches is ticked.

    Parameters
    ----------
    unit : UnitFacts
        The unit.
    skills : mapping of str to SkillFacts
        Every skill of the learner by id.

    Returns
    -------
    bool
        Skills not for the learner do not count, nor do watched ones unless there is nothing else. A claim is not enough.
        False for a unit that teaches nothing.

    Examples
    --------
    >>> skills = {"place": SkillFacts("place", standing=Standing.DUE)}
    >>> is_done_by_ticks(UnitFacts("u1", "book", 1, teaches=frozenset({"place"})), skills=skills)
    True
    """
    taught = [skills[skill] for skill in unit.teaches if not skills[skill].is_not_for_me]
    wanted = [skill for skill in taught if not skill.is_watch] or taught
    return bool(wanted) and all(skill.standing in {Standing.TICKED, Standing.DUE} for skill in wanted)
