"""What a chart of a take is drawn from: a value of one note, when it came and where it stands."""

from dataclasses import dataclass


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


Point = GapPoint | LevelPoint | TempoPoint


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


def where_of(point: Point) -> str:
    """Return where a value stands, in words.

    Parameters
    ----------
    point : GapPoint, LevelPoint or TempoPoint
        One value of a chart.

    Returns
    -------
    str
        Its own words, else its bar, else the moment.

    Examples
    --------
    >>> where_of(LevelPoint(61.5, -0.4))
    '1:01.5'
    """
    return point.where or (f"bar {point.bar}" if point.bar else clock(point.at_s))
