"""A score made ready for looking at: what each hand strikes, when, in whole ticks.

Ties are merged, so that everything here is a key pressed once. Times are whole numbers of ticks in printed order (a repeat is
not counted twice); one quarter has `ticks` of them, chosen so that every onset and end is a whole number.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import accumulate
from math import lcm

from curriculum.score.notes import Bar, Mark, MarkKind, Metre, Tempo, WrittenNote, WrittenScore

STEP_PLACE = {step: place for place, step in enumerate("CDEFGAB")}
# Quarters a minute, where the score names no tempo in its first bar. Whatever rests on it is asked, never told.
ASSUMED_BPM = Fraction(100)
# Where the hand of a note may be wrong.
DOUBTFUL_HAND_CODES = frozenset({"which_hand", "hand_doubtful", "hands_from_pitch", "more_staves"})


@dataclass(frozen=True, slots=True)
class Struck:
    """One key pressed once.

    Attributes
    ----------
    note : WrittenNote
        The first head; marks and spelling are read from it.
    at, end : int
        Ticks from the beginning of the first printed bar.
    bar : int
        Index of the bar of the first head.
    place : int
        Letters above C 0, for intervals as they are written.
    """

    note: WrittenNote
    at: int
    end: int
    bar: int
    place: int

    @property
    def pitch_midi(self) -> int:
        """The sounding key."""
        return self.note.pitch_midi


@dataclass(frozen=True, slots=True)
class Event:
    """What one hand strikes at one moment.

    Attributes
    ----------
    at, end : int
        Ticks; `end` is that of the longest note.
    bar : int
        Index.
    offset : int
        Ticks from the start of the bar.
    notes : tuple of Struck
        Lowest first.
    """

    at: int
    end: int
    bar: int
    offset: int
    notes: tuple[Struck, ...]

    @property
    def low(self) -> Struck:
        """The lowest note."""
        return self.notes[0]

    @property
    def top(self) -> Struck:
        """The highest note."""
        return self.notes[-1]

    @property
    def is_single(self) -> bool:
        """Whether it is one key."""
        return len(self.notes) == 1


@dataclass(frozen=True)
class Digest:
    """A score with its times in ticks.

    Attributes
    ----------
    score : WrittenScore
        What it was made of.
    ticks : int
        Ticks in a quarter.
    starts : tuple of int
        Start of each bar, and the end of the last.
    hands : dict of str to tuple of Event
        right and left, in printed order, grace notes left out.
    """

    score: WrittenScore
    ticks: int
    starts: tuple[int, ...]
    hands: dict[str, tuple[Event, ...]]

    @property
    def bars(self) -> tuple[Bar, ...]:
        """The bars of the score."""
        return self.score.bars

    @cached_property
    def by_bar(self) -> dict[str, dict[int, list[Event]]]:
        """The events of each hand by the index of their bar."""
        found: dict[str, dict[int, list[Event]]] = {"right": {}, "left": {}}
        for hand, events in self.hands.items():
            for event in events:
                found[hand].setdefault(event.bar, []).append(event)
        return found

    @cached_property
    def marks_by_kind(self) -> dict[MarkKind, list[Mark]]:
        """The marks of each kind."""
        found: dict[MarkKind, list[Mark]] = {}
        for mark in self.score.marks:
            found.setdefault(mark.kind, []).append(mark)
        return found

    @cached_property
    def notes_by_id(self) -> dict[str, WrittenNote]:
        """The heads by their id."""
        return {note.id: note for note in self.score.notes}

    @property
    def has_tempo(self) -> bool:
        """Whether a tempo stands in the first bar."""
        return self.score.bpm is not None

    @property
    def has_doubtful_hands(self) -> bool:
        """Whether a warning says that hands may be wrong."""
        return any(warning.code in DOUBTFUL_HAND_CODES for warning in self.score.warnings)

    @cached_property
    def _tempi(self) -> tuple[list[int], list[float]]:
        """Where each tempo begins, and seconds in a tick from there; the first of the score is also that of its beginning."""
        first = ASSUMED_BPM if self.score.bpm is None else self.score.bpm
        changes = [(0, first), *((self._tick_of(tempo), tempo.bpm) for tempo in self.score.tempi)]
        return [at for at, _ in changes], [60.0 / float(bpm) / self.ticks for _, bpm in changes]

    def _tick_of(self, tempo: Tempo) -> int:
        return self.starts[tempo.bar] + int(tempo.offset_beat * self.ticks)

    def tick_s(self, at: int) -> float:
        """Return the length of a tick in seconds at a moment."""
        starts, lengths_s = self._tempi
        return lengths_s[bisect_right(starts, at) - 1]

    def is_rest_between(self, first: Event, second: Event) -> bool:
        """Return whether the hand is silent between two of its events."""
        return first.end < second.at

    def metre_of(self, bar: int) -> Metre | None:
        """Return the metre of a bar."""
        return self.bars[bar].metre

    def shift_of(self, bar: int) -> int:
        """Return the ticks that are missing at the front of a pickup, so that its beats keep their weight."""
        found = self.bars[bar]
        if not found.pickup or found.metre is None:
            return 0
        return int((found.metre.length_beat - found.length_beat) * self.ticks)


def digest(score: WrittenScore) -> Digest:
    """Return a score made ready for looking at.

    Parameters
    ----------
    score : WrittenScore
        Any score; one without notes gives hands without events.

    Returns
    -------
    Digest
        Its notes in ticks.

    Examples
    --------
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> found = digest(make_pattern(Pattern(kind="scale", value="1/2")))
    >>> found.ticks, [event.at for event in found.hands["right"]][:4]
    (2, [0, 1, 2, 3])
    """
    ticks = lcm(
        *{note.offset_beat.denominator for note in score.notes},
        *{note.duration_beat.denominator for note in score.notes},
        *{bar.length_beat.denominator for bar in score.bars},
    )
    starts = (0, *accumulate(_ticks(bar.length_beat, ticks) for bar in score.bars))
    struck = _struck(score.notes, starts=starts, ticks=ticks)
    hands: dict[str, tuple[Event, ...]] = {}
    for hand in ("right", "left"):
        hands[hand] = _events([note for note in struck if note.note.hand == hand], starts=starts)
    return Digest(score=score, ticks=ticks, starts=starts, hands=hands)


def _ticks(length: Fraction, ticks: int) -> int:
    return length.numerator * (ticks // length.denominator)


def _struck(notes: Sequence[WrittenNote], *, starts: Sequence[int], ticks: int) -> list[Struck]:
    """Return the keys pressed, ties merged, grace notes left out, in the order of time."""
    heads = []
    for note in notes:
        if note.grace:
            continue
        at = starts[note.bar] + _ticks(note.offset_beat, ticks)
        heads.append((at, note.pitch_midi, at + _ticks(note.duration_beat, ticks), note))
    heads.sort(key=lambda head: head[:2])
    found: list[Struck] = []
    # Where a tied note goes on: (end so far, pitch, staff) to its place in the list.
    open_ties: dict[tuple[int, int, int], int] = {}
    for at, pitch_midi, end, note in heads:
        place = open_ties.pop((at, pitch_midi, note.staff), None) if note.tie_stops else None
        if place is None:
            place = len(found)
            found.append(Struck(note, at, end, note.bar, 7 * note.octave + STEP_PLACE[note.step]))
        else:
            first = found[place]
            found[place] = Struck(first.note, first.at, end, first.bar, first.place)
        if note.tie_starts:
            open_ties[end, pitch_midi, note.staff] = place
    return found


def _events(struck: Sequence[Struck], *, starts: Sequence[int]) -> tuple[Event, ...]:
    found: list[Event] = []
    group: list[Struck] = []
    for note in struck:
        if group and note.at != group[0].at:
            found.append(_event(group, starts=starts))
            group = []
        group.append(note)
    if group:
        found.append(_event(group, starts=starts))
    return tuple(found)


def _event(group: list[Struck], *, starts: Sequence[int]) -> Event:
    first = group[0]
    return Event(first.at, max(note.end for note in group), first.bar, first.at - starts[first.bar], tuple(group))
