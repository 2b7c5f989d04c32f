"""What is written: bars, notes, rests and marks, exact and frozen; and the notes as they fall due when the score is played.

Two types of note, because a repeated bar is printed once and played twice, and a tied note is printed twice and played once.

* :class:`WrittenNote` is one note-head on the paper. It stands in a bar, at an offset from the start of the bar.
* :class:`DueNote` is one key to be pressed once, with repeats unfolded and ties merged (:mod:`curriculum.score.playing`).

All times are fractions of a quarter note ("beats"), exact. Hands are ``"right"``, ``"left"`` or ``None`` (not known).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction
from typing import Literal, TypeAlias

from curriculum.score.errors import QUESTIONS, WarningCode

Hand: TypeAlias = Literal["right", "left"]
Step: TypeAlias = Literal["C", "D", "E", "F", "G", "A", "B"]

ZERO = Fraction(0)

# Semitones of the natural letters above C.
STEP_SEMITONES: dict[str, int] = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}

# Names of note values as MusicXML spells them -> length in quarters.
VALUE_BEATS: dict[str, Fraction] = {
    "long": Fraction(16),
    "breve": Fraction(8),
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "16th": Fraction(1, 4),
    "32nd": Fraction(1, 8),
    "64th": Fraction(1, 16),
    "128th": Fraction(1, 32),
    "256th": Fraction(1, 64),
}


class MarkKind(StrEnum):
    """What stands in a score beside notes, rests, clefs, keys and metres. Marks with two ends are spans."""

    DYNAMIC = "dynamic"  # text: p, mf, sfz ...
    CRESCENDO = "crescendo"  # span (hairpin)
    DIMINUENDO = "diminuendo"  # span (hairpin)
    SLUR = "slur"  # span between notes: note, to_note
    PEDAL = "pedal"  # span from pressing to lifting; text "change" where it begins with a change
    OCTAVE_UP = "octave_up"  # span: sounds an octave (or two: text "15") higher than printed
    OCTAVE_DOWN = "octave_down"  # span: sounds lower than printed
    GLISSANDO = "glissando"  # span between notes
    TRILL_LINE = "trill_line"  # span of a wavy line
    WORDS = "words"  # text as printed: cresc., dolce, ped., rit.
    TEMPO = "tempo"  # text as printed, such as "quarter = 96"; the number itself is in `tempi`
    REHEARSAL = "rehearsal"
    CHORD_SYMBOL = "chord_symbol"  # text: C, Am7, G/B
    SEGNO = "segno"
    CODA = "coda"
    FERMATA = "fermata"  # on a barline; those on notes are in WrittenNote.articulations
    BREATH = "breath"  # text: breath-mark or caesura


@dataclass(frozen=True, slots=True)
class Key:
    """A key signature: sharps (positive) or flats (negative), -7 to 7, and the mode where the score names one."""

    fifths: int = 0
    mode: str = ""

    def alter_of(self, step: str) -> int:
        """Return what the signature does to a letter: 1 sharp, -1 flat, 0 nothing."""
        if self.fifths > 0:
            return 1 if step in "FCGDAEB"[: self.fifths] else 0
        return -1 if step in "BEADGCF"[: -self.fifths] else 0


@dataclass(frozen=True, slots=True)
class Metre:
    """A time signature. ``groups`` holds the summands where the upper number is printed as a sum (3+2)."""

    beats: int = 4
    beat_type: int = 4
    groups: tuple[int, ...] = ()
    symbol: str = ""  # common, cut or empty

    @property
    def length_beat(self) -> Fraction:
        """Length of a full bar in quarters."""
        return Fraction(4 * self.beats, self.beat_type)


@dataclass(frozen=True, slots=True)
class Tuplet:
    """``actual`` notes in the time of ``normal``. ``starts`` and ``stops`` say where the bracket is printed."""

    actual: int
    normal: int
    starts: bool = False
    stops: bool = False


@dataclass(frozen=True, slots=True)
class Bar:
    """One printed bar with what rules it and where the eye goes at its end.

    ``number`` is the printed number as text, ``"0"`` for a pickup. ``length_beat`` is how far time moves on, which is the metre's length
    but for a pickup and for bars split by a repeat. ``metre`` is None where the score has none (senza misura).
    """

    index: int  # place in printed order, from 0
    number: str
    length_beat: Fraction
    metre: Metre | None
    key: Key
    pickup: bool = False
    repeat_start: bool = False
    repeat_times: int = 0  # how often in all the passage is played up to here; 0: no repeat sign at the end
    endings: tuple[int, ...] = ()  # which passes play this bar (first and second endings); empty: all
    ending_starts: bool = False  # the bracket of the ending begins here
    ending_stops: bool = False
    barline: str = ""  # at the right, as MusicXML names it: light-light, light-heavy ... empty: plain
    segno: bool = False  # sign at the start of the bar
    coda: bool = False  # sign at the start of the bar
    to_coda: bool = False  # leave for the coda at the end of the bar
    da_capo: bool = False  # back to the beginning from the end of the bar
    dal_segno: bool = False
    fine: bool = False  # the end, when coming back


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """One note-head on the paper.

    ``id`` is ours, never the file's: ``b4n2`` is the second note of the bar with index 4. ``offset_beat`` counts from the start of the
    bar. ``duration_beat`` is that of this head alone; a tie to the next head is ``tie_starts`` here and ``tie_stops`` there. A grace note
    has duration 0, stands at the offset of the note it leans on and has ``grace`` 1, 2, ... in the order in which the group is played.
    ``pitch_midi`` is the sounding pitch (60 is middle C; octave signs are counted in), ``step``, ``alter`` and ``octave`` spell it
    (octave 4 begins at middle C); octave signs are counted in there too.
    """

    id: str
    bar: int  # index of the bar
    offset_beat: Fraction
    duration_beat: Fraction
    pitch_midi: int
    step: str
    alter: int
    octave: int
    hand: Hand | None
    staff: int = 1  # 1 upper, 2 lower
    voice: int = 1
    finger: int | None = None
    value: str = "quarter"  # as printed: VALUE_BEATS
    dots: int = 0
    tuplet: Tuplet | None = None
    grace: int = 0
    grace_slash: bool = False
    chord: bool = False  # shares its stem with the note before it
    tie_starts: bool = False
    tie_stops: bool = False
    accidental: str = ""  # as printed: sharp, flat, natural, double-sharp, flat-flat ...
    beams: tuple[str, ...] = ()  # begin, continue, end, forward hook, backward hook; one for each beam
    articulations: tuple[
        str, ...
    ] = ()  # staccato, tenuto, accent, strong-accent, detached-legato, staccatissimo, fermata ...
    ornaments: tuple[str, ...] = ()  # trill-mark, turn, inverted-turn, mordent, inverted-mordent, tremolo, ...
    arpeggio: bool = False  # rolled chord

    @property
    def end_beat(self) -> Fraction:
        """Where the head ends, from the start of its bar."""
        return self.offset_beat + self.duration_beat


@dataclass(frozen=True, slots=True)
class WrittenRest:
    """One rest. ``whole_bar`` is the rest that fills a bar whatever its length; ``hidden`` ones are not printed."""

    bar: int
    offset_beat: Fraction
    duration_beat: Fraction
    staff: int = 1
    voice: int = 1
    value: str = "quarter"
    dots: int = 0
    tuplet: Tuplet | None = None
    whole_bar: bool = False
    hidden: bool = False
    fermata: bool = False


@dataclass(frozen=True, slots=True)
class Clef:
    """A clef from here on: sign G, F or C on a line counted from below; ``octave`` -1 or 1 for a small 8 below or above."""

    bar: int
    offset_beat: Fraction
    staff: int
    sign: str
    line: int
    octave: int = 0


@dataclass(frozen=True, slots=True)
class Mark:
    """Something printed beside the notes, or between two places or notes (a span, with ``to_`` fields)."""

    kind: MarkKind
    bar: int
    offset_beat: Fraction
    staff: int | None = None
    text: str = ""
    to_bar: int | None = None
    to_offset_beat: Fraction | None = None
    note: str = ""  # ids of written notes, for slurs and glissandi
    to_note: str = ""


@dataclass(frozen=True, slots=True)
class Tempo:
    """A tempo from here on. ``bpm`` counts quarters a minute; ``value``, ``dots`` and ``per_minute`` say what is printed, if anything."""

    bar: int
    offset_beat: Fraction
    bpm: Fraction
    value: str = ""
    dots: int = 0
    per_minute: str = ""


@dataclass(frozen=True, slots=True)
class ScoreWarning:
    """Something read with a doubt. ``where`` is the place in words (``bar 5``, ``line 2, column 7`` or empty)."""

    code: WarningCode
    where: str
    text: str
    bars: tuple[int, ...] = ()  # indices

    @property
    def is_question(self) -> bool:
        """Whether the learner is asked."""
        return self.code in QUESTIONS


@dataclass(frozen=True, slots=True)
class WrittenScore:
    """A whole score for two hands, as printed.

    ``notes`` and ``rests`` are sorted by bar, voice, offset, grace notes first, then pitch. ``warnings`` and ``source`` take no part in
    comparisons: two scores are equal when the same is written in them.
    """

    bars: tuple[Bar, ...]
    notes: tuple[WrittenNote, ...]
    rests: tuple[WrittenRest, ...] = ()
    clefs: tuple[Clef, ...] = ()
    marks: tuple[Mark, ...] = ()
    tempi: tuple[Tempo, ...] = ()
    staves: int = 2
    title: str = ""
    composer: str = ""
    warnings: tuple[ScoreWarning, ...] = field(default=(), compare=False)
    source: str = field(default="", compare=False)  # musicxml, midi, abc or pattern

    @property
    def bpm(self) -> Fraction | None:
        """Quarters a minute at the start, or None where no tempo stands in the first bar."""
        return self.tempi[0].bpm if self.tempi and self.tempi[0].bar == 0 else None

    @property
    def range_midi(self) -> tuple[int, int] | None:
        """Lowest and highest pitch, or None without notes."""
        pitches = [note.pitch_midi for note in self.notes]
        return (min(pitches), max(pitches)) if pitches else None


@dataclass(frozen=True, slots=True)
class DueNote:
    """One key to be pressed once: ties merged, in playing order or in printed order.

    ``onset_beat`` is 0 at the downbeat of the first full bar; a pickup is negative. ``beat`` counts from 1, in quarters, within the bar.
    ``id`` is unique: the first pass has the id of the written note, later passes add ``.2``, ``.3``. Grace notes have duration 0.
    """

    id: str
    written_id: str
    heads: tuple[str, ...]  # ids of the written notes that are merged here, the first one included
    bar: str  # printed number
    bar_index: int
    beat: Fraction
    onset_beat: Fraction
    duration_beat: Fraction
    pitch_midi: int
    hand: Hand | None
    finger: int | None
    grace: bool


def pitch_of(step: str, *, alter: int, octave: int) -> int:
    """Return the MIDI number of a spelt pitch (octave 4 begins at middle C, 60).

    Parameters
    ----------
    step : str
        Letter, ``C`` to ``B``.
    alter : int
        Semitones: 1 sharp, -1 flat, up to 2 either way.
    octave : int
        0 to 9.

    Returns
    -------
    int
        MIDI number; C flat 4 is 59.

    Examples
    --------
    >>> pitch_of("A", alter=0, octave=4), pitch_of("C", alter=-1, octave=4)
    (69, 59)
    """
    return 12 * (octave + 1) + STEP_SEMITONES[step] + alter
