"""Ticks into beats that can be written: which grid each beat is divided by, and how long notes are meant to last.

There is no published rule that is followed here. Files that a notation program wrote lie on a grid already, within a tick, and are
taken as they are. In others every quarter is divided by the grid that explains its onsets best, where a finer or odd one must earn its place:

    cost = sum((distance to the grid / 0.06 quarters) ** 2) + price of the grid

so that a stroke 0.06 quarters (45 ms at 80 a minute) off its place costs as much as one step of fineness. Looser, and triplets turn into
dotted figures; tighter, and an unsteady hand is written down as it fell.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from curriculum.score.notes import ZERO

# How far off its place, in quarters, a played stroke is believed to be now and then; see above.
SPREAD_BEAT = 0.06

# Price of dividing a quarter by so many, in the units of the cost above. Played files: only what hands usually do.
PRICES: dict[int, float] = {1: 0.0, 2: 1.0, 4: 2.0, 3: 2.5, 8: 5.0, 6: 5.5}

# Grids on which files that a program wrote are looked for, in this order.
EXACT_GRIDS = (1, 2, 4, 3, 8, 6, 16, 12, 5, 7, 32)
# Without those whose notes cannot be tied to others of another grid.
PLAIN_GRIDS = (1, 2, 4, 3, 8, 6, 16, 12, 32)

# With at least so many ticks to a quarter, programs that cut instead of rounding are believed to a whole tick.
FINE_TICKS = 96

# A note that lasts from 0.7 to 1.15 times as long as the next one of its hand is away is meant to reach it: fingers let go
# early or late by that much in plain playing, and notation programs play notes at 80 to 95 per cent of their length.
REACHES = (Fraction(7, 10), Fraction(23, 20))
# A note that is up to this much shorter than a plain value is meant to have that value.
SHORT_FRAC = Fraction(1, 5)
# Ends this near to a written place, in quarters, were rounded to ticks by a program.
ROUNDED_BEAT = Fraction(1, 400)
_VALUES = tuple(Fraction(n, 8) for n in (1, 2, 4, 6, 8, 12, 16, 24, 32, 48, 64))


@dataclass(frozen=True, slots=True)
class BarSpan:
    """Where a bar lies, in quarters from the beginning of the file."""

    start: Fraction
    length: Fraction


@dataclass(frozen=True, slots=True)
class Grid:
    """Where strokes were put. ``places`` maps ticks to quarters; ``moved`` holds how far each was moved, in quarters.

    ``looseness`` is the mean of how far strokes were moved, as a share of the farthest that their grid allows: 0 on the grid, near 1/2 where
    strokes fell anywhere.
    """

    places: Mapping[int, Fraction]
    moved: Mapping[int, float]
    is_exact: bool
    looseness: float


def fit_grid(
    ticks: Iterable[int],
    *,
    bars: Sequence[BarSpan],
    ticks_per_quarter: int,
    finest_beat: Fraction | None = None,
    grids: Sequence[int] = EXACT_GRIDS,
) -> Grid:
    """Return a written place for each onset.

    Parameters
    ----------
    ticks : iterable of int
        Onsets, in any order.
    bars : sequence of BarSpan
        Covering all of them, in order. Quarters are counted from the start of each bar.
    ticks_per_quarter : int
        Above 0.
    finest_beat : Fraction or None
        Shortest distance, in quarters, that is written.
    grids : sequence of int
        Divisions of a quarter that a file written by a program may lie on.

    Returns
    -------
    Grid
        Empty for no onsets.

    Examples
    --------
    >>> bars = [BarSpan(Fraction(0), Fraction(4))]
    >>> fit_grid([3, 243, 478], bars=bars, ticks_per_quarter=480).places[243]
    Fraction(1, 2)
    >>> fit_grid([0, 160, 320], bars=bars, ticks_per_quarter=480).is_exact
    True
    """
    windows: dict[tuple[Fraction, Fraction], list[int]] = {}
    index = 0
    for tick in sorted(set(ticks)):
        at = Fraction(tick, ticks_per_quarter)
        while index + 1 < len(bars) and at >= bars[index + 1].start:
            index += 1
        bar = bars[index]
        start = bar.start + (at - bar.start) // 1
        windows.setdefault((start, min(start + 1, bar.start + bar.length)), []).append(tick)
    allowed = [grid for grid in grids if finest_beat is None or Fraction(1, grid) >= finest_beat] or [1]
    starts = {start: start * ticks_per_quarter for start, _ in windows}
    exact: list[int] = []
    for (start, _), members in windows.items():
        found = _exact([tick - starts[start] for tick in members], ticks_per_quarter, allowed)
        if found is None:
            break
        exact.append(found)
    is_exact = len(exact) == len(windows)
    places: dict[int, Fraction] = {}
    moved: dict[int, float] = {}
    loose = 0.0
    for number, ((start, end), members) in enumerate(windows.items()):
        offsets = [float(tick - starts[start]) / ticks_per_quarter for tick in members]
        grid = exact[number] if is_exact else _best(offsets, finest_beat)
        for tick, offset in zip(members, offsets, strict=True):
            place = min(start + Fraction(round(offset * grid), grid), end)
            places[tick] = place
            moved[tick] = abs(float(place - start) - offset)
            loose += moved[tick] * 2 * grid
    return Grid(places, moved, is_exact, loose / len(moved) if moved and not is_exact else 0.0)


def meant_length(length_beat: Fraction, *, onset: Fraction, next_onset: Fraction | None, is_exact: bool) -> Fraction:
    """Return how long a note is meant to last.

    Parameters
    ----------
    length_beat : Fraction
        As it was held, in quarters, above 0.
    onset : Fraction
        Its written place, in quarters.
    next_onset : Fraction or None
        Written place of the next stroke of the same hand.
    is_exact : bool
        Whether the file was written by a program; then plain values are taken as they are.

    Returns
    -------
    Fraction
        At least an eighth of a quarter, on a place that can be written.

    Examples
    --------
    >>> meant_length(Fraction(9, 10), onset=Fraction(0), next_onset=Fraction(1), is_exact=False)
    Fraction(1, 1)
    >>> meant_length(Fraction(19, 5), onset=Fraction(0), next_onset=None, is_exact=False)
    Fraction(4, 1)
    """
    apart = next_onset - onset if next_onset is not None else None
    end = onset + length_beat
    if is_exact:
        written = Fraction(round(end * 24), 24)  # the least common grid of eighths and sixths of a quarter
        if abs(end - written) <= ROUNDED_BEAT and written.denominator <= 12 and written > onset:
            return written - onset
    if apart is not None and apart > 0 and REACHES[0] * apart <= length_beat <= REACHES[1] * apart:
        return apart
    for value in _VALUES:
        if (1 - SHORT_FRAC) * value <= length_beat <= Fraction(21, 20) * value:
            return value if apart is None or value <= apart or length_beat > apart else apart
    if apart is not None and apart < Fraction(1, 4) and length_beat < apart:
        return apart
    snapped = Fraction(round(end * 4), 4) - onset
    if not _is_plain(onset):
        snapped = Fraction(-(-end // 1)) - onset  # from inside a triplet to the next whole quarter
    return snapped if snapped > ZERO else Fraction(1, 4)


def _is_plain(length: Fraction) -> bool:
    return length.denominator in (1, 2, 4, 8)


def _exact(offsets: Sequence[Fraction], ticks_per_quarter: int, grids: Sequence[int]) -> int | None:
    """Return the coarsest grid on which all onsets of a quarter lie, if there is one. Offsets are ticks."""
    # Ticks, times two so that half a tick is whole; and times the grid, so that no fractions are needed.
    slack = 2 if ticks_per_quarter >= FINE_TICKS else 1
    whole = [int(offset) if offset.denominator == 1 else offset for offset in offsets]
    for grid in grids:
        if 2 * ticks_per_quarter < 4 * slack * grid and grid > 1 and ticks_per_quarter % grid:
            continue  # a grid that is hardly coarser than the slack holds anything
        overs = [offset * grid % ticks_per_quarter for offset in whole]
        if all(over == 0 or 2 * min(over, ticks_per_quarter - over) < slack * grid for over in overs):
            return grid
    return None


def _best(offsets: Sequence[float], finest_beat: Fraction | None) -> int:
    """Return the grid with the least cost. Offsets are quarters."""
    best, least = 1, float("inf")
    for grid, price in PRICES.items():
        if grid > 1 and finest_beat is not None and Fraction(1, grid) < finest_beat:
            continue
        cost = price
        for offset in offsets:
            at = offset * grid
            cost += ((at - round(at)) / grid / SPREAD_BEAT) ** 2
        if cost < least:
            best, least = grid, cost
    return best
