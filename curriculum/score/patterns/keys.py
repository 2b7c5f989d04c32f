"""Keys, modes and the spelling of their notes."""

from collections.abc import Sequence
from dataclasses import dataclass

from curriculum.score.notes import STEP_SEMITONES, pitch_of
from curriculum.score.patterns.errors import KeyNameError

STEPS = "CDEFGAB"
# How tonics are written: a letter, then # or b.
ALTERS = {"": 0, "#": 1, "b": -1}
# Semitones above the tonic of the seven degrees.
MODES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "natural_minor": (0, 2, 3, 5, 7, 8, 10),
    "harmonic_minor": (0, 2, 3, 5, 7, 8, 11),
    "melodic_minor": (0, 2, 3, 5, 7, 9, 11),
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "phrygian": (0, 1, 3, 5, 7, 8, 10),
    "lydian": (0, 2, 4, 6, 7, 9, 11),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "locrian": (0, 1, 3, 5, 6, 8, 10),
}
# Sharps (or flats, negative) that a mode has more than the major key on the same tonic.
MODE_FIFTHS = {
    "major": 0,
    "natural_minor": -3,
    "harmonic_minor": -3,
    "melodic_minor": -3,
    "dorian": -2,
    "phrygian": -4,
    "lydian": 1,
    "mixolydian": -1,
    "locrian": -5,
}
# Sharps of the major key on each letter, without a sign.
MAJOR_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
# A signature shows at most this many signs; beyond it the key is written under its other name.
MOST_SIGNS = 7
# Tonics from which a chromatic scale is written.
CHROMATIC_TONICS = ("C", "C#", "Db", "D", "D#", "Eb", "E", "F", "F#", "Gb", "G", "G#", "Ab", "A", "A#", "Bb", "B")
CHROMATIC = "chromatic"
BLACK_CLASSES = frozenset({1, 3, 6, 8, 10})


@dataclass(frozen=True, slots=True)
class Pitch:
    """A written pitch.

    Attributes
    ----------
    step : str
        The letter, A to G.
    alter : int
        Semitones up (sharps) or down (flats), -2 to 2.
    octave : int
        4 begins at middle C; it goes with the letter, so C flat 4 lies below C 4.
    """

    step: str
    alter: int
    octave: int

    @property
    def midi(self) -> int:
        """The sounding key, 60 is middle C."""
        return pitch_of(self.step, alter=self.alter, octave=self.octave)

    @property
    def place(self) -> int:
        """The place on the staff, counted in letters from C 0."""
        return 7 * self.octave + STEPS.index(self.step)

    @property
    def is_black(self) -> bool:
        """Whether it is played on a black key."""
        return self.midi % 12 in BLACK_CLASSES

    def moved(self, octaves: int) -> "Pitch":
        """Return the same note some octaves higher (lower where negative)."""
        return Pitch(self.step, self.alter, self.octave + octaves)


def parse_tonic(name: str) -> tuple[str, int]:
    """Return letter and alteration of a tonic's name.

    Parameters
    ----------
    name : str
        A letter C to B, then nothing, # or b.

    Returns
    -------
    tuple of (str, int)
        Letter, and -1, 0 or 1.

    Raises
    ------
    KeyNameError
        If it is no such name.

    Examples
    --------
    >>> parse_tonic("Bb")
    ('B', -1)
    """
    if name[:1] in STEP_SEMITONES and name[1:] in ALTERS:
        return name[0], ALTERS[name[1:]]
    message = f"{name!r}; wanted a letter A to G, then nothing, # or b"
    raise KeyNameError("key", message)


def signature(tonic: str, *, mode: str) -> int:
    """Return the key signature of a tonic and mode.

    Parameters
    ----------
    tonic : str
        As in `parse_tonic`.
    mode : str
        A key of `MODES`, or "chromatic", which is written without signature.

    Returns
    -------
    int
        Number of sharps, negative for flats, -7 to 7.

    Raises
    ------
    KeyNameError
        If the mode is unknown or the signature would need more than seven signs.

    Examples
    --------
    >>> signature("Bb", mode="major"), signature("F#", mode="harmonic_minor")
    (-2, 3)
    """
    step, alter = parse_tonic(tonic)
    if mode == CHROMATIC:
        if tonic not in CHROMATIC_TONICS:
            message = f"{tonic!r}; wanted one of {', '.join(CHROMATIC_TONICS)} for a chromatic scale"
            raise KeyNameError("key", message)
        return 0
    if mode not in MODES:
        message = f"{mode!r}; wanted one of {', '.join([*MODES, CHROMATIC])}"
        raise KeyNameError("mode", message)
    fifths = MAJOR_FIFTHS[step] + 7 * alter + MODE_FIFTHS[mode]
    if abs(fifths) > MOST_SIGNS:
        message = (
            f"{tonic!r} {mode} would need {abs(fifths)} signs; wanted at most {MOST_SIGNS}, so use the key's other name"
        )
        raise KeyNameError("key", message)
    return fifths


def degree(index: int, *, tonic: str, mode: str, octave: int, falling: bool = False) -> Pitch:
    """Return one degree of a seven-note scale, spelled by its letter.

    Parameters
    ----------
    index : int
        0 is the tonic of `octave`, 7 the tonic above, -1 the note below.
    tonic : str
        As in `parse_tonic`.
    mode : str
        A key of `MODES`.
    octave : int
        Octave of degree 0.
    falling : bool
        Whether the line falls: melodic minor then takes its natural form.

    Returns
    -------
    Pitch
        Letters follow one another, whatever the key.

    Raises
    ------
    KeyNameError
        If tonic or mode cannot be written.

    Examples
    --------
    >>> degree(6, tonic="G#", mode="harmonic_minor", octave=3)
    Pitch(step='F', alter=2, octave=4)
    """
    signature(tonic, mode=mode)
    step, alter = parse_tonic(tonic)
    offsets = MODES["natural_minor" if falling and mode == "melodic_minor" else mode]
    turns, place = divmod(index, 7)
    base = Pitch(step, alter, octave)
    letters = base.place + index
    plain = Pitch(STEPS[letters % 7], 0, letters // 7)
    wanted_midi = base.midi + 12 * turns + offsets[place]
    return Pitch(plain.step, wanted_midi - plain.midi, plain.octave)


def chromatic_line(tonic: str, *, octave: int, octaves: int, falling: bool) -> list[Pitch]:
    """Return a chromatic scale from its lowest to its highest note.

    Parameters
    ----------
    tonic : str
        One of `CHROMATIC_TONICS`.
    octave : int
        Octave of the lowest note.
    octaves : int
        How many octaves, at least 1.
    falling : bool
        Whether it is played downwards: flats then, sharps otherwise. The tonic keeps its own name.

    Returns
    -------
    list of Pitch
        12 notes an octave and the last tonic, lowest first.

    Raises
    ------
    KeyNameError
        If the tonic is none of those.

    Examples
    --------
    >>> [pitch.step + "b" * -pitch.alter for pitch in chromatic_line("C", octave=4, octaves=1, falling=True)][:4]
    ['C', 'Db', 'D', 'Eb']
    """
    signature(tonic, mode=CHROMATIC)
    step, alter = parse_tonic(tonic)
    base = Pitch(step, alter, octave)
    line = []
    for semitone in range(12 * octaves + 1):
        turns, rest = divmod(semitone, 12)
        line.append(base.moved(turns) if rest == 0 else spelled(base.midi + semitone, flats=falling))
    return line


def spelled(midi: int, *, flats: bool) -> Pitch:
    """Return a plain spelling of a key, with one sharp or flat where it is black.

    Parameters
    ----------
    midi : int
        The key, 60 is middle C.
    flats : bool
        Whether black keys are written with a flat.

    Returns
    -------
    Pitch
        The written note.

    Examples
    --------
    >>> spelled(61, flats=False), spelled(61, flats=True)
    (Pitch(step='C', alter=1, octave=4), Pitch(step='D', alter=-1, octave=4))
    """
    alter = (-1 if flats else 1) if midi % 12 in BLACK_CLASSES else 0
    white = midi - alter
    step = next(letter for letter, semitones in STEP_SEMITONES.items() if semitones == white % 12)
    return Pitch(step, alter, white // 12 - 1)


def chord_tones(degrees: Sequence[int], *, tonic: str, mode: str, octave: int) -> list[Pitch]:
    """Return the notes of several degrees.

    Parameters
    ----------
    degrees : sequence of int
        As in `degree`.
    tonic, mode : str
        As in `degree`.
    octave : int
        Octave of degree 0.

    Returns
    -------
    list of Pitch
        In the order asked; empty for none.

    Raises
    ------
    KeyNameError
        If tonic or mode cannot be written.

    Examples
    --------
    >>> [pitch.midi for pitch in chord_tones([0, 2, 4], tonic="D", mode="major", octave=4)]
    [62, 66, 69]
    """
    return [degree(index, tonic=tonic, mode=mode, octave=octave) for index in degrees]
