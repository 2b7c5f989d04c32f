"""The drawn way. What it looks like and why is told in `curriculum.drawing`."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from html import escape

# Units; drawn at this width text of 14 units is legible on a phone without sideways scrolling.
PHONE_WIDTH = 360.0
# Units; the width of a page of text on a larger screen and on paper.
PAGE_WIDTH = 720.0
# Units; narrower, and not even one station with its label fits.
LEAST_WIDTH = 160.0
# Units between two stations. Below 72 labels such as "p. 34-35" run into one another.
PITCH = 80.0
# Units left free at both ends of a line.
MARGIN = 12.0
# Units from the upper edge of a line of stations to its stroke, and height of the whole line with its labels.
STROKE_Y = 42.0
ROW_HEIGHT = 104.0
# Units; side of the boxed letter of a book.
LETTER_SIDE = 20.0
# Units; half the width of the sign of a station. The stroke stops short of it.
SIGN_HALF = 14.0
# Units between two lines of the name at the end, and the usual width of one letter of it.
LINE_HEIGHT = 20.0
LETTER_WIDTH = 8.2
# Letters of a label that fit between two stations; the rest is in the title and in the list.
MOST_LETTERS = 10

# What may not stand in XML, whatever it is escaped to.
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")


class DrawingError(ValueError):
    """A drawing cannot be made of these values."""


class StationState(StrEnum):
    """Where a station stands. A gap is a skill that no unit of the learner's teaches."""

    DONE = "done"
    IN_WORK = "in_work"
    OPEN = "open"
    HELD = "held"
    GAP = "gap"

    @property
    def label(self) -> str:
        """The state in words."""
        return {"in_work": "in work", "gap": "a gap, no unit of yours teaches it"}.get(self.value, self.value)


@dataclass(frozen=True, slots=True)
class Station:
    """One unit of the way, or a gap on it.

    Attributes
    ----------
    label : str
        What stands over it, short: the number of the unit.
    title : str
        Its whole title; of a gap the name of the skill.
    state : StationState
        Where it stands.
    page : str
        Page in the book, as printed; empty for none.
    book : str
        What stands for its book, a letter; boxed where the book changes. Empty with a single book.
    is_mark : bool
        Whether it is emphasised: the piece is a piece of the learner's that lies on the way.
    """

    label: str
    title: str
    state: StationState
    page: str = ""
    book: str = ""
    is_mark: bool = False


@dataclass(frozen=True, slots=True)
class WayLine:
    """One station as text: its state and a line that says all that the picture says."""

    state: StationState
    text: str


@dataclass(frozen=True, slots=True)
class WayDrawing:
    """A drawn way.

    Attributes
    ----------
    svg : str
        One `svg` element, safe to be put into a page as it is.
    lines : tuple of WayLine
        The same as text, one for each station in order.
    rows : int
        How many lines of stations it has, at least 1.
    height : float
        Units.
    """

    svg: str
    lines: tuple[WayLine, ...]
    rows: int
    height: float


def draw_way(stations: Sequence[Station], *, target: str, width: float = PHONE_WIDTH, name: str = "way") -> WayDrawing:
    """Return the way to a piece as a drawing.

    Parameters
    ----------
    stations : sequence of Station
        In the order of the way. Where there are none, the line leads straight to the target.
    target : str
        What the way leads to.
    width : float
        Units, at least `LEAST_WIDTH`; `PHONE_WIDTH` and `PAGE_WIDTH` are meant.
    name : str
        Begins the ids in the drawing; two drawings on one page need two names.

    Returns
    -------
    WayDrawing
        Lines are read from left to right, one below the other; the last ends with a final barline and the target's name.

    Raises
    ------
    DrawingError
        If the width is too small, or the name is no name for an id.

    Examples
    --------
    >>> drawn = draw_way([Station("7", title="Legato", state=StationState.OPEN, page="24")], target="A tune")
    >>> drawn.lines[0].text
    'unit 7, Legato, page 24: open'
    >>> "p. 24" in drawn.svg
    True
    """
    if not width >= LEAST_WIDTH:
        raise DrawingError(f"width is {width}; wanted at least {LEAST_WIDTH}")
    if not _NAME.fullmatch(name):
        raise DrawingError(f"name is {name!r}; wanted letters, digits, - and _, beginning with a letter")
    each_row = max(int((width - 2 * MARGIN) // PITCH), 1)
    rows = [stations[start : start + each_row] for start in range(0, len(stations), each_row)] or [stations]
    goal = _wrapped(_clean(target), width=width - 2 * MARGIN)
    height = ROW_HEIGHT * len(rows) + LINE_HEIGHT * len(goal) + MARGIN
    lines = tuple(WayLine(station.state, _say(station)) for station in stations)
    parts = [
        f'<svg class="way-drawing" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_n(width)} {_n(height)}"',
        f' role="img" aria-labelledby="{name}-title" aria-describedby="{name}-text">',
        f'<title id="{name}-title">{escape(f"The way to {_clean(target)}")}</title>',
        f'<desc id="{name}-text">{escape(_describe(stations))}</desc>',
    ]
    book = ""
    for row_number, row in enumerate(rows):
        is_last = row_number == len(rows) - 1
        parts.append(f'<g class="way-row" transform="translate(0 {_n(row_number * ROW_HEIGHT)})">')
        parts.append(_stroke(len(row), width=width, is_last=is_last))
        for place, station in enumerate(row):
            parts.append(_station(station, x=_x(place), shows_book=bool(station.book) and station.book != book))
            book = station.book or book
        parts.append("</g>")
    top = ROW_HEIGHT * len(rows) + 4
    for number, words in enumerate(goal):
        parts.append(
            f'<text class="rf b" x="{_n(width - MARGIN)}" y="{_n(top + LINE_HEIGHT * number)}" text-anchor="end">'
            f"{escape(words)}</text>"
        )
    parts.append("</svg>")
    return WayDrawing(svg="".join(parts), lines=lines, rows=len(rows), height=height)


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def _x(place: int) -> float:
    return MARGIN + PITCH * (place + 0.5)


def _clean(text: str) -> str:
    return " ".join(_FORBIDDEN.sub("", text).split())


def _shortened(text: str) -> str:
    clean = _clean(text)
    return clean if len(clean) <= MOST_LETTERS else f"{clean[: MOST_LETTERS - 1]}…"


def _wrapped(text: str, *, width: float) -> list[str]:
    most = max(int(width // LETTER_WIDTH), 1)
    lines: list[str] = []
    for word in text.split():
        for start in range(0, len(word), most):  # a word longer than a line is broken
            part = word[start : start + most]
            if lines and not start and len(lines[-1]) + 1 + len(part) <= most:
                lines[-1] += f" {part}"
            else:
                lines.append(part)
    return lines


def _say(station: Station) -> str:
    if station.state is StationState.GAP:
        return f"{_clean(station.title)}: {station.state.label}"
    named = [_clean(station.book), f"unit {_clean(station.label)}", _clean(station.title)]
    if station.page:
        named.append(f"page {_clean(station.page)}")
    return f"{', '.join(filter(None, named))}: {station.state.label}"


def _describe(stations: Sequence[Station]) -> str:
    gaps = sum(station.state is StationState.GAP for station in stations)
    units = len(stations) - gaps
    told = [f"{units} {'unit' if units == 1 else 'units'}"]
    if gaps:
        told.append(f"{gaps} {'gap' if gaps == 1 else 'gaps'}")
    return f"{' and '.join(told)}, in the order of the list beside this drawing."


def _stroke(count: int, *, width: float, is_last: bool) -> str:
    """The line through the stations of one row, and the final barline where it ends."""
    edge = width - MARGIN
    starts = [MARGIN, *(_x(place) + SIGN_HALF + 2 for place in range(count))]
    ends = [*(_x(place) - SIGN_HALF - 2 for place in range(count)), edge if not is_last else edge - 8]
    pieces = "".join(f"M{_n(start)} {_n(STROKE_Y)}H{_n(end)}" for start, end in zip(starts, ends, strict=True))
    drawn = f'<path class="sv-ink-l way-stroke" stroke-width="2" d="{pieces}"/>'
    if is_last:
        up, down = STROKE_Y - 16, STROKE_Y + 16
        drawn += f'<path class="sv-ink-l" stroke-width="1.6" d="M{_n(edge - 8)} {_n(up)}V{_n(down)}"/>'
        drawn += f'<path class="sv-ink-l" stroke-width="4" d="M{_n(edge - 2)} {_n(up)}V{_n(down)}"/>'
    return drawn


def _station(station: Station, *, x: float, shows_book: bool) -> str:
    parts = [f'<g class="way-station way-{station.state.value}"><title>{escape(_say(station))}</title>']
    if shows_book:
        left = x - PITCH / 2 + 1
        parts.append(
            f'<rect class="sv-sheet" x="{_n(left)}" y="1" width="{_n(LETTER_SIDE)}" height="{_n(LETTER_SIDE)}"/>'
            f'<text class="b" x="{_n(left + LETTER_SIDE / 2)}" y="16" text-anchor="middle">'
            f"{escape(_clean(station.book)[:2])}</text>"
        )
    parts.append(_SIGNS[station.state].format(x=_n(x), y=_n(STROKE_Y)))
    weight = "b" if station.is_mark else "n"
    parts.append(
        f'<text class="{weight}" x="{_n(x)}" y="{_n(STROKE_Y + 34)}" text-anchor="middle">'
        f"{escape(_shortened(station.label))}</text>"
    )
    if station.page:
        parts.append(
            f'<text class="s" x="{_n(x)}" y="{_n(STROKE_Y + 52)}" text-anchor="middle">'
            f"{escape(_shortened(f'p. {_clean(station.page)}'))}</text>"
        )
    parts.append("</g>")
    return "".join(parts)


_HEAD = '<ellipse class="{kind}" cx="{{x}}" cy="{{y}}" rx="9" ry="6.5" transform="rotate(-22 {{x}} {{y}})" {more}/>'
_HOLLOW = _HEAD.format(kind="sv-ink-l", more='stroke-width="2.4"')
_SIGNS = {
    StationState.DONE: _HEAD.format(kind="sv-ink", more=""),
    StationState.OPEN: _HOLLOW,
    StationState.IN_WORK: _HOLLOW
    + '<path class="sv-ink" transform="translate({x} {y}) rotate(-22)" d="M0 -6.5A9 6.5 0 0 0 0 6.5Z"/>',
    StationState.HELD: '<path class="sv-ink-l" stroke-width="2.6" transform="translate({x} {y})" d="M-12 5A12 13 0 0 1 12 5"/>'
    '<circle class="sv-ink" cx="{x}" cy="{y}" r="3"/>',
    StationState.GAP: '<ellipse class="sv-ink-l" stroke-width="2.2" stroke-dasharray="4 3.4" cx="{x}" cy="{y}" rx="10" ry="7"/>',
}
