"""One book as a JSON file: ``{"schema": 2, "book": {"title": ..., "units": [...], "skills": [...]}}``.

Keys of a unit are those of :class:`~curriculum.outline.book.UnitOutline`; only ``position`` and ``title`` are required. Keys of
a skill are those of :class:`~curriculum.outline.book.SkillOutline`; only ``slug`` and ``name`` are required, and ``skills`` may be
missing. Files of schema 1, which had no skills, are read too.
Nothing is trimmed or guessed; whatever is unknown or of the wrong kind is refused with its path, such as
``book.units[3].after[0]`` (counted from 0, as in the file).
"""

from __future__ import annotations

import json
from typing import NoReturn

from curriculum.outline.book import (
    HIGHEST_POSITION,
    LAST_STAGE,
    LONGEST_TITLE,
    MOST_IN_LIST,
    MOST_SKILLS,
    MOST_UNITS,
    BookOutline,
    SkillOutline,
    UnitOutline,
    after_fault,
    check_book,
    check_text,
    skills_fault,
    unit_fault,
)
from curriculum.outline.errors import DocumentError, EmptyOutlineError, EncodingError, TooLargeError, shown

SCHEMA = 2
READABLE = (1, 2)
FIRST_WITH_SKILLS = 2
# Largest file in bytes: 2,000 units with long notes stay below it.
MOST_BYTES = 16_000_000
# Deepest nesting of brackets; a right file has five levels.
DEEPEST = 12

_SKILL_KEYS = ("slug", "name", "definition", "see_or_hear", "family", "stage", "gate", "needs")
_UNIT_KEYS = ("position", "title", "chapter", "page", "teaches", "needs", "after", "link", "new_words")


def write_json(book: BookOutline) -> str:
    """A book as JSON text.

    Parameters
    ----------
    book : BookOutline
        Any that :func:`curriculum.outline.book.check_book` accepts.

    Returns
    -------
    str
        Indented by two spaces, with a line end; :func:`read_json` gives the same book back.

    Raises
    ------
    OutlineError
        See :func:`curriculum.outline.book.check_book`.

    Examples
    --------
    >>> read_json(write_json(BookOutline("My Book"))).title
    'My Book'
    """
    check_book(book)
    units = [
        {
            "position": unit.position,
            "title": unit.title,
            "chapter": unit.chapter,
            "page": unit.page,
            "teaches": list(unit.teaches),
            "needs": list(unit.needs),
            "after": None if unit.after is None else list(unit.after),
            "link": unit.link,
            "new_words": unit.new_words,
        }
        for unit in book.units
    ]
    skills = [
        {
            "slug": skill.slug,
            "name": skill.name,
            "definition": skill.definition,
            "see_or_hear": list(skill.see_or_hear),
            "family": skill.family,
            "stage": skill.stage,
            "gate": skill.gate,
            "needs": list(skill.needs),
        }
        for skill in book.skills
    ]
    document = {"schema": SCHEMA, "book": {"title": book.title, "units": units, "skills": skills}}
    return json.dumps(document, ensure_ascii=False, indent=2) + "\n"


def read_json(data: bytes | str) -> BookOutline:
    """The book of a JSON file.

    Parameters
    ----------
    data : bytes or str
        The file; bytes must be UTF-8.

    Returns
    -------
    BookOutline
        Units sorted by position.

    Raises
    ------
    EmptyOutlineError
        Nothing in it.
    EncodingError
        Not UTF-8.
    TooLargeError
        Too many bytes, levels, units or list entries.
    DocumentError
        Not JSON, or not of the agreed shape; the message names the path.

    Examples
    --------
    >>> read_json('{"schema": 1, "book": {"title": 5, "units": []}}')
    Traceback (most recent call last):
    ...
    curriculum.outline.errors.DocumentError: book.title: text is wanted, not 5.
    """
    size = len(data) if isinstance(data, bytes) else len(data.encode("utf-8", "surrogatepass"))
    if size > MOST_BYTES:
        raise TooLargeError(f"The file is {size // 1000} kB long; at most {MOST_BYTES // 1000} kB can be read.")
    if isinstance(data, bytes):
        try:
            data = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise EncodingError(f"The file is not UTF-8 text (byte {error.start}).") from error
    root = _parsed(data.removeprefix("\ufeff"))
    top = _fields(root, "the file", required=("schema", "book"), allowed=("schema", "book"), prefix="")
    if type(top["schema"]) is not int or top["schema"] not in READABLE:
        wanted = " or ".join(str(number) for number in READABLE)
        _fail("schema", f"{wanted} is wanted, not {_named(top['schema'])}.")
    keys = ("title", "units", "skills") if top["schema"] >= FIRST_WITH_SKILLS else ("title", "units")
    book = _fields(top["book"], "book", required=("title", "units"), allowed=keys, prefix="book.")
    title = _text(book["title"], "book.title")
    if fault := check_text(title, what="book title", longest=LONGEST_TITLE, may_be_blank=False):
        _fail("book.title", fault)
    rows = _array(book["units"], "book.units", most=MOST_UNITS)
    units = [_unit(row, f"book.units[{index}]") for index, row in enumerate(rows)]
    seen: dict[int, int] = {}
    for index, unit in enumerate(units):
        if unit.position in seen:
            _fail(
                f"book.units[{index}].position",
                f"{unit.position} is already used by book.units[{seen[unit.position]}].",
            )
        seen[unit.position] = index
    for index, unit in enumerate(units):
        if fault := after_fault(unit, positions=set(seen)):
            _fail(f"book.units[{index}].after", fault)
    named = _array(book.get("skills", []), "book.skills", most=MOST_SKILLS)
    skills = tuple(_skill(row, f"book.skills[{index}]") for index, row in enumerate(named))
    if found := skills_fault(skills):
        _fail(f"book.skills[{found[0]}]", found[1])
    return BookOutline(title=title, units=tuple(sorted(units, key=lambda unit: unit.position)), skills=skills)


def _parsed(text: str) -> object:
    if not text.strip():
        raise EmptyOutlineError("The file is empty.")
    _refuse_depth(text)
    try:
        parsed: object = json.loads(text, object_pairs_hook=_object, parse_constant=_refuse_constant)
    except json.JSONDecodeError as error:
        raise DocumentError(
            f"The file is not JSON: line {error.lineno}, column {error.colno}: {error.msg}.", line_number=error.lineno
        ) from error
    except ValueError as error:  # a whole number of thousands of digits
        raise DocumentError("The file has a number in it that is too long to read.") from error
    return parsed


def _refuse_depth(text: str) -> None:
    depth = 0
    in_string = is_escaped = False
    for char in text:
        if in_string:
            if is_escaped:
                is_escaped = False
            elif char == "\\":
                is_escaped = True
            elif char == '"':
                in_string = False
        elif char == '"':
            in_string = True
        elif char in "[{":
            depth += 1
            if depth > DEEPEST:
                raise TooLargeError(f"The file is nested more than {DEEPEST} levels deep; a book file has five.")
        elif char in "]}":
            depth -= 1


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found: dict[str, object] = {}
    for key, value in pairs:
        if key in found:
            raise DocumentError(f"The key {shown(key)} is there twice in one place.", path=key)
        found[key] = value
    return found


def _refuse_constant(name: str) -> NoReturn:
    raise DocumentError(f"The file has {name} in it, which is no number.")


def _fail(path: str, text: str) -> NoReturn:
    raise DocumentError(f"{path}: {text}", path=path)


def _named(value: object) -> str:
    if value is None:
        return "nothing (null)"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a group in braces"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, int) and abs(value) > 10**30:
        return "a very long number"
    return shown(value) if isinstance(value, str) else str(value)


def _fields(
    value: object, path: str, *, required: tuple[str, ...], allowed: tuple[str, ...], prefix: str
) -> dict[str, object]:
    if not isinstance(value, dict):
        _fail(path, f"a group in braces is wanted, not {_named(value)}.")
    for key in value:
        if key not in allowed:
            _fail(path, f"the key {shown(key)} is not known; the keys are {', '.join(allowed)}.")
    for key in required:
        if key not in value:
            _fail(f"{prefix}{key}", "this is missing.")
    return value


def _text(value: object, path: str) -> str:
    if not isinstance(value, str):
        _fail(path, f"text is wanted, not {_named(value)}.")
    return value


def _array(value: object, path: str, *, most: int) -> list[object]:
    if not isinstance(value, list):
        _fail(path, f"a list is wanted, not {_named(value)}.")
    if len(value) > most:
        raise TooLargeError(f"{path}: {len(value)} entries; at most {most} are accepted.", path=path)
    return value


def _position(value: object, path: str) -> int:
    if type(value) is not int or not 1 <= value <= HIGHEST_POSITION:
        _fail(path, f"a whole number from 1 to {HIGHEST_POSITION} is wanted, not {_named(value)}.")
    return value


def _texts(row: dict[str, object], key: str, path: str) -> tuple[str, ...]:
    items = _array(row.get(key, []), f"{path}.{key}", most=MOST_IN_LIST)
    return tuple(_text(item, f"{path}.{key}[{index}]") for index, item in enumerate(items))


def _skill(value: object, path: str) -> SkillOutline:
    row = _fields(value, path, required=("slug", "name"), allowed=_SKILL_KEYS, prefix=f"{path}.")
    stage = row.get("stage", LAST_STAGE)
    if type(stage) is not int:
        _fail(f"{path}.stage", f"a whole number from 1 to {LAST_STAGE} is wanted, not {_named(stage)}.")
    return SkillOutline(
        slug=_text(row["slug"], f"{path}.slug"),
        name=_text(row["name"], f"{path}.name"),
        definition=_text(row.get("definition", ""), f"{path}.definition"),
        see_or_hear=_texts(row, "see_or_hear", path),
        family=_text(row.get("family", "own"), f"{path}.family"),
        stage=stage,
        gate=_text(row.get("gate", "tick"), f"{path}.gate"),
        needs=_texts(row, "needs", path),
    )


def _unit(value: object, path: str) -> UnitOutline:
    row = _fields(value, path, required=("position", "title"), allowed=_UNIT_KEYS, prefix=f"{path}.")
    texts = {key: _text(row.get(key, ""), f"{path}.{key}") for key in ("title", "chapter", "page", "link", "new_words")}
    slugs = {key: _texts(row, key, path) for key in ("teaches", "needs")}
    after: tuple[int, ...] | None = None
    if row.get("after") is not None:
        items = _array(row["after"], f"{path}.after", most=MOST_IN_LIST)
        after = tuple(_position(item, f"{path}.after[{index}]") for index, item in enumerate(items))
    unit = UnitOutline(
        position=_position(row["position"], f"{path}.position"),
        title=texts["title"],
        chapter=texts["chapter"],
        page=texts["page"],
        teaches=slugs["teaches"],
        needs=slugs["needs"],
        after=after,
        link=texts["link"],
        new_words=texts["new_words"],
    )
    if fault := unit_fault(unit):
        _fail(f"{path}.{fault[0]}", fault[1])
    return unit
