"""Through the bars of a part from left to right: what stands where, before it is put in order.

Time is counted in whole ticks, as many to the quarter as all the file's divisions go into, so that no rounding ever happens.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction
from math import lcm
from xml.etree import ElementTree as ET

from curriculum.score.errors import RefusalCode, ScoreContentError, ScoreTooLargeError, WarningCode
from curriculum.score.guard import ScoreLimits
from curriculum.score.notes import STEP_SEMITONES, VALUE_BEATS, Clef, Key, MarkKind, Metre, Tempo, Tuplet

# Most ticks to the quarter. Real files have up to 10,080; more than this is no music but an attack on arithmetic.
MOST_TICKS = 10_000_000

_LETTER_PLACE = {step: place for place, step in enumerate("CDEFGAB")}
_VALUE_BY_BEATS = {
    length * dotted: (name, dots)
    for name, length in VALUE_BEATS.items()
    for dots, dotted in enumerate((Fraction(1), Fraction(3, 2), Fraction(7, 4)))
}
_DA_CAPO = re.compile(r"^\s*(d\.?\s?c\.?|da\s+capo)\b", re.IGNORECASE)
_DAL_SEGNO = re.compile(r"^\s*(d\.?\s?s\.?|dal\s+segno)\b", re.IGNORECASE)
_TO_CODA = re.compile(r"^\s*(to\s+(the\s+)?coda|alla\s+coda)\b", re.IGNORECASE)
_FINE = re.compile(r"^\s*fine\s*\.?\s*$", re.IGNORECASE)


# Numbers of a file, as they may be written: no powers of ten, which would be worked out exactly, and no fractions.
_NUMBER = re.compile(r"[+-]?\d{1,12}(\.\d{1,12})?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,12}", re.ASCII)
# What printed accidentals say of the key to be pressed.
_ACCIDENTAL_ALTERS = {
    "sharp": 1, "flat": -1, "natural": 0, "double-sharp": 2, "sharp-sharp": 2, "flat-flat": -2, "double-flat": -2,
    "natural-sharp": 1, "natural-flat": -1,
}  # fmt: skip
_PLAIN_ALTERS = {"-2": -2, "-1": -1, "0": 0, "1": 1, "2": 2}


class Head:
    """A note-head or rest as found; what it becomes is decided once the whole part is known."""

    __slots__ = (
        "accidental", "alter", "arpeggio", "articulations", "bar", "beams", "dots", "duration", "fermata", "finger", "grace",
        "grace_slash", "hidden", "octave", "offset", "ornaments", "part", "pitch", "staff", "step", "tie_starts", "tie_stops",
        "tuplet", "tuplet_starts", "tuplet_stops", "value", "voice", "whole_bar", "written_id",
    )  # fmt: skip

    def __init__(self, bar: int, offset: int) -> None:
        self.bar = bar
        self.offset = offset
        self.part = 0
        self.duration = 0
        self.step = ""  # empty: a rest
        self.alter = 0
        self.octave = 0
        self.pitch = 0
        self.staff = 1
        self.voice = 0
        self.value = ""
        self.dots = 0
        self.tuplet: tuple[int, int] | None = None
        self.tuplet_starts = False
        self.tuplet_stops = False
        self.grace = 0
        self.grace_slash = False
        self.tie_starts = False
        self.tie_stops = False
        self.accidental = ""
        self.beams: tuple[str, ...] = ()
        self.finger: int | None = None
        self.articulations: tuple[str, ...] = ()
        self.ornaments: tuple[str, ...] = ()
        self.arpeggio = False
        self.fermata = False
        self.whole_bar = False
        self.hidden = False
        self.written_id = ""

    @property
    def printed(self) -> tuple[str, int, tuple[int, int] | None]:
        """Return what is printed of the length."""
        return (self.value, self.dots, self.tuplet)

    def height(self) -> int:
        """Return the place on the staff, in letters."""
        return 7 * self.octave + _LETTER_PLACE[self.step]


class FoundBar:
    """What a bar's own elements say."""

    __slots__ = (
        "barline", "coda", "content", "da_capo", "dal_segno", "ending_starts", "ending_stops", "endings", "fine", "implicit",
        "key", "metre", "number", "repeat_before", "repeat_start", "repeat_times", "segno", "starts_after", "to_coda",
    )  # fmt: skip

    def __init__(self, number: str, *, implicit: bool) -> None:
        self.number = number
        self.implicit = implicit
        self.metre: Metre | None = None
        self.key = Key()
        self.content = 0
        self.repeat_start = False
        self.repeat_before = 0  # a closing repeat at the left barline, which belongs to the bar before
        self.starts_after = False  # an opening repeat at the right barline, which belongs to the bar behind
        self.repeat_times = 0
        self.endings: tuple[int, ...] = ()
        self.ending_starts = False
        self.ending_stops = False
        self.barline = ""
        self.segno = False
        self.coda = False
        self.to_coda = False
        self.da_capo = False
        self.dal_segno = False
        self.fine = False


class SpanEnd:
    """One end of a slur, hairpin, pedal or line, to be joined with its other end."""

    __slots__ = ("bar", "head", "kind", "number", "offset", "staff", "starts", "text")

    def __init__(self, kind: MarkKind | None, bar: int, offset: int, *, number: str, starts: bool) -> None:
        self.kind = kind
        self.bar = bar
        self.offset = offset
        self.number = number
        self.starts = starts
        self.staff: int | None = None
        self.text = ""
        self.head: Head | None = None


class FoundMark:
    """A mark with one place."""

    __slots__ = ("bar", "kind", "offset", "staff", "text")

    def __init__(self, kind: MarkKind, bar: int, offset: int, *, staff: int | None, text: str) -> None:
        self.kind = kind
        self.bar = bar
        self.offset = offset
        self.staff = staff
        self.text = text


Warn = Callable[..., None]


def ticks_of(measures: list[ET.Element]) -> int:
    """Return how many ticks a quarter has, so that every division of these bars fits.

    Parameters
    ----------
    measures : list of xml.etree.ElementTree.Element
        Bars of all parts that are read.

    Returns
    -------
    int
        At least 1. Values that are no positive number are skipped here and refused where they stand.

    Raises
    ------
    ScoreContentError
        If there would be too many.

    Examples
    --------
    >>> bars = [ET.fromstring(f"<m><attributes><divisions>{n}</divisions></attributes></m>") for n in (4, 6)]
    >>> ticks_of(bars)
    12
    """
    ticks = 1
    for measure in measures:
        for attributes in measure.iter("attributes"):
            text = attributes.findtext("divisions", "").strip()
            if text.isdecimal() and 0 < len(text) < 9 and int(text):
                ticks = lcm(ticks, int(text))
                if ticks > MOST_TICKS:
                    raise ScoreContentError(
                        "The score divides its quarters into numbers that no music needs.",
                        code=RefusalCode.BAD_NUMBER,
                        bar=measure.get("number", ""),
                    )
    return ticks


class Walker:
    """Reads one part into lists that two parts can share.

    Parameters
    ----------
    ticks : int
        To the quarter.
    warn : callable
        Takes a code, a bar index and a text.
    limits : ScoreLimits
        How much is accepted.
    staff_shift : int
        Added to staff numbers, 1 for the lower of two parts.
    """

    def __init__(self, *, ticks: int, warn: Warn, limits: ScoreLimits, staff_shift: int = 0) -> None:
        self.ticks = ticks
        self.warn = warn
        self.limits = limits
        self.staff_shift = staff_shift
        self.heads: list[Head] = []
        self.bars: list[FoundBar] = []
        self.clefs: list[tuple[int, int, Clef]] = []
        self.marks: list[FoundMark] = []
        self.ends: list[SpanEnd] = []
        self.tempi: list[tuple[int, int, Tempo]] = []
        self.voices: dict[str, int] = {}
        self.octave_shift_text: dict[str, str] = {}
        self._scale = 0  # ticks to one of the file's divisions; 0: none given yet
        self._metre: Metre | None = None
        self._key = Key()
        self._key_next: Key | None = None
        self._endings: tuple[int, ...] = ()
        self._bar = 0
        self._at = 0
        self._last: Head | None = None  # what a chord note joins
        self._graces = 0
        self._transposed = False
        self._handlers: dict[str, Callable[[ET.Element], None]] = {
            "note": self._note,
            "backup": self._backup,
            "forward": self._forward,
            "attributes": self._attributes,
            "direction": self._direction,
            "barline": self._barline,
            "harmony": self._harmony,
            "sound": self._sound,
        }

    def walk(self, measures: tuple[ET.Element, ...]) -> None:
        """Read all bars of the part, in order."""
        if len(measures) > self.limits.most_bars:
            raise ScoreTooLargeError(
                f"The score has more than {self.limits.most_bars} bars.", code=RefusalCode.TOO_MANY
            )
        handlers = self._handlers
        for index, measure in enumerate(measures):
            number = " ".join(measure.get("number", "").split())[:12] or str(index + 1)
            bar = FoundBar(number, implicit=measure.get("implicit") == "yes")
            self.bars.append(bar)
            self._bar, self._at, self._last, self._graces = index, 0, None, 0
            if self._key_next is not None:
                self._key, self._key_next = self._key_next, None
            bar.endings = self._endings
            for element in measure:
                handler = handlers.get(element.tag)
                if handler is not None:
                    handler(element)
            if self._at > bar.content:
                bar.content = self._at
            bar.metre, bar.key = self._metre, self._key

    # -- numbers ---------------------------------------------------------------------------------------------------

    def _fail(self, code: RefusalCode, text: str) -> ScoreContentError:
        number = self.bars[self._bar].number
        return ScoreContentError(f"Bar {number}: {text}", code=code, bar=number)

    def _whole(self, text: str | None, *, what: str, least: int, most: int) -> int:
        written = (text or "").strip()
        if written.isascii() and written.isdecimal() and len(written) < 13:  # nearly always, and ten times as fast
            number = int(written)
        elif not _NUMBER.fullmatch(written):
            raise self._fail(RefusalCode.BAD_NUMBER, f"{written[:20]!r} is no number for {what}.")
        else:
            exact = Fraction(written)
            if exact.denominator != 1:
                raise self._fail(RefusalCode.BAD_NUMBER, f"{written[:20]!r} is no whole number for {what}.")
            number = int(exact)
        if not least <= number <= most:
            raise self._fail(RefusalCode.BAD_NUMBER, f"{number} is no {what}; it can be {least} to {most}.")
        return number

    def _duration(self, text: str | None) -> int:
        if not self._scale:
            raise self._fail(
                RefusalCode.NO_DIVISIONS, "notes have lengths, but the score does not say in which unit (divisions)."
            )
        written = (text or "").strip()
        if written.isdecimal() and len(written) < 13:
            ticks = int(written) * self._scale
        elif _NUMBER.fullmatch(written):
            exact = Fraction(written) * self._scale
            if exact.denominator != 1:
                raise self._fail(RefusalCode.BAD_NUMBER, f"the length {written[:20]!r} does not fit the unit.")
            ticks = int(exact)
        else:
            raise self._fail(RefusalCode.BAD_NUMBER, f"{written[:20]!r} is no length.")
        if ticks < 0 or ticks > 1000 * self.ticks:
            raise self._fail(RefusalCode.BAD_NUMBER, f"{(text or '').strip()[:20]} is no length for a note.")
        return ticks

    # -- moving ----------------------------------------------------------------------------------------------------

    def _backup(self, element: ET.Element) -> None:
        self._leave()
        self._at -= self._duration(element.findtext("duration"))
        if self._at < 0:
            self.warn(
                WarningCode.BACK_TOO_FAR,
                self._bar,
                "a voice goes back to before the bar begins; it was put at the beginning.",
            )
            self._at = 0

    def _forward(self, element: ET.Element) -> None:
        self._leave()
        self._at += self._duration(element.findtext("duration"))

    def _leave(self) -> None:
        self._last = None
        self._graces = 0
        bar = self.bars[self._bar]
        if self._at > bar.content:
            bar.content = self._at

    # -- notes -----------------------------------------------------------------------------------------------------

    def _note(self, element: ET.Element) -> None:  # noqa: C901 - one flat choice by tag; a call for each child costs a fifth more time
        head = Head(self._bar, self._at)
        duration: str | None = None
        pitch: ET.Element | None = None
        kind = ""
        chord = False
        cue = False
        ties: list[str] = []
        beams: list[tuple[str, str]] = []
        notations: list[ET.Element] = []
        staff: str | None = None
        voice = ""
        for child in element:
            tag = child.tag
            if tag == "pitch":
                if kind:
                    raise self._fail(RefusalCode.BAD_PITCH, "a note says twice what it is.")
                pitch = child
                kind = "pitch"
            elif tag == "duration":
                if duration is not None:
                    raise self._fail(RefusalCode.BAD_NUMBER, "a note has two lengths.")
                duration = child.text
            elif tag == "voice":
                voice = (child.text or "").strip()
            elif tag == "type":
                head.value = (child.text or "").strip()
            elif tag == "staff":
                staff = child.text
            elif tag == "beam":
                beams.append((child.get("number", "1"), (child.text or "").strip()))
            elif tag == "notations":
                notations.append(child)
            elif tag == "chord":
                chord = True
            elif tag == "dot":
                head.dots += 1
            elif tag == "rest":
                if kind:
                    raise self._fail(RefusalCode.BAD_PITCH, "a note says twice what it is.")
                kind = "rest"
                head.whole_bar = child.get("measure") == "yes"
            elif tag == "accidental":
                head.accidental = (child.text or "").strip()
            elif tag == "tie":
                ties.append(child.get("type", ""))
            elif tag == "time-modification":
                head.tuplet = self._ratio(child)
            elif tag == "grace":
                head.grace = 1
                head.grace_slash = child.get("slash") == "yes"
            elif tag == "unpitched":
                if kind:
                    raise self._fail(RefusalCode.BAD_PITCH, "a note says twice what it is.")
                kind = "unpitched"
            elif tag == "cue":
                cue = True
            elif tag == "note":
                raise self._fail(RefusalCode.BAD_PITCH, "a note stands inside of another.")
        if not head.grace and duration is None:
            raise self._fail(RefusalCode.NO_DURATION, "a note has no length.")
        head.duration = 0 if head.grace else self._duration(duration)
        if not head.duration and not head.grace:
            if kind == "rest":
                return
            raise self._fail(RefusalCode.NO_DURATION, "a note has the length 0.")
        if chord and self._last is not None and head.duration != self._last.duration:
            self._share_length(head)
        self._place(head, chord=chord)
        if kind == "pitch" and pitch is not None:
            self._pitch(head, pitch)
        elif kind == "unpitched":
            self.warn(WarningCode.UNPITCHED_LEFT_OUT, self._bar, "a note without pitch was left out.")
            return
        elif kind != "rest":
            raise self._fail(RefusalCode.BAD_PITCH, "a note has neither a pitch nor is it a rest.")
        if cue:
            self.warn(WarningCode.CUE_LEFT_OUT, self._bar, "small notes of another part were left out.")
            return
        head.staff = self.staff_shift + (1 if staff is None else self._whole(staff, what="staff", least=1, most=9))
        head.voice = self.voices.setdefault(voice, len(self.voices))
        if element.get("print-object") == "no":
            head.hidden = True
        for notation in notations:
            self._notations(head, notation)
        if ties:
            head.tie_starts, head.tie_stops = "start" in ties, "stop" in ties
        if beams and not chord:
            head.beams = tuple(text for _, text in sorted(beams))
        self._value(head)
        self.heads.append(head)
        if len(self.heads) > self.limits.most_notes:
            raise ScoreTooLargeError(
                f"The score has more than {self.limits.most_notes} notes.", code=RefusalCode.TOO_MANY
            )

    def _share_length(self, head: Head) -> None:
        """Give a chord note the length of the note whose stem it shares, if both are printed alike.

        Some programs write a shorter length beside the same printed value. What is printed is what is played.
        """
        first = self._last
        if first is not None and not head.grace and (head.value, head.dots, head.tuplet) == first.printed:
            self.warn(
                WarningCode.VALUE_DIFFERS,
                self._bar,
                "notes of a chord are printed alike, but their lengths differ; the first was taken.",
            )
            head.duration = first.duration

    def _place(self, head: Head, *, chord: bool) -> None:
        """Put a head where it sounds and move on behind it."""
        if chord:
            if self._last is None or bool(self._last.grace) != bool(head.grace):
                raise self._fail(RefusalCode.CHORD_ALONE, "a chord note has no note in front of it to belong to.")
            head.offset = self._last.offset
            head.grace = self._last.grace
            end = head.offset + head.duration
            bar = self.bars[self._bar]
            if end > bar.content:
                bar.content = end
            return
        if head.grace:
            self._graces += 1
            head.grace = self._graces
        else:
            self._graces = 0
            self._at += head.duration
        self._last = head

    def _pitch(self, head: Head, pitch: ET.Element) -> None:
        step = alter_text = octave_text = ""
        for child in pitch:
            if child.tag == "step":
                step = (child.text or "").strip()
            elif child.tag == "octave":
                octave_text = (child.text or "").strip()
            elif child.tag == "alter":
                alter_text = (child.text or "").strip()
        if step not in STEP_SEMITONES:
            raise self._fail(RefusalCode.BAD_PITCH, f"{step[:20]!r} is no letter of a note; A to G are.")
        if len(octave_text) != 1 or octave_text not in "0123456789":
            raise self._fail(RefusalCode.BAD_PITCH, f"{octave_text[:20]!r} is no octave; 0 to 9 are.")
        head.alter = self._alter(alter_text, step=step)
        head.step = step
        head.octave = int(octave_text)
        head.pitch = 12 * (head.octave + 1) + STEP_SEMITONES[step] + head.alter
        if head.accidental and _ACCIDENTAL_ALTERS.get(head.accidental, head.alter) != head.alter:
            self.warn(
                WarningCode.ACCIDENTAL_DIFFERS,
                self._bar,
                f"a {head.accidental[:20]} is printed at a note that is not to be played so; it was read as it is to be played.",
            )
        if not 21 <= head.pitch <= 108:
            self.warn(WarningCode.BEYOND_PIANO, self._bar, f"{step}{head.octave} is beyond the keys of a piano.")

    def _alter(self, text: str, *, step: str) -> int:
        if not text:
            return 0
        if text in _PLAIN_ALTERS:
            return _PLAIN_ALTERS[text]
        if not _NUMBER.fullmatch(text):
            raise self._fail(RefusalCode.BAD_PITCH, f"{text[:20]!r} is no alteration.")
        alter = Fraction(text)
        if abs(alter) > 2:
            raise self._fail(RefusalCode.BAD_PITCH, f"a note is altered by {text[:12]}; at most two are known.")
        if alter.denominator != 1:
            self.warn(
                WarningCode.MICROTONE,
                self._bar,
                f"{step} altered by {text[:12]} lies between two keys; it was taken without.",
            )
        return int(alter)

    def _ratio(self, element: ET.Element) -> tuple[int, int] | None:
        actual = self._whole(element.findtext("actual-notes"), what="number of a tuplet", least=1, most=1000)
        normal = self._whole(element.findtext("normal-notes"), what="number of a tuplet", least=1, most=1000)
        return (actual, normal)

    def _value(self, head: Head) -> None:
        """Check the printed value against the length, and work it out where it is missing."""
        if head.whole_bar:
            head.value, head.dots = "whole", 0
            return
        if head.grace:
            head.value = head.value if head.value in VALUE_BEATS else "eighth"
            return
        actual, normal = head.tuplet or (1, 1)
        length = VALUE_BEATS.get(head.value)
        if length is None:
            printed = Fraction(head.duration * actual, self.ticks * normal)
            found = _VALUE_BY_BEATS.get(printed)
            if found is None:
                head.value = next((name for name, beats in VALUE_BEATS.items() if beats <= printed), "256th")
            else:
                head.value, head.dots = found
            return
        if head.dots > 4:
            raise self._fail(RefusalCode.BAD_NUMBER, f"a note has {head.dots} dots.")
        numerator = ((2 << head.dots) - 1) * length.numerator * normal * self.ticks
        if numerator != head.duration * length.denominator * (1 << head.dots) * actual:
            self.warn(
                WarningCode.VALUE_DIFFERS,
                self._bar,
                f"a note is printed as {head.value}{' dotted' * bool(head.dots)}, but lasts "
                f"{float(Fraction(head.duration, self.ticks)):g} quarters; the length was taken.",
            )

    def _notations(self, head: Head, notations: ET.Element) -> None:  # noqa: C901 - one flat choice by tag
        for child in notations:
            tag = child.tag
            if tag == "slur":
                self._span_of_note(MarkKind.SLUR, head, child)
            elif tag == "tied":
                kind = child.get("type", "")
                head.tie_starts = head.tie_starts or kind in ("start", "continue")
                head.tie_stops = head.tie_stops or kind in ("stop", "continue")
            elif tag == "articulations":
                head.articulations += tuple(found.tag for found in child)
            elif tag == "technical":
                self._technical(head, child)
            elif tag == "tuplet":
                head.tuplet_starts = head.tuplet_starts or child.get("type") == "start"
                head.tuplet_stops = head.tuplet_stops or child.get("type") == "stop"
            elif tag == "ornaments":
                self._ornaments(head, child)
            elif tag == "fermata":
                head.fermata = True
            elif tag == "arpeggiate":
                head.arpeggio = True
            elif tag in ("glissando", "slide"):
                self._span_of_note(MarkKind.GLISSANDO, head, child)
            elif tag == "dynamics":
                for dynamic in child:
                    self._mark(MarkKind.DYNAMIC, head.offset, _dynamic(dynamic), staff=head.staff)

    def _technical(self, head: Head, technical: ET.Element) -> None:
        for child in technical:
            if child.tag == "fingering" and head.finger is None:
                digits = [character for character in child.text or "" if character.isdecimal()]
                if digits and digits[0] in "12345":
                    head.finger = int(digits[0])
                elif child.text and child.text.strip():
                    self.warn(
                        WarningCode.FINGER_UNREADABLE, self._bar, f"the finger {child.text.strip()[:8]!r} was left out."
                    )

    def _ornaments(self, head: Head, ornaments: ET.Element) -> None:
        for child in ornaments:
            if child.tag == "wavy-line":
                self._span_of_note(MarkKind.TRILL_LINE, head, child)
            elif child.tag != "accidental-mark":
                head.ornaments += (child.tag,)

    def _span_of_note(self, kind: MarkKind, head: Head, element: ET.Element) -> None:
        way = element.get("type", "")
        if way in ("start", "stop"):
            end = SpanEnd(kind, head.bar, head.offset, number=element.get("number", "1"), starts=way == "start")
            end.head = head
            end.staff = head.staff
            self.ends.append(end)

    # -- attributes ------------------------------------------------------------------------------------------------

    def _attributes(self, attributes: ET.Element) -> None:
        for child in attributes:
            tag = child.tag
            if tag == "divisions":
                divisions = self._whole(child.text, what="unit of length (divisions)", least=1, most=MOST_TICKS)
                self._scale = self.ticks // divisions
            elif tag == "key":
                self._read_key(child)
            elif tag == "time":
                self._read_metre(child)
            elif tag == "clef":
                self._read_clef(child)
            elif tag == "transpose":
                self._read_transpose(child)

    def _read_key(self, element: ET.Element) -> None:
        if element.get("number", "1") != "1":
            return
        text = (element.findtext("fifths") or "").strip()
        try:
            fifths = int(text)
        except ValueError:
            fifths = 99
        if not -7 <= fifths <= 7:
            self.warn(
                WarningCode.KEY_UNREADABLE,
                self._bar,
                "the key signature cannot be read; it was taken as having no signs.",
            )
            fifths = 0
        key = Key(fifths, (element.findtext("mode") or "").strip().lower())
        if self._at:
            self._key_next = key
        else:
            self._key = key

    def _read_metre(self, element: ET.Element) -> None:
        if element.get("number", "1") != "1":
            return
        if element.find("senza-misura") is not None:
            self._metre = None
            return
        uppers = [(child.text or "").strip() for child in element if child.tag == "beats"]
        lowers = [(child.text or "").strip() for child in element if child.tag == "beat-type"]
        symbol = element.get("symbol", "")
        try:
            metre = _metre(uppers, lowers, symbol=symbol if symbol in ("common", "cut") else "")
        except ValueError:
            shown = f"{' '.join(uppers)[:12]}/{' '.join(lowers)[:12]}"
            self.warn(WarningCode.METRE_UNREADABLE, self._bar, f"the time signature {shown} cannot be read.")
            metre = None
        self._metre = metre

    def _read_clef(self, element: ET.Element) -> None:
        number = element.get("number", "1")
        staff = self.staff_shift + (int(number) if len(number) == 1 and number in "123456789" else 1)
        sign = (element.findtext("sign") or "G").strip()
        line = (element.findtext("line") or "").strip()
        octave = (element.findtext("clef-octave-change") or "0").strip()
        usual = {"G": 2, "F": 4, "C": 3}
        clef = Clef(
            self._bar,
            Fraction(0),
            staff,
            sign,
            int(line) if line in ("1", "2", "3", "4", "5") else usual.get(sign, 0),
            int(octave) if octave in ("-2", "-1", "1", "2") else 0,
        )
        self.clefs.append((self._bar, self._at, clef))

    def _read_transpose(self, element: ET.Element) -> None:
        chromatic = (element.findtext("chromatic") or "0").strip()
        octaves = (element.findtext("octave-change") or "0").strip()
        if self._transposed or (chromatic in ("0", "0.0", "") and octaves in ("0", "")):
            return
        self._transposed = True
        self.warn(
            WarningCode.TRANSPOSING,
            self._bar,
            f"the part is written for an instrument that sounds {chromatic[:6]} semitones from what is printed. "
            "It was read as printed. Is that what you play?",
        )

    # -- directions ------------------------------------------------------------------------------------------------

    def _mark(self, kind: MarkKind, offset: int, text: str, *, staff: int | None) -> None:
        self.marks.append(FoundMark(kind, self._bar, offset, staff=staff, text=" ".join(text.split())[:200]))

    def _direction(self, direction: ET.Element) -> None:
        at = self._at
        staff: int | None = None
        sound: ET.Element | None = None
        types: list[ET.Element] = []
        for child in direction:
            if child.tag == "direction-type":
                types.extend(child)
            elif child.tag == "staff":
                staff = self.staff_shift + self._whole(child.text, what="staff", least=1, most=9)
            elif child.tag == "offset" and self._scale:
                text = (child.text or "").strip()
                if _WHOLE.fullmatch(text):
                    at = max(0, at + int(text) * self._scale)
            elif child.tag == "sound":
                sound = child
        if staff is None and self.staff_shift:
            staff = self.staff_shift + 1
        named = sound.attrib if sound is not None else {}
        for element in types:
            self._direction_type(element, at=at, staff=staff, sound=named)
        if sound is not None:
            printed = any(element.tag == "metronome" for element in types)
            self._sound(sound, at=at, tempo_read=printed and self._has_tempo(at))

    def _has_tempo(self, at: int) -> bool:
        return bool(self.tempi) and self.tempi[-1][:2] == (self._bar, at)

    def _direction_type(self, element: ET.Element, *, at: int, staff: int | None, sound: dict[str, str]) -> None:
        tag = element.tag
        if tag == "dynamics":
            for dynamic in element:
                self._mark(MarkKind.DYNAMIC, at, _dynamic(dynamic), staff=staff)
        elif tag == "words":
            self._words(element.text or "", at=at, staff=staff)
        elif tag in ("wedge", "octave-shift", "pedal"):
            self._line(element, at=at, staff=staff)
        elif tag == "metronome":
            self._metronome(element, at=at, sound=sound)
        elif tag == "rehearsal":
            self._mark(MarkKind.REHEARSAL, at, element.text or "", staff=staff)
        elif tag == "segno":
            self.bars[self._bar].segno = True
        elif tag == "coda":
            if "tocoda" in sound:
                self.bars[self._bar].to_coda = True
            else:
                self.bars[self._bar].coda = True

    def _words(self, text: str, *, at: int, staff: int | None) -> None:
        text = " ".join(text.split())
        if not text:
            return
        self._mark(MarkKind.WORDS, at, text, staff=staff)
        bar = self.bars[self._bar]
        if _DA_CAPO.search(text):
            bar.da_capo = True
        elif _DAL_SEGNO.search(text):
            bar.dal_segno = True
        elif _TO_CODA.search(text):
            bar.to_coda = True
        elif _FINE.search(text):
            bar.fine = True

    def _line(self, element: ET.Element, *, at: int, staff: int | None) -> None:
        way = element.get("type", "")
        number = element.get("number", "1")
        if element.tag == "wedge":
            kinds = {"crescendo": MarkKind.CRESCENDO, "diminuendo": MarkKind.DIMINUENDO}
            kind, family = kinds.get(way), "wedge"
        elif element.tag == "octave-shift":
            # "down" prints the notes lower than they sound.
            shifts = {"down": MarkKind.OCTAVE_UP, "up": MarkKind.OCTAVE_DOWN}
            kind, family = shifts.get(way), "octave"
        else:
            kind = MarkKind.PEDAL if way in ("start", "change", "sostenuto", "resume") else None
            family = "pedal"
        if kind is None and way not in ("stop", "change"):
            return
        if family == "pedal" and way == "change":
            self._end(None, at, number=f"{family} {number}", starts=False, staff=staff, text="change")
        text = "change" if way == "change" else ""
        if family == "octave" and kind is not None and element.get("size", "8") != "8":
            text = element.get("size", "")[:3]
        self._end(kind, at, number=f"{family} {number}", starts=kind is not None, staff=staff, text=text)

    def _end(
        self, kind: MarkKind | None, at: int, *, number: str, starts: bool, staff: int | None, text: str = ""
    ) -> None:
        end = SpanEnd(kind, self._bar, at, number=number, starts=starts)
        end.staff = staff
        end.text = text
        self.ends.append(end)

    def _metronome(self, element: ET.Element, *, at: int, sound: dict[str, str]) -> None:
        unit = (element.findtext("beat-unit") or "").strip()
        printed = (element.findtext("per-minute") or "").strip()
        dots = 0
        for child in element:
            if child.tag == "beat-unit-dot":
                dots += 1
            elif child.tag == "per-minute":
                break
        number = re.search(r"\d+(\.\d+)?", printed)
        length = VALUE_BEATS.get(unit)
        if number is None or length is None or dots > 2 or not 0 < Fraction(number.group()[:9]) < 1000:
            if _bpm(sound.get("tempo", "")) is None:
                self.warn(WarningCode.TEMPO_UNREADABLE, self._bar, "the metronome mark cannot be read.")
            return
        bpm = Fraction(number.group()[:9]) * length * Fraction((2 << dots) - 1, 1 << dots)
        tempo = Tempo(self._bar, Fraction(0), bpm, unit, dots, printed[:20])
        self.tempi.append((self._bar, at, tempo))

    def _sound(self, sound: ET.Element, *, at: int | None = None, tempo_read: bool = False) -> None:
        place = self._at if at is None else at
        bar = self.bars[self._bar]
        named = sound.attrib
        if "tempo" in named and not tempo_read:
            bpm = _bpm(named["tempo"])
            if bpm is None:
                self.warn(WarningCode.TEMPO_UNREADABLE, self._bar, f"the tempo {named['tempo'][:12]!r} cannot be read.")
            elif not self._has_tempo(place):
                self.tempi.append((self._bar, place, Tempo(self._bar, Fraction(0), bpm)))
        bar.da_capo = bar.da_capo or named.get("dacapo") == "yes"
        bar.dal_segno = bar.dal_segno or "dalsegno" in named
        bar.segno = bar.segno or "segno" in named
        bar.coda = bar.coda or "coda" in named
        bar.to_coda = bar.to_coda or "tocoda" in named
        bar.fine = bar.fine or "fine" in named

    def _harmony(self, harmony: ET.Element) -> None:
        root = (harmony.findtext("root/root-step") or "").strip()
        if not root:
            return
        signs = {"1": "#", "-1": "b"}
        text = root + signs.get((harmony.findtext("root/root-alter") or "").strip(), "")
        kind = harmony.find("kind")
        if kind is not None:
            text += kind.get("text") or _CHORD_KINDS.get((kind.text or "").strip(), "")
        bass = (harmony.findtext("bass/bass-step") or "").strip()
        if bass:
            text += f"/{bass}{signs.get((harmony.findtext('bass/bass-alter') or '').strip(), '')}"
        self._mark(MarkKind.CHORD_SYMBOL, self._at, text, staff=None)

    # -- barlines --------------------------------------------------------------------------------------------------

    def _barline(self, barline: ET.Element) -> None:
        bar = self.bars[self._bar]
        left = barline.get("location", "right") == "left"
        for child in barline:
            tag = child.tag
            if tag == "repeat":
                self._repeat(bar, child, left=left)
            elif tag == "ending":
                self._ending(bar, child)
            elif tag == "bar-style" and not left and barline.get("location", "right") == "right":
                style = (child.text or "").strip()
                bar.barline = "" if style == "regular" else style
            elif tag == "fermata":
                self._mark(MarkKind.FERMATA, 0 if left else self._at, "", staff=None)
            elif tag == "segno":
                bar.segno = True
            elif tag == "coda":
                bar.coda = True

    def _repeat(self, bar: FoundBar, element: ET.Element, *, left: bool) -> None:
        way = element.get("direction", "")
        if way == "forward":
            if left:
                bar.repeat_start = True
            else:
                bar.starts_after = True
        elif way == "backward":
            text = element.get("times", "2").strip()
            times = int(text) if text.isdecimal() and len(text) < 6 else 2
            if left:
                bar.repeat_before = max(times, 2)
            else:
                bar.repeat_times = max(times, 2)

    def _ending(self, bar: FoundBar, element: ET.Element) -> None:
        way = element.get("type", "")
        if way == "start":
            numbers = tuple(sorted({int(text) for text in re.findall(r"\d+", element.get("number", "")[:200])} - {0}))
            if not numbers or numbers[-1] > 99:
                self.warn(WarningCode.ENDING_UNMATCHED, self._bar, "an ending does not say for which pass it is.")
                numbers = (1,)
            self._endings = numbers
            bar.endings = numbers
            bar.ending_starts = True
        elif way in ("stop", "discontinue"):
            if not self._endings:
                self.warn(WarningCode.ENDING_UNMATCHED, self._bar, "an ending stops that did not start.")
            self._endings = ()
            bar.ending_stops = True


_CHORD_KINDS = {
    "major": "",
    "minor": "m",
    "dominant": "7",
    "major-seventh": "maj7",
    "minor-seventh": "m7",
    "diminished": "dim",
    "augmented": "aug",
    "diminished-seventh": "dim7",
    "half-diminished": "m7b5",
    "major-sixth": "6",
    "minor-sixth": "m6",
    "suspended-fourth": "sus4",
    "suspended-second": "sus2",
    "power": "5",
}


def _dynamic(element: ET.Element) -> str:
    return (element.text or "").strip() if element.tag == "other-dynamics" else str(element.tag)


def _bpm(text: str) -> Fraction | None:
    if not _NUMBER.fullmatch(text.strip()):
        return None
    bpm = Fraction(text.strip())
    return bpm if 0 < bpm < 1000 else None


def _metre(uppers: list[str], lowers: list[str], *, symbol: str) -> Metre:
    """Return the metre of one or more fractions; a ValueError where they are none."""
    if not uppers or len(uppers) != len(lowers):
        raise ValueError("no fraction")
    kinds = [int(lower) for lower in lowers]
    if any(kind not in (1, 2, 4, 8, 16, 32, 64) for kind in kinds):
        raise ValueError("no note value")
    kind = max(kinds)
    groups: list[int] = []
    for upper, lower in zip(uppers, kinds, strict=True):
        groups.extend(int(text) * (kind // lower) for text in upper.split("+"))
    if any(group < 1 for group in groups) or sum(groups) > 99:
        raise ValueError("no number of beats")
    return Metre(sum(groups), kind, tuple(groups) if len(groups) > 1 else (), symbol)


def tuplet_of(head: Head) -> Tuplet | None:
    """Return the tuplet of a head, or None.

    Parameters
    ----------
    head : Head
        As found.

    Returns
    -------
    Tuplet or None
        With its bracket's ends.

    Examples
    --------
    >>> tuplet_of(Head(0, 0)) is None
    True
    """
    if head.tuplet is None:
        return None
    return Tuplet(*head.tuplet, starts=head.tuplet_starts, stops=head.tuplet_stops)
