"""What stands in information fields: metre, unit length, tempo, key, voice."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from curriculum.score.errors import RefusalCode, TypedScoreError
from curriculum.score.notes import VALUE_BEATS, Key, Metre

# Nobody writes more than this many beats in a bar; whatever is above is a slip of the finger.
MOST_BEATS = 64
SHORTEST_UNIT = 512  # The standard's own list of unit lengths ends with 1/512.

_METRE = re.compile(r"\(?(\d{1,2}(?:\s*\+\s*\d{1,2})*)\)?\s*/\s*(\d{1,3})")
_UNIT = re.compile(r"(\d{1,3})(?:\s*/\s*(\d{1,3}))?")
_TONIC = re.compile(r"([A-G])([#b♯♭]?)\s*")
_WORD = re.compile(r'([A-Za-z]+)\s*=\s*("[^"]*"|\S+)|(\S+)')
_CLEF = re.compile(r"(treble|bass|alto|tenor|none)([1-5])?([+-]8)?")
_BEATS = re.compile(r"(\d{1,3}/\d{1,3}(?:\s+\d{1,3}/\d{1,3}){0,3})\s*=\s*(\d{1,3}(?:\.\d{1,3})?)")
_STRING = re.compile(r'"([^"]*)"')

_TONICS = {letter: place for place, letter in enumerate("FCGDAEB", start=-1)}
_MODES = {
    "maj": (0, "major"), "ion": (0, "ionian"), "min": (-3, "minor"), "m": (-3, "minor"), "aeo": (-3, "aeolian"),
    "mix": (-1, "mixolydian"), "dor": (-2, "dorian"), "phr": (-4, "phrygian"), "lyd": (1, "lydian"), "loc": (-5, "locrian"),
}  # fmt: skip
_CLEFS = {"treble": ("G", 2), "bass": ("F", 4), "alto": ("C", 3), "tenor": ("C", 4)}


@dataclass(frozen=True, slots=True)
class ClefField:
    """What a key or voice field says about the staff. ``octave`` counts for what sounds; ``transpose`` is in semitones."""

    sign: str = ""
    line: int = 0
    small_octave: int = 0
    octave: int = 0
    transpose: int = 0
    name: str = ""

    def over(self, other: ClefField) -> ClefField:
        """Return what holds where this comes after another one."""
        return ClefField(
            self.sign or other.sign,
            self.line or other.line,
            self.small_octave if self.sign else other.small_octave,
            self.octave or other.octave,
            self.transpose or other.transpose,
            self.name or other.name,
        )


@dataclass(frozen=True, slots=True)
class TempoField:
    """``bpm`` counts quarters a minute, None where only words stand."""

    bpm: Fraction | None
    value: str
    dots: int
    per_minute: str
    words: str


class FieldError(TypedScoreError):
    """A field cannot be understood; the place is put in by whoever knows the line."""


def read_metre(text: str) -> Metre | None:
    """Return a time signature, or None for free metre.

    Parameters
    ----------
    text : str
        What follows ``M:``.

    Returns
    -------
    Metre or None
        With the symbol for ``C`` and ``C|`` and the groups of ``(2+3+2)/8``.

    Raises
    ------
    FieldError
        If it is no time signature.

    Examples
    --------
    >>> read_metre("(2+3+2)/8").groups, read_metre("none")
    ((2, 3, 2), None)
    """
    text = text.strip()
    if text.lower() in ("none", ""):
        return None
    if text == "C":
        return Metre(4, 4, symbol="common")
    if text == "C|":
        return Metre(2, 2, symbol="cut")
    found = _METRE.fullmatch(text)
    if found is not None:
        groups = tuple(int(number) for number in found.group(1).split("+"))
        beat_type = int(found.group(2))
        if 0 < sum(groups) <= MOST_BEATS and min(groups) > 0 and beat_type in (1, 2, 4, 8, 16, 32, 64):
            return Metre(sum(groups), beat_type, groups if len(groups) > 1 else ())
    raise FieldError(f"{text[:20]!r} is no time signature. One is written such as 3/4, 6/8, C or none.")


def usual_unit(metre: Metre | None) -> Fraction:
    """Return the length of a letter, in quarters, where no ``L:`` says it (ABC 2.1, 3.1.7).

    Parameters
    ----------
    metre : Metre or None
        The time signature of the header.

    Returns
    -------
    Fraction
        A sixteenth for metres below 3/4, else an eighth.

    Examples
    --------
    >>> usual_unit(Metre(2, 4)), usual_unit(Metre(6, 8))
    (Fraction(1, 4), Fraction(1, 2))
    """
    if metre is not None and Fraction(metre.beats, metre.beat_type) < Fraction(3, 4):
        return Fraction(1, 4)
    return Fraction(1, 2)


def read_unit(text: str) -> Fraction:
    """Return the length of a letter in quarters.

    Parameters
    ----------
    text : str
        What follows ``L:``.

    Returns
    -------
    Fraction
        4 for a whole note, 1 for 1/4.

    Raises
    ------
    FieldError
        If it is no such length.

    Examples
    --------
    >>> read_unit("1/8")
    Fraction(1, 2)
    """
    found = _UNIT.fullmatch(text.strip())
    if found is not None:
        upper, lower = int(found.group(1)), int(found.group(2) or 1)
        if upper == 1 and 0 < lower <= SHORTEST_UNIT and lower & (lower - 1) == 0:
            return Fraction(4, lower)
    raise FieldError(f"{text.strip()[:20]!r} is no unit length. One is written such as 1/4, 1/8 or 1/16.")


def read_tempo(text: str) -> TempoField:
    """Return a tempo.

    Parameters
    ----------
    text : str
        What follows ``Q:``.

    Returns
    -------
    TempoField
        ``bpm`` is None for words alone and for the outdated spellings, whose beat is not sure.

    Raises
    ------
    FieldError
        If the tempo is no number of beats a minute.

    Examples
    --------
    >>> read_tempo('"Allegro" 3/8=40').bpm
    Fraction(60, 1)
    """
    words = " ".join(" ".join(_STRING.findall(text)).split())[:200]
    rest = _STRING.sub(" ", text).strip()
    if not rest:
        return TempoField(None, "", 0, "", words)
    if re.fullmatch(r"(C\d*\s*=\s*)?\d{1,3}", rest):
        return TempoField(None, "", 0, "", words)
    found = _BEATS.fullmatch(rest)
    if found is None:
        raise FieldError(f"{rest[:20]!r} is no tempo. One is written such as 1/4=80.")
    beat = Fraction(0)
    for part in found.group(1).split():
        upper, _, lower = part.partition("/")
        if not int(upper) or not int(lower):
            raise FieldError(f"{part!r} is no note value. A tempo is written such as 1/4=80.")
        beat += Fraction(4 * int(upper), int(lower))
    bpm = beat * Fraction(found.group(2))
    if not 0 < bpm < 1000:
        raise FieldError(f"A tempo of {found.group(2)} cannot be played.")
    value, dots = next(
        (
            (name, dots)
            for name, length in VALUE_BEATS.items()
            for dots, dotted in enumerate((Fraction(1), Fraction(3, 2)))
            if length * dotted == beat
        ),
        ("", 0),
    )
    return TempoField(bpm, value, dots, found.group(2) if value else "", words)


def read_key(text: str) -> tuple[Key | None, ClefField]:
    """Return a key signature and what is said about the staff.

    Parameters
    ----------
    text : str
        What follows ``K:``.

    Returns
    -------
    key : Key or None
        None where only a clef is named.
    staff : ClefField
        Empty where nothing is said.

    Raises
    ------
    FieldError
        If it is no key, or one with signs of its own, which is not read.

    Examples
    --------
    >>> read_key("A dor")[0], read_key("Bb bass")[1].sign
    (Key(fifths=1, mode='dorian'), 'F')
    """
    text = text.strip()
    found = _TONIC.match(text)
    if found is None:
        first = text.split(" ", 1)[0]
        if first in ("HP", "Hp"):
            raise FieldError("Keys for pipes (HP) are not read.", code=RefusalCode.TYPED_UNKNOWN)
        if first.lower() == "none" or not text:
            return Key(0), read_staff(text[len(first) :])
        if _CLEF.fullmatch(first) is None and "=" not in text and not first.startswith("perc"):
            raise FieldError(f"{first[:20]!r} is no key. One is written such as C, F#m or Bb.")
        return None, read_staff(text)
    rest = text[found.end() :]
    word = re.match(r"[A-Za-z]+", rest)
    shift, mode = 0, "major"
    if word is not None:
        name = word.group().lower()
        if name in ("exp", "explicit"):
            raise FieldError(
                "Keys with signs of their own are not read. Write the signs before the notes.",
                code=RefusalCode.TYPED_UNKNOWN,
            )
        known = _MODES.get("m" if name == "m" else name[:3]) if len(name) > 2 or name == "m" else None
        if known is not None:
            shift, mode = known
            rest = rest[word.end() :]
    fifths = _TONICS[found.group(1)] + {"#": 7, "♯": 7, "b": -7, "♭": -7, "": 0}[found.group(2)] + shift
    if abs(fifths) > 7:
        raise FieldError(f"{text[:20]!r} would have {abs(fifths)} signs; keys have at most 7.")
    return Key(fifths, mode), read_staff(rest)


def read_staff(text: str) -> ClefField:
    """Return what is said about a staff.

    Parameters
    ----------
    text : str
        What follows the key in ``K:`` or the name in ``V:``.

    Returns
    -------
    ClefField
        Empty where nothing is said; what is only layout is passed over.

    Raises
    ------
    FieldError
        If it names a clef or a key that is not read.

    Examples
    --------
    >>> read_staff('clef=bass octave=-1 name="Left"')
    ClefField(sign='F', line=4, small_octave=0, octave=-1, transpose=0, name='Left')
    """
    sign, line, small, octave, transpose, name = "", 0, 0, 0, 0, ""
    for found in _WORD.finditer(text):
        key, value = (found.group(1) or "").lower(), (found.group(2) or found.group(3)).strip('"')
        if key in ("", "clef"):
            clef = _CLEF.fullmatch(value)
            if clef is not None and clef.group(1) != "none":
                sign, line = _CLEFS[clef.group(1)]
                line = int(clef.group(2) or line)
                small = {"+8": 1, "-8": -1, None: 0}[clef.group(3)]
            elif value.startswith("perc"):
                raise FieldError("Notes for drums cannot be played on a piano.", code=RefusalCode.UNPITCHED)
            elif clef is None and re.fullmatch(r"[_^=]+[A-Ga-g]", value):
                raise FieldError(
                    "Keys with signs of their own are not read. Write the signs before the notes.",
                    code=RefusalCode.TYPED_UNKNOWN,
                )
            elif clef is None and not value.isalpha():
                raise FieldError(f"{value[:20]!r} is no key and no clef.")
        elif key in ("octave", "transpose", "t"):
            if not re.fullmatch(r"[+-]?\d{1,2}", value):
                raise FieldError(f"{value[:20]!r} is no number for {key}.")
            if key == "octave":
                octave = int(value)
            else:
                transpose = int(value)
        elif key in ("name", "nm"):
            name = " ".join(value.split())[:80]
    return ClefField(sign, line, small, octave, transpose, name)
