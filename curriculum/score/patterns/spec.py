"""What a pattern is asked to be: one frozen set of choices, checked as a whole."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from fractions import Fraction

from curriculum.score.notes import Metre
from curriculum.score.patterns.errors import PatternError
from curriculum.score.patterns.keys import CHROMATIC, MODES, signature

HANDS = ("right", "left", "both")
DIRECTIONS = ("up_down", "up", "down")
MOTIONS = ("similar", "contrary")
RHYTHMS = ("even", "long_short", "short_long", "long_short_short", "short_short_long")
ACCENTS = ("none", "every_2", "every_3", "every_4", "off_beat")
TOUCHES = ("plain", "staccato", "joined")
CHORDS = ("triad", "dominant_seventh", "diminished_seventh")
PROGRESSIONS = ("I", "I-V-I", "I-V7-I", "I-IV-I", "I-IV-V-I", "I-IV-V7-I", "I-IV-I-V7-I")
# Lengths of one note, in quarters.
SIMPLE_VALUES = ("4", "2", "1", "1/2", "1/3", "1/4", "1/6")
COMPOUND_VALUES = ("3", "3/2", "1/2", "1/4")
SIMPLE_METRES = ("2/4", "3/4", "4/4")
COMPOUND_METRES = ("6/8", "9/8", "12/8")

# The figures of each kind, the usual one first.
FIGURES: dict[str, tuple[str, ...]] = {
    "five_finger": ("steps", "skips", "from_thumb"),
    "scale": ("steps",),
    "arpeggio": ("steps",),
    "broken_chord": ("three", "there_and_back", "four"),
    "solid_chord": ("struck",),
    "cadence": ("struck",),
    "bass": ("rocking", "leaping", "octaves"),
    "trill": ("upper", "each_pair"),
    "repeated": ("changing", "same_finger"),
}
# Which choices mean something for which kind; all others stay as they are.
CHOICES: dict[str, frozenset[str]] = {
    "five_finger": frozenset({"motion", "rhythm", "direction", "apart"}),
    "scale": frozenset({"motion", "rhythm", "direction", "octaves", "apart"}),
    "arpeggio": frozenset({"motion", "rhythm", "direction", "octaves", "apart", "chord", "inversion"}),
    "broken_chord": frozenset({"rhythm", "direction", "octaves", "apart", "inversion"}),
    "solid_chord": frozenset({"direction", "octaves", "apart", "inversion"}),
    "cadence": frozenset({"progression", "apart"}),
    "bass": frozenset({"progression"}),
    "trill": frozenset({"motion", "rhythm", "count", "apart"}),
    "repeated": frozenset({"motion", "rhythm", "direction", "count", "apart"}),
}
MINORS = ("natural_minor", "harmonic_minor", "melodic_minor")
# Chords are built on these; in the other modes "home, fourth and fifth" are no usual words.
CHORD_MODES = ("major", *MINORS)
MOST_OCTAVES = 4
MOST_TIMES = 8
LEAST_COUNT, MOST_COUNT = 2, 16
# Beats a minute.
LEAST_BPM, MOST_BPM = 20, 300
LOWEST_OCTAVE, HIGHEST_OCTAVE = 0, 7
WHOLE_NUMBERS = {
    "octaves": (1, MOST_OCTAVES),
    "count": (LEAST_COUNT, MOST_COUNT),
    "times": (1, MOST_TIMES),
    "bpm": (LEAST_BPM, MOST_BPM),
    "apart": (0, 3),
    "inversion": (0, 3),
}
CLOSED_LISTS: dict[str, tuple[str, ...]] = {
    "kind": tuple(FIGURES),
    "mode": (*MODES, CHROMATIC),
    "hands": HANDS,
    "direction": DIRECTIONS,
    "motion": MOTIONS,
    "rhythm": RHYTHMS,
    "accent": ACCENTS,
    "touch": TOUCHES,
    "chord": CHORDS,
    "progression": PROGRESSIONS,
    "metre": (*SIMPLE_METRES, *COMPOUND_METRES),
    "value": tuple(dict.fromkeys((*SIMPLE_VALUES, *COMPOUND_VALUES))),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """The choices that make an exercise. Every choice has a usual value; `kind` alone must be given.

    Attributes
    ----------
    kind : str
        five_finger, scale, arpeggio, broken_chord, solid_chord, cadence, bass, trill or repeated.
    key : str
        Tonic: a letter, then nothing, # or b.
    mode : str
        major, natural_minor, harmonic_minor, melodic_minor, dorian, phrygian, lydian, mixolydian, locrian, or (scales
        only) chromatic.
    hands : str
        right, left or both.
    figure : str
        How the notes go round; empty means the usual one of the kind (`FIGURES`).
    direction : str
        up_down, up or down, as the right hand goes.
    motion : str
        similar, or contrary: then the right hand goes up while the left hand goes down, with the same fingers.
    octaves : int
        1 to 4.
    chord : str
        For arpeggios: triad, dominant_seventh or diminished_seventh (on the fifth and the seventh degree of the key).
    inversion : int
        0 root at the bottom, 1 to 3 the next notes of the chord.
    progression : str
        For cadences and basses: chords by degree, such as I-IV-V7-I.
    count : int
        Strikes of each note for repeated notes and trills, 2 to 16.
    value : str
        Length of one note in quarters, as a fraction: "1/2" is an eighth, "1/3" an eighth of a triplet.
    metre : str
        2/4, 3/4, 4/4, 6/8, 9/8 or 12/8.
    rhythm : str
        even, long_short (three to one), short_long, long_short_short or short_short_long.
    accent : str
        none, every_2, every_3, every_4 (the first of so many notes) or off_beat (the second of two).
    touch : str
        plain, staccato, or joined (under one slur).
    octave : int or None
        Octave in which the right hand (or the only hand) begins its lowest line, 4 begins at middle C; None means the
        usual one.
    apart : int
        Octaves between the hands, 0 to 3; 0 only in contrary motion, where both begin on one key.
    bpm : int
        Beats a minute, 20 to 300; the beat is a quarter, or a dotted quarter in 6/8, 9/8 and 12/8.
    times : int
        How often in all, 1 to 8; each time begins a new bar.
    fingers : bool
        Whether fingers are printed.

    Raises
    ------
    PatternError
        If a choice is unknown, has no meaning for the kind, or does not fit the others.
    """

    kind: str
    key: str = "C"
    mode: str = "major"
    hands: str = "right"
    figure: str = ""
    direction: str = "up_down"
    motion: str = "similar"
    octaves: int = 1
    chord: str = "triad"
    inversion: int = 0
    progression: str = "I-V7-I"
    count: int = 4
    value: str = "1"
    metre: str = "4/4"
    rhythm: str = "even"
    accent: str = "none"
    touch: str = "plain"
    octave: int | None = None
    apart: int = 1
    bpm: int = 60
    times: int = 1
    fingers: bool = True

    def __post_init__(self) -> None:
        for name, wanted in CLOSED_LISTS.items():
            _check_listed(name, getattr(self, name), wanted=wanted)
        for name, (least, most) in WHOLE_NUMBERS.items():
            _check_whole(name, getattr(self, name), least=least, most=most)
        if self.octave is not None:
            _check_whole("octave", self.octave, least=LOWEST_OCTAVE, most=HIGHEST_OCTAVE)
        if not isinstance(self.fingers, bool):
            raise PatternError("fingers", f"{self.fingers!r}; wanted true or false")
        if not isinstance(self.key, str):
            raise PatternError("key", f"{self.key!r}; wanted a letter A to G, then nothing, # or b")
        signature(self.key, mode=self.mode)
        if self.figure == "":
            object.__setattr__(self, "figure", FIGURES[self.kind][0])
        _check_listed("figure", self.figure, wanted=FIGURES[self.kind])
        _check_meaning(self)
        _check_harmony(self)
        _check_hands(self)
        _check_rhythm(self)

    @property
    def written_metre(self) -> Metre:
        """The metre as bars have it."""
        beats, beat_type = self.metre.split("/")
        return Metre(beats=int(beats), beat_type=int(beat_type))

    @property
    def is_compound(self) -> bool:
        """Whether a beat has three parts."""
        return self.metre in COMPOUND_METRES

    @property
    def beat_quarters(self) -> Fraction:
        """Length of a beat, in quarters."""
        return Fraction(3, 2) if self.is_compound else Fraction(1)

    def to_data(self) -> dict[str, str | int | bool | None]:
        """Return the choices as plain values, ready for JSON; those with their usual value are left out.

        Returns
        -------
        dict
            Names and values in the order of the fields; `from_data` gives an equal pattern back.

        Examples
        --------
        >>> Pattern(kind="scale", key="G", octaves=2).to_data()
        {'kind': 'scale', 'key': 'G', 'octaves': 2}
        """
        data: dict[str, str | int | bool | None] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            usual = FIGURES[self.kind][0] if field.name == "figure" else field.default
            if value != usual:
                data[field.name] = value
        return data

    @classmethod
    def from_data(cls, data: Mapping[str, object]) -> "Pattern":
        """Return the pattern of plain values, as JSON gives them.

        Parameters
        ----------
        data : mapping
            Names of fields and their values; `kind` must be there.

        Returns
        -------
        Pattern
            The checked choices.

        Raises
        ------
        PatternError
            If it is no mapping, a name is unknown, `kind` is missing or a choice is refused.

        Examples
        --------
        >>> Pattern.from_data({"kind": "scale", "key": "G"}).key
        'G'
        """
        if not isinstance(data, Mapping):
            raise PatternError("pattern", f"{data!r}; wanted names and values")
        names = [field.name for field in fields(cls)]
        for name in data:
            if name not in names:
                raise PatternError("pattern", f"{name!r} is no choice; wanted some of {', '.join(names)}")
        if "kind" not in data:
            raise PatternError("kind", f"nothing; wanted one of {', '.join(FIGURES)}")
        return cls(**data)  # type: ignore[arg-type]  # checked field by field above all else


def _check_listed(name: str, value: object, *, wanted: tuple[str, ...]) -> None:
    if not isinstance(value, str) or value not in wanted:
        raise PatternError(name, f"{value!r}; wanted one of {', '.join(wanted)}")


def _check_whole(name: str, value: object, *, least: int, most: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
        raise PatternError(name, f"{value!r}; wanted a whole number from {least} to {most}")


def _check_meaning(pattern: Pattern) -> None:
    """Refuse a choice that the kind does not have, so that one exercise has one spelling."""
    chosen = CHOICES[pattern.kind]
    for field in fields(pattern):
        name = field.name
        if any(name in choices for choices in CHOICES.values()) and name not in chosen:
            value = getattr(pattern, name)
            if value != field.default:
                raise PatternError(name, f"{value!r}; the kind {pattern.kind} has no such choice")


def _check_harmony(pattern: Pattern) -> None:
    if pattern.mode == CHROMATIC and pattern.kind != "scale":
        raise PatternError("mode", f"'chromatic'; the kind {pattern.kind} wants one of {', '.join(MODES)}")
    is_chordal = pattern.kind in ("arpeggio", "broken_chord", "solid_chord", "cadence", "bass")
    if is_chordal and pattern.mode not in CHORD_MODES:
        raise PatternError("mode", f"{pattern.mode!r}; the kind {pattern.kind} wants one of {', '.join(CHORD_MODES)}")
    if pattern.inversion == 3 and pattern.chord == "triad":
        raise PatternError("inversion", "3; a chord of three notes has 0, 1 and 2")
    if pattern.chord == "diminished_seventh" and pattern.mode not in ("harmonic_minor", "melodic_minor"):
        raise PatternError(
            "chord", "'diminished_seventh' stands on the raised seventh degree; wanted the mode harmonic_minor"
        )
    if pattern.chord == "dominant_seventh" and pattern.mode == "natural_minor":
        raise PatternError(
            "chord", "'dominant_seventh' wants the raised seventh degree; wanted the mode harmonic_minor"
        )
    if "progression" in CHOICES[pattern.kind] and "V7" in pattern.progression and pattern.mode == "natural_minor":
        raise PatternError("progression", "'V7' wants the raised seventh degree; wanted the mode harmonic_minor")


def _check_hands(pattern: Pattern) -> None:
    if pattern.motion == "contrary" and pattern.hands != "both":
        raise PatternError("motion", f"'contrary' with hands {pattern.hands!r}; wanted both hands")
    if pattern.apart == 0 and pattern.motion != "contrary":
        raise PatternError(
            "apart", "0; the hands would share their keys, wanted at least 1 unless the motion is contrary"
        )
    if pattern.apart != 1 and pattern.hands != "both":
        raise PatternError("apart", f"{pattern.apart}; one hand alone has no such choice")
    if pattern.kind == "bass" and pattern.hands != "left":
        raise PatternError("hands", f"{pattern.hands!r}; a bass is for the left hand")


def _check_rhythm(pattern: Pattern) -> None:
    values = COMPOUND_VALUES if pattern.is_compound else SIMPLE_VALUES
    if pattern.value not in values:
        raise PatternError("value", f"{pattern.value!r} in {pattern.metre}; wanted one of {', '.join(values)}")
    value = Fraction(pattern.value)
    bar = pattern.written_metre.length_beat
    if bar % value:
        raise PatternError("value", f"{pattern.value!r} in {pattern.metre}; wanted a length that fills the bar exactly")
    if pattern.touch == "joined" and pattern.kind == "repeated":
        raise PatternError("touch", "'joined' on one key; repeated notes are struck anew, wanted plain or staccato")
    if pattern.rhythm != "even":
        _check_variant(pattern, value=value, bar=bar)


def _check_variant(pattern: Pattern, *, value: Fraction, bar: Fraction) -> None:
    if pattern.is_compound:
        raise PatternError("rhythm", f"{pattern.rhythm!r} in {pattern.metre}; wanted one of {', '.join(SIMPLE_METRES)}")
    if value.denominator % 3 == 0:
        raise PatternError("rhythm", f"{pattern.rhythm!r} with the value {pattern.value!r}; wanted notes that halve")
    if value < Fraction(1, 2):
        raise PatternError("rhythm", f"{pattern.rhythm!r} with the value {pattern.value!r}; wanted 1/2 or longer")
    group = 2 * value if pattern.rhythm in ("long_short", "short_long") else 4 * value
    if bar % group:
        raise PatternError(
            "rhythm", f"{pattern.rhythm!r} of {pattern.value!r} in {pattern.metre}; wanted groups that fill the bar"
        )
