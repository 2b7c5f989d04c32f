"""A playing laid on its own pulse: beats for each strike, stops, and what returns."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from reviews.compare.errors import CompareError
from reviews.compare.measures import Gap, Stroke
from reviews.compare.unscored.pulse import (
    LEAST_GAPS,
    SCATTERS,
    Grid,
    Pulse,
    Row,
    grid_of,
    on_local_unit,
    pulse_of,
)
from reviews.compare.unscored.repeats import Stretch, stretches_of
from reviews.compare.unscored.striking import Strike, strikes_of
from reviews.sound.heard import HeardNote

# Times the usual gap from which a gap may be a stop (rubric, as with a score), and seconds it must cost.
STOP_RATIO, LEAST_LOST_S = 1.6, 0.15
# Natural logarithm within which a long gap is as long as a longer note would be: nobody holds a last note to better than a tenth.
NEAR_VALUE = 0.1
# Multiples of the usual gap that a longer note may be.
LONGER = np.log(np.array([2.0, 3.0, 4.0, 6.0, 8.0]))
# Beats and seconds from which a gap is a stop whatever is written; seconds and usual gaps where there is no pulse.
PAUSE_BEATS, PAUSE_S, PAUSE_GAPS = 6.5, 3.0, 5.0
# Natural logarithm by which a gap may miss a typed value, and share of gaps that must not, for the typing to fit.
RHYTHM_NEAR, RHYTHM_FRAC = 0.3, 0.8
# What going on from another place of a typed rhythm costs, in gaps that miss by RHYTHM_NEAR, and the most that one gap may cost. Looked at
# on invented playings: at 2 a long stop is taken for one, at 8 a phrase must go on for long before its missing note is seen.
BREAK_COST, MOST_COST = 4.0, 3.0
# Lengths of a quarter tried around the first guess, as shares: a stop in every phrase makes the guess too long by so much.
RHYTHM_TEMPI = (0.7, 0.8, 0.9, 1.0, 1.1, 1.25)
# Gaps among which so many must fit, for a rhythm to be still the one that is played.
MISFIT_GAPS, MISFIT_LEAST = 6, 3


@dataclass(frozen=True, slots=True)
class Asked:
    """What is known without a score. ``bpm`` quarters a minute; ``rhythm_beats`` quarters from each strike to the next, from the first on and
    over again; ``is_exercise`` allows bands of the rubric that hold for exercises only.
    """

    bpm: float | None = None
    rhythm_beats: tuple[float, ...] = ()
    is_exercise: bool = False


@dataclass(frozen=True, slots=True)
class Stop:
    """A gap much longer than the pulse asks. It ends with ``strike`` at ``at_s``, and cost about ``lost_s``."""

    strike: int
    at_s: float
    lost_s: float


@dataclass(frozen=True, slots=True)
class Laid:
    """A playing without a score.

    ``grid`` and ``pulse`` are None where there is no steady pulse. ``strokes`` have beats since the first strike, ``gaps`` those between
    strokes that follow each other on the pulse, stops marked. ``stops`` are sure ones; ``long_s`` are moments after gaps that may be stops
    or long notes. ``fits_rhythm`` says whether a typed rhythm can be laid under the playing, None without one. ``breaks_s`` are moments at
    which it then goes on from another place of the rhythm; ``misfit_s`` is where a rhythm that cannot be laid stops fitting, None where it
    never did.
    """

    strikes: tuple[Strike, ...]
    grid: Grid | None
    pulse: Pulse | None
    stretches: tuple[Stretch, ...]
    stops: tuple[Stop, ...]
    long_s: tuple[float, ...]
    strokes: tuple[Stroke, ...]
    gaps: tuple[Gap, ...]
    fits_rhythm: bool | None = None
    breaks_s: tuple[float, ...] = ()
    misfit_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Typed:
    """A typed rhythm under the gaps.

    ``grid`` is theirs with it, None where it does not fit; ``counts`` are units written for each, ``breaks`` the strikes at which it breaks,
    ``misfit`` the one where it ends.
    """

    grid: Grid | None
    counts: Row
    unit_beats: float
    breaks: tuple[int, ...]
    misfit: int | None


def lay(heard: Sequence[HeardNote], *, asked: Asked | None = None) -> Laid:
    """Return a playing laid on its own pulse.

    Parameters
    ----------
    heard : sequence of HeardNote
        In any order.
    asked : Asked, optional
        What is known of it.

    Returns
    -------
    Laid
        Nothing heard gives empty tuples.

    Raises
    ------
    CompareError
        If a typed tempo or value is not above 0.

    Examples
    --------
    >>> laid = lay([HeardNote(0.5 * place, 60 + place) for place in range(12)], asked=Asked(bpm=120))
    >>> round(laid.pulse.bpm), [stroke.onset_beat for stroke in laid.strokes[:3]]
    (120, [0.0, 1.0, 2.0])
    """
    asked = asked or Asked()
    if (asked.bpm is not None and asked.bpm <= 0) or any(value <= 0 for value in asked.rhythm_beats):
        raise CompareError(f"asked is {asked}; wanted numbers above 0")
    strikes = strikes_of(heard)
    stretches = stretches_of(strikes)
    gaps_s = np.maximum(np.diff([strike.onset_s for strike in strikes]), 1e-3)
    grid = grid_of(gaps_s)
    typed = _typed(gaps_s, grid, asked.rhythm_beats) if asked.rhythm_beats and len(gaps_s) >= LEAST_GAPS else None
    if typed is not None and typed.grid is not None:
        grid = typed.grid
    if grid is None:
        stops = _pauses(strikes, gaps_s)
        fits = False if asked.rhythm_beats else None
        return Laid(strikes, None, None, stretches, stops, (), (), (), fits, misfit_s=_at_s(strikes, typed))
    fits = typed.grid is not None if typed is not None else None
    pulse = pulse_of(
        strikes, grid=grid, asked_bpm=asked.bpm, unit_beats=typed.unit_beats if typed is not None and fits else None
    )
    if typed is not None and fits:
        stops = _stops_of_typed(strikes, gaps_s, grid, typed.counts)
        long_s: tuple[float, ...] = ()
    else:
        stops, long_s = _stops(strikes, gaps_s, grid, pulse, stretches)
    strokes = _strokes(strikes, gaps_s, grid, pulse, {stop.strike for stop in stops})
    return Laid(
        strikes,
        grid,
        pulse,
        stretches,
        stops,
        long_s,
        strokes,
        _gaps(strokes),
        fits_rhythm=fits,
        breaks_s=tuple(strikes[index].onset_s for index in typed.breaks) if typed is not None and fits else (),
        misfit_s=_at_s(strikes, typed),
    )


def _at_s(strikes: tuple[Strike, ...], typed: "_Typed | None") -> float | None:
    return strikes[typed.misfit].onset_s if typed is not None and typed.misfit is not None else None


def _typed(gaps_s: Row, grid: Grid | None, rhythm_beats: tuple[float, ...]) -> _Typed:
    """Return the gaps as typed values. A note too many or too few, and going back, break the rhythm; it goes on from another place."""
    if grid is None:
        # Too uneven for a pulse of its own; the rhythm may be told all the same.
        grid = Grid(np.full(len(gaps_s), float(np.median(gaps_s))), np.ones(len(gaps_s)), SCATTERS[-1])
    written = np.array(rhythm_beats)
    unit_beats = float(written.min())
    quarter_s = grid.unit_s * _quarter_units(gaps_s / grid.unit_s, written)
    places, _ = min(
        (_places(gaps_s / (quarter_s * share), written) for share in RHYTHM_TEMPI), key=lambda each: each[1]
    )
    counts = written[places] / unit_beats
    # Two neighbours together say the tempo around a gap: a long and a short one that take turns do not hide it.
    pairs = np.convolve(gaps_s, [1.0, 1.0], "valid") / np.convolve(counts, [1.0, 1.0], "valid")
    around = on_local_unit(pairs, np.ones(len(pairs)), scatter=grid.scatter).unit_s
    near = np.abs(np.log(gaps_s / (np.append(around, around[-1]) * counts))) < RHYTHM_NEAR
    goes_on = places[1:] == (places[:-1] + 1) % len(written)
    if float(np.mean(near)) < RHYTHM_FRAC:
        return _Typed(None, counts, unit_beats, (), _misfit(near))
    breaks = tuple(int(place) + 1 for place in np.flatnonzero(~goes_on))
    return _Typed(
        on_local_unit(gaps_s, np.where(near, counts, 0.0), scatter=grid.scatter), counts, unit_beats, breaks, None
    )


def _stops_of_typed(strikes: tuple[Strike, ...], gaps_s: Row, grid: Grid, counts: Row) -> tuple[Stop, ...]:
    """Return the gaps that are much longer than the value written for them."""
    lost_s = gaps_s - grid.unit_s * counts
    is_stop = (gaps_s >= STOP_RATIO * grid.unit_s * counts) & (lost_s >= LEAST_LOST_S)
    return tuple(
        Stop(strike=int(place) + 1, at_s=strikes[place + 1].onset_s, lost_s=float(lost_s[place]))
        for place in np.flatnonzero(is_stop)
    )


def _quarter_units(units: Row, written: Row) -> float:
    """Return how many units of the grid a quarter has: once through lasts the same, wherever one begins."""
    width = min(len(written), len(units))
    sums = np.convolve(units, np.ones(width), "valid")
    return float(np.median(sums)) / float(written[:width].sum())


def _places(beats: Row, written: Row) -> tuple[NDArray[np.int64], float]:
    """Return which of the written values each gap is, and what that costs: the next one, or any other at the price of a break."""
    costs = np.minimum(np.abs(np.log(beats[:, None] / written[None, :])) / RHYTHM_NEAR, MOST_COST)
    total = costs[0] + np.where(np.arange(len(written)) == 0, 0.0, BREAK_COST)
    came_from = np.zeros(costs.shape, np.int64)
    for index in range(1, len(costs)):
        before = np.roll(total, 1)
        best = int(np.argmin(total))
        is_break = before > total[best] + BREAK_COST
        came_from[index] = np.where(is_break, best, (np.arange(len(written)) - 1) % len(written))
        total = np.where(is_break, total[best] + BREAK_COST, before) + costs[index]
    places = np.empty(len(costs), np.int64)
    places[-1] = int(np.argmin(total))
    for index in range(len(costs) - 1, 0, -1):
        places[index - 1] = came_from[index, places[index]]
    return places, float(total.min())


def _misfit(near: NDArray[np.bool_]) -> int | None:
    """Return the strike from which on a rhythm fits no more; None where it never did."""
    kept = np.convolve(near, np.ones(MISFIT_GAPS), "valid") if len(near) >= MISFIT_GAPS else np.zeros(1)
    bad = np.flatnonzero(kept < MISFIT_LEAST)
    if not len(bad) or bad[0] < MISFIT_GAPS:
        return None
    return int(bad[0]) + 1 + int(np.argmin(near[bad[0] :]))


def _pauses(strikes: tuple[Strike, ...], gaps_s: Row) -> tuple[Stop, ...]:
    if not len(gaps_s):
        return ()
    usual = float(np.median(gaps_s))
    return tuple(
        Stop(strike=index + 1, at_s=strikes[index + 1].onset_s, lost_s=float(gap) - usual)
        for index, gap in enumerate(gaps_s)
        if gap > max(PAUSE_S, PAUSE_GAPS * usual)
    )


def _stops(
    strikes: tuple[Strike, ...], gaps_s: Row, grid: Grid, pulse: Pulse, stretches: tuple[Stretch, ...]
) -> tuple[tuple[Stop, ...], tuple[float, ...]]:
    told = grid.counts > 0
    counts, sizes = np.unique(grid.counts[told], return_counts=True)
    usual = float(counts[np.argmax(sizes)])
    ratio = gaps_s / (grid.unit_s * usual)
    lost = gaps_s - grid.unit_s * usual
    is_long = (ratio >= STOP_RATIO) & (lost >= LEAST_LOST_S)
    near = np.min(np.abs(np.log(ratio)[:, None] - LONGER[None, :]), axis=1) < NEAR_VALUE
    pause = (gaps_s >= PAUSE_S) & (gaps_s >= PAUSE_BEATS * pulse.units * grid.unit_s)
    sure = pause | (is_long & ~near if grid.is_one_value else is_long & (grid.counts == 0) & ~near)
    doubtful = is_long & near & ~sure if grid.is_one_value else np.zeros(len(gaps_s), np.bool_)
    for place, is_stop in _by_repeats(gaps_s, grid, stretches).items():
        if is_stop and lost[place] >= LEAST_LOST_S:
            sure[place], doubtful[place] = True, False
        elif not is_stop and not pause[place]:
            # It is as long each time: written so, or a habit that no ear can tell from it.
            sure[place], doubtful[place] = False, False
    stops = tuple(
        Stop(strike=int(place) + 1, at_s=strikes[place + 1].onset_s, lost_s=float(lost[place]))
        for place in np.flatnonzero(sure)
    )
    return stops, tuple(strikes[place + 1].onset_s for place in np.flatnonzero(doubtful))


def _by_repeats(gaps_s: Row, grid: Grid, stretches: tuple[Stretch, ...]) -> dict[int, bool]:
    """Return, for gaps whose place was played more than once, whether this one is much longer than the others."""
    units = gaps_s / grid.unit_s
    found: dict[int, bool] = {}
    for stretch in stretches:
        by_place: dict[int, list[int]] = {}
        for occurrence in stretch.occurrences:
            for (place, strike), (next_place, next_strike) in zip(occurrence.pairs, occurrence.pairs[1:], strict=False):
                if next_place == place + 1 and next_strike == strike + 1:
                    by_place.setdefault(place, []).append(strike)
        # How long the last note of a stretch is held, where more follows.
        ends = [each.last for each in stretch.occurrences if each.last < len(gaps_s)]
        usual = float(np.median(units[ends])) if ends else 0.0
        if len(ends) >= 2 and all(abs(np.log(units[end] / usual)) < 2 * NEAR_VALUE for end in ends):
            found |= dict.fromkeys((end for end in ends if units[end] >= STOP_RATIO), False)
        for same in by_place.values():
            if len(same) < 2:
                continue
            for index in same:
                others = float(np.median([units[other] for other in same if other != index]))
                if units[index] > STOP_RATIO * others and gaps_s[index] - others * grid.unit_s[index] >= LEAST_LOST_S:
                    found[index] = True
                elif units[index] >= STOP_RATIO and abs(np.log(units[index] / others)) < 2 * NEAR_VALUE:
                    found[index] = False
    return found


def _strokes(
    strikes: tuple[Strike, ...], gaps_s: Row, grid: Grid, pulse: Pulse, stopped: set[int]
) -> tuple[Stroke, ...]:
    strokes: list[Stroke] = []
    beat, run = 0.0, 0
    for index, strike in enumerate(strikes):
        if index:
            count = grid.counts[index - 1]
            if count <= 0 or index in stopped:
                run += 1
                count = max(1.0, round(float(gaps_s[index - 1] / grid.unit_s[index - 1])))
            beat += float(count) / pulse.units
        strokes.append(
            Stroke(
                event=index,
                pass_index=run,
                bar="",
                bar_pass=0,
                onset_beat=round(beat, 6),
                onset_s=strike.onset_s,
                level_db=strike.level_db,
                pitches=strike.pitches,
                spread_s=0.0,
                end_s=None,
                duration_beat=0.0,
            )
        )
    return tuple(strokes)


def _gaps(strokes: tuple[Stroke, ...]) -> tuple[Gap, ...]:
    return tuple(
        Gap(start=one, end=other)
        for one, other in pairwise(strokes)
        if one.pass_index == other.pass_index and other.onset_s > one.onset_s
    )
