"""The notes of each kind of pattern, one hand after the other, before they have a place in time."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from curriculum.score.notes import Hand
from curriculum.score.patterns.errors import PatternError
from curriculum.score.patterns.fingering import arpeggio_fingers, chord_fingers, chromatic_fingers, scale_fingers
from curriculum.score.patterns.keys import CHROMATIC, Pitch, chord_tones, chromatic_line, degree
from curriculum.score.patterns.spec import Pattern

# Close shapes of the main chords, as degrees from the tonic: from one to the next the fingers move least.
CLOSE_SHAPES = {"I": (0, 2, 4), "IV": (0, 3, 5), "V": (-1, 1, 4), "V7": (-1, 3, 4)}
# Their lowest notes for one hand in one place (1 on the tonic, 5 a fifth below).
NEAR_ROOTS = {"I": 0, "IV": -4, "V": -3, "V7": -3}
# Their lowest notes below the chords.
DEEP_ROOTS = {"I": 0, "IV": 3, "V": 4, "V7": 4}
# Degrees of a chord and where its root lies from the tonic.
ARPEGGIO_DEGREES = {"triad": (0, 2, 4), "dominant_seventh": (-3, -1, 1, 3), "diminished_seventh": (-1, 1, 3, 5)}
DEGREES_IN_PLACE = 5
# Octave of the right hand's lowest line, by how many octaves it goes.
USUAL_OCTAVES = {1: 4, 2: 4, 3: 3, 4: 2}
# From these letters a scale of the right hand begins below middle C.
LOW_LETTERS = "AB"
KINDS_WITH_LINES = ("scale", "arpeggio")


@dataclass(frozen=True, slots=True)
class Stroke:
    """One or more keys that one hand strikes together.

    Attributes
    ----------
    pitches : tuple of Pitch
        Rising.
    fingers : tuple of int
        1 to 5, one for each pitch.
    """

    pitches: tuple[Pitch, ...]
    fingers: tuple[int, ...]


def hands_of(pattern: Pattern) -> tuple[Hand, ...]:
    """Return the hands that play.

    Parameters
    ----------
    pattern : Pattern
        The choices.

    Returns
    -------
    tuple of str
        right, left, or both.

    Examples
    --------
    >>> hands_of(Pattern(kind="scale", hands="both"))
    ('right', 'left')
    """
    if pattern.hands == "both":
        return ("right", "left")
    return ("right",) if pattern.hands == "right" else ("left",)


def strokes_of(pattern: Pattern, *, hand: Hand) -> list[Stroke]:
    """Return what one hand plays, once through.

    Parameters
    ----------
    pattern : Pattern
        The choices.
    hand : str
        right or left.

    Returns
    -------
    list of Stroke
        In playing order, never empty; both hands of one pattern have equally many.

    Raises
    ------
    PatternError
        If a bass cannot fill its bars with the chosen length of notes.

    Examples
    --------
    >>> strokes = strokes_of(Pattern(kind="five_finger", key="D", mode="natural_minor"), hand="right")
    >>> [(stroke.pitches[0].midi, stroke.fingers[0]) for stroke in strokes][:3]
    [(62, 1), (64, 2), (65, 3)]
    """
    octave = _low_octave(pattern, hand=hand)
    makers: dict[str, Callable[..., list[Stroke]]] = {
        "five_finger": _five_finger,
        "scale": _scale,
        "arpeggio": _arpeggio,
        "broken_chord": _broken_chord,
        "solid_chord": _solid_chord,
        "cadence": _cadence,
        "bass": _bass,
        "trill": _trill,
        "repeated": _repeated,
    }
    return makers[pattern.kind](pattern, hand=hand, octave=octave)


def _low_octave(pattern: Pattern, *, hand: Hand) -> int:
    """Return the octave of the tonic from which a hand's line is counted."""
    octave = pattern.octave
    if octave is None:
        octave = USUAL_OCTAVES[pattern.octaves]
        if pattern.kind in KINDS_WITH_LINES and pattern.key[0] in LOW_LETTERS:
            octave -= 1
        if pattern.hands == "left":
            octave -= 1
    return octave - pattern.apart if pattern.hands == "both" and hand == "left" else octave


def _mirrors(pattern: Pattern, hand: Hand) -> bool:
    return pattern.motion == "contrary" and hand == "left"


def _single(pitch: Pitch, finger: int) -> Stroke:
    return Stroke((pitch,), (finger,))


def _there_and_back(
    rising: Sequence[Stroke], falling: Sequence[Stroke], *, direction: str, mirrored: bool
) -> list[Stroke]:
    """Join a line up and a line down (both given from the lowest note); a mirrored hand goes the other way."""
    up, down = list(rising), list(falling)[::-1]
    if mirrored:
        up, down = down, up
    if direction == "up":
        return up
    if direction == "down":
        return down
    return [*up, *down[1:]]


def _place(pattern: Pattern, indices: Sequence[int], *, hand: Hand, octave: int) -> list[Stroke]:
    """Return degrees of a five-finger place with its fingers; a mirrored hand counts from its thumb down."""
    strokes = []
    for index in indices:
        place = DEGREES_IN_PLACE - 1 - index if _mirrors(pattern, hand) else index
        finger = place + 1 if hand == "right" else DEGREES_IN_PLACE - place
        strokes.append(_single(degree(place, tonic=pattern.key, mode=pattern.mode, octave=octave), finger))
    return strokes


STEPS_UP_DOWN = (0, 1, 2, 3, 4, 3, 2, 1, 0)
PLACE_FIGURES: dict[tuple[str, str], tuple[int, ...]] = {
    ("steps", "up"): STEPS_UP_DOWN[:5],
    ("steps", "down"): STEPS_UP_DOWN[4:],
    ("steps", "up_down"): STEPS_UP_DOWN,
    ("skips", "up"): (0, 2, 1, 3, 2, 4),
    ("skips", "down"): (4, 2, 3, 1, 2, 0),
    ("skips", "up_down"): (0, 2, 1, 3, 2, 4, 2, 3, 1, 2, 0),
    ("from_thumb", "up"): (0, 1, 0, 2, 0, 3, 0, 4, 0),
    ("from_thumb", "down"): (0, 4, 0, 3, 0, 2, 0, 1, 0),
    ("from_thumb", "up_down"): (0, 1, 0, 2, 0, 3, 0, 4, 0, 3, 0, 2, 0, 1, 0),
}


def _five_finger(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    indices = PLACE_FIGURES[pattern.figure, pattern.direction]
    if pattern.figure == "from_thumb" and hand == "left" and not _mirrors(pattern, hand):
        indices = tuple(DEGREES_IN_PLACE - 1 - index for index in indices)
    return _place(pattern, indices, hand=hand, octave=octave)


def _scale(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    mirrored = _mirrors(pattern, hand)
    low = octave - pattern.octaves if mirrored else octave
    lines = []
    for falling in (False, True):
        if pattern.mode == CHROMATIC:
            line = chromatic_line(pattern.key, octave=low, octaves=pattern.octaves, falling=falling)
            fingers = chromatic_fingers(line, hand=hand)
        else:
            line = [
                degree(index, tonic=pattern.key, mode=pattern.mode, octave=low, falling=falling)
                for index in range(7 * pattern.octaves + 1)
            ]
            fingers = scale_fingers(line, hand=hand)
        lines.append([_single(pitch, finger) for pitch, finger in zip(line, fingers, strict=True)])
    return _there_and_back(lines[0], lines[1], direction=pattern.direction, mirrored=mirrored)


def _arpeggio(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    mirrored = _mirrors(pattern, hand)
    low = octave - pattern.octaves if mirrored else octave
    degrees = ARPEGGIO_DEGREES[pattern.chord]
    size = len(degrees)
    wanted = [
        degrees[(pattern.inversion + place) % size] + 7 * ((pattern.inversion + place) // size)
        for place in range(size * pattern.octaves + 1)
    ]
    line = chord_tones(wanted, tonic=pattern.key, mode=_chord_mode(pattern), octave=low)
    fingers = arpeggio_fingers(line, size=size, hand=hand)
    strokes = [_single(pitch, finger) for pitch, finger in zip(line, fingers, strict=True)]
    return _there_and_back(strokes, strokes, direction=pattern.direction, mirrored=mirrored)


def _chord_mode(pattern: Pattern) -> str:
    """Chords of a minor key take the raised seventh degree and the plain sixth."""
    return "harmonic_minor" if pattern.mode == "melodic_minor" else pattern.mode


def _shapes(pattern: Pattern, *, size: int, octave: int) -> list[list[Pitch]]:
    """Return the shapes of the home chord from the chosen inversion through so many octaves."""
    shapes = []
    for turn in range(3 * pattern.octaves + 1):
        first = pattern.inversion + turn
        degrees = [2 * ((first + place) % 3) + 7 * ((first + place) // 3) for place in range(size)]
        shapes.append(chord_tones(degrees, tonic=pattern.key, mode=pattern.mode, octave=octave))
    return shapes


BROKEN_FIGURES = {"three": (0, 1, 2), "there_and_back": (0, 1, 2, 1), "four": (0, 1, 2, 3)}


def _broken_chord(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    figure = BROKEN_FIGURES[pattern.figure]
    shapes = _shapes(pattern, size=max(figure) + 1, octave=octave)
    going = {"up": [(shapes, False)], "down": [(shapes[::-1], True)]}.get(
        pattern.direction, [(shapes, False), (shapes[-2::-1], True)]
    )
    strokes = []
    for these, is_falling in going:
        for shape in these:
            fingers = chord_fingers(shape, hand=hand)
            for place in figure:
                at = len(shape) - 1 - place if is_falling else place
                strokes.append(_single(shape[at], fingers[at]))
    if strokes[-1].pitches != (shapes[0][0],) and pattern.direction != "up":
        strokes.append(_single(shapes[0][0], chord_fingers(shapes[0], hand=hand)[0]))
    return strokes


def _struck(pitches: Sequence[Pitch], *, hand: Hand) -> Stroke:
    return Stroke(tuple(pitches), tuple(chord_fingers(pitches, hand=hand)))


def _solid_chord(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    strokes = [_struck(shape, hand=hand) for shape in _shapes(pattern, size=3, octave=octave)]
    return _there_and_back(strokes, strokes, direction=pattern.direction, mirrored=False)


def _cadence(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    strokes = []
    for name in pattern.progression.split("-"):
        if pattern.hands == "both" and hand == "left":
            root = NEAR_ROOTS[name]
            pitch = degree(root, tonic=pattern.key, mode=_chord_mode(pattern), octave=octave)
            strokes.append(_single(pitch, 1 - root))
        else:
            shape = chord_tones(CLOSE_SHAPES[name], tonic=pattern.key, mode=_chord_mode(pattern), octave=octave)
            strokes.append(_struck(shape, hand=hand))
    return strokes


def _bass(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    count = pattern.written_metre.length_beat / Fraction(pattern.value)
    notes = int(count)
    in_threes = pattern.is_compound or pattern.metre == "3/4"
    group = {"octaves": 2, "leaping": 3 if in_threes else 2, "rocking": 6 if in_threes else 4}[pattern.figure]
    if notes % group:
        message = f"{pattern.value!r} in {pattern.metre} gives {notes} in a bar; a {pattern.figure} bass wants {group}, {2 * group} ..."
        raise PatternError("value", message)
    strokes = []
    for name in pattern.progression.split("-"):
        strokes.extend(_bass_group(pattern, name, group=group, hand=hand, octave=octave) * (notes // group))
    return strokes


def _bass_group(pattern: Pattern, name: str, *, group: int, hand: Hand, octave: int) -> list[Stroke]:
    shape = _struck(
        chord_tones(CLOSE_SHAPES[name], tonic=pattern.key, mode=_chord_mode(pattern), octave=octave), hand=hand
    )
    root = degree(DEEP_ROOTS[name], tonic=pattern.key, mode=_chord_mode(pattern), octave=octave - 1)
    if pattern.figure == "octaves":
        return [_single(root, 5), _single(root.moved(1), 1)]
    if pattern.figure == "leaping":
        return [_single(root, 5), *[shape] * (group - 1)]
    low, mid, high = (_single(pitch, finger) for pitch, finger in zip(shape.pitches, shape.fingers, strict=True))
    return [low, high, mid, high] if group == 4 else [low, high, mid, high, mid, high]


def _trill(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    if pattern.figure == "each_pair":
        indices = [index for low in range(4) for index in (low, low + 1) * pattern.count]
        return _place(pattern, [*indices, DEGREES_IN_PLACE - 1], hand=hand, octave=octave)
    strokes = _place(pattern, [0, 1], hand=hand, octave=octave)
    away = hand == "right" or _mirrors(pattern, hand)
    main, other = (2, 3) if away else (3, 2)
    pair = [Stroke(strokes[0].pitches, (main,)), Stroke(strokes[1].pitches, (other,))]
    return [*pair * pattern.count, pair[0]]


def _repeated(pattern: Pattern, *, hand: Hand, octave: int) -> list[Stroke]:
    strokes = []
    for stroke in _place(pattern, PLACE_FIGURES["steps", pattern.direction], hand=hand, octave=octave):
        for turn in range(pattern.count):
            finger = stroke.fingers[0] if pattern.figure == "same_finger" else _changing(turn, count=pattern.count)
            strokes.append(Stroke(stroke.pitches, (finger,)))
    return strokes


def _changing(turn: int, *, count: int) -> int:
    """Return the finger that comes next on one key: from the outer fingers in to the thumb."""
    cycle = 4 if count % 4 == 0 else 3 if count % 3 == 0 else 2 if count % 2 == 0 else 3
    return cycle - turn % cycle
