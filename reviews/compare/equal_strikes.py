"""Which of several equal strikes in a row is missing: only their moments can say, and sometimes they do not."""

from math import log

# A gap off by more than double says no more than one off by double: it is a stop.
MOST_OFF = log(2.0)
# Intervals around a strike that give the tempo there, and how few are too few.
TEMPO_INTERVALS, LEAST_INTERVALS = 8, 3


def margin_of(
    strike_s: float,
    *,
    told_beat: float,
    other_beat: float,
    before: tuple[float, float] | None,
    after: tuple[float, float] | None,
    tau_s: float,
) -> float:
    """Return by how much a strike fits the place that was told for it better than another.

    Parameters
    ----------
    strike_s : float
        When it was struck, seconds.
    told_beat, other_beat : float
        The two places, quarters.
    before, after : pair of float, optional
        Beat and second of the last strike before both places, and of the first after; None where there is none.
    tau_s : float
        Seconds a quarter thereabouts, above 0.

    Returns
    -------
    float
        Natural logarithms of gaps, -1.4 to 1.4; above 0 where the told place is the better one. 0 with no strike on either side.

    Examples
    --------
    >>> round(margin_of(2.0, told_beat=2, other_beat=1, before=(0, 0.0), after=(3, 3.0), tau_s=1.0), 2)
    1.39
    >>> round(margin_of(1.5, told_beat=2, other_beat=1, before=(0, 0.0), after=(3, 3.0), tau_s=1.0), 2)
    0.0
    """

    def off(beat: float) -> float:
        total = 0.0
        if before is not None:
            total += _off(strike_s - before[1], (beat - before[0]) * tau_s)
        if after is not None:
            total += _off(after[1] - strike_s, (after[0] - beat) * tau_s)
        return total

    return off(other_beat) - off(told_beat)


def _off(gap_s: float, wanted_s: float) -> float:
    return min(abs(log(max(gap_s, 1e-3) / wanted_s)), MOST_OFF)
