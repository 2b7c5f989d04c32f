"""Taking a shared outline into one's own book: what is new, what agrees, and every conflict, before anything is written.

Units are matched by title, then by position. What the own book leaves empty is filled from the outline; what both say
differently is a conflict, and so is a skill that the learner does not have, or that the outline teaches in another unit than the
own book. Nothing is decided here: each conflict has a key, and `merged_book` carries out the learner's choices. Where none was
made the own book wins, and an unknown skill is left out.

A worked example. The outline knows a page, and disagrees about what unit 1 teaches:

>>> mine = BookOutline("First Year", (UnitOutline(1, "Skips", teaches=("skips",)),))
>>> theirs = BookOutline("First Year", (UnitOutline(1, "Skips", page="4", teaches=("steps",)), UnitOutline(2, "A Waltz")))
>>> plan = merge_plan(theirs, existing=mine, skills={"skips", "steps"})
>>> [(conflict.key, conflict.mine, conflict.theirs) for conflict in plan.conflicts]
[('1:teaches', ('skips',), ('steps',))]
>>> plan.new_units, plan.filled
((2,), ((1, 'page'),))
>>> merged = merged_book(theirs, existing=mine, skills={"skips", "steps"}, choices={"1:teaches": Choice.BOTH})
>>> [(unit.title, unit.page, unit.teaches) for unit in merged.units]
[('Skips', '4', ('skips', 'steps')), ('A Waltz', '', ())]
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from curriculum.outline.book import BookOutline, UnitOutline, check_book

_TEXTS = ("title", "chapter", "page", "link", "new_words")
_LISTS = ("teaches", "needs")


class ConflictKind(StrEnum):
    """What a conflict is about."""

    DIFFERS = "differs"
    UNKNOWN_SKILL = "unknown_skill"
    TAUGHT_ELSEWHERE = "taught_elsewhere"


class Choice(StrEnum):
    """What the learner chose. BOTH is for lists of skills; it keeps the own ones first."""

    MINE = "mine"
    THEIRS = "theirs"
    BOTH = "both"


@dataclass(frozen=True, slots=True)
class Conflict:
    """One thing to choose.

    Parameters
    ----------
    key : str
        Names it among the choices.
    kind : ConflictKind
        What it is about.
    positions : tuple of int
        Units of the outline that it is about.
    field : str
        For *differs*: ``title``, ``chapter``, ``page``, ``link``, ``new_words``, ``teaches``, ``needs`` or ``after``.
    skill : str
        For the other two: the slug.
    mine, theirs : str or tuple
        What the own book and the outline say: text for *differs*, slugs for lists, positions for ``after`` (``None`` is the
        unit before it). For *taught elsewhere* the titles of the two units; empty for *unknown skill*.
    """

    key: str
    kind: ConflictKind
    positions: tuple[int, ...]
    field: str = ""
    skill: str = ""
    mine: str | tuple[str, ...] | tuple[int, ...] | None = ""
    theirs: str | tuple[str, ...] | tuple[int, ...] | None = ""

    @property
    def choices(self) -> tuple[Choice, ...]:
        """What can be chosen; the first holds where nothing is."""
        if self.kind is ConflictKind.UNKNOWN_SKILL:
            return (Choice.MINE,)
        is_list = self.field in _LISTS or self.kind is ConflictKind.TAUGHT_ELSEWHERE
        return (Choice.MINE, Choice.THEIRS, Choice.BOTH) if is_list else (Choice.MINE, Choice.THEIRS)


@dataclass(frozen=True, slots=True)
class MergePlan:
    """What taking in an outline would do.

    Parameters
    ----------
    conflicts : tuple of Conflict
        By position, unknown skills last.
    new_units : tuple of int
        Positions in the outline of units that the own book lacks.
    filled : tuple of (int, str)
        Position in the outline and field that the own book leaves empty.
    unchanged : int
        Units of the outline that bring nothing.
    only_mine : tuple of int
        Positions of units that only the own book has. They stay.
    """

    conflicts: tuple[Conflict, ...]
    new_units: tuple[int, ...]
    filled: tuple[tuple[int, str], ...]
    unchanged: int
    only_mine: tuple[int, ...]


def shareable(book: BookOutline) -> BookOutline:
    """The book as it may be given away: without the learner's notes and links, which may hold words of others.

    Parameters
    ----------
    book : BookOutline
        Any.

    Returns
    -------
    BookOutline
        Titles, pages, order and skills only.

    Examples
    --------
    >>> shareable(BookOutline("A", (UnitOutline(1, "One", new_words="copied from the page"),))).units[0].new_words
    ''
    """
    return replace(book, units=tuple(replace(unit, link="", new_words="") for unit in book.units))


def merge_plan(incoming: BookOutline, *, existing: BookOutline | None, skills: Collection[str]) -> MergePlan:
    """What taking in an outline would do.

    Parameters
    ----------
    incoming : BookOutline
        The outline that came.
    existing : BookOutline or None
        The own book it is to go into; ``None`` for a book of its own.
    skills : collection of str
        Slugs of the learner's skills, hidden ones too.

    Returns
    -------
    MergePlan
        Every conflict, and what would be new or filled.

    Examples
    --------
    >>> outline = BookOutline("A", (UnitOutline(1, "One", teaches=("own-trill",)),))
    >>> merge_plan(outline, existing=None, skills=()).conflicts[0].kind.value
    'unknown_skill'
    """
    matched = _matched(incoming, existing)
    conflicts: list[Conflict] = []
    filled: list[tuple[int, str]] = []
    new_units: list[int] = []
    unchanged = 0
    numbers = {theirs: mine.position for theirs, mine in matched.items()}
    for unit in incoming.units:
        if unit.position not in matched:
            new_units.append(unit.position)
            continue
        mine, theirs = matched[unit.position], _known_only(unit, skills=skills)
        found = _differences(mine, theirs, numbers=numbers)
        taken = _fields_filled(mine, theirs)
        conflicts += found
        filled += [(unit.position, name) for name in taken]
        unchanged += not found and not taken
    conflicts += _taught_elsewhere(incoming, existing, matched=matched, skills=skills)
    conflicts.sort(key=lambda conflict: (conflict.positions, conflict.key))
    conflicts += _unknown_skills(incoming, skills=skills)
    taken_up = {mine.position for mine in matched.values()}
    mine_only = tuple(unit.position for unit in (existing.units if existing else ()) if unit.position not in taken_up)
    return MergePlan(tuple(conflicts), tuple(new_units), tuple(filled), unchanged, mine_only)


def merged_book(
    incoming: BookOutline,
    *,
    existing: BookOutline | None,
    skills: Collection[str],
    choices: Mapping[str, Choice] | None = None,
) -> BookOutline:
    """The own book with an outline taken into it.

    Parameters
    ----------
    incoming, existing, skills
        As for :func:`merge_plan`.
    choices : mapping of str to Choice, optional
        By the keys of the conflicts. Other keys are passed over.

    Returns
    -------
    BookOutline
        Own units in their order; new units stand after the unit they follow in the outline. If a position is taken, all are
        counted anew from 1.

    Raises
    ------
    OutlineError
        If the result could not be kept, such as more units than a book may have.

    Examples
    --------
    >>> merged_book(BookOutline("B", (UnitOutline(3, "One"),)), existing=None, skills=()).units[0].position
    3
    """
    chosen = choices or {}
    matched = _matched(incoming, existing)
    elsewhere = _taught_elsewhere(incoming, existing, matched=matched, skills=skills)
    # Each row: the unit, and whose positions its `after` speaks of.
    order: list[tuple[UnitOutline, bool]] = [(unit, True) for unit in (existing.units if existing else ())]
    place_of = {unit.position: place for place, (unit, _) in enumerate(order)}
    joined: dict[int, UnitOutline] = {}
    for position, mine in matched.items():
        theirs = _known_only(next(unit for unit in incoming.units if unit.position == position), skills=skills)
        both, after_is_theirs = _joined(mine, theirs, chosen=chosen)
        order[place_of[mine.position]] = (both, not after_is_theirs)
        joined[position] = both
    for place, unit in enumerate(incoming.units):
        if unit.position in matched:
            continue
        before = joined.get(incoming.units[place - 1].position) if place else None
        fresh = _known_only(unit, skills=skills)
        at = next(
            (index + 1 for index, (other, _) in enumerate(order) if other is before),
            0 if before is None else len(order),
        )
        order.insert(len(order) if before is None and place else at, (fresh, False))
        joined[unit.position] = fresh
    book = _numbered(order, joined=joined, title=existing.title if existing else incoming.title)
    for conflict in elsewhere:
        book = _settle_teacher(book, conflict, choice=chosen.get(conflict.key, Choice.MINE))
    check_book(book)
    return book


def _matched(incoming: BookOutline, existing: BookOutline | None) -> dict[int, UnitOutline]:
    """Position in the outline -> unit of the own book."""
    if existing is None:
        return {}
    by_title: dict[str, list[UnitOutline]] = {}
    for unit in existing.units:
        by_title.setdefault(unit.title.casefold().strip(), []).append(unit)
    found: dict[int, UnitOutline] = {}
    for unit in incoming.units:
        same = by_title.get(unit.title.casefold().strip(), [])
        if same:
            near = min(same, key=lambda other: abs(other.position - unit.position))
            same.remove(near)
            found[unit.position] = near
    taken = {unit.position for unit in found.values()}
    free = {unit.position: unit for unit in existing.units if unit.position not in taken}
    for unit in incoming.units:
        if unit.position not in found and unit.position in free:
            found[unit.position] = free[unit.position]
    return found


def _known_only(unit: UnitOutline, *, skills: Collection[str]) -> UnitOutline:
    return replace(
        unit,
        teaches=tuple(slug for slug in unit.teaches if slug in skills),
        needs=tuple(slug for slug in unit.needs if slug in skills),
    )


def _differences(mine: UnitOutline, theirs: UnitOutline, *, numbers: Mapping[int, int]) -> list[Conflict]:
    found = []
    for name in (*_TEXTS, *_LISTS):
        ours, others = getattr(mine, name), getattr(theirs, name)
        is_same = set(ours) == set(others) if name in _LISTS else ours == others
        if ours and others and not is_same:
            key = f"{theirs.position}:{name}"
            found.append(Conflict(key, ConflictKind.DIFFERS, (theirs.position,), name, "", ours, others))
    if theirs.after is not None:
        wanted = tuple(numbers.get(position, -position) for position in theirs.after)
        if set(wanted) != set(mine.after or ()) or mine.after is None:
            key = f"{theirs.position}:after"
            found.append(Conflict(key, ConflictKind.DIFFERS, (theirs.position,), "after", "", mine.after, theirs.after))
    return found


def _fields_filled(mine: UnitOutline, theirs: UnitOutline) -> list[str]:
    return [name for name in (*_TEXTS, *_LISTS) if getattr(theirs, name) and not getattr(mine, name)]


def _taught_elsewhere(
    incoming: BookOutline,
    existing: BookOutline | None,
    *,
    matched: Mapping[int, UnitOutline],
    skills: Collection[str],
) -> list[Conflict]:
    if existing is None:
        return []
    taught_by: dict[str, list[UnitOutline]] = {}
    for unit in existing.units:
        for slug in unit.teaches:
            taught_by.setdefault(slug, []).append(unit)
    found = []
    for unit in incoming.units:
        counterpart = matched.get(unit.position)
        for slug in unit.teaches:
            mine = taught_by.get(slug, [])
            if slug not in skills or not mine or counterpart in mine:
                continue
            # Where both units name something, what each teaches is chosen there.
            if counterpart is not None and counterpart.teaches:
                continue
            key = f"{unit.position}:elsewhere:{slug}"
            found.append(
                Conflict(
                    key,
                    ConflictKind.TAUGHT_ELSEWHERE,
                    (unit.position,),
                    skill=slug,
                    mine=mine[0].title,
                    theirs=unit.title,
                )
            )
    return found


def _unknown_skills(incoming: BookOutline, *, skills: Collection[str]) -> list[Conflict]:
    places: dict[str, list[int]] = {}
    for unit in incoming.units:
        for slug in dict.fromkeys((*unit.teaches, *unit.needs)):
            if slug not in skills:
                places.setdefault(slug, []).append(unit.position)
    return [
        Conflict(f"skill:{slug}", ConflictKind.UNKNOWN_SKILL, tuple(positions), skill=slug)
        for slug, positions in sorted(places.items())
    ]


def _joined(mine: UnitOutline, theirs: UnitOutline, *, chosen: Mapping[str, Choice]) -> tuple[UnitOutline, bool]:
    """One unit out of two, and whether its `after` is the outline's."""
    values: dict[str, str | tuple[str, ...]] = {}
    for name in (*_TEXTS, *_LISTS):
        ours, others = getattr(mine, name), getattr(theirs, name)
        choice = chosen.get(f"{theirs.position}:{name}", Choice.MINE)
        if not ours:
            values[name] = others
        elif not others or choice is Choice.MINE:
            values[name] = ours
        elif choice is Choice.BOTH and name in _LISTS:
            values[name] = tuple(dict.fromkeys((*ours, *others)))
        else:
            values[name] = others
    is_theirs = theirs.after is not None and chosen.get(f"{theirs.position}:after") is Choice.THEIRS
    both = replace(mine, after=theirs.after if is_theirs else mine.after, **values)  # type: ignore[arg-type]
    return both, is_theirs


def _numbered(order: list[tuple[UnitOutline, bool]], *, joined: Mapping[int, UnitOutline], title: str) -> BookOutline:
    """Give positions, the old ones where they still rise, and turn `after` into them."""
    old = [unit.position for unit, _ in order]
    keeps = all(earlier < later for earlier, later in pairwise(old))
    numbers = old if keeps else list(range(1, len(order) + 1))
    place = {id(unit): place for place, (unit, _) in enumerate(order)}
    of_mine = {unit.position: numbers[place[id(unit)]] for unit, is_mine in order if is_mine or unit in joined.values()}
    of_theirs = {position: numbers[place[id(unit)]] for position, unit in joined.items()}
    for unit, is_mine in order:
        if is_mine:
            of_mine[unit.position] = numbers[place[id(unit)]]
    units = []
    for number, (unit, is_mine) in zip(numbers, order, strict=True):
        names = of_mine if is_mine else of_theirs
        after = None
        if unit.after is not None:
            after = tuple(
                dict.fromkeys(names[position] for position in unit.after if names.get(position, number) != number)
            )
        units.append(replace(unit, position=number, after=after))
    return BookOutline(title=title, units=tuple(units))


def _settle_teacher(book: BookOutline, conflict: Conflict, *, choice: Choice) -> BookOutline:
    """Take a skill out of what one of two units teaches."""
    if choice is Choice.BOTH:
        return book
    loser = conflict.theirs if choice is Choice.MINE else conflict.mine
    keeper = conflict.mine if choice is Choice.MINE else conflict.theirs
    units = tuple(
        replace(unit, teaches=tuple(slug for slug in unit.teaches if slug != conflict.skill))
        if unit.title == loser and unit.title != keeper
        else unit
        for unit in book.units
    )
    return replace(book, units=units)
