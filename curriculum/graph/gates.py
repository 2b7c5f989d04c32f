"""The two gates: units follow the book, pieces wait for skills. The rules are told in `curriculum.graph`."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from curriculum.graph.errors import UnknownIdError
from curriculum.graph.prerequisites import chain_up, closure, learnable_order, reach_bits, steps_towards
from curriculum.graph.standing import Standing


@dataclass(frozen=True, slots=True)
class UnitFacts:
    """What the gates need to know of a unit.

    Attributes
    ----------
    id : str
        Its own id.
    book : str
        The book it stands in; orders units of equal position.
    position : int
        Its place in the book.
    teaches : frozenset of str
        Skills that are new in it.
    needs : frozenset of str
        Skills that the learner named as needed. What follows from `teaches` is derived and not in here.
    after : frozenset of str
        Units that must be done before it, complete: the caller has put the unit before it in the book here.
    is_done : bool
        Whether it is done.
    weeks : int
        How many weeks it takes, 1 or more.
    """

    id: str
    book: str
    position: int
    teaches: frozenset[str] = frozenset()
    needs: frozenset[str] = frozenset()
    after: frozenset[str] = frozenset()
    is_done: bool = False
    weeks: int = 1


@dataclass(frozen=True, slots=True)
class SkillFacts:
    """What the gates need to know of a skill.

    Attributes
    ----------
    id : str
        Its own id.
    needs : frozenset of str
        Its direct prerequisites.
    standing : Standing
        Where it stands today.
    has_pass : bool
        Whether it was ever played right.
    is_watch : bool
        Whether it is watched for ever; then it never holds anything.
    is_not_for_me : bool
        Whether the learner set it aside; then it never holds anything.
    rank : tuple of int
        Where it comes among skills that could be learnt next, lowest first: its stage, for instance.
    """

    id: str
    needs: frozenset[str] = frozenset()
    standing: Standing = Standing.UNTRIED
    has_pass: bool = False
    is_watch: bool = False
    is_not_for_me: bool = False
    rank: tuple[int, ...] = (0,)


@dataclass(frozen=True, slots=True)
class UnitGate:
    """Whether a unit is open, and what it waits for.

    Attributes
    ----------
    is_open : bool
        Whether nothing holds it. True for a unit that is done already if nothing would hold it.
    waiting_units : tuple of str
        Units that must be done first, by book and position.
    waiting_skills : tuple of str
        Needed skills that hold it, in learnable order.
    taken_for_granted : tuple of str
        Derived needs that are not there yet and that no unit up to this one teaches, in learnable order. They hold
        nothing.
    """

    is_open: bool
    waiting_units: tuple[str, ...]
    waiting_skills: tuple[str, ...]
    taken_for_granted: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Blocker:
    """A skill that holds a piece.

    Attributes
    ----------
    skill : str
        The skill.
    needed_by : tuple of str
        Why: the skills from the one that needs it directly up to one that the piece names. Empty where the piece names
        it itself.
    unit : str or None
        The nearest unit that teaches it; None where no unit does.
    is_gap : bool
        Whether no unit teaches it.
    standing : Standing
        Where it stands today: untried or in work.
    """

    skill: str
    needed_by: tuple[str, ...]
    unit: str | None
    is_gap: bool
    standing: Standing


@dataclass(frozen=True, slots=True)
class PieceGate:
    """Whether a piece is open, and what holds it.

    Attributes
    ----------
    is_open : bool
        Whether nothing holds it. A piece that names no skill is not looked at, and never open.
    blockers : tuple of Blocker
        The skills that hold it, in learnable order.
    beyond : tuple of str
        What it asks beyond what any skill covers, as given. Holds it too.
    """

    is_open: bool
    blockers: tuple[Blocker, ...]
    beyond: tuple[str, ...]


def unit_needs(unit: UnitFacts, *, skills: Mapping[str, SkillFacts]) -> frozenset[str]:
    """Return the skills that a unit needs.

    Parameters
    ----------
    unit : UnitFacts
        The unit.
    skills : mapping of str to SkillFacts
        Every skill of the learner by id, hidden ones too.

    Returns
    -------
    frozenset of str
        What the learner named, and the direct prerequisites of what the unit teaches; without what it teaches itself.

    Raises
    ------
    UnknownIdError
        If the unit names a skill that is not given.

    Examples
    --------
    >>> skills = {"place": SkillFacts("place"), "legato": SkillFacts("legato", frozenset({"place"}))}
    >>> unit_needs(UnitFacts("u3", "book", 3, teaches=frozenset({"legato"})), skills=skills)
    frozenset({'place'})
    """
    needed = set(unit.needs)
    for taught in unit.teaches:
        needed |= _skill(taught, skills=skills, named_by=f"unit {unit.id!r}").needs
    needed -= unit.teaches
    for need in needed:
        _skill(need, skills=skills, named_by=f"unit {unit.id!r}")
    return frozenset(needed)


def known_skills(*, skills: Mapping[str, SkillFacts]) -> frozenset[str]:
    """Return the skills that hold nothing back.

    Parameters
    ----------
    skills : mapping of str to SkillFacts
        Every skill of the learner by id, hidden ones too.

    Returns
    -------
    frozenset of str
        Skills that are ticked, claimed or due a check, everything below those, and every skill that is watched or not
        for the learner. Through the last two nothing else becomes known. Empty for no skills.

    Raises
    ------
    UnknownIdError
        If a known skill needs one that is not given.

    Examples
    --------
    >>> sorted(known_skills(skills={
    ...     "arch": SkillFacts("arch", frozenset({"sit"}), is_watch=True),
    ...     "legato": SkillFacts("legato", frozenset({"place"}), Standing.TICKED),
    ...     "place": SkillFacts("place"),
    ...     "sit": SkillFacts("sit"),
    ... }))
    ['arch', 'legato', 'place']
    """
    needs = _needs_of(skills)
    ticked = [skill.id for skill in skills.values() if skill.standing.counts_as_ticked]
    set_aside = {skill.id for skill in skills.values() if skill.is_watch or skill.is_not_for_me}
    known = closure(ticked, needs=needs)
    for skill in known:
        _skill(skill, skills=skills, named_by="a skill")
    return known | set_aside


def unit_gate(unit_id: str, *, units: Mapping[str, UnitFacts], skills: Mapping[str, SkillFacts]) -> UnitGate:
    """Return whether one unit is open, and what it waits for. For all units at once `unit_gates` is much faster.

    Parameters
    ----------
    unit_id : str
        The unit.
    units : mapping of str to UnitFacts
        Every unit of the learner's books by id.
    skills : mapping of str to SkillFacts
        Every skill of the learner by id, hidden ones too.

    Returns
    -------
    UnitGate
        Whether it is open, and why not.

    Raises
    ------
    UnknownIdError
        If the unit, a unit it comes after, or a skill it needs is not given.

    Examples
    --------
    >>> skills = {"place": SkillFacts("place"), "legato": SkillFacts("legato", frozenset({"place"}))}
    >>> units = {
    ...     "u1": UnitFacts("u1", "book", 1, teaches=frozenset({"place"})),
    ...     "u2": UnitFacts("u2", "book", 2, teaches=frozenset({"legato"}), after=frozenset({"u1"})),
    ... }
    >>> unit_gate("u2", units=units, skills=skills)
    UnitGate(is_open=False, waiting_units=('u1',), waiting_skills=('place',), taken_for_granted=())
    """
    return _Gatekeeper(units=units, skills=skills).unit_gate(_unit(unit_id, units=units))


def unit_gates(*, units: Mapping[str, UnitFacts], skills: Mapping[str, SkillFacts]) -> dict[str, UnitGate]:
    """Return the gate of every unit.

    Parameters
    ----------
    units : mapping of str to UnitFacts
        Every unit of the learner's books by id.
    skills : mapping of str to SkillFacts
        Every skill of the learner by id, hidden ones too.

    Returns
    -------
    dict of str to UnitGate
        One for each unit, in the order given; the same as `unit_gate` gives. Empty for no units.

    Raises
    ------
    UnknownIdError
        If a unit names a unit or a skill that is not given.

    Examples
    --------
    >>> unit_gates(units={"u1": UnitFacts("u1", "book", 1)}, skills={})["u1"].is_open
    True
    """
    gatekeeper = _Gatekeeper(units=units, skills=skills)
    return {unit_id: gatekeeper.unit_gate(unit) for unit_id, unit in units.items()}


def piece_gate(
    needs: Iterable[str],
    *,
    skills: Mapping[str, SkillFacts],
    units: Mapping[str, UnitFacts],
    beyond: Sequence[str] = (),
) -> PieceGate:
    """Return whether a piece is open, and which skills hold it.

    Parameters
    ----------
    needs : iterable of str
        Skills that the piece names.
    skills : mapping of str to SkillFacts
        Every skill of the learner by id, hidden ones too.
    units : mapping of str to UnitFacts
        Every unit of the learner's books by id.
    beyond : sequence of str
        What the piece asks that no skill covers, in words.

    Returns
    -------
    PieceGate
        Whether it is open, and why not. A piece that names no skill is not open and has no blockers.

    Raises
    ------
    UnknownIdError
        If the piece, a skill below it or a unit names a skill or unit that is not given.
    LoopError
        If what the piece needs goes round in a circle.

    Examples
    --------
    >>> skills = {"place": SkillFacts("place"), "legato": SkillFacts("legato", frozenset({"place"}))}
    >>> units = {"u1": UnitFacts("u1", "book", 1, teaches=frozenset({"place"}))}
    >>> for blocker in piece_gate(["legato"], skills=skills, units=units).blockers:
    ...     print(blocker.skill, blocker.needed_by, blocker.unit, blocker.is_gap)
    place ('legato',) u1 False
    legato () None True
    """
    named = frozenset(needs)
    for need in named:
        _skill(need, skills=skills, named_by="the piece")
    below = _needs_of(skills)
    steps = steps_towards(named, needs=below)
    for need in steps:
        _skill(need, skills=skills, named_by="a skill")
    gatekeeper = _Gatekeeper(units=units, skills=skills)
    missing = steps.keys() - gatekeeper.known
    order = learnable_order(missing, needs=below, rank={skill: skills[skill].rank for skill in missing})
    blockers = []
    for skill in order:
        nearest = gatekeeper.nearest_teacher(skill)
        blockers.append(
            Blocker(
                skill=skill,
                needed_by=chain_up(skill, steps=steps)[1:],
                unit=nearest,
                is_gap=nearest is None,
                standing=skills[skill].standing,
            )
        )
    return PieceGate(
        is_open=bool(named) and not blockers and not beyond, blockers=tuple(blockers), beyond=tuple(beyond)
    )


class _Gatekeeper:
    """What many gates have in common, worked out once and only when first asked for."""

    def __init__(self, *, units: Mapping[str, UnitFacts], skills: Mapping[str, SkillFacts]) -> None:
        self.units = units
        self.skills = skills
        self.number = {unit.id: place for place, unit in enumerate(units.values())}
        self.teachers: dict[str, list[str]] = {}
        for unit in units.values():
            for taught in unit.teaches:
                self.teachers.setdefault(taught, []).append(unit.id)

    @cached_property
    def known(self) -> frozenset[str]:
        return known_skills(skills=self.skills)

    @cached_property
    def after(self) -> list[list[int]]:
        """For each unit, by number, the units it comes after."""
        return [
            [self.number[_unit(before, units=self.units, named_by=unit.id).id] for before in unit.after]
            for unit in self.units.values()
        ]

    @cached_property
    def earlier(self) -> list[int]:
        """For each unit, as bits, those that must be done before it, directly or not."""
        return reach_bits(self.after)

    @cached_property
    def later(self) -> list[int]:
        """For each unit, as bits, those that come after it, directly or not."""
        followers: list[list[int]] = [[] for _ in self.after]
        for place, before in enumerate(self.after):
            for earlier in before:
                followers[earlier].append(place)
        return reach_bits(followers)

    @cached_property
    def to_do(self) -> int:
        """As bits, the units that are not done."""
        return sum(1 << self.number[unit.id] for unit in self.units.values() if not unit.is_done)

    @cached_property
    def places(self) -> dict[str, int]:
        """For each skill its place in a learnable order of all."""
        ranks = {skill.id: skill.rank for skill in self.skills.values()}
        everything = learnable_order(self.skills, needs=_needs_of(self.skills), rank=ranks)
        return {skill: place for place, skill in enumerate(everything)}

    def unit_gate(self, unit: UnitFacts) -> UnitGate:
        waiting_units = [
            before for before in unit.after if not _unit(before, units=self.units, named_by=unit.id).is_done
        ]
        missing = [need for need in unit_needs(unit, skills=self.skills) if not self._lets_through(need)]
        holding = [need for need in missing if need in unit.needs or self._is_taught_before(need, unit=unit)]
        granted = [need for need in missing if need not in holding]
        return UnitGate(
            is_open=not waiting_units and not holding,
            waiting_units=tuple(sorted(waiting_units, key=self._place_in_book)),
            waiting_skills=self._in_learnable_order(holding),
            taken_for_granted=self._in_learnable_order(granted),
        )

    def nearest_teacher(self, skill: str) -> str | None:
        """Return the unit that teaches a skill with the fewest units to do before it; units done come last."""
        return min(self.teachers.get(skill, []), key=self._distance, default=None)

    def _lets_through(self, need: str) -> bool:
        skill = self.skills[need]
        return need in self.known or (skill.standing == Standing.IN_WORK and skill.has_pass)

    def _is_taught_before(self, need: str, *, unit: UnitFacts) -> bool:
        """Whether a unit teaches it that is neither this one nor one that comes after it."""
        place = self.number[unit.id]
        held_up = self.later[place] | 1 << place
        return any(not held_up >> self.number[teacher] & 1 for teacher in self.teachers.get(need, ()))

    def _distance(self, unit_id: str) -> tuple[bool, int, int, str, str]:
        unit = self.units[unit_id]
        place = self.number[unit_id]
        units_to_do = (self.earlier[place] & self.to_do & ~(1 << place)).bit_count()
        return (unit.is_done, units_to_do, unit.position, unit.book, unit.id)

    def _place_in_book(self, unit_id: str) -> tuple[str, int, str]:
        unit = self.units[unit_id]
        return (unit.book, unit.position, unit.id)

    def _in_learnable_order(self, ids: Sequence[str]) -> tuple[str, ...]:
        if len(ids) < 2:
            return tuple(ids)
        return tuple(sorted(ids, key=self.places.__getitem__))


def _needs_of(skills: Mapping[str, SkillFacts]) -> dict[str, frozenset[str]]:
    return {skill.id: skill.needs for skill in skills.values()}


def _skill(skill_id: str, *, skills: Mapping[str, SkillFacts], named_by: str) -> SkillFacts:
    if skill_id not in skills:
        raise UnknownIdError(f"{named_by} names the skill {skill_id!r}; wanted one of the {len(skills)} skills given")
    return skills[skill_id]


def _unit(unit_id: str, *, units: Mapping[str, UnitFacts], named_by: str = "") -> UnitFacts:
    if unit_id not in units:
        named = f"unit {named_by!r} comes after {unit_id!r}" if named_by else f"the unit {unit_id!r} is asked for"
        raise UnknownIdError(f"{named}; wanted one of the {len(units)} units given")
    return units[unit_id]
