"""From choices to a written score, and to words."""

from fractions import Fraction

from curriculum.score.errors import ScoreError
from curriculum.score.making import PlannedNote, make_score, plain_bars
from curriculum.score.notes import VALUE_BEATS, Bar, Clef, Hand, Key, Tempo, WrittenScore
from curriculum.score.patterns.errors import PatternError
from curriculum.score.patterns.figures import Stroke, hands_of, strokes_of
from curriculum.score.patterns.keys import signature
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.wording import pattern_title

LOWEST_MIDI, HIGHEST_MIDI = 21, 108
# How much longer or shorter the notes of a rhythm are than the chosen length.
RHYTHM_WEIGHTS: dict[str, tuple[Fraction, ...]] = {
    "even": (Fraction(1),),
    "long_short": (Fraction(3, 2), Fraction(1, 2)),
    "short_long": (Fraction(1, 2), Fraction(3, 2)),
    "long_short_short": (Fraction(2), Fraction(1), Fraction(1)),
    "short_short_long": (Fraction(1), Fraction(1), Fraction(2)),
}
ACCENT_EVERY = {"every_2": 2, "every_3": 3, "every_4": 4}
# The last note may be held as long as any one of these, in quarters.
HELD_VALUES = frozenset(
    length * dots
    for name, length in VALUE_BEATS.items()
    for dots in (Fraction(1), Fraction(3, 2))
    if name not in ("long", "breve")
)
# Letters above C 0. A bar is read in the other clef where it lies wholly across middle C and reaches this far beyond it
# (A 4 for the left hand, E 3 for the right): that saves ledger lines. It goes back as soon as middle C is crossed.
MIDDLE_C_PLACE = 28
FAR_ABOVE_PLACE, FAR_BELOW_PLACE = 33, 23
CLEFS = {"G": 2, "F": 4}


def make_pattern(pattern: Pattern) -> WrittenScore:
    """Return the exercise that a pattern describes, as a written score.

    Parameters
    ----------
    pattern : Pattern
        The choices.

    Returns
    -------
    WrittenScore
        Two staves, bars numbered from 1, with tempo, key, fingers and ids; a hand that does not play has rests. Each
        time through begins a new bar. The last note is held to the end of its bar where one note can say so.

    Raises
    ------
    PatternError
        If notes lie beyond the piano, or a bass cannot fill its bars.

    Examples
    --------
    >>> score = make_pattern(Pattern(kind="scale", key="G"))
    >>> [(note.step, note.alter, note.finger) for note in score.notes][5:8]
    [('E', 0, 3), ('F', 1, 4), ('G', 0, 5)]
    >>> score.title
    'G major scale, one octave, right hand'
    """
    metre = pattern.written_metre
    planned: list[PlannedNote] = []
    bar_count = 0
    for hand in hands_of(pattern):
        strokes = strokes_of(pattern, hand=hand)
        start = Fraction(0)
        for _ in range(pattern.times):
            planned.extend(_planned(pattern, strokes, hand=hand, start=start))
            length = planned[-1].onset_beat + planned[-1].duration_beat
            start = -(-length // metre.length_beat) * metre.length_beat
        bar_count = int(start / metre.length_beat)
    key = Key(signature(pattern.key, mode=pattern.mode), _written_mode(pattern.mode))
    bars = plain_bars(bar_count, metre=metre, key=key)
    try:
        return make_score(
            planned,
            bars=bars,
            tempi=[_tempo(pattern)],
            clefs=_clefs(planned, bars=bars),
            title=pattern_title(pattern),
            source="pattern",
        )
    except PatternError:
        raise
    except ScoreError as error:
        raise PatternError("pattern", f"these choices cannot be written together: {error}") from error


def _written_mode(mode: str) -> str:
    if mode == "chromatic":
        return ""
    return "minor" if mode.endswith("_minor") else mode


def _tempo(pattern: Pattern) -> Tempo:
    return Tempo(
        0,
        Fraction(0),
        pattern.bpm * pattern.beat_quarters,
        value="quarter",
        dots=1 if pattern.is_compound else 0,
        per_minute=str(pattern.bpm),
    )


def _planned(pattern: Pattern, strokes: list[Stroke], *, hand: Hand, start: Fraction) -> list[PlannedNote]:
    """Return the notes of one hand, once through, from `start`."""
    weights = RHYTHM_WEIGHTS[pattern.rhythm]
    found: list[PlannedNote] = []
    at = start
    for index, stroke in enumerate(strokes):
        length = Fraction(pattern.value) * weights[index % len(weights)]
        is_last = index == len(strokes) - 1
        if is_last:
            length = _held(pattern, at - start, length)
        for place, (pitch, finger) in enumerate(zip(stroke.pitches, stroke.fingers, strict=True)):
            if not LOWEST_MIDI <= pitch.midi <= HIGHEST_MIDI:
                message = f"{hand} hand, note {index + 1}: {pitch.step}{pitch.octave} lies beyond the piano; wanted another octave, or fewer octaves"
                raise PatternError("octave", message)
            found.append(
                PlannedNote(
                    at,
                    length,
                    pitch.step,
                    alter=pitch.alter,
                    octave=pitch.octave,
                    hand=hand,
                    finger=finger if pattern.fingers else None,
                    articulations=_articulations(pattern, index),
                    slur_starts=pattern.touch == "joined" and index == 0 and place == 0,
                    slur_stops=pattern.touch == "joined" and is_last and place == 0,
                )
            )
        at += length
    return found


def _held(pattern: Pattern, offset: Fraction, length: Fraction) -> Fraction:
    """Return the length of the last note: to the end of its bar, if it stands on a beat and one note can say it."""
    bar = pattern.written_metre.length_beat
    remaining = bar - offset % bar
    is_on_beat = (offset % bar) % pattern.beat_quarters == 0
    return remaining if is_on_beat and remaining >= length and remaining in HELD_VALUES else length


def _articulations(pattern: Pattern, index: int) -> tuple[str, ...]:
    every = ACCENT_EVERY.get(pattern.accent)
    is_accented = index % every == 0 if every else pattern.accent == "off_beat" and index % 2 == 1
    return (*(["accent"] if is_accented else []), *(["staccato"] if pattern.touch == "staccato" else []))


def _clefs(planned: list[PlannedNote], *, bars: tuple[Bar, ...]) -> list[Clef]:
    """Return the clefs of both staves, changed at barlines where a hand stays across middle C."""
    places: dict[tuple[int, Hand], list[int]] = {}
    length = bars[0].length_beat
    for note in planned:
        place = 7 * note.octave + "CDEFGAB".index(note.step)
        places.setdefault((int(note.onset_beat / length), note.hand), []).append(place)
    clefs = []
    hands: tuple[Hand, ...] = ("right", "left")
    for staff, hand in enumerate(hands, start=1):
        sign = ""
        for bar in bars:
            wanted = _clef_sign(places.get((bar.index, hand), []), hand=hand, sign=sign)
            if wanted != sign:
                sign = wanted
                clefs.append(Clef(bar.index, Fraction(0), staff, sign, CLEFS[sign]))
    return sorted(clefs, key=lambda clef: (clef.bar, clef.staff))


def _clef_sign(here: list[int], *, hand: Hand, sign: str) -> str:
    """Return the clef of a bar with notes at these places, after a bar in the clef `sign`."""
    usual, other = ("G", "F") if hand == "right" else ("F", "G")
    if not here:
        return sign or usual
    if hand == "right":
        is_across, is_far = max(here) <= MIDDLE_C_PLACE, min(here) <= FAR_BELOW_PLACE
    else:
        is_across, is_far = min(here) >= MIDDLE_C_PLACE, max(here) >= FAR_ABOVE_PLACE
    return other if is_across and (is_far or sign == other) else usual
