"""The lines of a chart: rows of signs around a middle line, and the curve of the tempo."""

from collections.abc import Callable, Sequence

from reviews.drawing.points import Point, TempoPoint, clock
from reviews.drawing.writing import number, signed, words

# Units left for the numbers of the scale, and free at the right for half a sign.
GUTTER, EDGE = 46.0, 12.0
# Units from the middle line of a row to the edge of its scale, the signs' own height beyond it, and what the bar numbers below need.
HALF, AROUND, BELOW = 34.0, 14.0, 22.0
# Units between two notes. Under 12 signs touch.
PITCH = 13.0
# Rows that a chart has at most; a longer take is drawn closer rather than longer.
MOST_ROWS = 8
# Units that a number beside a sign needs; nearer ones give way to the larger.
NUMBER_WIDTH, NUMBER_HEIGHT = 34.0, 13.0
# Units between two numbers of bars or times.
TICK_WIDTH = 26.0
CLOCK_WIDTH = 52.0
# A scale never ends nearer than so many floors: what cannot be told shall not fill it.
REACH_FLOORS = 2.5

Sign = Callable[[float, float, float], str]


def opening(*, width: float, height: float, title: str, told: str, name: str) -> list[str]:
    """Return the first lines of a chart: its paper, and what a screen reader says of it.

    Parameters
    ----------
    width, height : float
        Units of the paper.
    title, told : str
        What it is, and what is to be seen; not escaped.
    name : str
        Begins the ids, a name as ids need it.

    Returns
    -------
    list of str
        SVG without its closing tag.

    Examples
    --------
    >>> opening(width=360, height=90, title="Gaps", told="All even.", name="gaps")[2]
    '<title id="gaps-title">Gaps</title><desc id="gaps-words">All even.</desc>'
    """
    return [
        f'<svg class="chart-svg" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(width)} {number(height)}"',
        f' role="img" aria-labelledby="{name}-title" aria-describedby="{name}-words">',
        f'<title id="{name}-title">{words(title)}</title><desc id="{name}-words">{words(told)}</desc>',
    ]


def diamond(x: float, y: float, middle: float) -> str:
    """Return the sign of a note that came late or early: a diamond on a stem, over the line or under it.

    Parameters
    ----------
    x, y : float
        Its place on the paper, units.
    middle : float
        Height of the middle line, units; y grows downwards.

    Returns
    -------
    str
        SVG.

    Examples
    --------
    >>> "sv-ochre" in diamond(10, 4, 34)
    True
    """
    return (
        f'<path class="sv-ochre-l" stroke-width="2" d="M{number(x)} {number(middle)}V{number(y)}"/>'
        f'<path class="sv-ochre" d="M{number(x)} {number(y - 5.5)}l5.5 5.5l-5.5 5.5l-5.5-5.5z"/>'
    )


def accent(x: float, y: float, middle: float) -> str:
    """Return the sign of a note louder than usual: the printed accent. A softer one is a dot, as all others are.

    Parameters
    ----------
    x, y : float
        Its place on the paper, units.
    middle : float
        Height of the middle line, units; y grows downwards.

    Returns
    -------
    str
        SVG.

    Examples
    --------
    >>> "sv-red-l" in accent(10, 4, 34)
    True
    """
    if y > middle:
        return dot(x, y, middle)
    return (
        f'<path class="sv-red-l" stroke-width="2.4" d="M{number(x)} {number(middle)}V{number(y + 4)}"/>'
        f'<path class="sv-red-l" stroke-width="2.4" d="M{number(x - 6)} {number(y - 4)}l12 4l-12 4"/>'
    )


def dot(x: float, y: float, middle: float) -> str:
    """Return the sign of a note that asks for no look: a dot on a stem.

    Parameters
    ----------
    x, y : float
        Its place on the paper, units.
    middle : float
        Height of the middle line, units; y grows downwards.

    Returns
    -------
    str
        SVG.

    Examples
    --------
    >>> "sv-ink" in dot(10, 4, 34)
    True
    """
    return (
        f'<path class="sv-soft-l" stroke-width="1.2" d="M{number(x)} {number(middle)}V{number(y)}"/>'
        f'<circle class="sv-ink" cx="{number(x)}" cy="{number(y)}" r="3"/>'
    )


def _ring(x: float, y: float) -> str:
    return f'<circle class="chart-in" cx="{number(x)}" cy="{number(y)}" r="3.2"/>'


class Frame:
    """Values around a middle line, row by row like a score; every note has its place, however long it took.

    Parameters
    ----------
    points : sequence of GapPoint, LevelPoint or TempoPoint
        In order of time, at least one.
    values : sequence of float
        What is drawn of each, in `unit`; positive is up.
    ends : float
        Where the scale ends either way, above 0.
    floor : float
        Half the height of the band within which nothing can be told.
    width : float
        Units of the paper.
    unit, up, down : str
        Words at the scale.
    """

    def __init__(
        self,
        points: Sequence[Point],
        *,
        values: Sequence[float],
        ends: float,
        floor: float,
        width: float,
        unit: str,
        up: str,
        down: str,
    ) -> None:
        self.points, self.values = points, values
        self.ends, self.floor, self.width = ends, floor, width
        self.unit, self.up, self.down = unit, up, down
        room = width - GUTTER - EDGE
        fits = max(int(room // PITCH), 1)
        rows = min(-(-len(values) // fits), MOST_ROWS)
        # Rows of equal length: the last one does not trail off. Never wider apart than twice the usual, nor than the room.
        self.each = -(-len(values) // rows)
        self.pitch = min(room / max(self.each, 1), 2 * PITCH)
        self.height = AROUND + 2 * HALF + AROUND + BELOW

    def draw(
        self,
        *,
        title: str,
        told: str,
        name: str,
        noticed: float | None,
        sign: Sign,
        places: int,
        stems: bool = False,
    ) -> str:
        """Return the whole chart.

        Parameters
        ----------
        title, told, name : str
            As for `opening`.
        noticed : float or None
            Where dashed lines are drawn either way, in `unit`.
        sign : callable
            Draws a value outside the floor.
        places : int
            Decimals of the numbers beside the signs.
        stems : bool
            Whether values within the floor stand on stems too.

        Returns
        -------
        str
            One `svg` element.

        Examples
        --------
        >>> from reviews.drawing.points import LevelPoint
        >>> row = Frame([LevelPoint(0.0, 3.0)], values=[3.0], ends=5, floor=1, width=360, unit="dB", up="loud", down="soft")
        >>> row.draw(title="Keys", told="One.", name="keys", noticed=None, sign=accent, places=1).count("sv-red-l")
        2
        """
        starts = range(0, len(self.values), self.each)
        parts = opening(width=self.width, height=self.height * len(starts), title=title, told=told, name=name)
        for row, start in enumerate(starts):
            parts.append(f'<g transform="translate(0 {number(row * self.height)})">')
            parts += self._row(start, min(start + self.each, len(self.values)), noticed=noticed, sign=sign, places=places, stems=stems)  # fmt: skip
            parts.append("</g>")
        parts.append("</svg>")
        return "".join(parts)

    def _y(self, value: float) -> float:
        share = min(max(value / self.ends, -1.0), 1.0)
        return AROUND + HALF - share * HALF

    def _x(self, place: int) -> float:
        return GUTTER + (place + 0.5) * self.pitch

    def _row(self, start: int, stop: int, *, noticed: float | None, sign: Sign, places: int, stems: bool) -> list[str]:
        right = GUTTER + (stop - start) * self.pitch
        middle = self._y(0.0)
        high, low = self._y(self.floor), self._y(-self.floor)
        parts = [
            f'<rect class="sv-floor" x="{number(GUTTER)}" y="{number(high)}" width="{number(right - GUTTER)}" height="{number(low - high)}"/>',
            f'<path class="sv-ink-l" stroke-width="1" d="M{number(GUTTER)} {number(middle)}H{number(right)}"/>',
        ]
        if noticed is not None and noticed < self.ends:
            above, below = number(self._y(noticed)), number(self._y(-noticed))
            dashes = f"M{number(GUTTER)} {above}H{number(right)}M{number(GUTTER)} {below}H{number(right)}"
            parts.append(f'<path class="sv-soft-l" stroke-width="1" stroke-dasharray="5 4" d="{dashes}"/>')
        parts += [
            f'<text class="s" x="0" y="{number(middle - HALF + 10)}">{words(self.up)}</text>',
            f'<text class="rf" x="0" y="{number(middle + 5)}">{words(self.unit)}</text>',
            f'<text class="s" x="0" y="{number(middle + HALF)}">{words(self.down)}</text>',
        ]
        for index in range(start, stop):
            x, y = self._x(index - start), self._y(self.values[index])
            inside = abs(self.values[index]) <= self.floor
            parts.append(sign(x, y, middle) if not inside else dot(x, y, middle) if stems else _ring(x, y))
        parts += self._numbers(start, stop, places=places)
        parts += self._ticks(start, stop)
        return parts

    def _numbers(self, start: int, stop: int, *, places: int) -> list[str]:
        """Numbers beside what lies outside the floor; the smaller give way where they would run into one another."""
        parts: list[str] = []
        taken: list[tuple[float, float]] = []
        outside = [index for index in range(start, stop) if abs(self.values[index]) > self.floor]
        for index in sorted(outside, key=lambda place: (-abs(self.values[place]), place)):
            x, y = self._x(index - start), self._y(self.values[index])
            is_left = x + NUMBER_WIDTH > self.width
            left = x - 8 - NUMBER_WIDTH if is_left else x + 8
            if any(abs(left - other) < NUMBER_WIDTH and abs(y - beside) < NUMBER_HEIGHT for other, beside in taken):
                continue
            if self._covers(left, y, start, stop, besides=index):
                continue
            taken.append((left, y))
            anchor = ' text-anchor="end"' if is_left else ""
            parts.append(
                f'<text class="b" x="{number(x - 8 if is_left else x + 8)}" y="{number(y + 4)}"{anchor}>{signed(self.values[index], places=places)}</text>'
            )
        return parts

    def _covers(self, left: float, y: float, start: int, stop: int, *, besides: int) -> bool:
        """Whether a number would cover the sign of another note."""
        first = max(start, start + int((left - GUTTER) / self.pitch))
        last = min(stop, start + int((left + NUMBER_WIDTH - GUTTER) / self.pitch) + 1)
        return any(
            abs(self._y(self.values[index]) - y) < NUMBER_HEIGHT * 0.75
            for index in range(first, last)
            if index != besides
        )

    def _ticks(self, start: int, stop: int) -> list[str]:
        """Bars as barlines with their numbers; without a score moments of the clip."""
        foot = AROUND + 2 * HALF + AROUND + 12
        parts: list[str] = []
        free = 0.0
        for index in range(start, stop):
            point = self.points[index]
            starts_bar = bool(point.bar) and (index == 0 or self.points[index - 1].bar != point.bar)
            if point.bar and not (starts_bar or index == start):
                continue
            left = self._x(index - start) - self.pitch / 2
            if starts_bar and index != start:
                parts.append(f'<path class="sv-hair-l" stroke-width="1" d="M{number(left)} {number(AROUND)}V{number(AROUND + 2 * HALF)}"/>')  # fmt: skip
            if left < free:
                continue
            text = point.bar[:5] if point.bar else clock(point.at_s)
            if index == start and point.bar:
                text = f"bar {text}"
            room = TICK_WIDTH + 20 if text.startswith("bar ") else TICK_WIDTH if point.bar else CLOCK_WIDTH
            if left + room > self.width + 8:
                continue
            parts.append(f'<text class="s" x="{number(left + 1)}" y="{number(foot)}">{words(text)}</text>')
            free = left + room
        return parts


def tempo_svg(
    points: Sequence[TempoPoint],
    *,
    tempi: Sequence[float],
    floor_bpm: float,
    title: str,
    told: str,
    name: str,
    width: float,
    asked_bpm: float | None,
) -> str:
    """Return the curve of the tempo over the time of the take.

    Parameters
    ----------
    points : sequence of TempoPoint
        In order of time, at least two moments.
    tempi : sequence of float
        The tempo of the take, then all that the scale must hold, a minute.
    floor_bpm : float
        Half the height of the band within which nothing can be told.
    title, told, name : str
        As for `opening`.
    width : float
        Units of the paper.
    asked_bpm : float or None
        A tempo to draw beside it.

    Returns
    -------
    str
        One `svg` element.

    Examples
    --------
    >>> row = [TempoPoint(0, 60), TempoPoint(9, 66)]
    >>> drawn = tempo_svg(row, tempi=[63, 60, 66], floor_bpm=1, title="", told="", name="t", width=360, asked_bpm=60)
    >>> "60 asked" in drawn
    True
    """
    bpm = tempi[0]
    least, most = min(*tempi, bpm - floor_bpm), max(*tempi, bpm + floor_bpm)
    # Never so fine a scale that the floor fills it: a steady tempo shall look steady.
    room = max(most - least, REACH_FLOORS * 2 * floor_bpm, 0.1 * bpm)
    low = (least + most - room) / 2
    first, span = points[0].at_s, points[-1].at_s - points[0].at_s
    top, tall = AROUND, 3 * HALF
    right = width - EDGE

    def x_of(at_s: float) -> float:
        return GUTTER + (right - GUTTER) * (at_s - first) / span

    def y_of(value: float) -> float:
        return top + tall * (1 - (value - low) / room)

    parts = opening(width=width, height=top + tall + AROUND + BELOW, title=title, told=told, name=name)
    high, deep = y_of(bpm + floor_bpm), y_of(bpm - floor_bpm)
    parts.append(f'<rect class="sv-floor" x="{number(GUTTER)}" y="{number(high)}" width="{number(right - GUTTER)}" height="{number(deep - high)}"/>')  # fmt: skip
    parts.append(
        f'<path class="sv-hair-l" stroke-width="1" d="M{number(GUTTER)} {number(top)}V{number(top + tall)}H{number(right)}"/>'
    )
    scale = [(max(tempi[1:]), "s"), (min(tempi[1:]), "s"), (bpm, "rf")]
    drawn: list[float] = []
    for value, kind in sorted(scale, key=lambda each: each[1]):
        y = y_of(value)
        if all(abs(y - other) >= NUMBER_HEIGHT + 2 for other in drawn):
            drawn.append(y)
            parts.append(f'<text class="{kind}" x="{number(GUTTER - 6)}" y="{number(y + 5)}" text-anchor="end">{value:.0f}</text>')  # fmt: skip
    if asked_bpm is not None:
        y = y_of(asked_bpm)
        parts.append(f'<path class="sv-ink-l" stroke-width="1.4" stroke-dasharray="6 4" d="M{number(GUTTER)} {number(y)}H{number(right)}"/>')  # fmt: skip
        parts.append(f'<text class="b" x="{number(right)}" y="{number(y - 5 if y > top + 16 else y + 15)}" text-anchor="end">{asked_bpm:.0f} asked</text>')  # fmt: skip
    line = "".join(
        f"{'M' if not index or point.is_after_stop else 'L'}{number(x_of(point.at_s))} {number(y_of(point.bpm))}"
        for index, point in enumerate(points)
    )
    parts.append(f'<path class="sv-ink-l" stroke-width="2.2" stroke-linejoin="round" d="{line}"/>')
    parts += _tempo_ticks(points, x_of=x_of, foot=top + tall, width=width)
    parts.append("</svg>")
    return "".join(parts)


def _tempo_ticks(
    points: Sequence[TempoPoint], *, x_of: Callable[[float], float], foot: float, width: float
) -> list[str]:
    parts: list[str] = []
    free = 0.0
    for index, point in enumerate(points):
        x = x_of(point.at_s)
        if index and point.is_after_stop:
            parts.append(f'<path class="sv-ochre" d="M{number(x)} {number(foot - 6)}l5 5l-5 5l-5-5z"/>')
        is_new = not index or not point.bar or points[index - 1].bar != point.bar
        if not is_new or x < free:
            continue
        text = (f"bar {point.bar[:5]}" if not index else point.bar[:5]) if point.bar else clock(point.at_s)
        room = TICK_WIDTH + 20 if text.startswith("bar ") else TICK_WIDTH if point.bar else CLOCK_WIDTH
        if x + room > width + 8:
            break
        parts.append(f'<path class="sv-hair-l" stroke-width="1" d="M{number(x)} {number(foot)}v6"/>')
        parts.append(f'<text class="s" x="{number(x)}" y="{number(foot + 20)}">{words(text)}</text>')
        free = x + room
    return parts
