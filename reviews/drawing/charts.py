"""Charts of a take: gaps between notes, tempo, level; each an SVG for a page and a table with the same numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from reviews.drawing.plotting import REACH_FLOORS, Frame, accent, diamond, dot, tempo_svg
from reviews.drawing.points import GapPoint, LevelPoint, Point, TempoPoint, where_of
from reviews.drawing.strip import DrawingError
from reviews.drawing.writing import checked_name, signed

# Units; at this width text of 14 units is legible on a phone without sideways scrolling.
PHONE_WIDTH = 360.0
# Units; the width of a column of findings on a larger screen and on paper.
PAGE_WIDTH = 640.0
# Units; narrower, and a row has no room beside its units.
LEAST_WIDTH = 160.0
# How far the scale reaches at most: so many typical deviations. What lies beyond stands at the edge, with its number.
REACH_TYPICAL = 5.0
# From the median of absolute deviations to a standard deviation, for values spread as errors are.
MAD_TO_SD = 1.4826

# Friberg & Sundberg 1995, Time discrimination in a monotonic isochronous sequence, JASA 98(5), abstract: one displaced tone is noticed
# from about 6 ms where tones follow within about 240 ms, from 2.5 % of the gap between 240 and 1000 ms. Nothing is said of longer gaps.
NOTICED_FAST_MS, NOTICED_FRAC = 6.0, 0.025
NOTICED_FAST_GAP_MS, NOTICED_LONGEST_GAP_MS = 240.0, 1000.0


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
        told += f" The largest: {abs(values[most]):.0f} ms {'late' if values[most] > 0 else 'early'}, {where_of(points[most])}."  # fmt: skip
    if noticed is not None:
        told += f" Dashed lines: from about {noticed:.0f} ms the ear notices, in an even row of single notes."
    rows = tuple(
        (
            where_of(point),
            f"{point.gap_ms:.0f} ms",
            f"{signed(point.late_ms, places=0)} ms",
            "too close to tell" if abs(point.late_ms) <= floor_ms else "late" if point.late_ms > 0 else "early",
        )
        for point in points
    )
    frame = Frame(points, values=values, ends=ends, floor=floor_ms, width=width, unit="ms", up="late", down="early")
    svg = frame.draw(title=title, told=told, name=name, noticed=noticed, sign=diamond, places=0)
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
            told += f" Loudest: {signed(values[loud], places=1)} dB, {where_of(points[loud])}."
        if values[soft] < 0:
            told += f" Softest: {signed(values[soft], places=1)} dB, {where_of(points[soft])}."
    rows = tuple(
        (
            where_of(point),
            f"{signed(point.level_db, places=1)} dB",
            "too close to tell" if abs(point.level_db) <= floor_db else "louder" if point.level_db > 0 else "softer",
        )
        for point in points
    )
    frame = Frame(points, values=values, ends=ends, floor=floor_db, width=width, unit="dB", up="loud", down="soft")
    sign = accent if marks_loud else dot
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
    told += f" Differences under {max(round(floor_bpm), 1)} cannot be told in this recording."
    if asked_bpm is not None:
        told += f" {asked_bpm:.0f} was asked."
    rows = tuple(
        (
            where_of(point) + (" (after a stop)" if point.is_after_stop else ""),
            f"{point.bpm:.0f}",
            "too close to tell" if abs(point.bpm - bpm) <= floor_bpm else "faster" if point.bpm > bpm else "slower",
        )
        for point in points
    )
    svg = tempo_svg(points, tempi=tempi, floor_bpm=floor_bpm, title=title, told=told, name=name, width=width, asked_bpm=asked_bpm)  # fmt: skip
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
