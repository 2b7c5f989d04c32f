"""What the page of the way shows of one piece: the drawn way, its bars, what could stand in, and what opens along it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import curriculum.graph.program  # noqa: F401 - with the pages, so that nobody waits for SciPy on the first of them
from curriculum.drawing import PAGE_WIDTH, PHONE_WIDTH, Station, StationState, WayDrawing, draw_way
from curriculum.graph.bars import BarDemand, BarReach, Reach, bars_within_reach, fills_most, read_bars, write_bars
from curriculum.graph.errors import BarsError
from curriculum.graph.gates import UnitFacts
from curriculum.graph.way import Alternative, Way, alternatives_on_way, cheapest_way, completed_units
from curriculum.models import Demand, Piece, Skill, Unit
from curriculum.queries import LearnerGraph, PieceState, UnitState
from curriculum.views.presenting import PieceWay, piece_way

# Seconds of reckoning for the way, and for what could stand in; together what a learner waits for a page.
WAY_LIMIT_S = 1.4
ALTERNATIVES_LIMIT_S = 0.5
# Ways remembered. The same books and the same standings give the same way, so most visits find theirs here.
MOST_REMEMBERED = 32
# Stand-ins and pieces named beside a way; more is a list to read instead of a hint.
MOST_STAND_INS = 4
MOST_PIECES = 6

STATIONS = {
    UnitState.DONE: StationState.DONE,
    UnitState.IN_WORK: StationState.IN_WORK,
    UnitState.OPEN: StationState.OPEN,
    UnitState.TO_COME: StationState.HELD,
}


@dataclass(frozen=True, slots=True)
class WayStop:
    """A unit of the way with what it teaches of what is missing, or a gap (no unit)."""

    unit: Unit | None
    letter: str
    state: str
    skills: list[Skill]


@dataclass(frozen=True, slots=True)
class StandIn:
    """Units that could take the place of some of the way."""

    dropped: list[Unit]
    instead: list[Unit]
    skills: list[Skill]
    weeks_more: int


@dataclass(frozen=True, slots=True)
class OnTheWay:
    """A piece of the learner's own that opens along the way, and after which unit."""

    piece: Piece
    unit: Unit


@dataclass(frozen=True, slots=True)
class BarCell:
    """One bar of the map."""

    bar: str
    sign: str
    words: str


@dataclass(frozen=True, slots=True)
class BarMap:
    """The bars of a piece, how far off each is."""

    cells: list[BarCell]
    count_ready: int
    count_one: int
    count_further: int
    count_not_said: int
    filler: Skill | None
    count_filled: int
    is_read: bool
    typed: list[Demand]
    heading: str


@dataclass(frozen=True, slots=True)
class LeadingWay:
    """Everything that the page of the way says about one piece."""

    held: PieceWay
    piece: Piece
    phone: WayDrawing | None
    page: WayDrawing | None
    stops: list[WayStop]
    books: list[tuple[str, str]]
    count_units: int
    weeks: int
    proof: str
    no_way: bool
    stand_ins: list[StandIn]
    on_the_way: list[OnTheWay]
    bars: BarMap | None


@lru_cache(maxsize=MOST_REMEMBERED)
def _solve(
    target: tuple[str, ...],
    needs: tuple[tuple[str, frozenset[str]], ...],
    units: tuple[UnitFacts, ...],
    known: frozenset[str],
    rank: tuple[tuple[str, tuple[int, ...]], ...],
) -> tuple[Way, tuple[Alternative, ...]]:
    below = dict(needs)
    way = cheapest_way(target, needs=below, units=units, known=known, rank=dict(rank), limit_s=WAY_LIMIT_S)
    others: tuple[Alternative, ...] = ()
    if len({unit.book for unit in units}) > 1:
        others = alternatives_on_way(
            way, target=target, needs=below, units=units, known=known, limit_s=ALTERNATIVES_LIMIT_S
        )
    return way, others


def leading_way(graph: LearnerGraph, piece: Piece, *, pieces: Sequence[Piece]) -> LeadingWay:
    """Gather the way to a piece. `pieces` are all of the learner's, with `needs` and `demands` fetched."""
    held = piece_way(graph, piece)
    bars = bar_map(graph, piece)
    blockers = [blocker.skill for blocker in graph.piece_gate(piece).blockers]
    if not blockers:
        return LeadingWay(held, piece, None, None, [], [], 0, 0, "", False, [], [], bars)
    missing = frozenset(blockers)
    way, others = _solve(
        tuple(sorted(missing)),
        tuple(sorted((slug, graph.needs.get(slug, frozenset())) for slug in graph.skills)),
        _units_left(graph),
        _holds_nothing(graph),
        tuple(sorted((slug, (skill.stage,)) for slug, skill in graph.skills.items())),
    )
    if way.units is None:
        return LeadingWay(held, piece, None, None, [], [], 0, 0, "", True, [], [], bars)
    letters = _letters(graph, [graph.units[unit_id] for unit_id in way.units])
    on_the_way = _opened_along(graph, way, pieces=[other for other in pieces if other.pk != piece.pk])
    stops = _stops(graph, way, missing=missing, letters=letters)
    marked = {found.unit.pk for found in on_the_way}
    stations = [_station(stop, marked=stop.unit is not None and stop.unit.pk in marked) for stop in stops]
    name = f"way-{piece.pk.hex[:8]}"
    return LeadingWay(
        held=held,
        piece=piece,
        phone=draw_way(stations, target=piece.title, width=PHONE_WIDTH, name=f"{name}-phone"),
        page=draw_way(stations, target=piece.title, width=PAGE_WIDTH, name=f"{name}-page"),
        stops=stops,
        books=[(letter, title) for title, letter in letters.values()],
        count_units=len(way.units),
        weeks=way.weeks or 0,
        proof=_proof(way),
        no_way=False,
        stand_ins=[_stand_in(graph, other) for other in others[:MOST_STAND_INS] if other.instead],
        on_the_way=on_the_way[:MOST_PIECES],
        bars=bars,
    )


def _units_left(graph: LearnerGraph) -> tuple[UnitFacts, ...]:
    """All units; those that teach nothing but what is known need not be played any more, though only a claim may speak for them."""
    known = _holds_nothing(graph)
    return tuple(
        replace(unit, is_done=unit.is_done or (bool(unit.teaches) and unit.teaches <= known))
        for unit in completed_units(units=graph.unit_facts, skills=graph.skill_facts)
    )


def _holds_nothing(graph: LearnerGraph) -> frozenset[str]:
    """Skills that are known, and those that never hold anything."""
    free = {slug for slug, facts in graph.skill_facts.items() if facts.is_watch or facts.is_not_for_me}
    return graph.known | free


def _proof(way: Way) -> str:
    if not way.units:
        return ""
    if way.is_optimal:
        return "No shorter way leads through your books."
    over = (way.weeks or 0) - (way.bound or 0)
    return f"It is at most {over} unit{'s' if over > 1 else ''} longer than the shortest way through your books."


def _letters(graph: LearnerGraph, units: Sequence[Unit]) -> dict[object, tuple[str, str]]:
    """Book -> its title and letter, in the order of the shelf; none where only one book is used."""
    used = {unit.book_id for unit in units}
    if len(used) < 2:
        return {}
    titles = {unit.book_id: unit.book.title for unit in graph.units.values() if unit.book_id in used}
    return {book: (title, chr(ord("A") + place % 26)) for place, (book, title) in enumerate(titles.items())}


def _stops(
    graph: LearnerGraph, way: Way, *, missing: frozenset[str], letters: dict[object, tuple[str, str]]
) -> list[WayStop]:
    """Units in playing order, each gap before the first unit that teaches what rests on it, else last."""
    gaps = list(way.gaps)
    stops: list[WayStop] = []
    taught: set[str] = set()
    for unit_id in way.units or ():
        unit = graph.units[unit_id]
        rests_on = graph.below(graph.teaches[unit_id]) | graph.unit_needs(unit)
        for gap in [gap for gap in gaps if gap in rests_on]:
            stops.append(WayStop(None, "", "gap", [graph.skills[gap]]))
            gaps.remove(gap)
        new = sorted((graph.teaches[unit_id] & missing) - taught, key=lambda slug: graph.skills[slug].stage)
        taught.update(new)
        letter = letters[unit.book_id][1] if letters else ""
        stops.append(WayStop(unit, letter, graph.unit_state(unit).label, [graph.skills[slug] for slug in new]))
    return stops + [WayStop(None, "", "gap", [graph.skills[gap]]) for gap in gaps]


def _station(stop: WayStop, *, marked: bool) -> Station:
    if stop.unit is None:
        return Station("gap", title=stop.skills[0].name, state=StationState.GAP)
    return Station(
        str(stop.unit.position),
        title=stop.unit.title,
        state=STATIONS[UnitState(stop.state.replace(" ", "_"))],
        page=stop.unit.page,
        book=stop.letter,
        is_mark=marked,
    )


def _stand_in(graph: LearnerGraph, other: Alternative) -> StandIn:
    return StandIn(
        dropped=[graph.units[unit_id] for unit_id in other.dropped],
        instead=[graph.units[unit_id] for unit_id in other.instead],
        skills=[graph.skills[slug] for slug in other.skills],
        weeks_more=other.weeks_more,
    )


def _opened_along(graph: LearnerGraph, way: Way, *, pieces: Iterable[Piece]) -> list[OnTheWay]:
    """Held pieces that everything taught along the way opens, the earliest first."""
    found: list[tuple[int, OnTheWay]] = []
    for piece in pieces:
        if graph.piece_state(piece) is not PieceState.HELD or piece.beyond:
            continue
        lacking = {blocker.skill for blocker in graph.piece_gate(piece).blockers}
        for place, unit_id in enumerate(way.units or ()):
            lacking -= graph.teaches[unit_id]
            if not lacking:
                found.append((place, OnTheWay(piece, graph.units[unit_id])))
                break
    return [each for _, each in sorted(found, key=lambda item: (item[0], item[1].piece.title))]


# Bars -----------------------------------------------------------------------------------------------------------------

SIGNS = {Reach.READY: "ready", Reach.ONE_AWAY: "one", Reach.FURTHER: "far", Reach.NOT_SAID: "none"}


def bar_map(graph: LearnerGraph, piece: Piece) -> BarMap | None:
    """Say of each bar how far off it is; None where nothing is known of any bar. A *no* asks for nothing."""
    slug_of = {skill.pk: slug for slug, skill in graph.skills.items()}
    rows = [row for row in piece.demands.all() if row.answer != Demand.Answer.NO]
    demands = []
    for row in rows:
        try:
            bars = read_bars(row.bars)
        except BarsError:  # numbers such as publishers print them; each stands for itself
            bars = tuple(filter(None, (part.strip() for part in row.bars.split(";"))))
        if bars:
            demands.append(BarDemand(slug_of.get(row.skill_id) if row.skill_id else None, bars))
    score = getattr(piece, "score", None)
    names = _bar_names(score.facts if score is not None else {}, demands)
    if not names:
        return None
    missing = _missing(graph, [demand.skill for demand in demands if demand.skill])
    reach = bars_within_reach(demands, bars=names, needs=graph.needs, missing=missing, is_read=score is not None)
    count = {kind: sum(bar.reach is kind for bar in reach) for kind in Reach}
    fills = fills_most(reach)
    return BarMap(
        cells=[BarCell(bar.bar, SIGNS[bar.reach], _bar_words(graph, bar)) for bar in reach],
        count_ready=count[Reach.READY],
        count_one=count[Reach.ONE_AWAY],
        count_further=count[Reach.FURTHER],
        count_not_said=count[Reach.NOT_SAID],
        filler=graph.skills[fills[0]] if fills else None,
        count_filled=fills[1] if fills else 0,
        is_read=score is not None,
        typed=[row for row in rows if not row.detector],
        heading=_bars_heading(count[Reach.READY], len(reach)),
    )


def _missing(graph: LearnerGraph, slugs: Iterable[str]) -> frozenset[str]:
    return graph.below(slugs) - _holds_nothing(graph)


def _bar_names(facts: dict[str, object], demands: Sequence[BarDemand]) -> list[str]:
    """The bars of the score; without one, those that are written about and those between."""
    named = list(dict.fromkeys(bar for demand in demands for bar in demand.bars))
    ends = facts.get("numbers") or []
    whole = [str(end) for end in ends if str(end).isdecimal()] if isinstance(ends, list) else []
    numbers = [int(bar) for bar in (*whole, *named) if bar.isdecimal()]
    if not numbers:
        return named
    first = min(numbers) if whole else min(1, *numbers)
    run = [str(number) for number in range(first, max(numbers) + 1)]
    odd = [bar for bar in named if not bar.isdecimal()]
    return run + odd


def _bar_words(graph: LearnerGraph, bar: BarReach) -> str:
    if bar.reach is Reach.READY:
        return "within reach"
    if bar.reach is Reach.ONE_AWAY:
        return f"one skill away: {graph.skills[bar.missing[0]].name}"
    return "further off" if bar.reach is Reach.FURTHER else "nothing written"


def _bars_heading(count: int, total: int) -> str:
    if not count:
        return "No bar is within reach yet"
    if count == total:
        return "All its bars are within reach today"
    return f"{count} of its {total} bars {'is' if count == 1 else 'are'} within reach today"


def say_bars(row: Demand) -> str:
    """The bars of a row as people write them."""
    try:
        return write_bars(read_bars(row.bars))
    except BarsError:
        return row.bars
