"""How even a playing is where it is regular: gaps that should be equal, whatever their value is called."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reviews.compare.measures import DETREND_GAPS, DRAWS, FLOOR_TIMES, Measure, Trust, ioi_floor_ms, spread
from reviews.compare.unscored.laying import Laid
from reviews.compare.unscored.pulse import Row

# Gaps of one value in a row that make a regular run: fewer belong to a rhythm.
LEAST_RUN = 6
# Gaps in a row from which long and short in turn are a pattern, share of them that must fit, and the least ratio that is told.
LEAST_TURNS, TURNS_FRAC, LEAST_RATIO = 16, 0.85, 1.15
# Below it a ratio of long to short is no difference (common practice, no source).
RATIO_FLOOR = 0.05


@dataclass(frozen=True, slots=True)
class Regular:
    """The regular part of a playing.

    ``groups`` hold gaps that should be equal, seconds, in order of time, and ``at_s`` the moment each of them ends; ``notes`` counts their
    strikes. ``pairs`` is how much longer the long gap of each pair is, where long and short take turns.
    """

    groups: tuple[Row, ...]
    at_s: tuple[Row, ...]
    notes: int
    pairs: Measure | None

    @property
    def usual_ms(self) -> float:
        return 1000.0 * float(np.median(np.concatenate(self.groups)))

    @property
    def late_ms(self) -> Row:
        """How much longer each gap is than those around it in its group, milliseconds: a running median over seven is taken off."""
        return np.concatenate([_late_ms(group) for group in self.groups])


def regular_of(laid: Laid) -> Regular | None:
    """Return the regular part of a playing: runs of six gaps and more of the value that has most of them, or long and short in turn.

    Parameters
    ----------
    laid : Laid
        The playing. Stops are out already.

    Returns
    -------
    Regular or None
        None without any run.
    """
    turns = _turns(laid)
    if turns is not None:
        return turns
    by_value: dict[float, list[tuple[Row, Row]]] = {}
    for run in _runs(laid, same_value=True):
        if len(run) >= LEAST_RUN:
            gaps_s = np.array([laid.gaps[index].seconds for index in run])
            ends_s = np.array([laid.gaps[index].end.onset_s for index in run])
            by_value.setdefault(round(laid.gaps[run[0]].beats, 4), []).append((gaps_s, ends_s))
    if not by_value:
        return None
    runs = max(by_value.values(), key=lambda each: sum(len(gaps_s) for gaps_s, _ in each))
    return Regular(
        groups=tuple(gaps_s for gaps_s, _ in runs),
        at_s=tuple(ends_s for _, ends_s in runs),
        notes=sum(len(gaps_s) + 1 for gaps_s, _ in runs),
        pairs=None,
    )


def evenness_ms(regular: Regular, *, trust: Trust, is_line: bool) -> tuple[Measure, float]:
    """Return the spread of gaps that should be equal: SD with floor and interval, and the robust SD (from the MAD).

    Parameters
    ----------
    regular : Regular
        At least two gaps.
    trust : Trust
        How good the recording is.
    is_line : bool
        Whether one note sounds at a time.

    Returns
    -------
    (Measure, float)
        Milliseconds.
    """
    late = regular.late_ms
    floor = ioi_floor_ms(trust, is_line=is_line)
    return spread(late, floor=floor), float(1.4826 * np.median(np.abs(late - np.median(late))))


def steadiness_pct(laid: Laid, *, trust: Trust) -> Measure | None:
    """Return how far the tempo wanders: half the way from its slow to its fast tenth, in per cent of the usual tempo.

    The tempo around a gap is the median over seven. A slow drift counts as wandering too; its size is told beside it.

    Parameters
    ----------
    laid : Laid
        The playing.
    trust : Trust
        How good the recording is.

    Returns
    -------
    Measure or None
        Per cent; None under twelve gaps.
    """
    if len(laid.gaps) < 12:
        return None
    local = local_bpm(laid)
    random = np.random.default_rng(0)
    count = len(local)
    starts = random.integers(0, count, size=(DRAWS, -(-count // DETREND_GAPS)))
    drawn = local[((starts[:, :, None] + np.arange(DETREND_GAPS)).reshape(DRAWS, -1)[:, :count]) % count]

    def wander(values: Row) -> Row:
        low, middle, high = np.quantile(values, [0.1, 0.5, 0.9], axis=-1)
        return np.asarray(50.0 * (high - low) / middle, np.float64)

    value = float(wander(local))
    low, high = np.quantile(wander(drawn), [0.025, 0.975])
    usual_s = float(np.median([gap.seconds for gap in laid.gaps]))
    floor = max(0.5, 100.0 * FLOOR_TIMES * trust.onset_sd_s / (usual_s * np.sqrt(DETREND_GAPS)))
    return Measure(value=value, low=min(float(low), value), high=max(float(high), value), floor=floor, count=count)


def local_bpm(laid: Laid) -> Row:
    """Return the tempo around each gap, beats a minute.

    Parameters
    ----------
    laid : Laid
        The playing.

    Returns
    -------
    ndarray, shape (n_gaps,)
        The median over seven gaps; fewer at the ends.
    """
    taus = np.array([gap.tau_s for gap in laid.gaps])
    half = DETREND_GAPS // 2
    return np.array([60.0 / np.median(taus[max(0, place - half) : place + half + 1]) for place in range(len(taus))])


def _late_ms(gaps_s: Row) -> Row:
    half = DETREND_GAPS // 2
    usual = np.array([np.median(gaps_s[max(0, place - half) : place + half + 1]) for place in range(len(gaps_s))])
    return np.asarray(1000.0 * (gaps_s - usual), np.float64)


def _runs(laid: Laid, *, same_value: bool) -> list[list[int]]:
    runs: list[list[int]] = []
    for index, gap in enumerate(laid.gaps):
        before = laid.gaps[index - 1] if index else None
        goes_on = before is not None and before.end.event == gap.start.event
        if goes_on and before is not None and (not same_value or abs(before.beats - gap.beats) < 1e-4):
            runs[-1].append(index)
        else:
            runs.append([index])
    return runs


def _turns(laid: Laid) -> Regular | None:
    """Return the playing as pairs of a long and a short gap, if nearly all of its gaps are such."""
    longs: list[Row] = []
    shorts: list[Row] = []
    ends: list[tuple[Row, Row]] = []
    for run in _runs(laid, same_value=False):
        gaps_s = np.array([laid.gaps[index].seconds for index in run])
        if len(gaps_s) < LEAST_TURNS:
            continue
        ends_s = np.array([laid.gaps[index].end.onset_s for index in run])
        # Each gap against its two neighbours: in turn above and below.
        off = np.log(gaps_s[1:-1] / np.sqrt(gaps_s[:-2] * gaps_s[2:]))
        sign = np.where(np.arange(1, len(gaps_s) - 1) % 2 == 0, 1.0, -1.0)
        first = 0 if float(np.median(off * sign)) > 0 else 1
        fits = float(np.mean((off * sign > 0) == (first == 0)))
        if fits >= TURNS_FRAC:
            longs.append(gaps_s[first::2])
            shorts.append(gaps_s[1 - first :: 2])
            ends.append((ends_s[first::2], ends_s[1 - first :: 2]))
    told = sum(len(each) for each in (*longs, *shorts))
    if not told or told < 0.7 * len(laid.gaps):
        return None
    ratios = np.concatenate([one[: len(other)] / other[: len(one)] for one, other in zip(longs, shorts, strict=True)])
    value = float(np.median(ratios))
    random = np.random.default_rng(0)
    low, high = np.quantile(np.median(ratios[random.integers(0, len(ratios), size=(DRAWS, len(ratios)))], axis=1), [0.025, 0.975])  # fmt: skip
    if value < LEAST_RATIO or low < 1.0 + RATIO_FLOOR:
        return None
    pairs = Measure(value=value, low=float(low), high=float(high), floor=RATIO_FLOOR, count=len(ratios))
    return Regular(
        groups=tuple(each for pair in zip(longs, shorts, strict=True) for each in pair),
        at_s=tuple(each for pair in ends for each in pair),
        notes=told + len(longs),
        pairs=pairs,
    )


def medians_apart(one: Sequence[float], other: Sequence[float], *, floor: float) -> Measure:
    """Return how much higher the values of one are than those of another, pair by pair, with a 95 % interval.

    Parameters
    ----------
    one, other : sequence of float
        The same number of each, at least one.
    floor : float
        Same unit.

    Returns
    -------
    Measure
        The median of the differences.

    Examples
    --------
    >>> medians_apart([3.0, 4.0], [1.0, 2.0], floor=0.5).value
    2.0
    """
    values = np.array(one) - np.array(other)
    random = np.random.default_rng(0)
    drawn = np.median(values[random.integers(0, len(values), size=(DRAWS, len(values)))], axis=1)
    low, high = np.quantile(drawn, [0.025, 0.975])
    return Measure(value=float(np.median(values)), low=float(low), high=float(high), floor=floor, count=len(values))
