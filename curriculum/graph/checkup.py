"""What does not fit together in the learner's books, each with its place and what could be done about it.

Four things are looked for. Skills that are known, watched or not for the learner hold nothing and are passed over, and so are
units that are done.

- *Taught later*: a unit needs a skill that only later units of its book teach. The later unit can be moved before it, or it
  after that one, where nothing else is upset by the move; or the unit is said to teach the skill itself; or, where the learner
  named the need, the need is dropped.
- *Taught nowhere*: a unit or a piece needs a skill that no unit teaches. A unit is said to teach it (one whose words point at
  it, else the first that needs it), or the skill is claimed.
- *Teaches nothing*: a unit names nothing new. What its words point at is offered.
- *Taught twice*: two books teach the same skill. One of the units is said to need it instead; where it would then teach
  nothing it is passed over, as done.

Accepting the first proposal of a finding makes that finding go away. A worked example:

>>> skills = {"place": SkillFacts("place"), "legato": SkillFacts("legato", frozenset({"place"}))}
>>> units = {
...     "u1": UnitFacts("u1", "book", 1, teaches=frozenset({"legato"})),
...     "u2": UnitFacts("u2", "book", 2, teaches=frozenset({"place"}), after=frozenset({"u1"})),
... }
>>> finding, = check_up(units=units, skills=skills)
>>> finding.kind.value, finding.unit, finding.skills, finding.other_unit
('taught_later', 'u1', ('place',), 'u2')
>>> finding.proposals[0]
Proposal(kind=<ProposalKind.MOVE_BEFORE: 'move_before'>, unit='u2', skill=None, other_unit='u1')
>>> check_up(units=accept(finding.proposals[0], units=units), skills=skills)
()
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from curriculum.graph.errors import ProposalError
from curriculum.graph.gates import SkillFacts, UnitFacts, known_skills, unit_needs
from curriculum.graph.prerequisites import closure

# Skills offered for a unit that teaches nothing; more is a list to read instead of a tap.
MOST_OFFERED = 3


class FindingKind(StrEnum):
    """What does not fit."""

    TAUGHT_LATER = "taught_later"
    TAUGHT_NOWHERE = "taught_nowhere"
    TEACHES_NOTHING = "teaches_nothing"
    TAUGHT_TWICE = "taught_twice"


class ProposalKind(StrEnum):
    """What one tap does.

    MOVE_BEFORE and MOVE_AFTER move `unit` right before or after `other_unit` in its book. ADD_TEACHES and DROP_NEED write
    `skill` into what `unit` teaches, or take it out of what it needs. NEED_INSTEAD moves `skill` from what `unit` teaches to
    what it needs. SKIP marks `unit` done. CLAIM claims `skill`. NAME_NEW leads to the page where the learner writes what
    is new in `unit`; it alone is no single tap.
    """

    MOVE_BEFORE = "move_before"
    MOVE_AFTER = "move_after"
    ADD_TEACHES = "add_teaches"
    DROP_NEED = "drop_need"
    NEED_INSTEAD = "need_instead"
    SKIP = "skip"
    CLAIM = "claim"
    NAME_NEW = "name_new"


@dataclass(frozen=True, slots=True)
class Proposal:
    """One thing that could be done: a kind and what it is about. Ids are None where the kind has no use for them."""

    kind: ProposalKind
    unit: str | None = None
    skill: str | None = None
    other_unit: str | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that does not fit.

    Attributes
    ----------
    kind : FindingKind
        What it is.
    unit : str or None
        Where: the unit that needs, that teaches nothing, or that teaches it too. None where only a piece needs the skill.
    skills : tuple of str
        The skill it is about; several, by id, where two units share several; none for *teaches nothing*.
    other_unit : str or None
        The later unit that teaches it, or the unit of the other book.
    proposals : tuple of Proposal
        What could be done, the best first; never empty.
    """

    kind: FindingKind
    unit: str | None
    skills: tuple[str, ...]
    other_unit: str | None
    proposals: tuple[Proposal, ...]


def check_up(
    *,
    units: Mapping[str, UnitFacts],
    skills: Mapping[str, SkillFacts],
    wanted: Iterable[str] = (),
    suggested: Mapping[str, Sequence[str]] | None = None,
) -> tuple[Finding, ...]:
    """Return what does not fit together in the learner's books.

    Parameters
    ----------
    units : mapping of str to UnitFacts
        Every unit of the learner's books by id, books in the order of the shelf.
    skills : mapping of str to SkillFacts
        Every skill of the learner by id, hidden ones too.
    wanted : iterable of str
        Skills that pieces name.
    suggested : mapping of str to sequence of str, optional
        For a unit, the skills that its words point at, best first.

    Returns
    -------
    tuple of Finding
        By book and position; what concerns no unit comes last. Empty where all fits.

    Raises
    ------
    UnknownIdError
        If a unit or a skill names a skill that is not given.

    Examples
    --------
    >>> finding, = check_up(units={"u1": UnitFacts("u1", "book", 1)}, skills={}, suggested={"u1": ["pulse"]})
    >>> finding.kind.value, [proposal.kind.value for proposal in finding.proposals]
    ('teaches_nothing', ['add_teaches', 'name_new'])
    """
    shelf = _Shelf(units=units, skills=skills, suggested=suggested or {})
    found = [*shelf.taught_later(), *shelf.taught_nowhere(wanted), *shelf.teaches_nothing(), *shelf.taught_twice()]
    kinds = list(FindingKind)
    last = len(units)
    return tuple(
        sorted(
            found,
            key=lambda finding: (
                shelf.place.get(finding.unit or "", last),
                kinds.index(finding.kind),
                finding.skills,
            ),
        )
    )


def accept(proposal: Proposal, *, units: Mapping[str, UnitFacts]) -> dict[str, UnitFacts]:
    """Return the units as they are once a proposal is accepted.

    Parameters
    ----------
    proposal : Proposal
        What is accepted. Claiming a skill changes no unit.
    units : mapping of str to UnitFacts
        Every unit by id, books in the order of the shelf.

    Returns
    -------
    dict of str to UnitFacts
        In the same order. After a move positions of that book are counted anew from 1, and a unit that came after the unit
        before it in the book does so still.

    Raises
    ------
    ProposalError
        If a unit is not given, the two units of a move are not two units of one book, or there is nothing to accept.

    Examples
    --------
    >>> units = {"u1": UnitFacts("u1", "book", 1)}
    >>> accept(Proposal(ProposalKind.ADD_TEACHES, "u1", "pulse"), units=units)["u1"].teaches
    frozenset({'pulse'})
    """
    if proposal.kind is ProposalKind.CLAIM:
        return dict(units)
    if proposal.kind is ProposalKind.NAME_NEW:
        raise ProposalError("what is new is for the learner to write; wanted a proposal that can be accepted")
    unit = _given(proposal.unit, units=units)
    if proposal.kind in {ProposalKind.MOVE_BEFORE, ProposalKind.MOVE_AFTER}:
        return _moved(unit, proposal=proposal, units=units)
    skill = frozenset() if proposal.skill is None else frozenset({proposal.skill})
    match proposal.kind:
        case ProposalKind.ADD_TEACHES:
            changed = replace(unit, teaches=unit.teaches | skill, needs=unit.needs - skill)
        case ProposalKind.DROP_NEED:
            changed = replace(unit, needs=unit.needs - skill)
        case ProposalKind.NEED_INSTEAD:
            changed = replace(unit, teaches=unit.teaches - skill, needs=unit.needs | skill)
        case _:
            changed = replace(unit, is_done=True)
    return {**units, unit.id: changed}


class _Shelf:
    """All books, with who teaches what."""

    def __init__(
        self,
        *,
        units: Mapping[str, UnitFacts],
        skills: Mapping[str, SkillFacts],
        suggested: Mapping[str, Sequence[str]],
    ) -> None:
        self.units = units
        self.skills = skills
        self.suggested = suggested
        self.known = known_skills(skills=skills)
        self.books: dict[str, list[UnitFacts]] = {}
        for unit in units.values():
            self.books.setdefault(unit.book, []).append(unit)
        for book in self.books.values():
            book.sort(key=lambda unit: (unit.position, unit.id))
        in_order = [unit for book in self.books.values() for unit in book]
        self.place = {unit.id: place for place, unit in enumerate(in_order)}
        self.needs = {unit.id: unit_needs(unit, skills=skills) - self.known for unit in in_order}
        self.teachers: dict[str, list[UnitFacts]] = {}
        for unit in in_order:
            for skill in unit.teaches:
                self.teachers.setdefault(skill, []).append(unit)

    def taught_later(self) -> Iterable[Finding]:
        for unit_id, needs in self.needs.items():
            unit = self.units[unit_id]
            if unit.is_done:
                continue
            for skill in sorted(needs):
                teachers = self.teachers.get(skill, [])
                if teachers and all(self._is_later(teacher, unit) for teacher in teachers):
                    yield Finding(
                        FindingKind.TAUGHT_LATER,
                        unit_id,
                        (skill,),
                        teachers[0].id,
                        self._cures_of_later(unit, skill=skill, teacher=teachers[0]),
                    )

    def taught_nowhere(self, wanted: Iterable[str]) -> Iterable[Finding]:
        first_needing: dict[str, UnitFacts | None] = {}
        for unit_id, needs in self.needs.items():
            for skill in needs:
                if not self.units[unit_id].is_done:
                    first_needing.setdefault(skill, self.units[unit_id])
        direct = {skill.id: skill.needs for skill in self.skills.values()}
        for skill in closure(wanted, needs=direct) - self.known:
            first_needing.setdefault(skill, None)
        for skill, needing in first_needing.items():
            if skill not in self.teachers and skill in self.skills:
                place = needing.id if needing is not None else None
                cures = self._cures_of_nowhere(skill, unit=needing)
                yield Finding(FindingKind.TAUGHT_NOWHERE, place, (skill,), None, cures)

    def teaches_nothing(self) -> Iterable[Finding]:
        for unit in self.units.values():
            if not unit.teaches and not unit.is_done:
                offered = [
                    Proposal(ProposalKind.ADD_TEACHES, unit.id, skill)
                    for skill in self.suggested.get(unit.id, ())[:MOST_OFFERED]
                ]
                cures = (*offered, Proposal(ProposalKind.NAME_NEW, unit.id))
                yield Finding(FindingKind.TEACHES_NOTHING, unit.id, (), None, cures)

    def taught_twice(self) -> Iterable[Finding]:
        shared: dict[tuple[str, str], list[str]] = {}
        for skill, teachers in self.teachers.items():
            if skill in self.known:
                continue
            firsts: dict[str, UnitFacts] = {}
            for unit in teachers:
                if not unit.is_done:
                    firsts.setdefault(unit.book, unit)
            if firsts:
                first, *others = firsts.values()
                for other in others:
                    shared.setdefault((first.id, other.id), []).append(skill)
        for (first_id, other_id), skills in shared.items():
            cures = self._cures_of_twice(self.units[first_id], self.units[other_id], shared=sorted(skills))
            yield Finding(FindingKind.TAUGHT_TWICE, other_id, tuple(sorted(skills)), first_id, cures)

    def _is_later(self, teacher: UnitFacts, unit: UnitFacts) -> bool:
        return teacher.book == unit.book and self.place[teacher.id] > self.place[unit.id]

    def _cures_of_later(self, unit: UnitFacts, *, skill: str, teacher: UnitFacts) -> tuple[Proposal, ...]:
        cures = []
        if self._can_move_before(teacher, unit):
            cures.append(Proposal(ProposalKind.MOVE_BEFORE, teacher.id, other_unit=unit.id))
        if self._can_move_after(unit, teacher):
            cures.append(Proposal(ProposalKind.MOVE_AFTER, unit.id, other_unit=teacher.id))
        if self._is_only_named(skill, unit=unit):
            cures.append(Proposal(ProposalKind.DROP_NEED, unit.id, skill))
        cures.append(Proposal(ProposalKind.ADD_TEACHES, unit.id, skill))
        return tuple(cures)

    def _is_only_named(self, skill: str, *, unit: UnitFacts) -> bool:
        """Whether the need follows from nothing that the unit teaches, so that dropping it helps."""
        return skill in unit.needs and not any(skill in self.skills[taught].needs for taught in unit.teaches)

    def _between(self, first: UnitFacts, last: UnitFacts) -> list[UnitFacts]:
        """Units of the book from one to another, both included."""
        book = self.books[first.book]
        start = self.place[first.id] - self.place[book[0].id]
        return book[start : start + self.place[last.id] - self.place[first.id] + 1]

    def _can_move_before(self, teacher: UnitFacts, unit: UnitFacts) -> bool:
        """Whether the later unit needs nothing that is only taught between, and names no unit between as earlier."""
        *passed, _ = self._between(unit, teacher)
        ids = {each.id for each in passed}
        if self._names_as_earlier(teacher, ids):
            return False
        needs = [need for need in self.needs[teacher.id] if self._is_there_at(teacher, need)]
        return all(self._is_there_at(unit, need, without=unit.id) for need in needs)

    def _can_move_after(self, unit: UnitFacts, teacher: UnitFacts) -> bool:
        """Whether no unit passed needs what only this unit teaches, or names it as earlier."""
        _, *passed = self._between(unit, teacher)
        for other in passed:
            if self._names_as_earlier(other, {unit.id}):
                return False
            if not all(self._is_there_at(other, need, without=unit.id) for need in self.needs[other.id] & unit.teaches):
                return False
        return True

    def _is_there_at(self, unit: UnitFacts, skill: str, *, without: str = "") -> bool:
        """Whether another book or an earlier unit teaches a skill."""
        return any(
            teacher.book != unit.book or self.place[teacher.id] < self.place[unit.id]
            for teacher in self.teachers.get(skill, ())
            if teacher.id != without
        )

    def _names_as_earlier(self, unit: UnitFacts, ids: Collection[str]) -> bool:
        if unit.after == _before_in_book(unit, book=self.books[unit.book]):
            return False
        return not unit.after.isdisjoint(ids)

    def _cures_of_nowhere(self, skill: str, *, unit: UnitFacts | None) -> tuple[Proposal, ...]:
        last = self.place[unit.id] if unit is not None else len(self.place)
        pointed = [
            unit_id
            for unit_id, found in self.suggested.items()
            if skill in found and self.place.get(unit_id, last) < last
        ]
        cures = [
            Proposal(ProposalKind.ADD_TEACHES, unit_id, skill)
            for unit_id in sorted(pointed, key=lambda unit_id: self.place[unit_id])[:1]
        ]
        if unit is not None:
            cures.append(Proposal(ProposalKind.ADD_TEACHES, unit.id, skill))
            if self._is_only_named(skill, unit=unit):
                cures.append(Proposal(ProposalKind.DROP_NEED, unit.id, skill))
        cures.append(Proposal(ProposalKind.CLAIM, skill=skill))
        return tuple(cures)

    def _cures_of_twice(self, first: UnitFacts, other: UnitFacts, *, shared: Sequence[str]) -> tuple[Proposal, ...]:
        cures = []
        for unit in (other, first):
            if unit.teaches - set(shared):
                cures += [Proposal(ProposalKind.NEED_INSTEAD, unit.id, skill) for skill in shared]
            else:
                cures.append(Proposal(ProposalKind.SKIP, unit.id))
        return tuple(cures)


def _before_in_book(unit: UnitFacts, *, book: Sequence[UnitFacts]) -> frozenset[str]:
    place = next(place for place, other in enumerate(book) if other.id == unit.id)
    return frozenset({book[place - 1].id}) if place else frozenset()


def _given(unit_id: str | None, *, units: Mapping[str, UnitFacts]) -> UnitFacts:
    if unit_id is None or unit_id not in units:
        raise ProposalError(f"the unit {unit_id!r} is not given; wanted one of {len(units)}")
    return units[unit_id]


def _moved(unit: UnitFacts, *, proposal: Proposal, units: Mapping[str, UnitFacts]) -> dict[str, UnitFacts]:
    other = _given(proposal.other_unit, units=units)
    if other.book != unit.book or other.id == unit.id:
        raise ProposalError(f"{unit.id!r} cannot be moved to {other.id!r}; wanted two units of one book")
    book = sorted(
        (each for each in units.values() if each.book == unit.book), key=lambda each: (each.position, each.id)
    )
    followers = {each.id for each in book if each.after == _before_in_book(each, book=book)}
    rest = [each for each in book if each.id != unit.id]
    at = rest.index(other) + (proposal.kind is ProposalKind.MOVE_AFTER)
    rest.insert(at, unit)
    changed = dict(units)
    for place, each in enumerate(rest):
        after = frozenset({rest[place - 1].id} if place else ()) if each.id in followers else each.after
        changed[each.id] = replace(each, position=place + 1, after=after)
    return changed
