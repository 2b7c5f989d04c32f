"""The same notes played again: stretches that come more than once, by their pitches alone.

Method: the strikes are aligned with themselves (local alignment by dynamic programming, one strike more or less allowed at a time), the
best path off the diagonal gives a stretch, all its other occurrences are looked for, and what they cover is put aside. Our own; weights set
on rendered takes (no source).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reviews.compare.unscored.striking import Strike

Row = NDArray[np.float64]
Path = list[tuple[int, int]]

# Strikes and different chords or keys that a stretch needs: less comes again in any music.
LEAST_STRIKES, LEAST_DIFFERENT = 8, 4
# Strikes above which nothing is looked for: the work grows with their square, and a page waits for it (12 s at 3,000 on two busy cores).
MOST_STRIKES = 1_500
# What one pair of strikes adds: alike, partly alike (half of the keys and more), unlike; what a strike too many takes.
ALIKE, PARTLY, UNLIKE, SKIP = 1.0, 0.4, -1.5, -1.2
# Share of a stretch that must come again to count, and share of its strikes from which it is a pattern in itself (broken chords).
AGAIN_FRAC, PATTERN_FRAC = 0.6, 0.85
# Stretches told of one take.
MOST_STRETCHES = 2


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One playing of a stretch: ``pairs`` are (place in the stretch, strike), both rising."""

    pairs: tuple[tuple[int, int], ...]

    @property
    def first(self) -> int:
        return self.pairs[0][1]

    @property
    def last(self) -> int:
        return self.pairs[-1][1]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Notes that were played more than once. ``length`` counts strikes; occurrences stand in order of time."""

    length: int
    occurrences: tuple[Occurrence, ...]


def stretches_of(strikes: Sequence[Strike]) -> tuple[Stretch, ...]:
    """Return the stretches that were played more than once.

    Whether they are written so or were practised is not known. A key struck again and again, a broken chord or a short figure is no
    stretch: eight strikes of at least four kinds are needed.

    Parameters
    ----------
    strikes : sequence of Strike
        In order of time.

    Returns
    -------
    tuple of Stretch
        At most two, the longest first; none above 1,500 strikes.

    Examples
    --------
    >>> line = [60, 62, 64, 65, 67, 69, 71, 72, 74]
    >>> strikes = [Strike(0.5 * place, (pitch,), 0.0) for place, pitch in enumerate(line + [50, 51] + line)]
    >>> [(found.length, [each.first for each in found.occurrences]) for found in stretches_of(strikes)]
    [(9, [0, 11])]
    """
    if not 2 * LEAST_STRIKES <= len(strikes) <= MOST_STRIKES:
        return ()
    keys = _keys(strikes)
    free = np.ones(len(strikes), np.bool_)
    found: list[Stretch] = []
    while len(found) < MOST_STRETCHES:
        path = _best_path(keys, free)
        if len(path) < LEAST_STRIKES:
            break
        # A path that runs into its own beginning is one figure played on and on: its first round is the stretch.
        lag = path[0][1] - path[0][0]
        first, last = path[0][0], min(path[-1][0], path[0][0] + lag - 1)
        period = _period(keys[first : last + 1])
        model = slice(first, first + period)
        different = len({tuple(row) for row in keys[model].tolist()})
        if period < LEAST_STRIKES or different < LEAST_DIFFERENT:
            free[path[0][0] : path[-1][1] + 1] = False
            continue
        occurrences = _occurrences(keys[model], keys, free)
        if len(occurrences) < 2:
            free[first : last + 1] = False
            continue
        for each in occurrences:
            free[each.first : each.last + 1] = False
        found.append(Stretch(length=period, occurrences=tuple(occurrences)))
    return tuple(found)


def _keys(strikes: Sequence[Strike]) -> NDArray[np.uint64]:
    """Return the keys of each strike as bits, shape (n, 2)."""
    found = np.zeros((len(strikes), 2), np.uint64)
    for index, strike in enumerate(strikes):
        for pitch in strike.pitches:
            found[index, pitch // 64] |= np.uint64(1 << (pitch % 64))
    return found


def _likeness(model: NDArray[np.uint64], keys: NDArray[np.uint64]) -> Row:
    """Return what each (row of the model, kind of strike) adds."""
    both = np.bitwise_count(model[:, None, :] & keys[None, :, :]).sum(axis=2).astype(np.float64)
    either = np.bitwise_count(model[:, None, :] | keys[None, :, :]).sum(axis=2).astype(np.float64)
    share = both / np.maximum(either, 1.0)
    return np.where(share > 0.99, ALIKE, np.where(share >= 0.5, PARTLY, UNLIKE))


def _align(
    model: NDArray[np.uint64], keys: NDArray[np.uint64], free: NDArray[np.bool_], *, is_own: bool
) -> tuple[Row, NDArray[np.int8]]:
    """Return the score of each (row of the model, strike) and the step that led there: 0 none, 1 both, 2 and 3 over one strike."""
    kinds, kind = np.unique(keys, axis=0, return_inverse=True)
    likeness = _likeness(model, kinds)
    # Two rows and two columns of nothing stand before the first.
    score = np.zeros((len(model) + 2, len(keys) + 2))
    step = np.zeros((len(model), len(keys)), np.int8)
    for row in range(len(model)):
        if is_own and not free[row]:
            continue
        start = row + LEAST_STRIKES if is_own else 0
        if start >= len(keys):
            break
        both = score[row + 1, start + 1 : -1]
        mine = score[row, start + 1 : -1] + SKIP
        theirs = score[row + 1, start:-2] + SKIP
        best = np.maximum(np.maximum(both, mine), np.maximum(theirs, 0.0))
        total = best + likeness[row, kind[start:]]
        total[~free[start:] | (total < 0)] = 0.0
        score[row + 2, start + 2 :] = total
        chosen = np.where(best <= 0, 4, np.where(best == both, 1, np.where(best == mine, 2, 3)))
        step[row, start:] = np.where(total > 0, chosen, 0)
    return score[2:, 2:], step


def _trace(step: NDArray[np.int8], row: int, column: int) -> Path:
    path: Path = []
    while row >= 0 and column >= 0 and step[row, column]:
        path.append((row, column))
        back = {1: (1, 1), 2: (2, 1), 3: (1, 2)}.get(int(step[row, column]))
        if back is None:
            break
        row, column = row - back[0], column - back[1]
    return path[::-1]


def _best_path(keys: NDArray[np.uint64], free: NDArray[np.bool_]) -> Path:
    score, step = _align(keys, keys, free, is_own=True)
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    return _trace(step, int(row), int(column)) if score[row, column] > 0 else []


def _period(model: NDArray[np.uint64]) -> int:
    """Return after how many strikes a stretch begins anew within itself; its length where it does not."""
    for period in range(1, len(model) // 2 + 1):
        alike = np.all(model[period:] == model[:-period], axis=1)
        if float(np.mean(alike)) >= PATTERN_FRAC:
            return period
    return len(model)


def _occurrences(model: NDArray[np.uint64], keys: NDArray[np.uint64], free: NDArray[np.bool_]) -> list[Occurrence]:
    score, step = _align(model, keys, free, is_own=False)
    ends, rows = np.max(score, axis=0), np.argmax(score, axis=0)
    taken = np.zeros(len(keys), np.bool_)
    found: list[Occurrence] = []
    for column in np.argsort(-ends, kind="stable"):
        if ends[column] < AGAIN_FRAC * len(model):
            break
        path = _trace(step, int(rows[column]), int(column))
        if not taken[path[0][1] : path[-1][1] + 1].any():
            taken[path[0][1] : path[-1][1] + 1] = True
            found.append(Occurrence(pairs=tuple(path)))
    return sorted(found, key=lambda each: each.first)
