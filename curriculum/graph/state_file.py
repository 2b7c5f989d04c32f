"""A state of skills, units and a target as a JSON file, and the answer of the way as JSON.

The file is an object with `skills`, `units`, `ticked`, `done` and `target`, as `manage.py way --help` describes. Other keys are
passed over. Whatever is missing, of the wrong kind, doubled or unknown is refused with its place, such as
``units[3].needs[0]``, counted from 0.
"""

import json
from collections.abc import Collection
from dataclasses import dataclass
from typing import NoReturn

from curriculum.graph.errors import StateError
from curriculum.graph.gates import UnitFacts
from curriculum.graph.prerequisites import closure, find_loop
from curriculum.graph.way import Way

# Largest file in bytes, most skills and units, longest id in characters, most weeks of one unit: far above any library of
# books. They keep a broken file from filling the memory.
MOST_BYTES = 64_000_000
MOST_SKILLS = 100_000
MOST_UNITS = 50_000
LONGEST_ID = 200
MOST_WEEKS = 10_000
FURTHEST_POSITION = 1_000_000_000
# Ids of a loop that a message names.
MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class WayState:
    """What a state file holds.

    Attributes
    ----------
    needs : dict of str to frozenset of str
        Direct prerequisites of every skill; without loops.
    units : tuple of UnitFacts
        In the order of the file.
    known : frozenset of str
        Skills that are ticked, and everything below them.
    target : tuple of str
        Skills to be reached, in the order of the file.
    """

    needs: dict[str, frozenset[str]]
    units: tuple[UnitFacts, ...]
    known: frozenset[str]
    target: tuple[str, ...]


def read_state(data: bytes) -> WayState:
    """Return what a state file holds.

    Parameters
    ----------
    data : bytes
        The file, UTF-8.

    Returns
    -------
    WayState
        Checked: every id that is named exists, ids are there once, prerequisites have no loop.

    Raises
    ------
    StateError
        If the file cannot be used; the message names the place and what was wanted there.

    Examples
    --------
    >>> read_state(b'{"skills": [{"id": "a", "needs": ["b"]}], "units": [], "ticked": [], "done": [], "target": ["a"]}')
    Traceback (most recent call last):
    ...
    curriculum.graph.errors.StateError: skills[0].needs[0]: 'b' is not the id of a skill in this file
    """
    root = _parsed(data)
    top = _object(root, "the file", wanted=("skills", "units", "ticked", "done", "target"))
    needs = _skills(top["skills"])
    known_ids = needs.keys()
    done = _ids(top["done"], "done")
    units = _units(top["units"], skills=known_ids, done=frozenset(done))
    _refuse_unknown(done, "done", among={unit.id for unit in units}, kind="unit")
    ticked = _ids(top["ticked"], "ticked")
    _refuse_unknown(ticked, "ticked", among=known_ids, kind="skill")
    target = _ids(top["target"], "target")
    _refuse_unknown(target, "target", among=known_ids, kind="skill")
    if loop := find_loop(needs):
        told = " needs ".join(map(repr, loop[:MOST_NAMED])) + (" needs ..." if len(loop) > MOST_NAMED else "")
        raise StateError("skills", f"these need each other in a circle: {told}")
    return WayState(needs=needs, units=units, known=closure(ticked, needs=needs), target=tuple(dict.fromkeys(target)))


def write_way(way: Way) -> str:
    """Return the answer as JSON text.

    Parameters
    ----------
    way : Way
        As returned by `curriculum.graph.way.cheapest_way`.

    Returns
    -------
    str
        One object with `blocked_by`, `gaps`, `way`, `weeks`, `optimal` and `bound`; with `reason` where `way` is null.

    Examples
    --------
    >>> write_way(Way(("a",), (), ("u1",), "", 1, True, 1))
    '{"blocked_by": ["a"], "gaps": [], "way": ["u1"], "weeks": 1, "optimal": true, "bound": 1}'
    """
    told: dict[str, object] = {
        "blocked_by": way.blocked_by,
        "gaps": way.gaps,
        "way": way.units,
        "weeks": way.weeks,
        "optimal": way.is_optimal,
        "bound": way.bound,
    }
    if way.units is None:
        told["reason"] = way.reason
    return json.dumps(told)


def _parsed(data: bytes) -> object:
    if len(data) > MOST_BYTES:
        raise StateError("the file", f"it is longer than {MOST_BYTES} bytes")
    try:
        parsed: object = json.loads(data.decode("utf-8-sig"), object_pairs_hook=_pairs, parse_constant=_refuse_constant)
    except UnicodeDecodeError as error:
        raise StateError("the file", f"byte {error.start} is not UTF-8 text") from error
    except json.JSONDecodeError as error:
        raise StateError(f"line {error.lineno}, column {error.colno}", f"this is not JSON: {error.msg}") from error
    except RecursionError as error:
        raise StateError("the file", "brackets are nested too deep; a right file has four levels") from error
    except ValueError as error:  # a whole number of thousands of digits
        raise StateError("the file", "a number in it is too long to read") from error
    return parsed


def _pairs(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) < len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise StateError("the file", f"the key {_shown(key)} is there twice in one place")
            seen.add(key)
    return found


def _refuse_constant(name: str) -> NoReturn:
    raise StateError("the file", f"{name} is no number")


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    told = ascii(value) if isinstance(value, (str, float)) or abs(value) < 10**20 else "a very long number"  # type: ignore[arg-type]
    return told if len(told) <= 60 else f"{told[:60]}..."


def _object(value: object, place: str, *, wanted: tuple[str, ...]) -> dict[str, object]:
    if not isinstance(value, dict):
        raise StateError(place, f"an object is wanted, not {_shown(value)}")
    for key in wanted:
        if key not in value:
            raise StateError(place, f"the key {key!r} is missing")
    return value


def _list(value: object, place: str, *, most: int) -> list[object]:
    if not isinstance(value, list):
        raise StateError(place, f"a list is wanted, not {_shown(value)}")
    if len(value) > most:
        raise StateError(place, f"{len(value)} entries; at most {most} are read")
    return value


def _id(value: object, place: str) -> str:
    if not isinstance(value, str):
        raise StateError(place, f"text is wanted, not {_shown(value)}")
    if not 1 <= len(value) <= LONGEST_ID:
        raise StateError(place, f"text of 1 to {LONGEST_ID} characters is wanted, not of {len(value)}")
    return value


def _ids(value: object, place: str) -> list[str]:
    return [_id(item, f"{place}[{index}]") for index, item in enumerate(_list(value, place, most=MOST_SKILLS))]


def _whole(value: object, place: str, *, low: int, high: int) -> int:
    if type(value) is not int or not low <= value <= high:
        raise StateError(place, f"a whole number from {low} to {high} is wanted, not {_shown(value)}")
    return value


def _refuse_unknown(ids: Collection[str], place: str, *, among: Collection[str], kind: str) -> None:
    for index, each in enumerate(ids):
        if each not in among:
            raise StateError(f"{place}[{index}]", f"{_shown(each)} is not the id of a {kind} in this file")


def _skills(value: object) -> dict[str, frozenset[str]]:
    needs: dict[str, frozenset[str]] = {}
    named: list[list[str]] = []
    for index, item in enumerate(_list(value, "skills", most=MOST_SKILLS)):
        place = f"skills[{index}]"
        row = _object(item, place, wanted=("id", "needs"))
        skill = _id(row["id"], f"{place}.id")
        if skill in needs:
            raise StateError(f"{place}.id", f"{_shown(skill)} is there already")
        named.append(_ids(row["needs"], f"{place}.needs"))
        needs[skill] = frozenset(named[-1])
    for index, ids in enumerate(named):
        _refuse_unknown(ids, f"skills[{index}].needs", among=needs.keys(), kind="skill")
    return needs


def _units(value: object, *, skills: Collection[str], done: frozenset[str]) -> tuple[UnitFacts, ...]:
    units: dict[str, UnitFacts] = {}
    named: list[list[str]] = []
    for index, item in enumerate(_list(value, "units", most=MOST_UNITS)):
        place = f"units[{index}]"
        row = _object(item, place, wanted=("id", "book", "position", "teaches", "needs", "after", "weeks"))
        unit_id = _id(row["id"], f"{place}.id")
        if unit_id in units:
            raise StateError(f"{place}.id", f"{_shown(unit_id)} is there already")
        taught, needed, after = (_ids(row[key], f"{place}.{key}") for key in ("teaches", "needs", "after"))
        for key, ids in (("teaches", taught), ("needs", needed)):
            _refuse_unknown(ids, f"{place}.{key}", among=skills, kind="skill")
        named.append(after)
        units[unit_id] = UnitFacts(
            id=unit_id,
            book=_id(row["book"], f"{place}.book"),
            position=_whole(row["position"], f"{place}.position", low=-FURTHEST_POSITION, high=FURTHEST_POSITION),
            teaches=frozenset(taught),
            needs=frozenset(needed),
            after=frozenset(after),
            is_done=unit_id in done,
            weeks=_whole(row["weeks"], f"{place}.weeks", low=1, high=MOST_WEEKS),
        )
    for index, ids in enumerate(named):
        _refuse_unknown(ids, f"units[{index}].after", among=units.keys(), kind="unit")
    return tuple(units.values())
