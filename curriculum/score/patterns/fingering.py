"""Usual fingerings. Common practice; no source.

Scales and arpeggios follow two rules that give the fingerings printed in most books: the thumb falls on white keys, and
where the tonic is black it falls on a white key that follows a black one in the hand's own direction out from the thumb.
"""

from collections.abc import Sequence
from itertools import combinations

from curriculum.score.patterns.keys import Pitch

# Notes between two thumbs in a scale are two or three.
GROUP_SIZES = (3, 4)
# Semitones. From here a chord's third finger reaches to the next thumb as well as the fourth.
WIDE_GAP_SEMITONES = 5
MAJOR_THIRD_SEMITONES = 4
LONGEST_GROUP = 4


def scale_fingers(line: Sequence[Pitch], *, hand: str) -> list[int]:
    """Return fingers of a seven-note scale.

    Parameters
    ----------
    line : sequence of Pitch
        One or more octaves from tonic to tonic, rising.
    hand : str
        right or left.

    Returns
    -------
    list of int
        1 to 5, one for each note.

    Examples
    --------
    >>> from curriculum.score.patterns.keys import degree
    >>> line = [degree(index, tonic="F", mode="major", octave=4) for index in range(8)]
    >>> scale_fingers(line, hand="right"), scale_fingers(line, hand="left")
    ([1, 2, 3, 4, 1, 2, 3, 4], [5, 4, 3, 2, 1, 3, 2, 1])
    """
    thumbs = _scale_thumbs(line, hand=hand)
    return _counted_from_thumbs([index % 7 in thumbs for index in range(len(line))], cycle=7, hand=hand)


def _scale_thumbs(line: Sequence[Pitch], *, hand: str) -> frozenset[int]:
    """Return the two degrees of an octave on which the thumb falls."""
    black = [pitch.is_black for pitch in line[:7]]

    def worth(pair: tuple[int, ...]) -> tuple[int, int, int]:
        # The neighbour that the hand leaves for the thumb: below it for the right hand, above it for the left.
        neighbours = [(place - 1) % 7 if hand == "right" else (place + 1) % 7 for place in pair]
        usual = (0, 3) if hand == "right" else (0, 4)
        return (
            -sum(black[place] for place in pair),
            (0 in pair) + (pair == usual) if not black[0] else 0,
            sum(black[place] for place in neighbours),
        )

    pairs = [pair for pair in combinations(range(7), 2) if pair[1] - pair[0] in GROUP_SIZES]
    best = max(pairs, key=worth)
    return frozenset(best)


def _counted_from_thumbs(is_thumb: Sequence[bool], *, cycle: int, hand: str) -> list[int]:
    """Return fingers where thumbs are known: the right hand counts up from each, the left hand down to each."""
    marks = list(is_thumb) if hand == "right" else list(reversed(is_thumb))
    # What would have been played before the first note, had the line begun an octave earlier.
    period = marks[:cycle]
    fingers: list[int] = []
    finger = 0
    for mark in [*period, *marks]:
        finger = 1 if mark else finger + 1
        fingers.append(finger)
    fingers = fingers[len(period) :]
    # At the far end no thumb passes any more.
    if len(fingers) > 1 and fingers[-1] == 1:
        fingers[-1] = fingers[-2] + 1
    return fingers if hand == "right" else fingers[::-1]


def chromatic_fingers(line: Sequence[Pitch], *, hand: str) -> list[int]:
    """Return fingers of a chromatic scale: 3 on black keys, 1 on white ones, 2 where two white keys follow one another.

    Parameters
    ----------
    line : sequence of Pitch
        Neighbouring keys, rising.
    hand : str
        right or left.

    Returns
    -------
    list of int
        1 to 3, one for each note.

    Examples
    --------
    >>> from curriculum.score.patterns.keys import chromatic_line
    >>> chromatic_fingers(chromatic_line("C", octave=4, octaves=1, falling=False), hand="right")
    [1, 3, 1, 3, 1, 2, 3, 1, 3, 1, 3, 1, 2]
    """
    fingers = []
    for index, pitch in enumerate(line):
        beside = index - 1 if hand == "right" else index + 1
        is_second = 0 <= beside < len(line) and not line[beside].is_black and not pitch.is_black
        fingers.append(3 if pitch.is_black else 2 if is_second else 1)
    return fingers


def arpeggio_fingers(line: Sequence[Pitch], *, size: int, hand: str) -> list[int]:
    """Return fingers of an arpeggio.

    Parameters
    ----------
    line : sequence of Pitch
        Chord notes, rising, one or more octaves and the lowest note again at the top.
    size : int
        Different notes in the chord, 3 or 4.
    hand : str
        right or left.

    Returns
    -------
    list of int
        1 to 5, one for each note.

    Examples
    --------
    >>> from curriculum.score.patterns.keys import chord_tones
    >>> line = chord_tones([0, 2, 4, 7, 9, 11, 14], tonic="C", mode="major", octave=3)
    >>> arpeggio_fingers(line, size=3, hand="right"), arpeggio_fingers(line, size=3, hand="left")
    ([1, 2, 3, 1, 2, 3, 5], [5, 4, 2, 1, 4, 2, 1])
    """
    going_out = list(line) if hand == "right" else list(reversed(line))
    octave = going_out[:size]
    # From the bottom note outwards, the thumb takes the first white key; with black keys only, the first key.
    thumb = next((index for index, pitch in enumerate(octave) if not pitch.is_black), 0)
    group = {(thumb + offset) % size: offset + 1 for offset in range(size)}
    if size == 3:
        last = octave[(thumb + 2) % size]
        next_thumb = octave[thumb]
        gap = (next_thumb.midi - last.midi) % 12 if hand == "right" else (last.midi - next_thumb.midi) % 12
        is_black_third = hand == "left" and gap == MAJOR_THIRD_SEMITONES and last.is_black and not octave[0].is_black
        group[(thumb + 2) % size] = 3 if gap >= WIDE_GAP_SEMITONES or is_black_third else 4
    fingers = [group[index % size] for index in range(len(going_out))]
    if thumb == 1:  # nothing comes before a single note in front of the thumb: the nearest finger will do
        fingers[0] = 2
    if len(fingers) > 1 and fingers[-1] == 1:
        fingers[-1] = 5
    return fingers if hand == "right" else fingers[::-1]


def chord_fingers(pitches: Sequence[Pitch], *, hand: str) -> list[int]:
    """Return fingers of a chord struck at once, or broken within one hand's span.

    Parameters
    ----------
    pitches : sequence of Pitch
        One to four notes, rising, within an octave.
    hand : str
        right or left.

    Returns
    -------
    list of int
        1 to 5, one for each note.

    Examples
    --------
    >>> chord_fingers([Pitch("E", 0, 4), Pitch("G", 0, 4), Pitch("C", 0, 5)], hand="right")
    [1, 2, 5]
    """
    going_out = list(pitches) if hand == "right" else list(reversed(pitches))
    places = [abs(pitch.place - going_out[0].place) for pitch in going_out]
    if len(places) == 1:
        fingers = [1] if hand == "right" else [5]
    elif len(places) == 2:
        fingers = [1, min(5, places[1] + 1)]
    elif len(places) == 3:
        # A second or third beside the thumb and more above it is taken by 2; a second below 5 by 4.
        upper = places[2] - places[1]
        fingers = [1, 4 if upper == 1 else 2 if upper > places[1] else 3, 5]
    else:
        third = 3 if places[3] - places[2] >= 3 else 4
        fingers = [1, 2, third, 5]
    return fingers if hand == "right" else fingers[::-1]
