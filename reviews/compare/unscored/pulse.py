"""A pulse laid under strikes whose notation nobody knows: a unit that moves slowly, of which each gap is a whole number.

Method: dynamic programming over the gaps between strikes. At each gap the unit is one of many lengths on a logarithmic scale; a gap costs
as much as it lies off the nearest likely number of units, a unit costs as much as it changes. The likely numbers, and how far gaps
scatter, are chosen for the take. Our own; weights set on invented playings and on rendered takes (no source).
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reviews.compare.errors import CompareError
from reviews.compare.unscored.striking import Strike

Row = NDArray[np.float64]
Whole = NDArray[np.int64]

# Units looked for, seconds, and steps of their scale an octave: one step is 1.9 %. Fewer blur slow drift; more cost time.
LEAST_UNIT_S, MOST_UNIT_S, STEPS_AN_OCTAVE = 0.07, 2.4, 36
# Units a gap may hold, and how likely that is: one is usual, five and seven are not written. Guessed; twice as much moves little.
COUNTS = np.array([1, 2, 3, 4, 6, 8, 12, 16])
SHARES = np.array([0.56, 0.20, 0.07, 0.08, 0.04, 0.03, 0.01, 0.01])
# Scatter of gaps around whole units, natural logarithm, of which the likeliest is taken: from a machine to a first try.
SCATTERS = (0.015, 0.03, 0.06, 0.12, 0.2, 0.3)
# Seconds that an onset may be off whatever the tempo.
CLOCK_S = 0.003
# Density of a gap that fits nothing (a stop, a slip), for a natural logarithm of its length.
STRAY_DENSITY = 0.006
# Change of the unit from gap to gap: SD in steps of the scale, most steps, and the logarithm of what a leap (a new tempo) costs.
STEP_SD, MOST_STEPS, LEAP = 1.0, 4, float(np.log(1e-5))
# Least gain over "any length from half to double goes", natural logarithm a gap: below it gaps have no unit. Random gaps reach -0.4.
LEAST_GAIN = -0.2
# Share of gaps that may fit nothing, and gaps that are needed for a pulse.
MOST_STRAY_FRAC, LEAST_GAPS = 0.3, 8
# Beats a minute that are a pulse (30 to 240, and a little more, for nobody plays them exactly), the one that counts are drawn to where nothing else decides, and how strongly (octaves).
LEAST_BPM, MOST_BPM, USUAL_BPM, USUAL_OCTAVES = 29.0, 250.0, 92.0, 0.75
# Units a beat may hold, and the logarithm of how likely that is: halves and quarters of a beat are usual, thirds less.
BEAT_UNITS = ((1.0, 0.0), (2.0, 0.0), (4.0, -0.2), (3.0, -0.9), (6.0, -1.2), (8.0, -1.2), (0.5, -1.2))
# Weight of what falls on the beat (more strikes, more keys, longer gaps) against the usual tempo.
ACCENT_WEIGHT = 1.5
# Ratios of a new unit to the old that are another written value rather than another tempo, with what each costs (natural logarithm).
RELATED = ((1.0, 0.0), (2.0, 0.12), (0.5, 0.12), (3.0, 0.2), (1 / 3, 0.2), (4.0, 0.2), (0.25, 0.2), (1.5, 0.3), (2 / 3, 0.3), (0.75, 0.3), (4 / 3, 0.3))  # fmt: skip
# Share of equal gaps from which a take is one value throughout, and gaps then taken for it, in units (rubric: longer is a stop).
ONE_VALUE_FRAC, ONE_VALUE_LEAST, ONE_VALUE_MOST = 0.85, 0.55, 1.6
# Gaps over which the unit is taken around each gap (a running median).
LOCAL_GAPS = 7


@dataclass(frozen=True, slots=True)
class Grid:
    """Gaps as whole units.

    ``unit_s``, shape (n_gaps,), is the length of the unit around each gap, in seconds, the same written value throughout; ``counts``, shape
    (n_gaps,), how many of it the gap holds, 0 where it fits none. ``scatter`` is how far gaps lie off, as a share.
    """

    unit_s: Row
    counts: Row
    scatter: float

    @property
    def is_one_value(self) -> bool:
        """Whether nearly all gaps are alike."""
        told = self.counts[self.counts > 0]
        return len(told) > 0 and bool(np.mean(told == np.median(told)) >= ONE_VALUE_FRAC)


@dataclass(frozen=True, slots=True)
class Pulse:
    """The beat. ``units`` is how many units of the grid make one; ``bpm`` beats a minute over the take, ``others`` what a listener might
    count instead, in the same range.
    """

    bpm: float
    units: float
    others: tuple[float, ...]


def grid_of(gaps_s: Row) -> Grid | None:
    """Return the unit under gaps, and how many each holds.

    Parameters
    ----------
    gaps_s : ndarray, shape (n_gaps,)
        Seconds from each strike to the next, in order, above 0.

    Returns
    -------
    Grid or None
        None under eight gaps, and where no unit fits better than chance.

    Raises
    ------
    CompareError
        If a gap is no number above 0.

    Examples
    --------
    >>> grid_of(np.array([0.4, 0.4, 0.8, 0.4, 0.4, 0.8, 0.4, 0.4, 1.6])).counts.tolist()
    [1.0, 1.0, 2.0, 1.0, 1.0, 2.0, 1.0, 1.0, 4.0]
    """
    if len(gaps_s) and not (np.all(np.isfinite(gaps_s)) and float(np.min(gaps_s)) > 0):
        raise CompareError(f"gaps_s has {gaps_s.min()}; wanted seconds above 0")
    if len(gaps_s) < LEAST_GAPS:
        return None
    logs = np.log(gaps_s)
    steps = int(STEPS_AN_OCTAVE * np.log2(MOST_UNIT_S / LEAST_UNIT_S))
    # The scale hangs on the take's own usual gap, so that a take at another speed is read alike.
    anchor = float(np.median(logs))
    scale = anchor + (np.arange(steps) - steps // 2) * np.log(2) / STEPS_AN_OCTAVE
    scale = scale[(scale >= np.log(LEAST_UNIT_S)) & (scale <= np.log(MOST_UNIT_S))]
    scores, paths = _paths(np.stack([_densities(logs, gaps_s, scale, scatter) for scatter in SCATTERS], axis=1))
    likeliest = int(np.argmax(scores))
    score, scatter, path = float(scores[likeliest]), SCATTERS[likeliest], paths[:, likeliest]
    units = _one_level(scale[path])
    counts = _counts(logs - units.path, gaps_s, scatter) * units.factor
    stray = float(np.mean(counts == 0))
    # How likely gaps are where any length from half to double the usual goes as well as any other.
    chance = -np.log(2 * np.log(2)) * len(gaps_s)
    if stray > MOST_STRAY_FRAC or (score - chance) / len(gaps_s) < LEAST_GAIN:
        return None
    return _settled(gaps_s, counts, scatter)


def _densities(logs: Row, gaps_s: Row, scale: Row, scatter: float) -> Row:
    sd = np.sqrt(scatter**2 + (CLOCK_S / gaps_s) ** 2)[:, None]
    off = logs[:, None] - scale[None, :]
    total = np.full(off.shape, STRAY_DENSITY)
    for count, share in zip(COUNTS, SHARES, strict=True):
        total += share * np.exp(-0.5 * ((off - np.log(count)) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    return np.asarray(np.log(total), np.float64)


def _paths(densities: Row) -> tuple[Row, Whole]:
    """Return the best path for each scatter, all at once: scores, shape (n_scatters,), and places on the scale, (n_gaps, n_scatters)."""
    count, kinds, size = densities.shape
    moves = np.arange(-MOST_STEPS, MOST_STEPS + 1)
    cost = -0.5 * (moves / STEP_SD) ** 2
    back = np.zeros((count, kinds, size), np.int16)
    score = densities[0].copy()
    kind, own = np.arange(kinds)[:, None], np.arange(size)[None, :]
    padded = np.full((kinds, size + 2 * MOST_STEPS), -np.inf)
    for row in range(1, count):
        padded[:, MOST_STEPS:-MOST_STEPS] = score
        near = np.lib.stride_tricks.sliding_window_view(padded, len(moves), axis=1) + cost
        move = np.argmax(near, axis=2)
        new, origin = near[kind, own, move], own + moves[move]
        best = np.argmax(score, axis=1)[:, None]
        leap = score[kind, best] + LEAP
        back[row] = np.where(leap > new, best, origin)
        score = np.maximum(leap, new) + densities[row]
    path = np.zeros((count, kinds), np.int64)
    path[-1] = np.argmax(score, axis=1)
    for row in range(count - 1, 0, -1):
        path[row - 1] = back[row, kind[:, 0], path[row]]
    return np.max(score, axis=1), path


@dataclass(frozen=True, slots=True)
class _Units:
    path: Row
    factor: Row


def _one_level(path: Row) -> _Units:
    """Return what each unit is of the first: where the unit leaps to its double, the written value did, not the tempo."""
    leap = (MOST_STEPS + 0.5) * np.log(2) / STEPS_AN_OCTAVE
    factor = np.ones(len(path))
    now = 1.0
    for index, (before, after) in enumerate(pairwise(path), 1):
        if abs(after - before) > leap:
            ratio, _ = min(RELATED, key=lambda each: abs(after - before - np.log(each[0])) + each[1])
            now *= ratio
        factor[index] = now
    # The unit that most gaps are told in counts as one.
    usual = max(sorted(set(factor.tolist())), key=lambda each: int(np.sum(factor == each)))
    return _Units(path=path, factor=factor / usual)


def _counts(off: Row, gaps_s: Row, scatter: float) -> Row:
    sd = np.sqrt(scatter**2 + (CLOCK_S / gaps_s) ** 2)
    likely = np.array([share * np.exp(-0.5 * ((off - np.log(count)) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)) for count, share in zip(COUNTS, SHARES, strict=True)])  # fmt: skip
    best = np.argmax(likely, axis=0)
    return np.where(likely[best, np.arange(len(off))] > STRAY_DENSITY, COUNTS[best], 0).astype(np.float64)


def _settled(gaps_s: Row, counts: Row, scatter: float) -> Grid:
    grid = on_local_unit(gaps_s, counts, scatter=scatter)
    if grid.is_one_value:
        usual = float(np.median(counts[counts > 0]))
        units = gaps_s / grid.unit_s / usual
        near = (units >= ONE_VALUE_LEAST) & (units < ONE_VALUE_MOST)
        grid = on_local_unit(gaps_s, np.where(near, usual, counts), scatter=scatter)
    return grid


def on_local_unit(gaps_s: Row, counts: Row, *, scatter: float) -> Grid:
    """Return gaps with known numbers of units, and the unit around each.

    Parameters
    ----------
    gaps_s, counts : ndarray, shape (n_gaps,)
        Seconds, and units in each gap; 0 where it fits none.
    scatter : float
        Of the gaps around whole units, as a share.

    Returns
    -------
    Grid
        Of the same gaps.

    Examples
    --------
    >>> on_local_unit(np.array([0.5, 1.0, 0.5]), np.array([1.0, 2.0, 1.0]), scatter=0.03).unit_s.tolist()
    [0.5, 0.5, 0.5]
    """
    return Grid(unit_s=_local(gaps_s, counts), counts=counts, scatter=scatter)


def _local(gaps_s: Row, counts: Row) -> Row:
    """Return the unit around each gap: the median of the gaps nearest to it that hold a whole number of it."""
    told = np.flatnonzero(counts > 0)
    if not len(told):
        return np.full(len(gaps_s), float(np.median(gaps_s)))
    units = gaps_s[told] / counts[told]
    half = LOCAL_GAPS // 2
    found = np.empty(len(gaps_s))
    for index in range(len(gaps_s)):
        place = int(np.searchsorted(told, index))
        found[index] = np.median(units[max(0, place - half) : place + half + 1])
    return found


def pulse_of(
    strikes: tuple[Strike, ...], *, grid: Grid, asked_bpm: float | None = None, unit_beats: float | None = None
) -> Pulse:
    """Return how many units make a beat.

    Without a score that is a choice. What was asked decides it; else what comes down together, what is followed by a longer gap, and how
    fast people count.

    Parameters
    ----------
    strikes : tuple of Strike
        One more than the gaps of the grid.
    grid : Grid
        From :func:`grid_of` of the gaps between the strikes.
    asked_bpm : float, optional
        Quarters a minute on the sheet: of several readings the nearest is taken.
    unit_beats : float, optional
        Quarters that one unit is written with, where somebody said so.

    Returns
    -------
    Pulse
        With others that may be counted as well; none where `unit_beats` is given.

    Examples
    --------
    >>> strikes = tuple(Strike(0.375 * place, (60,), 0.0) for place in range(33))
    >>> pulse = pulse_of(strikes, grid=grid_of(np.full(32, 0.375)))
    >>> round(pulse.bpm), [round(other) for other in pulse.others]
    (80, [40, 160])
    """
    told = grid.counts > 0
    gaps_s = np.diff([strike.onset_s for strike in strikes])
    unit_s = _weighted_median(gaps_s[told] / grid.counts[told], weights=grid.counts[told])
    if unit_beats is not None:
        return Pulse(bpm=60.0 * unit_beats / unit_s, units=1.0 / unit_beats, others=())
    weight = _weights(strikes, grid)
    readings = [(units, 60.0 / (unit_s * units), odds) for units, odds in BEAT_UNITS]
    readings = [each for each in readings if LEAST_BPM <= each[1] <= MOST_BPM] or readings[:1]

    def fitness(reading: tuple[float, float, float]) -> float:
        units, bpm, odds = reading
        if asked_bpm:
            return -abs(float(np.log(bpm / asked_bpm)))
        usual = -0.5 * (float(np.log2(bpm / USUAL_BPM)) / USUAL_OCTAVES) ** 2
        return odds + usual + ACCENT_WEIGHT * _accent(weight, units)

    units, bpm, _ = max(readings, key=fitness)
    others = tuple(each for each in (bpm / 2, bpm * 2) if LEAST_BPM <= each <= MOST_BPM)
    return Pulse(bpm=bpm, units=units, others=others)


def _weighted_median(values: Row, *, weights: Row) -> float:
    order = np.argsort(values)
    heap = np.cumsum(weights[order])
    # The middle of the two values around the half, as a plain median has it.
    half = heap[-1] / 2
    low, high = int(np.searchsorted(heap, half)), int(np.searchsorted(heap, half, side="right"))
    return float((values[order][min(low, len(values) - 1)] + values[order][min(high, len(values) - 1)]) / 2)


def _weights(strikes: tuple[Strike, ...], grid: Grid) -> list[Row]:
    """Return, for each stretch without a break, a row of places a unit apart: 0 where nothing is struck, more the more is."""
    found: list[Row] = []
    places: list[tuple[int, float]] = [(0, 1.0)]
    now = 0
    for index, strike in enumerate(strikes):
        following = grid.counts[index] if index < len(grid.counts) else 0.0
        places[-1] = (now, 1.0 + 0.5 * (len(strike.pitches) - 1) + 0.25 * min(following, 4.0))
        if following <= 0 or following != int(following) or index + 1 == len(strikes):
            row = np.zeros(places[-1][0] + 1)
            for place, value in places:
                row[place] = value
            found.append(row)
            places, now = [(0, 1.0)], 0
        else:
            now += int(following)
            places.append((now, 1.0))
    return found


def _accent(rows: list[Row], units: float) -> float:
    """Return how much heavier the places of the best beat are than the others, 0 to 1; each stretch may begin anywhere in a beat."""
    size = int(units)
    if size < 2:
        return 0.0
    gains, sizes = [], []
    for row in rows:
        if len(row) >= 4 * size:
            means = np.array([float(np.mean(row[phase::size])) for phase in range(size)])
            rest = (float(np.sum(means)) - float(np.max(means))) / (size - 1)
            # The best of several phases is better than the rest by chance alone: its error is taken off.
            chance = 2.0 * float(np.std(row)) / np.sqrt(len(row) / size)
            gains.append(max(0.0, (float(np.max(means)) - rest - chance) / max(float(np.max(means)), 1e-9)))
            sizes.append(len(row))
    return float(np.average(gains, weights=sizes)) if gains else 0.0
