"""A playing laid on its own pulse: beats for each strike, stops, and what returns."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from reviews.compare.errors import CompareError
from reviews.compare.measures import Gap, Stroke
from reviews.compare.unscored.pulse import Grid, Pulse, Row, grid_of, on_local_unit, pulse_of
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
    or long notes. ``fits_rhythm`` says whether a typed rhythm can be laid under the playing, None without one.
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
    if grid is None:
        stops = _pauses(strikes, gaps_s)
        return Laid(strikes, None, None, stretches, stops, (), (), (), False if asked.rhythm_beats else None)
    value, fits = None, None
    if asked.rhythm_beats:
        typed = _typed(gaps_s, grid, asked.rhythm_beats)
        fits = typed is not None
        if typed is not None:
            grid, value = typed
    pulse = pulse_of(strikes, grid=grid, asked_bpm=asked.bpm, unit_beats=value)
    stops, long_s = _stops(strikes, gaps_s, grid, pulse, stretches)
    strokes = _strokes(strikes, gaps_s, grid, pulse, {stop.strike for stop in stops})
    return Laid(strikes, grid, pulse, stretches, stops, long_s, strokes, _gaps(strokes), fits)


def _typed(gaps_s: Row, grid: Grid, rhythm_beats: tuple[float, ...]) -> tuple[Grid, float] | None:
    """Return the gaps as typed values and the quarters of one unit; None where they do not fit."""
    beats = np.array([rhythm_beats[index % len(rhythm_beats)] for index in range(len(gaps_s))])
    unit_beats = min(rhythm_beats)
    counts = beats / unit_beats
    # Two neighbours together say the tempo around a gap: a long and a short one that take turns do not hide it.
    pairs = np.convolve(gaps_s, [1.0, 1.0], "valid") / np.convolve(counts, [1.0, 1.0], "valid")
    around = on_local_unit(pairs, np.ones(len(pairs)), scatter=grid.scatter).unit_s
    near = np.abs(np.log(gaps_s / (np.append(around, around[-1]) * counts))) < RHYTHM_NEAR
    if float(np.mean(near)) < RHYTHM_FRAC:
        return None
    return on_local_unit(gaps_s, np.where(near, counts, 0.0), scatter=grid.scatter), unit_beats


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
