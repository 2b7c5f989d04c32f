"""A book as it travels in files: plain values, checked once, the same for tables and JSON.

Titles are exact: nothing is trimmed, folded or corrected once it is in a :class:`BookOutline`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar
from urllib.parse import urlsplit

from curriculum.outline.errors import CellError, LinkError, PositionError, TooLargeError, shown

# Longest values, in characters. Far above anything printed; they keep a broken file from filling the database.
LONGEST_TITLE = 300
LONGEST_PAGE = 40
LONGEST_SLUG = 80
LONGEST_LINK = 2_000
LONGEST_NEW_WORDS = 4_000
LONGEST_NAME = 80
LONGEST_FAMILY = 30
LONGEST_DEFINITION = 600
# Most lines of "what can be seen or heard", and most characters of one: what fits beside a clip on a phone.
MOST_SIGNS, LONGEST_SIGN = 12, 200
# The last stage of the order of skills.
LAST_STAGE = 10
# Most units in a book, and most skills or positions in one list.
MOST_UNITS = 2_000
MOST_IN_LIST = 200
HIGHEST_POSITION = 100_000
# Skills that travel with a book: those of the learner's own that its units name, and what those rest on.
MOST_SKILLS = 500
GATES = ("tick", "watch")
OWN = "own-"

T = TypeVar("T", bound=Hashable)

_SLUG = re.compile(r"[a-z0-9][a-z0-9_-]*")
_LINK = re.compile(r"https?://[^\s/?#\\\"<>]+[^\s\\\"<>]*", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class UnitOutline:
    """One unit of a book.

    Parameters
    ----------
    position : int
        Place in the book, from 1; gaps are allowed.
    title : str
        One line, not blank.
    chapter : str
        One line, or empty.
    page : str
        As printed, or empty.
    teaches, needs : tuple of str
        Slugs of skills.
    after : tuple of int or None
        Positions of the units that come before it; ``None`` is the unit before it, ``()`` is nothing.
    link : str
        A web address (http or https), or empty.
    new_words : str
        What the learner wrote about what is new in it; may have several lines.
    """

    position: int
    title: str
    chapter: str = ""
    page: str = ""
    teaches: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    after: tuple[int, ...] | None = None
    link: str = ""
    new_words: str = ""


@dataclass(frozen=True, slots=True)
class SkillOutline:
    """A skill of somebody's own that a book names. Shipped skills travel by their slugs alone.

    Parameters
    ----------
    slug : str
        Begins with ``own-``.
    name : str
        One line, not blank.
    definition : str
        What it is; may have several lines, or none.
    see_or_hear : tuple of str
        How it is seen or heard, one sign each.
    family : str
        The family of skills it stands in.
    stage : int
        Its place in the order of skills, 1 to 10.
    gate : str
        ``tick`` or ``watch``.
    needs : tuple of str
        Slugs of the skills it rests on.
    """

    slug: str
    name: str
    definition: str = ""
    see_or_hear: tuple[str, ...] = ()
    family: str = "own"
    stage: int = LAST_STAGE
    gate: str = "tick"
    needs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BookOutline:
    """A book and its units by rising position.

    Parameters
    ----------
    title : str
        One line, not blank.
    units : tuple of UnitOutline
        May be empty.
    skills : tuple of SkillOutline
        What the skills are that only the giver has. Tables cannot hold them; book files can.
    """

    title: str
    units: tuple[UnitOutline, ...] = ()
    skills: tuple[SkillOutline, ...] = ()


def check_text(value: str, *, what: str, longest: int, is_multiline: bool = False, may_be_blank: bool = True) -> str:
    """What is wrong with a piece of text, in words.

    Parameters
    ----------
    value : str
        Any text.
    what : str
        Name of the thing for the message, such as ``title``.
    longest : int
        Most characters.
    is_multiline : bool, optional
        Whether line ends are allowed.
    may_be_blank : bool, optional
        Whether empty or blank text is allowed.

    Returns
    -------
    str
        A sentence, or an empty text if nothing is wrong.

    Examples
    --------
    >>> check_text("", what="title", longest=300, may_be_blank=False)
    'The title is missing.'
    """
    if not may_be_blank and not value.strip():
        return f"The {what} is missing."
    if len(value) > longest:
        return f"The {what} {shown(value, most=30)} has {len(value)} characters; at most {longest} are allowed."
    allowed = "\t\n\r" if is_multiline else "\t"
    for char in value:
        if char in allowed:
            continue
        if char in "\n\r\u2028\u2029\x85\v\f":
            return f"The {what} {shown(value)} has a line end in it; write it on one line."
        if unicodedata.category(char) in {"Cc", "Cs"}:
            return f"The {what} {shown(value)} has a character in it that cannot be shown."
    return ""


def check_slug(value: str) -> str:
    """What is wrong with the slug of a skill, in words.

    Parameters
    ----------
    value : str
        Any text.

    Returns
    -------
    str
        A sentence, or an empty text if nothing is wrong.

    Examples
    --------
    >>> check_slug("thumb-under")
    ''
    """
    if len(value) > LONGEST_SLUG or not _SLUG.fullmatch(value):
        return f"{shown(value)} is not the short name of a skill, such as thumb-under."
    return ""


def check_link(value: str) -> str:
    """What is wrong with a link, in words.

    Parameters
    ----------
    value : str
        Any text; empty is fine.

    Returns
    -------
    str
        A sentence, or an empty text if nothing is wrong.

    Examples
    --------
    >>> check_link("ftp://example.org/a")
    'The link "ftp://example.org/a" is not a web address; it must begin with http:// or https://.'
    """
    if not value:
        return ""
    if len(value) > LONGEST_LINK:
        return f"The link {shown(value)} is {len(value)} characters long; at most {LONGEST_LINK} are allowed."
    is_odd = any(unicodedata.category(c) in {"Cc", "Cs", "Cf"} for c in value)
    if not _LINK.fullmatch(value) or is_odd or not _can_be_split(value):
        return f"The link {shown(value)} is not a web address; it must begin with http:// or https://."
    return ""


def _can_be_split(value: str) -> bool:
    """Tell whether a web address falls into its parts; one with half a bracket as its host does not."""
    try:
        return bool(urlsplit(value).hostname)
    except ValueError:
        return False


def check_book(book: BookOutline) -> None:
    """Refuse a book that could not be written and read back.

    Parameters
    ----------
    book : BookOutline
        Any.

    Raises
    ------
    CellError
        A text, slug or link is not allowed; the message names the unit.
    PositionError
        Positions do not rise, or ``after`` points at no unit of this book, or at the unit itself.
    TooLargeError
        Too many units, skills, or entries in one list.

    Examples
    --------
    >>> check_book(BookOutline("First Year", (UnitOutline(1, "Skips", after=(3,)),)))
    Traceback (most recent call last):
    ...
    curriculum.outline.errors.PositionError: Unit 1, after: the book has no unit at position 3.
    """
    if fault := check_text(book.title, what="book title", longest=LONGEST_TITLE, may_be_blank=False):
        raise CellError(fault, column="book")
    if len(book.units) > MOST_UNITS:
        raise TooLargeError(f"The book has {len(book.units)} units; at most {MOST_UNITS} are accepted.")
    last = 0
    for unit in book.units:
        if not last < unit.position <= HIGHEST_POSITION:
            raise PositionError(
                f"Unit {unit.position} comes after unit {last}; positions must rise from 1 to at most {HIGHEST_POSITION}.",
                column="position",
            )
        last = unit.position
    positions = {unit.position for unit in book.units}
    for unit in book.units:
        if found := unit_fault(unit):
            column, text = found
            error = LinkError if column == "link" else CellError
            raise error(f"Unit {unit.position}, {column}: {text}", column=column)
        for name, count in (
            ("teaches", len(unit.teaches)),
            ("needs", len(unit.needs)),
            ("after", len(unit.after or ())),
        ):
            if count > MOST_IN_LIST:
                raise TooLargeError(
                    f"Unit {unit.position}, {name}: {count} entries; at most {MOST_IN_LIST} are accepted.", column=name
                )
        if fault := after_fault(unit, positions=positions):
            raise PositionError(f"Unit {unit.position}, after: {fault}", column="after")
    if len(book.skills) > MOST_SKILLS:
        raise TooLargeError(f"The book has {len(book.skills)} skills; at most {MOST_SKILLS} are accepted.")
    if of_skill := skills_fault(book.skills):
        place, text = of_skill
        raise CellError(f"Skill {book.skills[place].slug}: {text}", column="skills")


def unit_fault(unit: UnitOutline) -> tuple[str, str] | None:
    """The first thing wrong with the texts of a unit.

    Parameters
    ----------
    unit : UnitOutline
        Any.

    Returns
    -------
    tuple of str or None
        Column and sentence; ``None`` if nothing is wrong.

    Examples
    --------
    >>> unit_fault(UnitOutline(1, " "))
    ('title', 'The title is missing.')
    """
    checks = (
        ("title", check_text(unit.title, what="title", longest=LONGEST_TITLE, may_be_blank=False)),
        ("chapter", check_text(unit.chapter, what="chapter", longest=LONGEST_TITLE)),
        ("page", check_text(unit.page, what="page", longest=LONGEST_PAGE)),
        ("link", check_link(unit.link)),
        ("new_words", check_text(unit.new_words, what="note", longest=LONGEST_NEW_WORDS, is_multiline=True)),
        ("teaches", _list_fault(unit.teaches)),
        ("needs", _list_fault(unit.needs)),
    )
    return next(((column, text) for column, text in checks if text), None)


def skills_fault(skills: Sequence[SkillOutline]) -> tuple[int, str] | None:
    """The first thing wrong with the skills that travel with a book.

    Parameters
    ----------
    skills : sequence of SkillOutline
        Any.

    Returns
    -------
    tuple of int and str, or None
        Place among the skills, from 0, and sentence; ``None`` if nothing is wrong.

    Examples
    --------
    >>> skills_fault([SkillOutline("own-a", "A", needs=("own-b",)), SkillOutline("own-b", "B", needs=("own-a",))])
    (0, 'it would go round in a circle: own-a needs own-b needs own-a.')
    """
    seen: set[str] = set()
    for place, skill in enumerate(skills):
        if fault := _skill_fault(skill):
            return place, fault
        if skill.slug in seen:
            return place, "it is there twice."
        seen.add(skill.slug)
    circle = find_circle({skill.slug: [need for need in skill.needs if need in seen] for skill in skills})
    if circle:
        place = next(place for place, skill in enumerate(skills) if skill.slug == circle[0])
        return place, f"it would go round in a circle: {' needs '.join(circle)}."
    return None


def _skill_fault(skill: SkillOutline) -> str:
    if not skill.slug.startswith(OWN):
        return f"the short name of a skill of one's own begins with {OWN}."
    signs = (check_text(line, what="sign", longest=LONGEST_SIGN, may_be_blank=False) for line in skill.see_or_hear)
    faults = (
        check_slug(skill.slug),
        check_text(skill.name, what="name", longest=LONGEST_NAME, may_be_blank=False),
        check_text(skill.definition, what="definition", longest=LONGEST_DEFINITION, is_multiline=True),
        f"{len(skill.see_or_hear)} signs; at most {MOST_SIGNS} are accepted."
        if len(skill.see_or_hear) > MOST_SIGNS
        else "",
        *signs,
        check_slug(skill.family) if len(skill.family) <= LONGEST_FAMILY else f"{shown(skill.family)} is no family.",
        "" if 1 <= skill.stage <= LAST_STAGE else f"stage: a whole number from 1 to {LAST_STAGE} is wanted.",
        "" if skill.gate in GATES else f"gate: {' or '.join(GATES)} is wanted, not {shown(skill.gate)}.",
        f"{len(skill.needs)} skills needed; at most {MOST_IN_LIST} are accepted."
        if len(skill.needs) > MOST_IN_LIST
        else _list_fault(skill.needs),
    )
    return next(filter(None, faults), "")


def find_circle(leads_to: Mapping[T, Iterable[T]]) -> list[T]:
    """One circle among things that lead to others.

    Parameters
    ----------
    leads_to : mapping
        From each thing to those it leads to.

    Returns
    -------
    list
        The things of a circle in turn, the first again at the end; empty where there is none.

    Examples
    --------
    >>> find_circle({1: [2], 2: [3], 3: [2]})
    [2, 3, 2]
    """
    done: set[T] = set()
    for start in leads_to:
        path: list[T] = []
        on_path: set[T] = set()
        stack: list[tuple[T, bool]] = [(start, False)]
        while stack:
            here, is_left = stack.pop()
            if is_left:
                on_path.discard(path.pop())
                done.add(here)
            elif here in on_path:
                return [*path[path.index(here) :], here]
            elif here not in done:
                path.append(here)
                on_path.add(here)
                stack.append((here, True))
                stack += [(other, False) for other in leads_to.get(here, ())]
    return []


def _list_fault(slugs: tuple[str, ...]) -> str:
    seen: set[str] = set()
    for slug in slugs:
        if fault := check_slug(slug):
            return fault
        if slug in seen:
            return f"{shown(slug)} is there twice."
        seen.add(slug)
    return ""


def after_fault(unit: UnitOutline, *, positions: set[int]) -> str:
    """What is wrong with the positions in ``after``, in words.

    Loops among ``after`` are not looked for here; the prerequisites are checked where all of them are known.

    Parameters
    ----------
    unit : UnitOutline
        Any.
    positions : set of int
        The positions of the book.

    Returns
    -------
    str
        A sentence, or an empty text if nothing is wrong.

    Examples
    --------
    >>> after_fault(UnitOutline(2, "Skips", after=(2,)), positions={1, 2})
    'a unit cannot come after itself.'
    """
    seen: set[int] = set()
    for position in unit.after or ():
        if position == unit.position:
            return "a unit cannot come after itself."
        if position not in positions:
            return f"the book has no unit at position {position}."
        if position in seen:
            return f"position {position} is there twice."
        seen.add(position)
    return ""
