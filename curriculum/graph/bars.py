"""Which bars of a piece are within reach today.

The question answered: of the bars of a piece that is still held, which ask for nothing that is missing, which wait for one
skill, and which are further off? A bar asks for the skills that are written down for it and for all that lies below them; what
is missing is decided by the gate of the piece (`curriculum.graph.gates`), so that both say the same.

Conventions: a bar is named by its printed number as text. Bars that nothing is written about are *not said*, unless the score
was read: then what is not found in a bar is not asked there.

Worked example: *legato* rests on *place*, and neither is there yet.

>>> needs = {"legato": frozenset({"place"}), "place": frozenset()}
>>> asked = [BarDemand("place", ("1", "2")), BarDemand("legato", ("2",))]
>>> reach = bars_within_reach(asked, bars=["1", "2", "3"], needs=needs, missing={"place", "legato"}, is_read=True)
>>> [(bar.bar, bar.reach.value, bar.missing) for bar in reach]
[('1', 'one_away', ('place',)), ('2', 'further', ('legato', 'place')), ('3', 'ready', ())]
"""

import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from curriculum.graph.errors import BarsError
from curriculum.graph.prerequisites import Needs, closure

# Bars of one piece that are told apart; a long movement has some hundreds.
MOST_BARS = 2_000
_PART = re.compile(r"(?:(\d{1,4})\s*(?:-|\N{EN DASH}|to)\s*(\d{1,4})(?!\d)|([0-9][0-9a-zA-Z.]{0,7}))(?=[\s,;]|$)")
_BETWEEN = re.compile(r"(?:[\s,;.]|\b(?:and|bars?)\b)+", re.IGNORECASE)


class Reach(StrEnum):
    """How far off a bar is."""

    READY = "ready"
    ONE_AWAY = "one_away"
    FURTHER = "further"
    NOT_SAID = "not_said"


@dataclass(frozen=True, slots=True)
class BarDemand:
    """Something asked in some bars: a skill, or None for what no skill covers; no bars means all of them."""

    skill: str | None
    bars: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BarReach:
    """One bar: how far off it is, and the skills missing for it, by id."""

    bar: str
    reach: Reach
    missing: tuple[str, ...]


def read_bars(text: str) -> tuple[str, ...]:
    """Return the bars that a text names.

    Parameters
    ----------
    text : str
        Such as "9-16, 21 and 37 to 44" or "1; 2; 12a".

    Returns
    -------
    tuple of str
        Printed numbers, each once, in the order written. Empty for an empty text.

    Raises
    ------
    BarsError
        If a part of it names no bars, a stretch runs backwards, or there are more than `MOST_BARS`.

    Examples
    --------
    >>> read_bars("bars 9 to 11 and 20")
    ('9', '10', '11', '20')
    """
    found: dict[str, None] = {}
    place = 0
    while place < len(text):
        if between := _BETWEEN.match(text, place):
            place = between.end()
            continue
        part = _PART.match(text, place)
        if part is None:
            raise BarsError(f"“{text[place : place + 20].strip()}” names no bars; wanted such as 9-16, 21")
        first, last, single = part.groups()
        if single is None and int(last) < int(first):
            raise BarsError(f"“{part[0]}” runs backwards; wanted the lower number first")
        found |= dict.fromkeys([single] if single else map(str, range(int(first), int(last) + 1)))
        if len(found) > MOST_BARS:
            raise BarsError(f"“{text[:20]}” names more than {MOST_BARS} bars; wanted fewer")
        place = part.end()
    return tuple(found)


def write_bars(bars: Iterable[str]) -> str:
    """Return bars in words, neighbours drawn together.

    Parameters
    ----------
    bars : iterable of str
        Printed numbers.

    Returns
    -------
    str
        Text that `read_bars` gives the same bars for. Empty for none.

    Examples
    --------
    >>> write_bars(["9", "10", "11", "20", "12a"])
    '9-11, 20, 12a'
    """
    runs: list[list[str]] = []
    for bar in bars:
        if runs and bar.isdecimal() and runs[-1][-1].isdecimal() and int(bar) == int(runs[-1][-1]) + 1:
            runs[-1].append(bar)
        else:
            runs.append([bar])
    return ", ".join(run[0] if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)


def bars_within_reach(
    demands: Sequence[BarDemand],
    *,
    bars: Sequence[str],
    needs: Needs,
    missing: Collection[str],
    is_read: bool,
) -> tuple[BarReach, ...]:
    """Return how far off each bar is.

    Parameters
    ----------
    demands : sequence of BarDemand
        What is asked, and where. Bars that are not among `bars` are passed over.
    bars : sequence of str
        The bars of the piece in their order.
    needs : mapping of str to frozenset of str
        Direct prerequisites of each skill.
    missing : collection of str
        Skills that hold the piece today.
    is_read : bool
        Whether the score itself was read, so that a bar without demands asks for nothing.

    Returns
    -------
    tuple of BarReach
        One for each bar, in order. Missing skills are sorted by id.

    Raises
    ------
    LoopError
        If prerequisites go round in a circle.

    Examples
    --------
    >>> beyond = BarDemand(None, ("1",))
    >>> [bar.reach.value for bar in bars_within_reach([beyond], bars=["1", "2"], needs={}, missing=(), is_read=False)]
    ['further', 'not_said']
    """
    held = frozenset(missing)
    lacking: dict[str, set[str]] = {bar: set() for bar in bars}
    is_said: set[str] = set()
    is_beyond: set[str] = set()
    for demand in demands:
        places = [bar for bar in demand.bars or bars if bar in lacking]
        if demand.bars:
            is_said.update(places)
        if demand.skill is None:
            is_beyond.update(places)
            continue
        below = closure([demand.skill], needs=needs) & held
        for bar in places:
            lacking[bar] |= below
    found = []
    for bar in bars:
        if not is_read and bar not in is_said:
            reach = Reach.NOT_SAID
        elif bar in is_beyond or len(lacking[bar]) > 1:
            reach = Reach.FURTHER
        else:
            reach = Reach.ONE_AWAY if lacking[bar] else Reach.READY
        found.append(BarReach(bar, reach, tuple(sorted(lacking[bar]))))
    return tuple(found)


def fills_most(reach: Iterable[BarReach]) -> tuple[str, int] | None:
    """Return the one skill that brings most bars within reach, and how many.

    Parameters
    ----------
    reach : iterable of BarReach
        The bars.

    Returns
    -------
    tuple of (str, int) or None
        The skill, the first by id among equals; None where no bar is one skill away.

    Examples
    --------
    >>> fills_most([BarReach("1", Reach.ONE_AWAY, ("place",)), BarReach("2", Reach.READY, ())])
    ('place', 1)
    """
    counts = Counter(bar.missing[0] for bar in reach if bar.reach is Reach.ONE_AWAY)
    return min(counts.items(), key=lambda item: (-item[1], item[0]), default=None)
