"""Which event of the score each moment of the playing belongs to.

A path through (group of heard notes, event of the score) is found by dynamic programming (Viterbi). From one group to the next the player
may go on, leave out a few events, strike the rest of a chord, play something that is not written, go back, leap forward, stop. The tempo is
carried along every path, so that it may start anywhere, drift and change; a pause costs little, for learners hesitate.

The scale of all weights is *one note heard where it is written = 1*.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from itertools import pairwise
from statistics import median
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from reviews.compare.errors import CompareError
from reviews.compare.expected import Expected
from reviews.sound.heard import HeardNote

Row: TypeAlias = NDArray[np.float64]

# Seconds between neighbours, and in all, within which heard notes are one group. Professionals spread chords by 20 to 55 ms; sixteenths
# at 140 are 107 ms apart.
GROUP_GAP_S, GROUP_SPAN_S = 0.045, 0.09
# Seconds after which a further note is no longer the rest of a chord. Learners' hands come up to some 120 ms apart.
CHORD_S = 0.16
# Confidences between which a heard note that is not written begins to count and counts fully: the listener's ghosts lie below 0.5.
EXTRA_FROM, EXTRA_FULL = 0.25, 0.6
# Weights, in notes. Missing a note that an octave or twelfth below hides costs little, for it cannot be heard apart.
MISSING, HIDDEN_MISSING, EXTRA, OCTAVE_EXTRA, LENIENT_EXTRA = 0.5, 0.12, 0.6, 0.2, 0.05
SKIPPED_NOTE, SKIPPED_EVENT = 0.7, 0.3
# Events left out in a row without a leap.
MOST_SKIPPED = 4
# Going back, leaping on, starting elsewhere, stopping early. Going back pays once some four notes are played again.
BACK, FORWARD, OFF_BAR, AFTER_PAUSE = 4.0, 5.0, 0.6, -0.8
PAUSE_S = 0.5
START_AT_BAR, START_ELSEWHERE = 1.5, 3.0
UNPLAYED, MOST_UNPLAYED = 0.25, 3.0
# One group of noodling before, after or between.
NOODLING = 0.05
# Tempo: cost of one natural-log unit of difference beyond a free zone, at most so much for slow (hesitations) and fast. A gap twice as
# long (0.57 beyond) and one note left at the end must together cost more than leaving one note out, or of equal strikes the last would
# be the one called missing and every other paired with its neighbour's moment. Above 1.4 a stop is taken for notes left out.
TEMPO_WEIGHT, TEMPO_FREE, MOST_SLOW, MOST_FAST = 1.35, 0.12, 1.2, 2.5
# Share by which the tempo follows one interval once it is settled, and the tempi it may take, seconds a quarter (12 to 500 quarters a
# minute). The first intervals of a run set it between them, each with an equal share, and being off costs this much of the usual: one
# unlucky first gap would otherwise be believed for ever. An interval off by more than double is a stop, and counts as double.
TEMPO_FOLLOW = 0.3
UNSETTLED = 0.5
LEAST_TAU_S, MOST_TAU_S = 0.12, 5.0
# Cells of the table. 40 million take 120 MB; an hour of steady playing against a piece of three minutes is 30 million.
MOST_CELLS = 40_000_000

# Semitones from a sounding note to those its partials can feign or hide: octave, twelfth, double octave, and two more partials.
OCTAVE = 12
PARTIAL_STEPS = (OCTAVE, 19, 24, 28, 31)

DOUBLE = float(np.log(2.0))
NEVER = -1e18
BEFORE, AFTER = -1, -2


class Move(IntEnum):
    """How a group of heard notes is reached."""

    START = 0
    GO_ON = 1
    CHORD = 2
    EXTRA = 3
    BACK = 4
    FORWARD = 5
    AGAIN = 6  # after stopping


@dataclass(frozen=True, slots=True)
class HeardGroup:
    """Heard notes struck together. ``notes`` are indices into the heard notes."""

    onset_s: float
    notes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One group on its event; ``event`` is None for what is not written: extra notes and noodling."""

    group: int
    event: int | None
    move: Move


@dataclass(frozen=True, slots=True)
class Alignment:
    """The cheapest path. ``weight`` counts in notes; the more of the score is heard the larger it is."""

    groups: tuple[HeardGroup, ...]
    steps: tuple[Step, ...]
    weight: float


def group_heard(heard: Sequence[HeardNote]) -> tuple[HeardGroup, ...]:
    """Return heard notes that were struck together as groups.

    Parameters
    ----------
    heard : sequence of HeardNote
        Sorted by onset.

    Returns
    -------
    tuple of HeardGroup
        In order of time. Two notes of one pitch are never in one group. Empty input gives an empty tuple.

    Examples
    --------
    >>> [group.notes for group in group_heard([HeardNote(0.0, 60), HeardNote(0.02, 64), HeardNote(0.5, 60)])]
    [(0, 1), (2,)]
    """
    found: list[list[int]] = []
    for index, note in enumerate(heard):
        if found:
            last = found[-1]
            first, before = heard[last[0]], heard[last[-1]]
            if (
                note.onset_s - before.onset_s <= GROUP_GAP_S
                and note.onset_s - first.onset_s <= GROUP_SPAN_S
                and all(heard[other].pitch_midi != note.pitch_midi for other in last)
            ):
                last.append(index)
                continue
        found.append([index])
    return tuple(HeardGroup(onset_s=_middle(heard, indices), notes=tuple(indices)) for indices in found)


def _middle(heard: Sequence[HeardNote], indices: Sequence[int]) -> float:
    sure = [index for index in indices if heard[index].confidence >= 0.5] or list(indices)
    return median(heard[index].onset_s for index in sure)


def align(heard: Sequence[HeardNote], *, expected: Expected) -> Alignment:
    """Return the path of the playing through the score.

    Method: score following as dynamic programming over events with tempo as a continuous companion of each path, in the spirit of hidden
    Markov score followers; our own weights, from rendered takes (no source).

    Parameters
    ----------
    heard : sequence of HeardNote
        Sorted by onset. Those of low confidence confirm what is written and hardly count as extra.
    expected : Expected
        The written events.

    Returns
    -------
    Alignment
        One step for every group. Nothing heard, or nothing written: no step has an event.

    Raises
    ------
    CompareError
        If the heard notes are not sorted, or playing and score are together too long.

    Examples
    --------
    >>> align([], expected=Expected((), ())).steps
    ()
    """
    if any(b.onset_s < a.onset_s for a, b in pairwise(heard)):
        message = "Heard notes must be sorted by onset."
        raise CompareError(message)
    groups = group_heard(heard)
    if not groups or not expected.events:
        steps = tuple(Step(index, None, Move.EXTRA) for index in range(len(groups)))
        return Alignment(groups=groups, steps=steps, weight=0.0)
    if len(groups) * len(expected.events) > MOST_CELLS:
        message = (
            f"{len(groups)} moments of playing against {len(expected.events)} of the score are too many to compare at once; "
            "set a take around what is to be compared."
        )
        raise CompareError(message)
    return _Table(heard, groups=groups, expected=expected).solve()


def most_weight(heard: Sequence[HeardNote], *, expected: Expected) -> float:
    """Return what a path through the score can weigh at most: every heard note of a written key confirming itself.

    Parameters
    ----------
    heard : sequence of HeardNote
        What was heard.
    expected : Expected
        The written events.

    Returns
    -------
    float
        In notes. With nothing heard 0.

    Examples
    --------
    >>> most_weight([HeardNote(0.0, 60)], expected=Expected((), ()))
    0.0
    """
    keys = {note.pitch_midi for note in expected.notes}
    return float(sum(_confirm_weight(note.confidence) for note in heard if note.pitch_midi in keys))


def _confirm_weight(confidence: float) -> float:
    return min(1.0, 0.4 + confidence)


def _extra_weight(confidence: float) -> float:
    return min(max((confidence - EXTRA_FROM) / (EXTRA_FULL - EXTRA_FROM), 0.0), 1.0)


class _Table:
    """The table of the dynamic programme: a row of the score for every group, of which only the last is kept."""

    def __init__(self, heard: Sequence[HeardNote], *, groups: tuple[HeardGroup, ...], expected: Expected) -> None:
        self.heard, self.groups, self.expected = heard, groups, expected
        events = expected.events
        self.n = len(events)
        self.at_bar = np.array([event.starts_bar for event in events])
        self._fill_steps()
        self._fill_pitches()
        left = np.arange(self.n - 1, -1, -1, dtype=np.float64)
        self.unplayed = -np.minimum(UNPLAYED * left, MOST_UNPLAYED)
        start = np.where(self.at_bar, -START_AT_BAR, -START_ELSEWHERE)
        start[0] = 0.0
        self.start = start
        self.jump_target = np.where(self.at_bar, 0.0, -OFF_BAR)

    def _fill_steps(self) -> None:
        """For going on: rows by how many events are left out, columns by the event that is met."""
        events = self.expected.events
        beats = np.array([event.onset_beat for event in events])
        counts = np.array([len(event.notes) for event in events], dtype=np.float64)
        notes_before = np.concatenate([[0.0], np.cumsum(counts)])
        left_out = np.arange(MOST_SKIPPED + 1)[:, None]
        came_from = np.arange(self.n) - 1 - left_out
        self.go_from = np.maximum(came_from, 0)
        self.go_beats = np.where(came_from >= 0, beats - beats[self.go_from], 1.0)
        notes_left_out = notes_before[: self.n] - notes_before[self.go_from + 1]
        self.go_cost = np.where(came_from >= 0, SKIPPED_NOTE * notes_left_out + SKIPPED_EVENT * left_out, np.inf)

    def _fill_pitches(self) -> None:
        """Rows of 128 pitches over the events: written, hidden by a lower one, kindred by partials, lenient (graces, ornaments)."""
        written = np.zeros((128, self.n))
        kindred = np.zeros((128, self.n))
        lenient = np.zeros((128, self.n))
        hidden_notes = np.zeros(self.n)
        hidden = np.zeros((128, self.n))
        for event in self.expected.events:
            pitches = {self.expected.notes[index].pitch_midi for index in event.notes}
            for pitch in pitches:
                written[pitch, event.index] = 1.0
                for step in PARTIAL_STEPS:
                    for other in (pitch + step, pitch - step):
                        if 0 <= other < 128 and other not in pitches:
                            kindred[other, event.index] = 1.0
                if any(pitch - step in pitches for step in PARTIAL_STEPS):
                    hidden[pitch, event.index] = 1.0
                    hidden_notes[event.index] += 1
            for index in event.graces:
                lenient[self.expected.notes[index].pitch_midi, event.index] = 1.0
            for index in event.notes:
                note = self.expected.notes[index]
                if note.is_ornamented:
                    lenient[max(note.pitch_midi - 2, 0) : note.pitch_midi + 3, event.index] = 1.0
        self.written = written
        self.refund = np.where(hidden > 0, HIDDEN_MISSING, MISSING)
        self.cost_of_extra = np.where(lenient > 0, LENIENT_EXTRA, np.where(kindred > 0, OCTAVE_EXTRA, EXTRA))
        self.cost_of_all = MISSING * (written.sum(axis=0) - hidden_notes) + HIDDEN_MISSING * hidden_notes

    def _rows(self, group: HeardGroup, before: HeardGroup | None) -> tuple[Row, Row, Row]:
        """Return for every event: weight of meeting this group there, of its being the rest of a chord, of its being extra."""
        meets = -self.cost_of_all.copy()
        rest = np.zeros(self.n)
        new = np.zeros(self.n)
        extra = np.zeros(self.n)
        known = {self.heard[index].pitch_midi for index in before.notes} if before is not None else set()
        for index in group.notes:
            note = self.heard[index]
            pitch = note.pitch_midi
            confirm, foreign = _confirm_weight(note.confidence), _extra_weight(note.confidence)
            written, per_extra = self.written[pitch], foreign * self.cost_of_extra[pitch]
            here = written * (confirm + self.refund[pitch]) - (1 - written) * per_extra
            meets += here
            if pitch in known:
                rest -= per_extra
            else:
                rest += here
                new += written
            extra -= per_extra
        return meets, np.where(new > 0, rest, NEVER), extra

    def solve(self) -> Alignment:
        n, count = self.n, len(self.groups)
        source = np.zeros((count, n), dtype=np.int16 if n < 32_000 else np.int32)
        moves = np.zeros((count, n), dtype=np.int8)
        came_after = np.full(count, AFTER, dtype=np.int32)  # where AFTER was entered from
        score = np.full(n, NEVER)
        tau = np.full((2, n), np.nan)  # seconds a quarter, and how many intervals it rests on
        last_s = np.zeros(n)
        before, after = 0.0, NEVER
        previous: HeardGroup | None = None
        for index, group in enumerate(self.groups):
            meets, rest, extra = self._rows(group, previous)
            now_s = group.onset_s
            pause = AFTER_PAUSE if previous is not None and now_s - previous.onset_s > PAUSE_S else 0.0
            best = before + self.start + meets
            move = np.full(n, Move.START, dtype=np.int8)
            came = np.full(n, BEFORE, dtype=np.int32)
            new_tau = np.full((2, n), np.nan)
            new_last = np.full(n, now_s)
            self._go_on(
                now_s, score=score, tau=tau, last_s=last_s, meets=meets,
                best=best, move=move, came=came, new_tau=new_tau,
            )  # fmt: skip
            self._leap(score, meets=meets, tau=tau, pause=pause, best=best, move=move, came=came, new_tau=new_tau)
            if after > NEVER / 2:
                again = after - BACK - pause + self.jump_target + meets
                _take(again > best, best, again, move, Move.AGAIN, came, AFTER, new_tau, np.nan)
            with np.errstate(invalid="ignore"):
                stay = np.where(now_s - last_s <= CHORD_S, score + rest, NEVER)
            better = stay > best
            _take(better, best, stay, move, Move.CHORD, came, np.arange(n), new_tau, tau)
            new_last = np.where(better, last_s, new_last)
            kept = score + extra
            better = kept > best
            _take(better, best, kept, move, Move.EXTRA, came, np.arange(n), new_tau, tau)
            new_last = np.where(better, last_s, new_last)
            source[index], moves[index] = came, move
            stopping = score + self.unplayed if previous is not None else np.full(n, NEVER)
            stop_at = int(np.argmax(stopping))
            if stopping[stop_at] > after:
                came_after[index] = stop_at
                after = float(stopping[stop_at])
            after -= NOODLING
            before -= NOODLING
            score, tau, last_s = best, new_tau, new_last
            previous = group
        return self._trace(score, after, before, source=source, moves=moves, came_after=came_after)

    def _go_on(
        self, now_s: float, *, score: Row, tau: Row, last_s: Row, meets: Row,
        best: Row, move: NDArray[np.int8], came: NDArray[np.int32], new_tau: Row,
    ) -> None:  # fmt: skip
        """Play the next event, or one a little further on, leaving out what lies between."""
        known, rests_on = tau[0][self.go_from], tau[1][self.go_from]
        passed_s = np.maximum(now_s - last_s, 1e-3)[self.go_from]
        with np.errstate(invalid="ignore"):
            off = np.log(passed_s / (self.go_beats * known))
        off[np.isnan(off)] = 0.0
        size = np.minimum(np.maximum(np.abs(off) - TEMPO_FREE, 0.0), np.where(off > 0, MOST_SLOW, MOST_FAST))
        size *= np.where(1.0 / (rests_on + 1.0) <= TEMPO_FOLLOW, TEMPO_WEIGHT, TEMPO_WEIGHT * UNSETTLED)
        totals = score[self.go_from] - size - self.go_cost
        nearest = np.arange(self.n)
        at = (np.argmax(totals, axis=0), nearest)  # of equals the one that leaves out least
        off, known, rests_on, passed_s = off[at], known[at], rests_on[at], passed_s[at]
        unknown = np.isnan(known)
        share = 1.0 / (rests_on + 1.0)
        follow = np.where(share <= TEMPO_FOLLOW, TEMPO_FOLLOW * np.clip(off, -DOUBLE, DOUBLE), share * off)
        told = np.where(unknown, passed_s / self.go_beats[at], known * np.exp(follow))
        told = np.stack([np.clip(told, LEAST_TAU_S, MOST_TAU_S), np.where(unknown, 1.0, rests_on + 1.0)])
        total = totals[at] + meets
        _take(total > best, best, total, move, Move.GO_ON, came, self.go_from[at], new_tau, told)

    def _leap(
        self, score: Row, *, meets: Row, tau: Row, pause: float,
        best: Row, move: NDArray[np.int8], came: NDArray[np.int32], new_tau: Row,
    ) -> None:  # fmt: skip
        """Go back to the same or an earlier event, or leap forward."""
        backwards = score[::-1]
        run = np.maximum.accumulate(backwards)
        where = np.maximum.accumulate(np.where(backwards == run, np.arange(self.n), 0))
        from_later = self.n - 1 - where[::-1]
        total = score[from_later] - BACK - pause + self.jump_target + meets
        _take(total > best, best, total, move, Move.BACK, came, from_later, new_tau, tau[:, from_later])
        run = np.maximum.accumulate(score)
        where = np.maximum.accumulate(np.where(score == run, np.arange(self.n), 0))
        far = MOST_SKIPPED + 2
        if self.n > far:
            from_earlier = where[:-far]
            total = score[from_earlier] - FORWARD - pause + self.jump_target[far:] + meets[far:]
            _take(
                total > best[far:], best[far:], total, move[far:], Move.FORWARD, came[far:], from_earlier,
                new_tau[:, far:], tau[:, from_earlier],
            )  # fmt: skip

    def _trace(
        self, score: Row, after: float, before: float, *,
        source: NDArray[np.signedinteger], moves: NDArray[np.int8], came_after: NDArray[np.int32],
    ) -> Alignment:  # fmt: skip
        ends = score + self.unplayed
        state = int(np.argmax(ends))
        weight = float(ends[state])
        if max(after, before) > weight:
            state, weight = (AFTER, after) if after >= before else (BEFORE, before)
        steps: list[Step] = []
        for index in range(len(self.groups) - 1, -1, -1):
            if state == BEFORE:
                steps.append(Step(index, None, Move.EXTRA))
            elif state == AFTER:
                steps.append(Step(index, None, Move.EXTRA))
                if came_after[index] != AFTER:
                    state = int(came_after[index])
            else:
                move = Move(int(moves[index, state]))
                steps.append(Step(index, None if move == Move.EXTRA else state, move))
                state = int(source[index, state])
        return Alignment(groups=self.groups, steps=tuple(reversed(steps)), weight=weight)


def _take(
    better: NDArray[np.bool_], best: Row, total: Row, move: NDArray[np.int8], kind: Move,
    came: NDArray[np.int32], source: "int | NDArray[np.intp]", new_tau: Row, tau: "float | Row",
) -> None:  # fmt: skip
    """Write a better way to each event in place."""
    np.copyto(best, total, where=better)
    np.copyto(move, np.int8(kind), where=better)
    np.copyto(came, np.asarray(source, dtype=np.int32), where=better)
    np.copyto(new_tau, tau, where=better)
