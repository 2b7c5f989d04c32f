"""The take that tells a loud finger from the room: one five-finger figure, begun with the thumb's place on C, D, E, F and G, all of it twice.

A room makes each key louder or softer by up to ten decibels, always the same as long as phone and piano stand still. In one place of the
hand, key and finger cannot be told apart: the thumb *is* C. Where the hand moves on by a white key at a time, every inner key is struck by
several fingers and every finger strikes five keys, so what belongs to the key and what belongs to the finger come apart.

Why it is written as it is:

- **All of it twice, upwards both times.** With the five places once, in order, a slow growing louder, a treble that the room favours
  and fingers that tilt from one side of the hand to the other are one and the same straight line: the error of a thumb is then three times
  as large (1.8 dB against 0.5, worked out from the design). Going up and coming down again does not help where the middle is played louder.
- **From the middle finger and back to it, twice.** First and last notes of a stretch are often louder or softer than the rest; they are
  middle fingers here and are left out.
- **Quarters in three-four time**, so that no finger has all the first beats.

White keys only: hands lie the same everywhere, and everybody can read it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from curriculum.score import DueNote, Hand, Metre, PlannedNote, Tempo, WrittenScore, make_score, plain_bars
from curriculum.score.patterns.figures import Stroke, strokes_of
from curriculum.score.patterns.spec import Pattern

# Where the thumb (of the left hand: the little finger) stands, and the mode that keeps to white keys from there.
STARTS = (("C", "major"), ("D", "dorian"), ("E", "phrygian"), ("F", "lydian"), ("G", "mixolydian"))
TIMES = 2
# Places in the hand from the lowest key, one a quarter; the last is held for two.
FIGURE = (2, 1, 0, 1, 2, 3, 4, 3, 2, 1, 0, 1, 2, 3, 4, 3, 2)
METRE = Metre(beats=3, beat_type=4)
# Bars from one start to the next: the figure fills them.
VISIT_BARS = 6
# Quarters a minute: slow enough for anybody, and two minutes in all. Any other tempo does as well.
BPM = 92
TITLES: dict[Hand, str] = {"right": "Finger or room, right hand", "left": "Finger or room, left hand"}


@dataclass(frozen=True, slots=True)
class Placed:
    """A note of the designed take: which finger, in which of the ten visits (0 to 9), and whether on a first beat.

    ``is_counted`` is False for the first and the last note of a visit.
    """

    finger: int
    visit: int
    is_first_beat: bool
    is_counted: bool


def start_of(visit: int) -> str:
    """Return the key on which the lowest finger stands in a visit.

    Parameters
    ----------
    visit : int
        0 to 9.

    Returns
    -------
    str
        A letter.

    Examples
    --------
    >>> start_of(1), start_of(6)
    ('D', 'D')
    """
    return STARTS[visit % len(STARTS)][0]


def design_take(hand: Hand) -> WrittenScore:
    """Return the designed take as a score with fingers.

    Parameters
    ----------
    hand : hand
        The hand that plays: the right one from middle C, the left one an octave below.

    Returns
    -------
    WrittenScore
        Sixty bars of three-four time, 170 notes.

    Examples
    --------
    >>> score = design_take("left")
    >>> [(note.step, note.finger) for note in score.notes[:4]]
    [('E', 3), ('D', 4), ('C', 5), ('D', 4)]
    """
    planned = []
    for index, stroke in enumerate(_strokes(hand)):
        visit, place = divmod(index, len(FIGURE))
        pitch = stroke.pitches[0]
        planned.append(
            PlannedNote(
                visit * VISIT_BARS * METRE.length_beat + place,
                Fraction(2 if place == len(FIGURE) - 1 else 1),
                pitch.step,
                octave=pitch.octave,
                hand=hand,
                finger=stroke.fingers[0],
            )
        )
    return make_score(
        planned,
        bars=plain_bars(TIMES * len(STARTS) * VISIT_BARS, metre=METRE),
        hands=(hand,),
        tempi=[Tempo(0, Fraction(0), Fraction(BPM), value="quarter", per_minute=str(BPM))],
        title=TITLES[hand],
        source="pattern",
    )


def placed_of(due: Sequence[DueNote]) -> dict[str, Placed]:
    """Return each note's place in the designed take, where what is to be played is that take.

    It is known by its notes and fingers, in any octave and however it came to be written.

    Parameters
    ----------
    due : sequence of DueNote
        In playing order (:func:`curriculum.score.in_playing_order`).

    Returns
    -------
    dict of str to Placed
        By the note's id; empty where anything else is to be played, or a part of the take only.

    Examples
    --------
    >>> from curriculum.score import in_playing_order
    >>> due = in_playing_order(design_take("right"))
    >>> len(placed_of(due)), placed_of(due)[due[2].id].finger, len(placed_of(due[1:]))
    (170, 1, 0)
    """
    for hand in TITLES:
        wanted = [(stroke.fingers[0], stroke.pitches[0].midi) for stroke in _strokes(hand)]
        if len(due) != len(wanted):
            return {}
        moved = due[0].pitch_midi - wanted[0][1]
        if moved % 12 == 0 and [(note.finger, note.pitch_midi - moved) for note in due] == wanted:
            return {
                note.id: Placed(
                    finger=note.finger or 0,
                    visit=index // len(FIGURE),
                    is_first_beat=note.beat == 1,
                    is_counted=0 < index % len(FIGURE) < len(FIGURE) - 1,
                )
                for index, note in enumerate(due)
            }
    return {}


def _strokes(hand: Hand) -> list[Stroke]:
    """Return all strokes of the take, in order."""
    patterns = [
        Pattern(kind="five_finger", key=key, mode=mode, hands=hand, direction="up") for key, mode in TIMES * STARTS
    ]
    return [strokes_of(pattern, hand=hand)[index] for pattern in patterns for index in FIGURE]
