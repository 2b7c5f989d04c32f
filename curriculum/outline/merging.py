"""Taking a shared outline into one's own book: what is new, what agrees, and every conflict, before anything is written.

Units are matched by title, then by position. What the own book leaves empty is filled from the outline; what both say
differently is a conflict, and so is a skill that the learner does not have, one that the outline describes otherwise or teaches
in another unit, another order, and what would go round in a circle. Nothing is decided here: each conflict has a key, and
`merged` carries out the learner's choices. Where none was made the own book wins; of what is new in the outline, skills that it
describes are taken, others are left out, and a new unit that would close a circle comes after the unit before it.

A worked example. The outline knows a page, and disagrees about what unit 1 teaches:

>>> mine = BookOutline("First Year", (UnitOutline(1, "Skips", teaches=("skips",)),))
>>> theirs = BookOutline("First Year", (UnitOutline(1, "Skips", page="4", teaches=("steps",)), UnitOutline(2, "A Waltz")))
>>> plan = merge_plan(theirs, existing=mine, skills={"skips", "steps"})
>>> [(conflict.key, conflict.mine, conflict.theirs) for conflict in plan.conflicts]
[('1:teaches', ('skips',), ('steps',))]
>>> plan.new_units, plan.filled
((2,), ((1, 'page'),))
>>> book = merged_book(theirs, existing=mine, skills={"skips", "steps"}, choices={"1:teaches": Choice.BOTH})
>>> [(unit.title, unit.page, unit.teaches) for unit in book.units]
[('Skips', '4', ('skips', 'steps')), ('A Waltz', '', ())]
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

from curriculum.outline.book import BookOutline, SkillOutline, UnitOutline, check_book, find_circle

_TEXTS = ("title", "chapter", "page", "link", "new_words")
_LISTS = ("teaches", "needs")
_OF_SKILLS = ("name", "definition", "see_or_hear", "family", "stage", "gate", "needs")
_ORDER = "order"


class ConflictKind(StrEnum):
    """What a conflict is about."""

    DIFFERS = "differs"
    TAUGHT_ELSEWHERE = "taught_elsewhere"
    ORDER = "order"
    CIRCLE = "circle"
    SKILL_DIFFERS = "skill_differs"
    NEW_SKILL = "new_skill"
    UNKNOWN_SKILL = "unknown_skill"


class Choice(StrEnum):
    """What the learner chose. BOTH joins lists, own entries first; of two titles at one place it makes two units."""

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
        For *differs*: ``title``, ``chapter``, ``page``, ``link``, ``new_words``, ``teaches``, ``needs`` or ``after``; for
        *skill differs* a field of :class:`~curriculum.outline.book.SkillOutline`; for *circle* ``after``.
    skill : str
        The slug, where it is about a skill.
    mine, theirs : str or tuple
        What the own book and the outline say: text for *differs*, slugs for lists, positions for ``after`` (``None`` is the
        unit before it). For *taught elsewhere* the titles of the two units; for *order* the titles in their two orders; for
        *new skill* its name; empty for *unknown skill*.
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
        if self.kind is ConflictKind.NEW_SKILL:
            return (Choice.THEIRS, Choice.MINE)
        is_list = self.kind is ConflictKind.DIFFERS and self.field in {*_LISTS, "title"}
        has_both = is_list or self.kind is ConflictKind.TAUGHT_ELSEWHERE
        return (Choice.MINE, Choice.THEIRS, Choice.BOTH) if has_both else (Choice.MINE, Choice.THEIRS)


@dataclass(frozen=True, slots=True)
class MergePlan:
    """What taking in an outline would do.

    Parameters
    ----------
    conflicts : tuple of Conflict
        The order first, then by position, then skills, unknown ones last.
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


@dataclass(frozen=True, slots=True)
class Merged:
    """An outline taken into a book.

    Parameters
    ----------
    book : BookOutline
        The result; `skills` are those to be added or rewritten, as they will be.
    mine, theirs : tuple of (int or None)
        For each unit of the result its position in the own book and in the outline; ``None`` where that side lacks it.
    after_is_theirs : tuple of bool
        For each unit of the result, whether what it comes after was taken from the outline.
    """

    book: BookOutline
    mine: tuple[int | None, ...]
    theirs: tuple[int | None, ...]
    after_is_theirs: tuple[bool, ...]


@dataclass(slots=True)
class _Slot:
    """A unit on its way into the result, and where it comes from."""

    unit: UnitOutline
    mine: int | None = None
    theirs: int | None = None
    after_is_theirs: bool = False


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


def merge_plan(
    incoming: BookOutline,
    *,
    existing: BookOutline | None,
    skills: Collection[str],
    own_skills: Sequence[SkillOutline] = (),
) -> MergePlan:
    """What taking in an outline would do.

    Parameters
    ----------
    incoming : BookOutline
        The outline that came.
    existing : BookOutline or None
        The own book it is to go into; ``None`` for a book of its own.
    skills : collection of str
        Slugs of the learner's skills, hidden ones too.
    own_skills : sequence of SkillOutline
        The learner's own skills in full.

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
    described = {skill.slug for skill in incoming.skills}
    known = {*skills, *described}
    matched = _matched(incoming, existing)
    conflicts: list[Conflict] = []
    filled: list[tuple[int, str]] = []
    new_units: list[int] = []
    unchanged = 0
    for unit in incoming.units:
        if unit.position not in matched:
            new_units.append(unit.position)
            continue
        mine, theirs = matched[unit.position], _known_only(unit, skills=known)
        found = _differences(mine, theirs)
        found += _other_after(theirs, incoming=incoming, existing=existing, matched=matched)
        taken = _fields_filled(mine, theirs)
        conflicts += found
        filled += [(unit.position, name) for name in taken]
        unchanged += not found and not taken
    conflicts += [found for found, _ in _taught_elsewhere(incoming, existing, matched=matched, skills=known)]
    conflicts += _circles(incoming, existing=existing, skills=skills, own_skills=own_skills)
    conflicts.sort(key=lambda conflict: (conflict.positions, conflict.key))
    conflicts = [*_other_order(incoming, existing, matched=matched), *conflicts]
    conflicts += _skill_conflicts(incoming, own_skills=own_skills, skills=skills)
    conflicts += _unknown_skills(incoming, skills=known)
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
    """The own book with an outline taken into it; see :func:`merged`, which also says where each unit comes from.

    Parameters
    ----------
    incoming, existing, skills, choices
        As for :func:`merged`.

    Returns
    -------
    BookOutline
        The result.

    Raises
    ------
    OutlineError
        If the result could not be kept, such as more units than a book may have.

    Examples
    --------
    >>> merged_book(BookOutline("B", (UnitOutline(3, "One"),)), existing=None, skills=()).units[0].position
    3
    """
    return merged(incoming, existing=existing, skills=skills, choices=choices).book


def merged(
    incoming: BookOutline,
    *,
    existing: BookOutline | None,
    skills: Collection[str],
    own_skills: Sequence[SkillOutline] = (),
    choices: Mapping[str, Choice] | None = None,
) -> Merged:
    """An outline taken into the own book as chosen.

    Parameters
    ----------
    incoming, existing, skills, own_skills
        As for :func:`merge_plan`.
    choices : mapping of str to Choice, optional
        By the keys of the conflicts. Other keys are passed over. Circles that choices close are not refused here; those that
        would close without any choice are opened.

    Returns
    -------
    Merged
        Own units in their order, or as chosen in that of the outline; units that only one side has stand after the unit they
        follow there. If a position is taken, all are counted anew from 1.

    Raises
    ------
    OutlineError
        If the result could not be kept, such as more units than a book may have.

    Examples
    --------
    >>> mine = BookOutline("B", (UnitOutline(1, "One"), UnitOutline(2, "Three")))
    >>> theirs = BookOutline("B", (UnitOutline(1, "One"), UnitOutline(2, "Two"), UnitOutline(3, "Three")))
    >>> merged(theirs, existing=mine, skills=()).mine
    (1, None, 2)
    """
    chosen = dict(choices or {})
    for circle in _circles(incoming, existing=existing, skills=skills, own_skills=own_skills):
        chosen.setdefault(circle.key, Choice.MINE)
    result = _put_together(incoming, existing=existing, skills=skills, own_skills=own_skills, chosen=chosen)
    check_book(result.book)
    return result


def _put_together(
    incoming: BookOutline,
    *,
    existing: BookOutline | None,
    skills: Collection[str],
    own_skills: Sequence[SkillOutline],
    chosen: Mapping[str, Choice],
) -> Merged:
    taken_skills = _taken_skills(incoming, own_skills=own_skills, skills=skills, chosen=chosen)
    known = {*skills, *(skill.slug for skill in taken_skills)}
    matched = _matched(incoming, existing, chosen=chosen)
    plan_matched = _matched(incoming, existing)
    elsewhere = _taught_elsewhere(incoming, existing, matched=plan_matched, skills=known)
    own = {unit.position: _Slot(unit, mine=unit.position) for unit in (existing.units if existing else ())}
    came: dict[int, _Slot] = {}
    for unit in incoming.units:
        theirs = _known_only(unit, skills=known)
        if unit.position in matched:
            slot = own[matched[unit.position].position]
            slot.theirs = unit.position
            slot.unit, slot.after_is_theirs = _joined(slot.unit, theirs, chosen=chosen)
        else:
            follows_before = chosen.get(f"{unit.position}:after") is Choice.MINE
            slot = _Slot(replace(theirs, after=None) if follows_before else theirs, theirs=unit.position)
            slot.after_is_theirs = True
        came[unit.position] = slot
    order = _in_order(list(own.values()), list(came.values()), theirs_first=chosen.get(_ORDER) is Choice.THEIRS)
    for conflict, positions in elsewhere:
        _settle_teacher(conflict, positions, own=own, came=came, choice=chosen.get(conflict.key, Choice.MINE))
    title = existing.title if existing else incoming.title
    book = replace(_numbered(order, own=own, came=came, title=title), skills=taken_skills)
    return Merged(
        book,
        mine=tuple(slot.mine for slot in order),
        theirs=tuple(slot.theirs for slot in order),
        after_is_theirs=tuple(slot.after_is_theirs for slot in order),
    )


def _in_order(own: list[_Slot], came: list[_Slot], *, theirs_first: bool) -> list[_Slot]:
    """One side in its order, and each unit of the other side alone after the unit it follows there."""
    order, others = (list(came), own) if theirs_first else (list(own), came)
    there = {id(slot) for slot in order}
    before: _Slot | None = None
    for slot in others:
        if id(slot) not in there:
            place = next((place for place, other in enumerate(order) if other is before), -1)
            order.insert(place + 1, slot)
        before = slot
    return order


def _matched(
    incoming: BookOutline, existing: BookOutline | None, *, chosen: Mapping[str, Choice] | None = None
) -> dict[int, UnitOutline]:
    """Position in the outline -> unit of the own book; without pairs that the learner took for two units."""
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
    apart = {position for position in found if (chosen or {}).get(f"{position}:title") is Choice.BOTH}
    return {position: unit for position, unit in found.items() if position not in apart}


def _known_only(unit: UnitOutline, *, skills: Collection[str]) -> UnitOutline:
    return replace(
        unit,
        teaches=tuple(slug for slug in unit.teaches if slug in skills),
        needs=tuple(slug for slug in unit.needs if slug in skills),
    )


def _differences(mine: UnitOutline, theirs: UnitOutline) -> list[Conflict]:
    found = []
    for name in (*_TEXTS, *_LISTS):
        ours, others = getattr(mine, name), getattr(theirs, name)
        is_same = set(ours) == set(others) if name in _LISTS else ours == others
        if ours and others and not is_same:
            key = f"{theirs.position}:{name}"
            found.append(Conflict(key, ConflictKind.DIFFERS, (theirs.position,), name, "", ours, others))
    return found


def _other_after(
    theirs: UnitOutline, *, incoming: BookOutline, existing: BookOutline | None, matched: Mapping[int, UnitOutline]
) -> list[Conflict]:
    """Where the two sides let a unit come after different ones, unless both only mean the unit before it."""
    mine = matched[theirs.position]
    if existing is None or (theirs.after is None and mine.after is None):
        return []
    wanted = {matched[other].position if other in matched else -other for other in _meant(theirs, book=incoming)}
    if wanted == set(_meant(mine, book=existing)):
        return []
    key = f"{theirs.position}:after"
    return [Conflict(key, ConflictKind.DIFFERS, (theirs.position,), "after", "", mine.after, theirs.after)]


def _meant(unit: UnitOutline, *, book: BookOutline) -> tuple[int, ...]:
    """The positions that a unit comes after, the one before it where none is named."""
    if unit.after is not None:
        return unit.after
    before = [other.position for other in book.units if other.position < unit.position]
    return (before[-1],) if before else ()


def _fields_filled(mine: UnitOutline, theirs: UnitOutline) -> list[str]:
    return [name for name in (*_TEXTS, *_LISTS) if getattr(theirs, name) and not getattr(mine, name)]


def _other_order(
    incoming: BookOutline, existing: BookOutline | None, *, matched: Mapping[int, UnitOutline]
) -> list[Conflict]:
    shared = [(position, mine) for position, mine in sorted(matched.items())]
    if existing is None or all(one.position < other.position for (_, one), (_, other) in pairwise(shared)):
        return []
    titles = {unit.position: unit.title for unit in incoming.units}
    in_mine = sorted(shared, key=lambda pair: pair[1].position)
    moved = [place for place, (one, other) in enumerate(zip(shared, in_mine, strict=True)) if one != other]
    first, last = moved[0], moved[-1] + 1
    return [
        Conflict(
            _ORDER,
            ConflictKind.ORDER,
            tuple(position for position, _ in shared[first:last]),
            mine=tuple(mine.title for _, mine in in_mine[first:last]),
            theirs=tuple(titles[position] for position, _ in shared[first:last]),
        )
    ]


def _taught_elsewhere(
    incoming: BookOutline,
    existing: BookOutline | None,
    *,
    matched: Mapping[int, UnitOutline],
    skills: Collection[str],
) -> list[tuple[Conflict, tuple[int, ...]]]:
    """Skills that the two sides teach in different units, each with the positions of the own ones."""
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
            conflict = Conflict(
                f"{unit.position}:elsewhere:{slug}",
                ConflictKind.TAUGHT_ELSEWHERE,
                (unit.position,),
                skill=slug,
                mine=mine[0].title,
                theirs=unit.title,
            )
            found.append((conflict, tuple(other.position for other in mine)))
    return found


def _settle_teacher(
    conflict: Conflict,
    positions: Sequence[int],
    *,
    own: Mapping[int, _Slot],
    came: Mapping[int, _Slot],
    choice: Choice,
) -> None:
    """Take a skill out of what one side teaches; a unit that both sides share on the other side keeps it."""
    if choice is Choice.BOTH:
        return
    theirs = came[conflict.positions[0]]
    losers = [theirs] if choice is Choice.MINE else [own[position] for position in positions]
    keepers = [own[position] for position in positions] if choice is Choice.MINE else [theirs]
    for slot in losers:
        if not any(slot is keeper for keeper in keepers):
            left = tuple(slug for slug in slot.unit.teaches if slug != conflict.skill)
            slot.unit = replace(slot.unit, teaches=left)


def _skill_conflicts(
    incoming: BookOutline, *, own_skills: Sequence[SkillOutline], skills: Collection[str]
) -> list[Conflict]:
    """Skills that the outline describes: new ones, and those that the learner describes otherwise."""
    mine_of = {skill.slug: skill for skill in own_skills}
    found = []
    for theirs in sorted(incoming.skills, key=lambda skill: skill.slug):
        places = tuple(unit.position for unit in incoming.units if theirs.slug in (*unit.teaches, *unit.needs))
        mine = mine_of.get(theirs.slug)
        if mine is None:
            if theirs.slug not in skills:
                key = f"skill:{theirs.slug}"
                found.append(
                    Conflict(key, ConflictKind.NEW_SKILL, places, skill=theirs.slug, mine="", theirs=theirs.name)
                )
            continue
        for name in _OF_SKILLS:
            ours, others = getattr(mine, name), getattr(theirs, name)
            is_same = set(ours) == set(others) if name == "needs" else ours == others
            if not is_same:
                key = f"skill:{theirs.slug}:{name}"
                told = (ours, others) if isinstance(ours, tuple) else (str(ours), str(others))
                found.append(Conflict(key, ConflictKind.SKILL_DIFFERS, places, name, theirs.slug, *told))
    return found


def _taken_skills(
    incoming: BookOutline,
    *,
    own_skills: Sequence[SkillOutline],
    skills: Collection[str],
    chosen: Mapping[str, Choice],
) -> tuple[SkillOutline, ...]:
    """Skills to be added, and those to be rewritten, as they will be; what they need is left to those that will be there."""
    mine_of = {skill.slug: skill for skill in own_skills}
    taken = []
    for theirs in incoming.skills:
        mine = mine_of.get(theirs.slug)
        if mine is None:
            if theirs.slug not in skills and chosen.get(f"skill:{theirs.slug}") is not Choice.MINE:
                taken.append(theirs)
            continue
        changed = {
            name: getattr(theirs, name)
            for name in _OF_SKILLS
            if chosen.get(f"skill:{theirs.slug}:{name}") is Choice.THEIRS
            and getattr(theirs, name) != getattr(mine, name)
        }
        if changed:
            taken.append(replace(mine, **changed))
    there = {*skills, *(skill.slug for skill in taken)}
    return tuple(replace(skill, needs=tuple(need for need in skill.needs if need in there)) for skill in taken)


def _unknown_skills(incoming: BookOutline, *, skills: Collection[str]) -> list[Conflict]:
    """Skills that nobody describes; named by units or by skills that are described."""
    places: dict[str, list[int]] = {}
    for unit in incoming.units:
        for slug in dict.fromkeys((*unit.teaches, *unit.needs)):
            if slug not in skills:
                places.setdefault(slug, []).append(unit.position)
    for skill in incoming.skills:
        for slug in skill.needs:
            if slug not in skills:
                places.setdefault(slug, [])
    return [
        Conflict(f"skill:{slug}", ConflictKind.UNKNOWN_SKILL, tuple(positions), skill=slug)
        for slug, positions in sorted(places.items())
    ]


def _circles(
    incoming: BookOutline,
    *,
    existing: BookOutline | None,
    skills: Collection[str],
    own_skills: Sequence[SkillOutline],
) -> list[Conflict]:
    """New units that, put where they belong, would come after themselves in the end."""
    # The own book goes round nowhere, and units that only follow the one before lead back alone. A circle therefore has a new
    # unit that names others, and letting that one follow the unit before it opens the circle.
    if existing is None:
        return []
    found: dict[str, Conflict] = {}
    theirs = {unit.position: unit for unit in incoming.units}
    while True:
        chosen = dict.fromkeys(found, Choice.MINE)
        result = _put_together(incoming, existing=existing, skills=skills, own_skills=own_skills, chosen=chosen)
        circle = set(unit_circle(result.book))
        sides = zip(result.book.units, result.mine, result.theirs, strict=True)
        new = [came for unit, mine, came in sides if unit.position in circle and mine is None and came is not None]
        fresh = [
            position for position in new if theirs[position].after is not None and f"{position}:after" not in found
        ]
        if not fresh:
            return list(found.values())
        for position in fresh:
            key = f"{position}:after"
            found[key] = Conflict(
                key, ConflictKind.CIRCLE, (position,), "after", "", mine=None, theirs=theirs[position].after
            )


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
    is_theirs = chosen.get(f"{theirs.position}:after") is Choice.THEIRS
    return replace(mine, after=theirs.after if is_theirs else mine.after, **values), is_theirs  # type: ignore[arg-type]


def _numbered(
    order: Sequence[_Slot], *, own: Mapping[int, _Slot], came: Mapping[int, _Slot], title: str
) -> BookOutline:
    """Give positions, the old ones where they still rise, and turn `after` into them."""
    old = [slot.unit.position for slot in order]
    keeps = all(earlier < later for earlier, later in pairwise(old))
    numbers = {id(slot): old[place] if keeps else place + 1 for place, slot in enumerate(order)}
    units = []
    for slot in order:
        names = came if slot.after_is_theirs else own
        number, after = numbers[id(slot)], slot.unit.after
        if after is not None:
            wanted = [numbers[id(names[position])] for position in after if position in names]
            after = tuple(other for other in dict.fromkeys(wanted) if other != number)
        units.append(replace(slot.unit, position=number, after=after))
    return BookOutline(title=title, units=tuple(units))


def unit_circle(book: BookOutline) -> list[int]:
    """Positions of units that come after one another in a circle, the first again at the end.

    Parameters
    ----------
    book : BookOutline
        Any.

    Returns
    -------
    list of int
        Empty where there is no circle.

    Examples
    --------
    >>> unit_circle(BookOutline("A", (UnitOutline(1, "One", after=(2,)), UnitOutline(2, "Two"))))
    [1, 2, 1]
    """
    after: dict[int, tuple[int, ...]] = {}
    last: int | None = None
    for unit in book.units:
        after[unit.position] = unit.after if unit.after is not None else ((last,) if last is not None else ())
        last = unit.position
    return find_circle(after)
