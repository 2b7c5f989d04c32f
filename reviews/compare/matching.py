"""From the path of the playing to each written note: played, wrong pitch, missing, or cannot tell.

Two bars of confidence: a note that is written is believed from a low one on, a note that is not written is only held against the player from
a high one on. What an octave or another partial of a sounding note can hide or feign is neither missing nor extra: it cannot be told,
unless this very take hears octaves apart thereabouts. Of equal strikes in a row, time says which one is missing, or nobody does.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from curriculum.score import Hand
from reviews.compare.aligning import OCTAVE, PARTIAL_STEPS, Alignment, Move, align, most_weight
from reviews.compare.equal_strikes import LEAST_INTERVALS, TEMPO_INTERVALS, margin_of
from reviews.compare.expected import Expected, ExpectedNote
from reviews.compare.results import Extra, Matching, NoteResult, Pass, Restart, Skip, State
from reviews.compare.settings import CompareSettings
from reviews.sound.heard import HeardNote

# Moves that begin a new run of playing.
_NEW_PASS = frozenset({Move.START, Move.BACK, Move.FORWARD, Move.AGAIN})


def match(
    heard: Sequence[HeardNote],
    *,
    expected: Expected,
    settings: CompareSettings,
    hands: frozenset[Hand] | None = None,
    is_exact: bool = False,
    is_poor: bool = False,
) -> Matching:
    """Return what became of each written note.

    Parameters
    ----------
    heard : sequence of HeardNote
        Sorted by onset, also those of low confidence.
    expected : Expected
        The written notes.
    settings : CompareSettings
        Bars and windows.
    hands : frozenset of hands, optional
        The hands that were to play; None: found out.
    is_exact : bool
        Whether the heard notes come from a MIDI file, so that nothing is in doubt.
    is_poor : bool
        Whether the recording is noisy, reverberant or clipped, so that low notes are easily lost.

    Returns
    -------
    Matching
        One result for each expected note, in their order. With nothing heard all are missing and not reached.

    Examples
    --------
    >>> match([], expected=Expected((), ()), settings=CompareSettings()).notes
    ()
    """
    believed = [index for index, note in enumerate(heard) if note.confidence >= settings.accept_from]
    sure = [heard[index] for index in believed]
    playable = expected if hands is None else _of_hands(expected, hands)
    path = align(sure, expected=playable)
    if hands is None and len(expected.hands) == 2:
        # One hand is believed to have played alone where that explains more of what was heard; both hands where it is a tie.
        for alone in (expected.for_hand("right"), expected.for_hand("left")):
            if most_weight(sure, expected=alone) > path.weight:
                other = align(sure, expected=alone)
                if other.weight > path.weight:
                    playable, path = alone, other
    matcher = _Matcher(
        heard,
        believed=believed,
        expected=playable,
        path=path,
        settings=settings,
        is_exact=is_exact,
        is_poor=is_poor,
    )
    return _with_the_rest(matcher.result(), expected=expected, playable=playable)


def _of_hands(expected: Expected, hands: frozenset[Hand]) -> Expected:
    if len(hands) == 1 and expected.hands > hands:
        return expected.for_hand(next(iter(hands)))
    return expected


def _with_the_rest(result: Matching, *, expected: Expected, playable: Expected) -> Matching:
    """Put back the notes of a hand that did not play, as missing and not reached."""
    if playable is expected:
        return result
    known = {note.id: note for note in result.notes}
    event_of = {index: event.index for event in expected.events for index in (*event.notes, *event.graces)}
    notes = tuple(
        replace(known[note.id], event=event_of[index])
        if note.id in known
        else _result(note, event=event_of[index], state=State.MISSING, is_reached=False)
        for index, note in enumerate(expected.notes)
    )
    return replace(result, notes=notes, hands=playable.hands)


def _result(note: ExpectedNote, *, event: int, state: State, **more: object) -> NoteResult:
    return NoteResult(
        id=note.id,
        written_id=note.written_id,
        bar=note.bar,
        bar_index=note.bar_index,
        bar_pass=note.bar_pass,
        beat=note.beat,
        onset_beat=note.onset_beat,
        duration_beat=note.duration_beat,
        pitch_midi=note.pitch_midi,
        hand=note.hand,
        grace=note.grace,
        event=event,
        state=state,
        **more,  # type: ignore[arg-type]
    )


@dataclass(slots=True)
class _Run:
    """One pass while it is gathered: heard notes (indices) of each event it met."""

    index: int
    met: dict[int, list[int]]
    first_group_s: float
    move: Move


class _Matcher:
    def __init__(
        self,
        heard: Sequence[HeardNote],
        *,
        believed: Sequence[int],
        expected: Expected,
        path: Alignment,
        settings: CompareSettings,
        is_exact: bool,
        is_poor: bool,
    ) -> None:
        self.heard, self.believed, self.expected, self.path = heard, believed, expected, path
        self.settings, self.is_exact, self.is_poor = settings, is_exact, is_poor
        self.used: dict[int, tuple[int, int]] = {}  # heard note -> (pass, expected note)
        self.undecided: set[int] = set()  # expected notes of which one of two was struck, and nothing says which
        self.octaves: dict[int, float] = {}  # upper notes of octaves, and how surely each was heard
        self.outside = self._outside()
        self.runs = self._runs()
        self.times = [self._times(run) for run in self.runs]
        self.by_pitch: dict[int, list[int]] = defaultdict(list)
        for index, note in enumerate(heard):
            self.by_pitch[note.pitch_midi].append(index)

    def _outside(self) -> set[int]:
        """Heard notes before the first, after the last and between stopping and going on: noodling, not extra notes."""
        steps = self.path.steps
        met = [place for place, step in enumerate(steps) if step.event is not None]
        outside = {*range(met[0]), *range(met[-1] + 1, len(steps))} if met else set(range(len(steps)))
        for place, step in enumerate(steps):
            if step.move == Move.AGAIN:
                back = place - 1
                while back >= 0 and steps[back].event is None:
                    outside.add(back)
                    back -= 1
        return {self.believed[note] for place in outside for note in self.path.groups[steps[place].group].notes}

    def _runs(self) -> list[_Run]:
        runs: list[_Run] = []
        for step in self.path.steps:
            if step.event is None:
                continue
            group = self.path.groups[step.group]
            if step.move in _NEW_PASS or not runs:
                runs.append(_Run(index=len(runs), met={}, first_group_s=group.onset_s, move=step.move))
            runs[-1].met.setdefault(step.event, []).extend(self.believed[note] for note in group.notes)
        return runs

    def _pitches(self, event: int) -> set[int]:
        return {self.expected.notes[index].pitch_midi for index in self.expected.events[event].notes}

    def _times(self, run: _Run) -> tuple[np.ndarray, np.ndarray]:
        """Return beats and seconds of the events that a pass met, for looking between them."""
        beats: list[float] = []
        seconds: list[float] = []
        for event in sorted(run.met):
            right = [
                self.heard[index].onset_s
                for index in run.met[event]
                if self.heard[index].pitch_midi in self._pitches(event)
            ]
            at = float(np.median(right or [self.heard[index].onset_s for index in run.met[event]]))
            if seconds and at <= seconds[-1]:
                continue
            beats.append(self.expected.events[event].onset_beat)
            seconds.append(at)
        return np.array(beats), np.array(seconds)

    def _moment(self, run: int, beat: float) -> float:
        """Return when a beat falls in a pass: between its neighbours, or at the tempo of the nearest end outside them."""
        beats, seconds = self.times[run]
        if len(beats) == 1:
            return float(seconds[0])
        if beats[0] <= beat <= beats[-1]:
            return float(np.interp(beat, beats, seconds))
        near = slice(0, 4) if beat < beats[0] else slice(-4, None)
        tau = float(np.polyfit(beats[near], seconds[near], 1)[0])
        edge = 0 if beat < beats[0] else -1
        return float(seconds[edge] + (beat - beats[edge]) * max(tau, 0.05))

    def result(self) -> Matching:
        chosen = self._chosen_runs()
        found: dict[int, int] = {}  # expected note -> heard note
        for event, number in chosen.items():
            self._match_in_groups(event, self.runs[number], found)
        for run in self.runs:  # what an earlier pass met is used up as well: it is neither extra nor wrong
            for event in run.met:
                if chosen.get(event) != run.index:
                    self._use_up(event, run)
        for event, number in chosen.items():
            self._match_nearby(event, number, found)
        self._settle_equal_strikes(chosen, found)
        wrong = self._match_wrong(chosen, found)
        self.undecided = {
            index
            for hole, mate, margin in self._equal_strikes(chosen, found)
            if hole not in wrong and margin < self.settings.equal_margin
            for index in (hole, mate)
        }
        self.octaves = self._octaves(chosen, found, wrong)
        notes: list[NoteResult | None] = [None] * len(self.expected.notes)
        for here in self.expected.events:
            for index in (*here.notes, *here.graces):
                notes[index] = self._judge(index, here.index, chosen=chosen, found=found, wrong=wrong)
        results = tuple(note for note in notes if note is not None)
        reached = sum(event in chosen for event in range(len(self.expected.events)))
        met = len({event for run in self.runs for event in run.met})
        return Matching(
            notes=results,
            extras=self._extras(found, wrong),
            restarts=self._restarts(),
            skips=self._skips(),
            passes=tuple(
                Pass(index=run.index, events=tuple(sorted(run.met)), onset_s=tuple(self._moment(run.index, self.expected.events[event].onset_beat) for event in sorted(run.met)))
                for run in self.runs
            ),
            heard_frac=met / len(self.expected.events) if reached else 0.0,
            hands=self.expected.hands,
        )  # fmt: skip

    def _chosen_runs(self) -> dict[int, int]:
        """Return for each event that was reached the pass that counts: the last one that covers it."""
        chosen: dict[int, int] = {}
        for run in self.runs:
            for event in range(min(run.met), max(run.met) + 1):
                chosen[event] = run.index
        return chosen

    def _match_in_groups(self, event: int, run: _Run, found: dict[int, int]) -> None:
        for index in self.expected.events[event].notes:
            pitch = self.expected.notes[index].pitch_midi
            there = [number for number in run.met.get(event, ()) if self.heard[number].pitch_midi == pitch and number not in self.used]  # fmt: skip
            if there:
                best = max(there, key=lambda number: self.heard[number].confidence)
                found[index] = best
                self.used[best] = (run.index, index)

    def _use_up(self, event: int, run: _Run) -> None:
        for index in self.expected.events[event].notes:
            pitch = self.expected.notes[index].pitch_midi
            for number in run.met[event]:
                if self.heard[number].pitch_midi == pitch:
                    self.used.setdefault(number, (run.index, index))

    def _window_s(self, event: int, run: int) -> float:
        """Return how far from its moment a note of an event may lie."""
        events = self.expected.events
        at = self._moment(run, events[event].onset_beat)
        near = [abs(self._moment(run, events[other].onset_beat) - at) for other in (event - 1, event + 1) if 0 <= other < len(events)]  # fmt: skip
        settings = self.settings
        return float(
            np.clip(settings.window_frac * min(near, default=0.3), settings.least_window_s, settings.most_window_s)
        )

    def _near(self, pitch: int, *, at_s: float, within_s: float) -> list[int]:
        numbers = self.by_pitch.get(pitch, [])
        start = bisect_left(numbers, at_s - within_s, key=lambda number: self.heard[number].onset_s)
        near = []
        for number in numbers[start:]:
            if self.heard[number].onset_s > at_s + within_s:
                break
            near.append(number)
        return near

    def _match_nearby(self, event: int, run: int, found: dict[int, int]) -> None:
        """Look beside the group for notes that are still open, also among those heard faintly."""
        at_s = self._moment(run, self.expected.events[event].onset_beat)
        within_s = self._window_s(event, run)
        for index in (*self.expected.events[event].notes, *self.expected.events[event].graces):
            if index in found:
                continue
            near = [
                number
                for number in self._near(self.expected.notes[index].pitch_midi, at_s=at_s, within_s=within_s)
                if number not in self.used and self.heard[number].confidence >= self.settings.accept_from
            ]
            if near:
                best = min(near, key=lambda number: abs(self.heard[number].onset_s - at_s))
                found[index] = best
                self.used[best] = (run, index)

    def _equal_strikes(self, chosen: dict[int, int], found: dict[int, int]) -> list[tuple[int, int, float]]:
        """Return notes not found, beside each a neighbour of the same key that was, and by how much the strike fits that one better."""
        events = self.expected.events
        pairs: list[tuple[int, int, float]] = []
        for event in events:
            if event.index not in chosen or any(index in found for index in event.notes):
                continue  # what else was struck there tells when it was
            run = chosen[event.index]
            if event.index in self.runs[run].met:
                continue
            for near in (event.index - 1, event.index + 1):
                if not 0 <= near < len(events) or chosen.get(near) != run:
                    continue
                struck = [index for index in events[near].notes if index in found]
                if len(struck) != 1:
                    continue
                pitch = self.expected.notes[struck[0]].pitch_midi
                for index in event.notes:
                    if self.expected.notes[index].pitch_midi == pitch:
                        margin = self._margin(
                            self.heard[found[struck[0]]].onset_s, told=near, other=event.index, run=run
                        )
                        pairs.append((index, struck[0], margin))
        return pairs

    def _margin(self, strike_s: float, *, told: int, other: int, run: int) -> float:
        events = self.expected.events
        told_beat, other_beat = events[told].onset_beat, events[other].onset_beat
        beats, seconds = self.times[run]
        first = int(np.searchsorted(beats, min(told_beat, other_beat)))
        last = int(np.searchsorted(beats, max(told_beat, other_beat), side="right"))
        apart = [place for place in range(len(beats) - 1) if place + 1 < first or place >= last]
        nearest = sorted(apart, key=lambda place: abs(place - first))[:TEMPO_INTERVALS]
        if len(nearest) < LEAST_INTERVALS:
            return float("inf")
        return margin_of(
            strike_s,
            told_beat=told_beat,
            other_beat=other_beat,
            before=(float(beats[first - 1]), float(seconds[first - 1])) if first else None,
            after=(float(beats[last]), float(seconds[last])) if last < len(beats) else None,
            tau_s=float(
                np.median(
                    [(seconds[place + 1] - seconds[place]) / (beats[place + 1] - beats[place]) for place in nearest]
                )
            ),
        )

    def _settle_equal_strikes(self, chosen: dict[int, int], found: dict[int, int]) -> None:
        """Give a strike to its neighbour of the same key where it fits clearly better there."""
        for hole, mate, margin in self._equal_strikes(chosen, found):
            if margin < -self.settings.equal_margin and hole not in found and mate in found:
                found[hole] = found.pop(mate)
                self.used[found[hole]] = (self.used[found[hole]][0], hole)

    def _octaves(self, chosen: dict[int, int], found: dict[int, int], wrong: dict[int, int]) -> dict[int, float]:
        """Return how surely each upper note of an octave was heard, 0 where it was not."""
        notes = self.expected.notes
        sure: dict[int, float] = {}
        for event in self.expected.events:
            if event.index not in chosen:
                continue
            struck = {notes[index].pitch_midi for index in event.notes if index in found}
            for index in event.notes:
                if index not in wrong and notes[index].pitch_midi - OCTAVE in struck:
                    sure[index] = self.heard[found[index]].confidence if index in found else 0.0
        return sure

    def _hears_octaves_apart(self, index: int) -> bool:
        """Say whether the other octaves thereabouts were all heard as two notes, so that one that was not has but one."""
        settings, notes = self.settings, self.expected.notes
        near = [
            sure
            for other, sure in self.octaves.items()
            if other != index and abs(notes[other].pitch_midi - notes[index].pitch_midi) <= settings.octave_reach
        ]
        return len(near) >= settings.octave_least and min(near) >= settings.octave_clear_from

    def _match_wrong(self, chosen: dict[int, int], found: dict[int, int]) -> dict[int, int]:
        """Pair notes that were not found with sure notes, not written, at their moment: the nearest in time and pitch first."""
        settings = self.settings
        open_notes = [
            (index, event.index)
            for event in self.expected.events
            for index in event.notes
            if index not in found and event.index in chosen
        ]
        sure = [
            number
            for number, note in enumerate(self.heard)
            if number not in self.used and number not in self.outside and note.confidence >= settings.allege_from
        ]
        onsets = [self.heard[number].onset_s for number in sure]
        pairs: list[tuple[float, int, int]] = []
        for index, event in open_notes:
            note = self.expected.notes[index]
            at_s = self._moment(chosen[event], note.onset_beat)
            within_s = min(self._window_s(event, chosen[event]), 0.15)
            for place in range(bisect_left(onsets, at_s - within_s), len(sure)):
                if onsets[place] > at_s + within_s:
                    break
                number = sure[place]
                pitch = self.heard[number].pitch_midi
                if self._may_be_partial(number):
                    continue
                distance = abs(onsets[place] - at_s) / 0.05 + abs(pitch - note.pitch_midi) / 4.0
                pairs.append((distance, index, number))
        wrong: dict[int, int] = {}
        taken: set[int] = set()
        for _distance, index, number in sorted(pairs):
            if index not in wrong and number not in taken:
                wrong[index] = number
                taken.add(number)
                self.used[number] = (-1, index)
        return wrong

    def _may_be_partial(self, number: int) -> bool:
        """Say whether a heard note may be a partial, or the lower octave feigned, of another that is struck with it."""
        if self.is_exact:
            return False
        note = self.heard[number]
        for step in PARTIAL_STEPS:
            for pitch in (note.pitch_midi - step, note.pitch_midi + step):
                for other in self._near(pitch, at_s=note.onset_s, within_s=self.settings.same_strike_s):
                    if self.heard[other].confidence >= note.confidence - 0.2:
                        return True
        return False

    def _judge(
        self, index: int, event: int, *, chosen: dict[int, int], found: dict[int, int], wrong: dict[int, int]
    ) -> NoteResult:
        note = self.expected.notes[index]
        if event not in chosen:
            return _result(note, event=event, state=State.MISSING, is_reached=False)
        run = chosen[event]
        expected_s = self._moment(run, note.onset_beat)
        number = found.get(index, wrong.get(index))
        if index in self.undecided:
            return _result(note, event=event, state=State.CANNOT_TELL, expected_s=expected_s, pass_index=run)
        if number is not None:
            heard = self.heard[number]
            return _result(
                note,
                event=event,
                state=State.PLAYED if index in found else State.WRONG_PITCH,
                onset_s=heard.onset_s,
                level_db=heard.level_db,
                end_s=heard.end_s,
                heard=number,
                expected_s=expected_s,
                pass_index=run,
            )
        state = State.CANNOT_TELL if self._cannot_tell(index, event, run=run, found=found) else State.MISSING
        return _result(note, event=event, state=state, expected_s=expected_s, pass_index=run)

    def _cannot_tell(self, index: int, event: int, *, run: int, found: dict[int, int]) -> bool:
        """Say whether a note that was not found may have been played all the same."""
        note = self.expected.notes[index]
        if self.is_exact:
            return False
        if note.grace:
            return True  # crushed into its main note, it is easily lost
        pitches = {
            self.expected.notes[other].pitch_midi for other in self.expected.events[event].notes if other in found
        }
        hiding = [step for step in PARTIAL_STEPS if note.pitch_midi - step in pitches]
        if hiding and (self.is_poor or hiding[0] != OCTAVE or not self._hears_octaves_apart(index)):
            return True
        at_s = self._moment(run, note.onset_beat)
        faint = self._near(note.pitch_midi, at_s=at_s, within_s=self._window_s(event, run))
        if any(
            number not in self.used and self.heard[number].confidence >= self.settings.doubt_from for number in faint
        ):
            return True
        # The same key again so soon that the second strike hides in the first.
        soon = self._near(note.pitch_midi, at_s=at_s - 0.06, within_s=0.06)
        if any(number in self.used for number in soon):
            return True
        return self.is_poor and note.pitch_midi < self.settings.low_pitch_midi

    def _extras(self, found: dict[int, int], wrong: dict[int, int]) -> tuple[Extra, ...]:
        spoken_for = {*found.values(), *wrong.values(), *self.used}
        extras = []
        for number, note in enumerate(self.heard):
            if number in spoken_for or number in self.outside or note.confidence < self.settings.allege_from:
                continue
            if not self.runs or self._may_be_partial(number) or self._is_echo(number):
                continue
            event = self._event_at(note.onset_s)
            if self._is_ornament(note.pitch_midi, event):
                continue
            extras.append(Extra(onset_s=note.onset_s, pitch_midi=note.pitch_midi, heard=number, bar=self.expected.events[event].bar))  # fmt: skip
        return tuple(extras)

    def _is_echo(self, number: int) -> bool:
        """Say whether this is the same strike heard a second time."""
        if self.is_exact:
            return False
        note = self.heard[number]
        near = self._near(note.pitch_midi, at_s=note.onset_s, within_s=self.settings.same_strike_s)
        return any(other != number and self.heard[other].confidence >= note.confidence for other in near)

    def _event_at(self, at_s: float) -> int:
        """Return the event that was under way at a moment."""
        best, best_s = 0, -np.inf
        for run in self.runs:
            for event, numbers in run.met.items():
                onset_s = min(self.heard[number].onset_s for number in numbers)
                if best_s < onset_s <= at_s + 0.03:
                    best, best_s = event, onset_s
        return best

    def _is_ornament(self, pitch: int, event: int) -> bool:
        for other in range(max(event - 1, 0), min(event + 2, len(self.expected.events))):
            here = self.expected.events[other]
            if any(self.expected.notes[index].pitch_midi == pitch for index in here.graces):
                return True
            for index in here.notes:
                note = self.expected.notes[index]
                if note.is_ornamented and abs(note.pitch_midi - pitch) <= 2:
                    return True
        return False

    def _restarts(self) -> tuple[Restart, ...]:
        restarts = []
        for before, run in zip(self.runs, self.runs[1:], strict=False):
            left, reached = max(before.met), min(run.met)
            if run.move in {Move.BACK, Move.AGAIN} and reached <= left:
                restarts.append(
                    Restart(
                        at_s=run.first_group_s,
                        from_bar=self.expected.events[left].bar,
                        to_bar=self.expected.events[reached].bar,
                        from_event=left,
                        to_event=reached,
                    )
                )
        return tuple(restarts)

    def _skips(self) -> tuple[Skip, ...]:
        skips = []
        for before, run in zip(self.runs, self.runs[1:], strict=False):
            left, reached = max(before.met), min(run.met)
            if reached > left + 1:
                skips.append(
                    Skip(
                        at_s=run.first_group_s,
                        from_bar=self.expected.events[left + 1].bar,
                        to_bar=self.expected.events[reached - 1].bar,
                    )
                )
        return tuple(skips)
