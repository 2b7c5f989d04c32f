"""The engraved score with what needs looking at: marks on notes and bars, and measures drawn under their notes."""

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from xml.etree import ElementTree as ET

from reviews.drawing.strip import DrawingError
from reviews.drawing.writing import checked_name, number, signed, words

# All lengths below are in the engraver's inner units: 180 between two lines of a staff, ten to a unit of the picture's own size.
STAFF_SPACE = 180.0
# Half a note-head; its place in the picture is its left edge.
HEAD_X, HEAD_Y = 113.0, 80.0
# Above a system, where something is said about a place rather than a note: stops, going back, bars that went wrong each time.
LANE = 460.0
# Under a system: half the height of a row, and what its signs and numbers need around it.
ROW_HALF, ROW_AROUND = 330.0, 150.0
# Room between the lowest thing of a system and the first row.
ROW_GAP = 120.0
# What a number beside a sign needs: nearer ones give way to the larger.
NUMBER_WIDTH, NUMBER_HEIGHT = 560.0, 210.0
# Glyphs have no extent of their own in the picture: so much is taken for them.
GLYPH_REACH = 260.0

_NUMBER = re.compile(r"-?[0-9]+(?:\.[0-9]+)?")
_MOVE = re.compile(r"translate\((-?[0-9.]+)[ ,]+(-?[0-9.]+)\)")
# A path of absolute moves, lines and curves, of which every second number is a height.
_PLAIN_PATH = re.compile(r"[MLCQ0-9eE.,\s-]*\Z")


class Shape(StrEnum):
    """How a note is marked. Played notes are not."""

    WRONG = "wrong"
    MISSING = "missing"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True)
class NoteMark:
    """A note that is to be looked at.

    Attributes
    ----------
    note_id : str
        The written note.
    shape : Shape
        A cross in its place, a dashed head, or a question mark beside it.
    text : str
        What is said of it, in words.
    """

    note_id: str
    shape: Shape
    text: str


@dataclass(frozen=True, slots=True)
class ExtraMark:
    """A note that was heard and is not written: a diamond between two written notes.

    Attributes
    ----------
    after_id, before_id : str or None
        The written notes it came between; None at either end.
    frac : float
        Share of the way between them, 0 to 1.
    near_id : str
        The written note from which its height on the staff is counted.
    steps : int
        Steps of the scale above that note; negative below.
    text : str
        What is said of it, in words.
    """

    after_id: str | None
    before_id: str | None
    frac: float
    near_id: str
    steps: int
    text: str


class Place(StrEnum):
    """What happened at a note, said above its system."""

    STOP = "stop"
    BACK_FROM = "back_from"
    BACK_TO = "back_to"


@dataclass(frozen=True, slots=True)
class PlaceMark:
    """A stop, or where the player went back from or to.

    Attributes
    ----------
    note_id : str
        The written note that came next.
    place : Place
        What happened.
    text : str
        The same in words.
    number : int
        Which going back it is, from 1, so that both ends are found; 0 for a stop.
    """

    note_id: str
    place: Place
    text: str
    number: int = 0


@dataclass(frozen=True, slots=True)
class BarMark:
    """A bar that went wrong each time: a bracket over it. ``bar`` is its index, from 0."""

    bar: int
    text: str


@dataclass(frozen=True, slots=True)
class UnderRow:
    """Values drawn under their notes, a row for each system.

    Attributes
    ----------
    label, unit : str
        Such as “Time” and “ms”.
    floor : float
        Half the height of the band within which this recording cannot tell.
    ends : float
        Where the scale ends, above 0; what lies beyond stands at the edge.
    values : mapping of str to sequence of float
        By written note; more than one where it was played more than once.
    is_level : bool
        Levels stand on stems and mark what is loud; times are rings, and mark what is late or early.
    """

    label: str
    unit: str
    floor: float
    ends: float
    values: Mapping[str, Sequence[float]]
    is_level: bool = False


@dataclass(slots=True)
class _System:
    """One system of the picture: where its notes and bars are."""

    element: ET.Element
    heads: dict[str, tuple[float, float]] = field(default_factory=dict)
    bars: dict[int, tuple[float, float]] = field(default_factory=dict)
    top: float = math.inf
    bottom: float = -math.inf
    right: float = 0.0


def mark_score(
    svg: str,
    *,
    words_for_all: str,
    name: str,
    notes: Sequence[NoteMark] = (),
    extras: Sequence[ExtraMark] = (),
    places: Sequence[PlaceMark] = (),
    bars: Sequence[BarMark] = (),
    rows: Sequence[UnderRow] = (),
) -> str:
    """Return a page of an engraved score with marks.

    Parameters
    ----------
    svg : str
        A picture as `curriculum.score.engraving` makes it: systems of bars (`data-bar`) with notes (`data-note`).
    words_for_all : str
        What the picture shows, for those who do not see it.
    name : str
        Begins the ids in the drawing.
    notes, extras, places, bars, rows : sequences
        What to draw. What belongs to notes or bars of another page is passed over, for pages are drawn one by one.

    Returns
    -------
    str
        One `svg` element; taller than before where something stands above or under its systems. Without marks and rows only its words differ.

    Raises
    ------
    DrawingError
        If it is no such picture, a scale is no scale, or the name is no name for an id.

    Examples
    --------
    >>> page = ('<svg viewBox="0 0 100 50"><svg viewBox="0 0 1000 500"><g transform="translate(0, 0)"><g class="m-system">'
    ...     '<g class="m-measure" data-bar="0"><g class="m-staff"><path d="M0 100 L900 100"/></g><g class="m-note" data-note="b0n1">'
    ...     '<g class="m-notehead"><use transform="translate(200, 100) scale(0.72, 0.72)" href="#x"/></g></g></g></g></g></svg></svg>')
    >>> marked = mark_score(page, words_for_all="One note, not heard.", name="m", notes=[NoteMark("b0n1", Shape.MISSING, "not heard")])
    >>> 'class="m-note fd-missing"' in marked, "<title>not heard</title>" in marked
    (True, True)
    """
    checked_name(name)
    for row in rows:
        if not (math.isfinite(row.ends) and row.ends > 0 and math.isfinite(row.floor) and row.floor >= 0):
            raise DrawingError(f"the row {row.label!r} has the scale {row.ends} and the floor {row.floor}; wanted numbers, the first above 0")  # fmt: skip
    try:
        root = ET.fromstring(svg)  # noqa: S314 - of our own making, rebuilt from allowed shapes
    except ET.ParseError as error:
        raise DrawingError("the picture is broken; wanted one that was engraved") from error
    inner = root.find("svg")
    sheet = inner.find("g") if inner is not None else None
    if inner is None or sheet is None:
        raise DrawingError("the picture has no systems; wanted one that was engraved")
    systems = [_survey(element) for element in sheet if element.get("class") == "m-system"]
    if not systems:
        raise DrawingError("the picture has no systems; wanted one that was engraved")
    down = 0.0
    for system in systems:
        system_places = [mark for mark in places if mark.note_id in system.heads]
        system_bars = [mark for mark in bars if mark.bar in system.bars]
        system_rows = [row for row in rows if any(note_id in system.heads for note_id in row.values)]
        if system_places or system_bars:
            down += LANE
        drawn = [
            *_notes(system, notes),
            *_extras(system, extras),
            *_places(system, system_places),
            *_bars(system, system_bars),
        ]
        height = ROW_GAP if system_rows else 0.0
        for place, row in enumerate(system_rows):
            top = system.bottom + height
            drawn += _row(system, row, top=top, runs_from=system.bottom if not place else top)
            height += 2 * (ROW_HALF + ROW_AROUND)
        if drawn:
            system.element.append(ET.fromstring(f'<g class="fd-marks">{"".join(drawn)}</g>'))  # noqa: S314 - just written
        if down:
            system.element.set("transform", f"translate(0, {number(down)})")
        down += height
    _lengthen(root, inner, by=down)
    label = ET.Element("desc", {"id": f"{name}-words"})
    label.text = words_for_all
    root.insert(0, label)
    root.attrib.pop("aria-label", None)
    title = ET.Element("title", {"id": f"{name}-title"})
    title.text = "The score, with what was heard"
    root.insert(0, title)
    root.set("role", "img")
    root.set("aria-labelledby", f"{name}-title")
    root.set("aria-describedby", f"{name}-words")
    return ET.tostring(root, encoding="unicode")


def _lengthen(root: ET.Element, inner: ET.Element, *, by: float) -> None:
    if not by:
        return
    outer_box, inner_box = ([float(part) for part in each.get("viewBox", "").split()] for each in (root, inner))
    if len(outer_box) != 4 or len(inner_box) != 4 or inner_box[2] <= 0:
        raise DrawingError("the picture has no size; wanted one that was engraved")
    outer_box[3] += by * outer_box[2] / inner_box[2]
    inner_box[3] += by
    root.set("viewBox", " ".join(number(part) for part in outer_box))
    inner.set("viewBox", " ".join(number(part) for part in inner_box))


# Where things are --------------------------------------------------------------------------------------------------


def _survey(element: ET.Element) -> _System:
    system = _System(element)
    for measure in element.iter("g"):
        if "data-bar" in measure.attrib:
            edges = [x for path in measure.iter("path") for x in _ends_of_line(path.get("d", ""))]
            system.bars[int(measure.get("data-bar", "0"))] = (min(edges, default=0.0), max(edges, default=0.0))
            system.right = max(system.right, *edges) if edges else system.right
        note_id = measure.get("data-note")
        if note_id is not None:
            head = next((use for part in measure.iter("g") if part.get("class") == "m-notehead" for use in part.iter("use")), None)  # fmt: skip
            moved = _MOVE.match(head.get("transform", "")) if head is not None else None
            if moved:
                system.heads[note_id] = (float(moved[1]) + HEAD_X, float(moved[2]))
    for each in element.iter():
        for y in _heights(each):
            system.top, system.bottom = min(system.top, y), max(system.bottom, y)
    return system


def _ends_of_line(path: str) -> list[float]:
    """Return both ends of a level line, as staves have them; nothing for other paths."""
    found = [float(part) for part in _NUMBER.findall(path)]
    return [found[0], found[2]] if len(found) == 4 and found[1] == found[3] else []


def _heights(element: ET.Element) -> Iterable[float]:
    """Return heights between which an element surely lies, as far as a picture tells."""
    if element.tag == "use":
        moved = _MOVE.match(element.get("transform", ""))
        return [float(moved[2]) - GLYPH_REACH, float(moved[2]) + GLYPH_REACH] if moved else []
    if element.tag == "text" and "y" in element.attrib:
        y = float(element.attrib["y"])
        return [y - GLYPH_REACH, y + GLYPH_REACH / 2]
    path = element.get("d") or element.get("points") or ""
    if path and _PLAIN_PATH.match(path):
        return [float(part) for part in _NUMBER.findall(path)[1::2]]
    return []


# What is drawn -----------------------------------------------------------------------------------------------------


def _titled(text: str, drawing: str) -> str:
    return f"<g><title>{words(text)}</title>{drawing}</g>"


def _notes(system: _System, marks: Sequence[NoteMark]) -> list[str]:
    by_note: dict[str, list[NoteMark]] = defaultdict(list)
    for mark in marks:
        if mark.note_id in system.heads:
            by_note[mark.note_id].append(mark)
    groups = {part.get("data-note"): part for part in system.element.iter("g") if "data-note" in part.attrib}
    parts = []
    for note_id, same in by_note.items():
        x, y = system.heads[note_id]
        # A written note can be played more than once: the plainest fault gives the shape, all are said.
        worst = min(same, key=lambda mark: list(Shape).index(mark.shape))
        group = groups[note_id]
        group.set("class", f"{group.get('class', '')} fd-{worst.shape.value.replace('_', '-')}".strip())
        sign = {
            Shape.WRONG: f'<path class="sv-red-l" stroke-width="64" d="M{number(x - 130)} {number(y - 115)}l260 230m0 -230l-260 230"/>',
            Shape.MISSING: f'<path class="fd-touch" d="M{number(x - 130)} {number(y - 100)}h260v200h-260z"/>',
            Shape.CANNOT_TELL: f'<text class="fd-t fd-ask" x="{number(x + 170)}" y="{number(y + 90)}">?</text>',
        }[worst.shape]
        parts.append(_titled("; ".join(dict.fromkeys(mark.text for mark in same)), sign))
    return parts


def _extras(system: _System, marks: Sequence[ExtraMark]) -> list[str]:
    parts = []
    for mark in marks:
        after = system.heads.get(mark.after_id or "")
        before = system.heads.get(mark.before_id or "")
        near = system.heads.get(mark.near_id)
        anchor = after or before
        # Where the next note is on another line the diamond stands behind the note before it.
        if anchor is None or (after is None and mark.after_id is not None):
            continue
        if after is not None and before is not None and before[0] > after[0]:
            x = after[0] + min(max(mark.frac, 0.25), 0.75) * (before[0] - after[0])
        else:
            x = anchor[0] + (300.0 if after is not None else -300.0)
        y = (near or anchor)[1] - mark.steps * STAFF_SPACE / 2
        sign = f'<path class="sv-plum-l" stroke-width="52" d="M{number(x)} {number(y - 150)}l115 150l-115 150l-115 -150z"/>'
        parts.append(_titled(mark.text, sign))
    return parts


def _places(system: _System, marks: Sequence[PlaceMark]) -> list[str]:
    parts = []
    for mark in marks:
        x = system.heads[mark.note_id][0]
        y = system.top - LANE / 2
        if mark.place is Place.STOP:
            # The printed sign of a break: two strokes, before the note that came late.
            x -= 3 * HEAD_X
            sign = f'<path class="sv-ochre-l" stroke-width="46" d="M{number(x - 70)} {number(y + 130)}l110 -300m60 300l110 -300"/>'
        else:
            # Both ends carry the number of the going back; the arrow says which way it went.
            is_from = mark.place is Place.BACK_FROM
            tip = "m110 -90l-120 90l120 90" if is_from else "m250 0m-110 -90l120 90l-120 90"
            sign = (
                f'<path class="sv-ochre-l" stroke-width="46" d="M{number(x - 130)} {number(y)}h260M{number(x - 130)} {number(y)}{tip}"/>'
                f'<text class="fd-t fd-b" x="{number(x + 160)}" y="{number(y + 80)}">{mark.number}</text>'
            )
        parts.append(_titled(mark.text, sign))
    return parts


def _bars(system: _System, marks: Sequence[BarMark]) -> list[str]:
    parts = []
    for mark in marks:
        left, right = system.bars[mark.bar]
        y = system.top - 30
        sign = f'<path class="sv-red-l" stroke-width="46" d="M{number(left + 90)} {number(y)}v-110H{number(right - 90)}v110"/>'
        parts.append(_titled(mark.text, sign))
    return parts


def _row(system: _System, row: UnderRow, *, top: float, runs_from: float) -> list[str]:
    middle = top + ROW_AROUND + ROW_HALF
    foot = middle + ROW_HALF + ROW_AROUND / 2

    def y_of(value: float) -> float:
        return middle - min(max(value / row.ends, -1.0), 1.0) * ROW_HALF

    first = min(x for note_id, (x, _) in system.heads.items() if note_id in row.values)
    left = min(max(first - 260, 0.0), 900.0)
    high, low = y_of(row.floor), y_of(-row.floor)
    through = "".join(f"M{number(right)} {number(runs_from)}V{number(foot)}" for _, right in system.bars.values())
    parts = [
        f'<rect class="sv-floor fd-floor" x="{number(left)}" y="{number(high)}" width="{number(system.right - left)}" height="{number(low - high)}"/>',
        f'<path class="sv-hair-l" stroke-width="14" d="{through}"/>',
        f'<path class="sv-ink-l" stroke-width="14" d="M{number(left)} {number(middle)}H{number(system.right)}"/>',
        f'<text class="fd-t fd-rf" x="-180" y="{number(middle - 20)}">{words(row.label)}</text>',
        f'<text class="fd-t fd-s" x="-180" y="{number(middle + 220)}">{words(row.unit)}</text>',
    ]
    placed = [(system.heads[note_id][0], value) for note_id, values in row.values.items() if note_id in system.heads for value in values]  # fmt: skip
    for x, value in placed:
        parts.append(_value(x, y_of(value), middle, is_outside=abs(value) > row.floor, is_level=row.is_level))
    taken: list[tuple[float, float]] = []
    for x, value in sorted(placed, key=lambda each: (-abs(each[1]), each[0])):
        y = y_of(value)
        if abs(value) <= row.floor or any(abs(x - other) < NUMBER_WIDTH and abs(y - beside) < NUMBER_HEIGHT for other, beside in taken):  # fmt: skip
            continue
        if any(0 < other - x < NUMBER_WIDTH and abs(y_of(beside) - y) < NUMBER_HEIGHT * 0.7 for other, beside in placed):  # fmt: skip
            continue
        taken.append((x, y))
        is_last = x + NUMBER_WIDTH > system.right
        anchor = ' text-anchor="end"' if is_last else ""
        parts.append(
            f'<text class="fd-t fd-b" x="{number(x - 150 if is_last else x + 150)}" y="{number(y + 75)}"{anchor}>{signed(value, places=1 if row.is_level else 0)}</text>'
        )
    return parts


def _value(x: float, y: float, middle: float, *, is_outside: bool, is_level: bool) -> str:
    if is_level and is_outside and y < middle:
        return (
            f'<path class="sv-red-l" stroke-width="44" d="M{number(x)} {number(middle)}V{number(y + 60)}"/>'
            f'<path class="sv-red-l" stroke-width="44" d="M{number(x - 110)} {number(y - 75)}l220 75l-220 75"/>'
        )
    if is_level:
        return (
            f'<path class="sv-soft-l" stroke-width="22" d="M{number(x)} {number(middle)}V{number(y)}"/>'
            f'<circle class="sv-ink" cx="{number(x)}" cy="{number(y)}" r="52"/>'
        )
    if is_outside:
        return (
            f'<path class="sv-ochre-l" stroke-width="36" d="M{number(x)} {number(middle)}V{number(y)}"/>'
            f'<path class="sv-ochre" d="M{number(x)} {number(y - 100)}l100 100l-100 100l-100 -100z"/>'
        )
    return f'<circle class="chart-in fd-ring" cx="{number(x)}" cy="{number(y)}" r="60"/>'
