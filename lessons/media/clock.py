"""Moments of a clip as people write them: minutes, seconds and tenths."""

import math
import re

from lessons.media.errors import ClockError

_CLOCK = re.compile(r"(?:(\d{1,3}):)?(\d{1,5})(?:[.,](\d{1,3}))?")


def write_clock(moment_s: float) -> str:
    """Return a moment as minutes, seconds and tenths.

    Parameters
    ----------
    moment_s : float
        Seconds from the clip's common zero, 0 or more.

    Returns
    -------
    str
        ``m:ss.s``, rounded to the nearest tenth.

    Raises
    ------
    ClockError
        If the moment is negative or no number.

    Examples
    --------
    >>> write_clock(62.54), write_clock(0)
    ('1:02.5', '0:00.0')
    """
    if not math.isfinite(moment_s) or moment_s < 0:
        raise ClockError(f"a moment is 0 seconds or more; this is {moment_s}")
    tenths = round(moment_s * 10)
    return f"{tenths // 600}:{tenths % 600 // 10:02d}.{tenths % 10}"


def read_clock(text: str) -> float:
    """Return a typed moment in seconds.

    Parameters
    ----------
    text : str
        ``m:ss.s`` with or without tenths, or seconds alone. A comma may stand for the point.

    Returns
    -------
    float
        Seconds, 0 or more.

    Raises
    ------
    ClockError
        If it is no moment; after a colon seconds stay under 60.

    Examples
    --------
    >>> read_clock("1:02.5"), read_clock("12"), read_clock("0:07,25")
    (62.5, 12.0, 7.25)
    """
    found = _CLOCK.fullmatch(text.strip())
    if found is None or (found[1] and int(found[2]) >= 60):
        raise ClockError(f"“{text.strip()[:20]}” is no moment of a clip. Write minutes and seconds, such as 1:02.5.")
    return int(found[1] or 0) * 60 + float(f"{found[2]}.{found[3] or 0}")
