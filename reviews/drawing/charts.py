"""Charts of a take: gaps between notes, tempo, level; each an SVG for a page and a table with the same numbers."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from reviews.drawing.strip import DrawingError
from reviews.drawing.writing import checked_name, number, signed, words

# Units; at this width text of 14 units is legible on a phone without sideways scrolling.
PHONE_WIDTH = 360.0
# Units; the width of a column of findings on a larger screen and on paper.
PAGE_WIDTH = 640.0
# Units; narrower, and a row has no room beside its units.
LEAST_WIDTH = 160.0
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
# How far the scale reaches: so many floors, or so many typical deviations. What lies beyond stands at the edge, with its number.
REACH_FLOORS, REACH_TYPICAL = 2.5, 5.0
# From the median of absolute deviations to a standard deviation, for values spread as errors are.
MAD_TO_SD = 1.4826

# Friberg & Sundberg 1995, Time discrimination in a monotonic isochronous sequence, JASA 98(5), abstract: one displaced tone is noticed
# from about 6 ms where tones follow within about 240 ms, from 2.5 % of the gap between 240 and 1000 ms. Nothing is said of longer gaps.
NOTICED_FAST_MS, NOTICED_FRAC = 6.0, 0.025
NOTICED_FAST_GAP_MS, NOTICED_LONGEST_GAP_MS = 240.0, 1000.0


@dataclass(frozen=True, slots=True)
class GapPoint:
    """One gap between neighbouring notes of a hand.

    Attributes
    ----------
    at_s : float
        When the later note came, seconds of the clip.
    gap_ms : float
        How long the gap was.
    late_ms : float
        How much longer than the tempo around it asks; negative is early.
    where : str
        The later note in words, such as “bar 3, beat 2”; empty without a score, and the time is said instead.
    bar : str
        Printed number of its bar; empty without a score.
    """

    at_s: float
    gap_ms: float
    late_ms: float
    where: str = ""
    bar: str = ""


@dataclass(frozen=True, slots=True)
class LevelPoint:
    """How loud something struck was, against what the chart compares it with.

    Attributes
    ----------
    at_s : float
        Seconds of the clip.
    level_db : float
        Decibels above (or below) what it is compared with.
    where : str
        In words, as in `GapPoint`.
    bar : str
        As in `GapPoint`.
    """

    at_s: float
    level_db: float
    where: str = ""
    bar: str = ""


@dataclass(frozen=True, slots=True)
class TempoPoint:
    """The tempo around one note.

    Attributes
    ----------
    at_s : float
        Seconds of the clip.
    bpm : float
        Quarters (or beats) a minute, above 0.
    where : str
        In words, as in `GapPoint`.
    bar : str
        As in `GapPoint`.
    is_after_stop : bool
        Whether the playing had stopped before; the curve begins anew.
    """

    at_s: float
    bpm: float
    where: str = ""
    bar: str = ""
    is_after_stop: bool = False


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawn chart.

    Attributes
    ----------
    svg : str
        One `svg` element, safe to be put into a page as it is; empty where there is nothing to draw.
    title : str
        As given.
    words : str
        What is to be seen, in a sentence or two.
    heads : tuple of str
        Heads of the table's columns.
    rows : tuple of tuple of str
        The table: all that the drawing shows, a row for each value.
    """

    svg: str
    title: str
    words: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    @property
    def table(self) -> tuple[tuple[tuple[str, str], ...], ...]:
        """The rows with the head of its column beside each cell, as narrow pages need it."""
        return tuple(tuple(zip(self.heads, row, strict=True)) for row in self.rows)


def noticed_ms(gap_ms: float) -> float | None:
    """Return from what displacement a single note is noticed in an even row of notes.

    Friberg & Sundberg 1995, Time discrimination in a monotonic isochronous sequence, JASA 98(5), abstract: 6 ms under about 240 ms, 2.5 %
    from 240 to 1000 ms; training made no difference. Single tones of one pitch: in music it takes rather more.

    Parameters
    ----------
    gap_ms : float
        The usual gap between notes, above 0.

    Returns
    -------
    float or None
        Milliseconds; None for gaps longer than a second, of which the source says nothing.

    Examples
    --------
    >>> noticed_ms(150), noticed_ms(400), noticed_ms(1500)
    (6.0, 10.0, None)
    """
    if gap_ms > NOTICED_LONGEST_GAP_MS:
        return None
    return NOTICED_FAST_MS if gap_ms < NOTICED_FAST_GAP_MS else NOTICED_FRAC * gap_ms


def draw_gaps(
    points: Sequence[GapPoint],
    *,
    title: str,
    floor_ms: float,
    name: str,
    width: float = PHONE_WIDTH,
    reach_ms: float | None = None,
) -> Chart:
    """Return how much later or earlier than even each note came.

    Parameters
    ----------
    points : sequence of GapPoint
        In order of time; stops are left out.
    title : str
        What is found, or whose gaps they are.
    floor_ms : float
        Half the height of the band within which this recording cannot tell, 0 or more.
    name : str
        Begins the ids in the drawing; two drawings on one page need two names.
    width : float
        Units, at least `LEAST_WIDTH`; `PHONE_WIDTH` and `PAGE_WIDTH` are meant.
    reach_ms : float, optional
        Where the scale ends, so that several charts can share one (`reach`); None: by these values.

    Returns
    -------
    Chart
        Without points its drawing is empty.

    Raises
    ------
    DrawingError
        If a value is no number, the floor is below 0, the width is too small, or the name is no name for an id.

    Examples
    --------
    >>> row = [GapPoint(0.4 * n, 400, late, bar="1") for n, late in enumerate([1, -2, 22, 0])]
    >>> chart = draw_gaps(row, title="Gaps of the right hand", floor_ms=5, name="gaps")
    >>> chart.words
    'One of 4 gaps lies outside what this recording can tell, 5 ms either way. The largest: 22 ms late, bar 1. Dashed lines: from about 10 ms the ear notices, in an even row of single notes.'
    >>> chart.rows[2]
    ('bar 1', '400 ms', '+22 ms', 'late')
    """
    values = _checked(points, [point.late_ms for point in points], floor=floor_ms, width=width, name=name)
    heads = ("Where", "Gap", "Against even", "So")
    if not values:
        return Chart("", title, "", heads, ())
    usual_ms = sorted(point.gap_ms for point in points)[len(points) // 2]
    noticed = noticed_ms(usual_ms)
    ends = reach_ms if reach_ms is not None else reach(values, floor=floor_ms)
    outside = [index for index, value in enumerate(values) if abs(value) > floor_ms]
    told = _told(len(values), len(outside), one="gap", floor=f"{floor_ms:.0f} ms")
    if outside:
        most = max(outside, key=lambda index: abs(values[index]))
        told += f" The largest: {abs(values[most]):.0f} ms {'late' if values[most] > 0 else 'early'}, {_where(points[most])}."  # fmt: skip
    if noticed is not None:
        told += f" Dashed lines: from about {noticed:.0f} ms the ear notices, in an even row of single notes."
    rows = tuple(
        (
            _where(point),
            f"{point.gap_ms:.0f} ms",
            f"{signed(point.late_ms, places=0)} ms",
            "too close to tell" if abs(point.late_ms) <= floor_ms else "late" if point.late_ms > 0 else "early",
        )
        for point in points
    )
    frame = _Frame(points, values=values, ends=ends, floor=floor_ms, width=width, unit="ms", up="late", down="early")
    svg = frame.draw(title=title, told=told, name=name, noticed=noticed, sign=_diamond, places=0)
    return Chart(svg, title, told, heads, rows)


def draw_levels(
    points: Sequence[LevelPoint],
    *,
    title: str,
    floor_db: float,
    name: str,
    width: float = PHONE_WIDTH,
    reach_db: float | None = None,
    marks_loud: bool = True,
) -> Chart:
    """Return how loud each note was beside what it is compared with.

    Parameters
    ----------
    points : sequence of LevelPoint
        In order of time.
    title : str
        What is found, and what each is compared with.
    floor_db : float
        Half the height of the band within which this recording cannot tell, 0 or more.
    name : str
        As for `draw_gaps`.
    width : float
        As for `draw_gaps`.
    reach_db : float, optional
        As for `draw_gaps`.
    marks_loud : bool
        Whether being louder is something to look at, as where a key is held against itself. Where music may grow loud it is not.

    Returns
    -------
    Chart
        Without points its drawing is empty.

    Raises
    ------
    DrawingError
        As for `draw_gaps`.

    Examples
    --------
    >>> chart = draw_levels([LevelPoint(0.0, 3.1), LevelPoint(61.5, -0.4)], title="Each key against itself", floor_db=1, name="keys")
    >>> chart.rows
    (('0:00.0', '+3.1 dB', 'louder'), ('1:01.5', '−0.4 dB', 'too close to tell'))
    """
    values = _checked(points, [point.level_db for point in points], floor=floor_db, width=width, name=name)
    heads = ("Where", "Level", "So")
    if not values:
        return Chart("", title, "", heads, ())
    ends = reach_db if reach_db is not None else reach(values, floor=floor_db)
    outside = [index for index, value in enumerate(values) if abs(value) > floor_db]
    told = _told(len(values), len(outside), one="note", floor=f"{floor_db:.1f} dB")
    if outside:
        loud, soft = (pick(outside, key=lambda index: values[index]) for pick in (max, min))
        if values[loud] > 0:
            told += f" Loudest: {signed(values[loud], places=1)} dB, {_where(points[loud])}."
        if values[soft] < 0:
            told += f" Softest: {signed(values[soft], places=1)} dB, {_where(points[soft])}."
    rows = tuple(
        (
            _where(point),
            f"{signed(point.level_db, places=1)} dB",
            "too close to tell" if abs(point.level_db) <= floor_db else "louder" if point.level_db > 0 else "softer",
        )
        for point in points
    )
    frame = _Frame(points, values=values, ends=ends, floor=floor_db, width=width, unit="dB", up="loud", down="soft")
    sign = _accent if marks_loud else _dot
    svg = frame.draw(title=title, told=told, name=name, noticed=None, sign=sign, places=1, stems=True)
    return Chart(svg, title, told, heads, rows)


def draw_tempo(
    points: Sequence[TempoPoint],
    *,
    title: str,
    bpm: float,
    floor_bpm: float,
    name: str,
    width: float = PHONE_WIDTH,
    asked_bpm: float | None = None,
) -> Chart:
    """Return the tempo from the start of a take to its end.

    Parameters
    ----------
    points : sequence of TempoPoint
        In order of time.
    title : str
        What is found.
    bpm : float
        Tempo of the take, above 0; the band of the floor lies around it.
    floor_bpm : float
        Half the height of the band within which this recording cannot tell, 0 or more.
    name : str
        As for `draw_gaps`.
    width : float
        As for `draw_gaps`.
    asked_bpm : float, optional
        Tempo asked on the sheet.

    Returns
    -------
    Chart
        With fewer than two points its drawing is empty.

    Raises
    ------
    DrawingError
        As for `draw_gaps`; or if a tempo is not above 0.

    Examples
    --------
    >>> chart = draw_tempo([TempoPoint(0, 60), TempoPoint(9, 66)], title="Faster towards the end", bpm=63, floor_bpm=1, name="tempo")
    >>> chart.words
    'From 60 at the start to 66 at the end; slowest 60, fastest 66. Differences under 1 cannot be told in this recording.'
    """
    values = _checked(points, [point.bpm for point in points], floor=floor_bpm, width=width, name=name)
    heads = ("Where", "Tempo", "So")
    tempi = [bpm, *values, *([asked_bpm] if asked_bpm is not None else [])]
    if any(not (math.isfinite(value) and value > 0) for value in tempi):
        raise DrawingError(f"tempi are {tempi[:3]}...; wanted numbers above 0")
    if len(values) < 2 or points[-1].at_s <= points[0].at_s:
        return Chart("", title, "", heads, ())
    told = f"From {values[0]:.0f} at the start to {values[-1]:.0f} at the end; slowest {min(values):.0f}, fastest {max(values):.0f}."
    told += f" Differences under {max(floor_bpm, 0.5):.0f} cannot be told in this recording."
    if asked_bpm is not None:
        told += f" {asked_bpm:.0f} was asked."
    rows = tuple(
        (
            _where(point) + (" (after a stop)" if point.is_after_stop else ""),
            f"{point.bpm:.0f}",
            "too close to tell" if abs(point.bpm - bpm) <= floor_bpm else "faster" if point.bpm > bpm else "slower",
        )
        for point in points
    )
    svg = _tempo_svg(points, tempi=tempi, floor_bpm=floor_bpm, title=title, told=told, name=name, width=width, asked_bpm=asked_bpm)  # fmt: skip
    return Chart(svg, title, told, heads, rows)


def reach(values: Sequence[float], *, floor: float) -> float:
    """Return how far the scale of a chart goes either way.

    Parameters
    ----------
    values : sequence of float
        All that share the scale.
    floor : float
        The floor, same unit.

    Returns
    -------
    float
        The largest value, but not further than some floors and typical deviations, so that one note far off flattens no others; above 0.

    Examples
    --------
    >>> reach([1.0, -2.0], floor=5.0), round(reach([1.0, -1.0, 1.0, 80.0], floor=2.0), 1)
    (12.5, 7.4)
    """
    sizes = sorted(abs(value) for value in values)
    typical = MAD_TO_SD * sizes[len(sizes) // 2] if sizes else 0.0
    least = REACH_FLOORS * floor
    return max(least, min(sizes[-1] if sizes else 0.0, max(least, REACH_TYPICAL * typical)), 1e-6)


Point = GapPoint | LevelPoint | TempoPoint
Sign = Callable[[float, float, float], str]


def clock(at_s: float) -> str:
    """Return a moment of a clip as minutes, seconds and tenths.

    Parameters
    ----------
    at_s : float
        Seconds, 0 or more.

    Returns
    -------
    str
        As it is typed.

    Examples
    --------
    >>> clock(61.54)
    '1:01.5'
    """
    tenths = round(max(at_s, 0.0) * 10)
    return f"{tenths // 600}:{tenths // 10 % 60:02}.{tenths % 10}"


def _where(point: Point) -> str:
    return point.where or (f"bar {point.bar}" if point.bar else clock(point.at_s))


def _told(count: int, outside: int, *, one: str, floor: str) -> str:
    many = one if count == 1 else f"{one}s"
    if not outside:
        return f"{'The one' if count == 1 else f'All {count}'} {many} {'lies' if count == 1 else 'lie'} within what this recording cannot tell, {floor} either way."
    lies = "One" if outside == 1 else str(outside)
    return f"{lies} of {count} {many} {'lies' if outside == 1 else 'lie'} outside what this recording can tell, {floor} either way."


def _checked(points: Sequence[Point], values: list[float], *, floor: float, width: float, name: str) -> list[float]:
    checked_name(name)
    if not width >= LEAST_WIDTH:
        raise DrawingError(f"width is {width}; wanted at least {LEAST_WIDTH}")
    if not (math.isfinite(floor) and floor >= 0):
        raise DrawingError(f"floor is {floor}; wanted a number, 0 or more")
    for value in [*values, *(point.at_s for point in points)]:
        if not math.isfinite(value):
            raise DrawingError(f"a value is {value}; wanted a number")
    return values


def _opening(*, width: float, height: float, title: str, told: str, name: str) -> list[str]:
    return [
        f'<svg class="chart-svg" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(width)} {number(height)}"',
        f' role="img" aria-labelledby="{name}-title" aria-describedby="{name}-words">',
        f'<title id="{name}-title">{words(title)}</title><desc id="{name}-words">{words(told)}</desc>',
    ]


def _diamond(x: float, y: float, middle: float) -> str:
    """A note that came late or early: a diamond on a stem, over the line or under it."""
    return (
        f'<path class="sv-ochre-l" stroke-width="2" d="M{number(x)} {number(middle)}V{number(y)}"/>'
        f'<path class="sv-ochre" d="M{number(x)} {number(y - 5.5)}l5.5 5.5l-5.5 5.5l-5.5-5.5z"/>'
    )


def _accent(x: float, y: float, middle: float) -> str:
    """A note louder than usual: the printed accent. A softer one is a dot, as all others are."""
    if y > middle:
        return _dot(x, y, middle)
    return (
        f'<path class="sv-red-l" stroke-width="2.4" d="M{number(x)} {number(middle)}V{number(y + 4)}"/>'
        f'<path class="sv-red-l" stroke-width="2.4" d="M{number(x - 6)} {number(y - 4)}l12 4l-12 4"/>'
    )


def _dot(x: float, y: float, middle: float) -> str:
    return (
        f'<path class="sv-soft-l" stroke-width="1.2" d="M{number(x)} {number(middle)}V{number(y)}"/>'
        f'<circle class="sv-ink" cx="{number(x)}" cy="{number(y)}" r="3"/>'
    )


def _ring(x: float, y: float) -> str:
    return f'<circle class="chart-in" cx="{number(x)}" cy="{number(y)}" r="3.2"/>'


class _Frame:
    """Values around a middle line, row by row like a score; every note has its place, however long it took."""

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
        starts = range(0, len(self.values), self.each)
        parts = _opening(width=self.width, height=self.height * len(starts), title=title, told=told, name=name)
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
            parts.append(sign(x, y, middle) if not inside else _dot(x, y, middle) if stems else _ring(x, y))
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


def _tempo_svg(
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

    parts = _opening(width=width, height=top + tall + AROUND + BELOW, title=title, told=told, name=name)
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
