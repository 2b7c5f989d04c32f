"""Detectors for how the hands go with one another, bar by bar."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from curriculum.score.demands.digest import Digest, Event
from curriculum.score.demands.keyboard import Collector
from curriculum.score.demands.vocabulary import Find

# Moves that both hands must make the same (or the opposite) way before a bar is called parallel (or contrary).
LEAST_MOVES = 2
# One strike of both hands, such as a last chord, asks nothing new.
LEAST_STRIKES = 2
# A held note is at most this many to a bar, and at most half as many as the other hand has.
MOST_HELD_NOTES = 2
LEAST_MOVING_NOTES = 2
# Bars of tune and accompaniment: fewer are an accident.
LEAST_ACCOMPANIED_BARS = 4
LEAST_ACCOMPANIED_FRAC = 0.5
STAFF_VOICES = 2


def together_finds(found: Digest) -> Iterator[Find]:
    """Yield how the hands have to go together.

    Parameters
    ----------
    found : Digest
        The score.

    Yields
    ------
    Find
        One for each detector that found something.

    Examples
    --------
    >>> from curriculum.score.demands.digest import digest
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> finds = together_finds(digest(make_pattern(Pattern(kind="five_finger", hands="both", motion="contrary"))))
    >>> [find.key for find in finds]
    ['hands_contrary']
    """
    collected = Collector()
    for bar in found.bars:
        right = found.by_bar["right"].get(bar.index, [])
        left = found.by_bar["left"].get(bar.index, [])
        if right and left:
            key = _texture(right, left)
            if key:
                collected.add(key, {bar.index})
    collected.add("hands_alternate", _alternations(found))
    collected.add("hand_crossing", _crossings(found))
    collected.add("two_voices_in_hand", _second_voices(found))
    collected.add("tune_and_accompaniment", _accompanied(found))
    yield from collected.finds()


def _texture(right: Sequence[Event], left: Sequence[Event]) -> str:
    """Return the detector of a bar in which both hands begin notes, or an empty text."""
    onsets = {event.at for event in right}, {event.at for event in left}
    if onsets[0] == onsets[1]:
        return _same_rhythm(right, left)
    if not _sound_together(right, left):
        return ""
    fewer, more = sorted(onsets, key=len)
    if fewer < more:
        is_held = len(fewer) <= MOST_HELD_NOTES and 2 * len(fewer) <= len(more) and len(more) >= LEAST_MOVING_NOTES
        return "hands_together_simple" if is_held else "hands_independent" if len(fewer) > MOST_HELD_NOTES else ""
    return "hands_independent"


def _same_rhythm(right: Sequence[Event], left: Sequence[Event]) -> str:
    if len(right) < LEAST_STRIKES:
        return ""
    moves = [
        (second[0].top.place - first[0].top.place, second[1].top.place - first[1].top.place)
        for first, second in pairwise(zip(right, left, strict=True))
    ]
    moving = [move for move in moves if move != (0, 0)]
    if len(moving) >= LEAST_MOVES:
        if all(one * other > 0 for one, other in moving):
            return "hands_parallel"
        if all(one * other < 0 for one, other in moving):
            return "hands_contrary"
    return "hands_strike_together"


def _sound_together(right: Sequence[Event], left: Sequence[Event]) -> bool:
    return any(one.at < other.end and other.at < one.end for one in right for other in left)


def _alternations(found: Digest) -> set[int]:
    """Return bars in which a line passes from one hand to the other without both sounding."""
    merged = sorted(
        ((event.at, event.end, event.bar, hand) for hand, events in found.hands.items() for event in events),
        key=lambda item: item[:2],
    )
    bars = set()
    ends = {"right": -1, "left": -1}
    for place, (at, end, bar, hand) in enumerate(merged):
        other = "left" if hand == "right" else "right"
        passes_on = (
            place > 0
            and merged[place - 1][3] == other
            and ends[other] == at
            and (place + 1 == len(merged) or merged[place + 1][3] == hand or merged[place + 1][0] >= end)
        )
        if passes_on:
            bars.add(bar)
        ends[hand] = max(ends[hand], end)
    return bars


def _crossings(found: Digest) -> set[int]:
    """Return bars in which the left hand strikes above a sounding note of the right hand, or the right below the left."""
    merged = sorted(
        ((event.at, event.end, event.bar, hand, event) for hand, events in found.hands.items() for event in events),
        key=lambda item: item[:2],
    )
    bars = set()
    sounding: dict[str, list[tuple[int, int]]] = {"right": [], "left": []}
    for at, _, bar, hand, event in merged:
        for notes in sounding.values():
            notes[:] = [note for note in notes if note[0] > at]
        sounding[hand].extend((note.end, note.pitch_midi) for note in event.notes)
        if hand == "left":
            lowest = min((pitch for _, pitch in sounding["right"]), default=None)
            crosses = lowest is not None and event.top.pitch_midi > lowest
        else:
            highest = max((pitch for _, pitch in sounding["left"]), default=None)
            crosses = highest is not None and event.low.pitch_midi < highest
        if crosses:
            bars.add(bar)
    return bars


def _second_voices(found: Digest) -> set[int]:
    """Return bars in which one hand has two voices that do not begin all their notes together."""
    voices: dict[tuple[int, str], dict[int, set[tuple[int, int]]]] = {}
    for note in found.score.notes:
        if note.grace or note.hand is None:
            continue
        start = int(note.offset_beat * found.ticks)
        length = int(note.duration_beat * found.ticks)
        voices.setdefault((note.bar, note.hand), {}).setdefault(note.voice, set()).add((start, length))
    bars = set()
    for (bar, _), these in voices.items():
        if len(these) < STAFF_VOICES:
            continue
        first, *others = these.values()
        for other in others:
            overlap = any(
                one[0] < two[0] + two[1] and two[0] < one[0] + one[1] and one != two for one in first for two in other
            )
            if overlap:
                bars.add(bar)
    return bars


def _accompanied(found: Digest) -> set[int]:
    """Return bars with one line in one hand and chords, or broken chords, in the other."""
    bars = set()
    for bar in found.bars:
        right = found.by_bar["right"].get(bar.index, [])
        left = found.by_bar["left"].get(bar.index, [])
        if not right or not left or not _sound_together(right, left):
            continue
        if any(_is_line(one) and _is_chordal(other) for one, other in ((right, left), (left, right))):
            bars.add(bar.index)
    both = sum(1 for bar in found.bars if all(bar.index in found.by_bar[hand] for hand in ("right", "left")))
    is_texture = len(bars) >= LEAST_ACCOMPANIED_BARS or (bars and len(bars) >= LEAST_ACCOMPANIED_FRAC * both)
    return bars if is_texture else set()


def _is_line(events: Sequence[Event]) -> bool:
    return all(event.is_single for event in events)


def _is_chordal(events: Sequence[Event]) -> bool:
    """Whether most of what is struck are chords, or it is a chord broken by turning back and forth."""
    if 2 * sum(not event.is_single for event in events) >= len(events):
        return True
    if len(events) < 4 or not _is_line(events):
        return False
    moves = [second.top.place - first.top.place for first, second in pairwise(events)]
    turns = sum(one * other < 0 for one, other in pairwise(moves))
    skips = sum(abs(move) >= 2 for move in moves)
    return 2 * turns >= len(moves) - 1 and 2 * skips >= len(moves)
