"""One typed voice, letter by letter, into bars of strokes. Every fault is an error that names its line and column."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction

from curriculum.score.abc import signs
from curriculum.score.abc.fields import ClefField, FieldError, TempoField, read_key, read_metre, read_tempo, read_unit
from curriculum.score.errors import RefusalCode, TypedScoreError, WarningCode
from curriculum.score.guard import ScoreLimits
from curriculum.score.notes import STEP_SEMITONES, ZERO, Key, MarkKind, Metre

# Number of notes -> in the time of how many (ABC 2.1, 4.13); 0 stands for three in compound metres, else two.
_TIME_OF = {2: 3, 3: 2, 4: 3, 5: 0, 6: 2, 7: 0, 8: 3, 9: 0}
_ALTERS = {"^": 1, "^^": 2, "_": -1, "__": -2, "=": 0}
_LINES = {"|": "", "||": "light-light", "|]": "light-heavy", "[|": "heavy-light", "[|]": "none"}

_BAR = re.compile(r"(\.?)(:*)((?:\[\|\]|\[?\|\]?)+)(:*)|(\.?)(:{2,})")
_ENDING = re.compile(r"\[?(\d{1,2}(?:[,-]\d{1,2})*)")
_INLINE = re.compile(r"\[([A-Za-z]):([^\]]*)\]")
_NOTE = re.compile(r"(\^\^|\^|__|_|=)?([A-Ga-g])([',]*)(\d{0,4})(/*)(\d{0,4})")
_REST = re.compile(r"([zx])(\d{0,4})(/*)(\d{0,4})")
_BARS_OF_REST = re.compile(r"[ZX](\d{0,4})")
_LENGTH = re.compile(r"(\d{0,4})(/*)(\d{0,4})")
_TUPLET = re.compile(r"\(([2-9])(?::([1-9]?)(?::([1-9]\d?)?)?)?")
_NAMED = re.compile(r"!([^!\s|\[\]:]{1,20})!")
_QUOTED = re.compile(r'"([^"]*)"')
_BROKEN = re.compile(r">{1,3}|<{1,3}")
_CHORD_SYMBOL = re.compile(r"[A-G][#b]?(?:maj|min|m|dim|aug|\+|sus|\d{1,2}|[#b])*(?:/[A-G][#b]?)?")
_SKIPPED = re.compile(r"[\s`$]+|y\d*|\\\s*$")


@dataclass(slots=True)
class TypedHead:
    """One letter. ``chord_tie``: the tie was written behind the whole chord, so it holds for notes that both chords have."""

    step: str
    alter: int
    octave: int
    finger: int | None = None
    tie_starts: bool = False
    tie_stops: bool = False
    chord_tie: bool = False


@dataclass(slots=True)
class Stroke:
    """A note, a chord, or a rest (no heads). ``length`` and ``offset`` are in quarters."""

    heads: list[TypedHead]
    length: Fraction
    line: int
    column: int
    offset: Fraction = ZERO
    graces: list[TypedHead] = field(default_factory=list)
    grace_slash: bool = False
    articulations: list[str] = field(default_factory=list)
    ornaments: list[str] = field(default_factory=list)
    arpeggio: bool = False
    bar: int = 0
    in_tuplet: bool = False


@dataclass(slots=True)
class TypedMark:
    """A mark before the stroke with this place in its bar, or at the end of the bar."""

    kind: MarkKind
    text: str
    bar: int
    stroke: int
    starts: bool = False  # of a span
    stops: bool = False


@dataclass(slots=True)
class TypedBar:
    """One bar as it was typed. ``content`` is the sum of its strokes in quarters."""

    line: int
    column: int
    key: Key
    metre: Metre | None
    strokes: list[Stroke] = field(default_factory=list)
    content: Fraction = ZERO
    number: str = ""
    repeat_start: bool = False
    opened_times: int = 0
    repeat_times: int = 0
    endings: tuple[int, ...] = ()
    ending_starts: bool = False
    ending_stops: bool = False
    style: str = ""
    closed: bool = False
    flags: set[str] = field(default_factory=set)

    @property
    def full(self) -> Fraction | None:
        """Length that the time signature asks for, None in free metre."""
        return self.metre.length_beat if self.metre is not None else None


@dataclass(slots=True)
class _Coming:
    """What stands before a note and belongs to it."""

    graces: list[TypedHead] = field(default_factory=list)
    grace_slash: bool = False
    articulations: list[str] = field(default_factory=list)
    ornaments: list[str] = field(default_factory=list)
    fingers: list[int] = field(default_factory=list)
    arpeggio: bool = False
    column: int = 0

    def any(self) -> bool:
        return bool(self.graces or self.articulations or self.ornaments or self.fingers or self.arpeggio)


class VoiceReader:
    """Reads lines of music of one voice. Feed :meth:`music` and :meth:`field`, then :meth:`finish`, and take ``bars``."""

    def __init__(
        self,
        *,
        key: Key,
        metre: Metre | None,
        unit: Fraction,
        staff: ClefField,
        letters: dict[str, str],
        options: dict[str, str],
        warn: Callable[[WarningCode, str, int, int], None],
        limits: ScoreLimits,
    ) -> None:
        self.key = key
        self.metre = metre
        self.unit = unit
        self.staff = staff
        self.letters = letters
        self.options = options
        self.warn = warn
        self.limits = limits
        self.bars: list[TypedBar] = []
        self.marks: list[TypedMark] = []
        self.tempi: list[tuple[int, int, TempoField]] = []
        self.slurs: list[tuple[Stroke, Stroke]] = []
        self.problems: list[TypedScoreError] = []
        self._bar: TypedBar | None = None
        self._left = TypedBar(0, 0, key, metre)  # what the last barline said about the bar to come
        self._ending: tuple[int, ...] = ()
        self._coming = _Coming()
        self._slurs: list[tuple[Stroke | None, int, int]] = []
        self._ties: dict[tuple[str, int], TypedHead] = {}
        self._tied_at = (0, 0)
        self._stands: dict[tuple[str, int], int] = {}
        self._tuplet: tuple[Fraction, int] = (Fraction(1), 0)  # factor, notes still to come
        self._broken: tuple[Fraction, Fraction] | None = None  # factor for the next stroke, and the length it must have
        self._last: Stroke | None = None
        self._text, self._line, self._at, self._first = "", 0, 0, 1
        self._notes = 0
        self._plain_line_at: int | None = None  # line number, where nothing but a plain barline came last
        self._patterns: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], None]], ...] = (
            (_SKIPPED, lambda _: None),
            (_BAR, self._barline),
            (_INLINE, self._inline),
            (re.compile(r"\[(?=\d)"), self._ending_alone),
            (re.compile(r"\["), self._chord),
            (_NOTE, self._note),
            (_REST, self._rest),
            (_BARS_OF_REST, self._bars_of_rest),
            (re.compile(r"\{(/?)([^{}]*)\}"), self._graces),
            (_TUPLET, self._group),
            (re.compile(r"\.?\((?!\d)"), self._slur_opens),
            (re.compile(r"\.?\)"), self._slur_closes),
            (re.compile(r"\.?-"), self._tie),
            (_BROKEN, self._breaks),
            (_NAMED, lambda found: self._named(found.group(1))),
            (_QUOTED, self._quoted),
            (re.compile(r"[H-Wh-w~.]"), self._letter),
        )

    # -- outside ---------------------------------------------------------------------------------------------------

    def music(self, text: str, *, line: int, column: int = 1) -> None:
        """Read one line of music that begins at a column of the typed text."""
        self._text, self._line, self._at, self._first = text, line, 0, column
        while self._at < len(text):
            for pattern, reads in self._patterns:
                found = pattern.match(text, self._at)
                if found is not None and found.end() > self._at:
                    start = self._at
                    self._at = found.end()
                    self._here = start
                    reads(found)
                    break
            else:
                self._here = self._at
                raise self._unknown(text[self._at])

    def field(self, letter: str, text: str, *, line: int, column: int) -> None:
        """Read an information field that stands in the music."""
        self._line, self._first, self._at, self._here = line, column, 0, 0
        self._text = text
        self._field(letter, text)

    def finish(self) -> None:
        """Close the last bar and look for what was opened and never closed."""
        if self._bar is not None:
            self._end_bar()
        if self._coming.any():
            raise self._error("This stands at the end, with no note after it.", column=self._coming.column)
        if self._slurs:
            _, line, column = self._slurs[0]
            raise TypedScoreError("This slur is opened and never closed.", line=line, column=column)
        if self._ties:
            line, column = self._tied_at
            raise TypedScoreError("This tie leads to no note of the same pitch.", line=line, column=column)
        if self.bars and self._ending:
            self.bars[-1].ending_stops = True
        if self._left.repeat_start and self.bars:
            raise self._error("A repeat is opened at the end, with nothing in it.", column=self._first)

    # -- places and errors -----------------------------------------------------------------------------------------

    @property
    def _column(self) -> int:
        return self._first + self._here

    def _error(self, text: str, *, code: RefusalCode | None = None, column: int | None = None) -> TypedScoreError:
        return TypedScoreError(text, code=code, line=self._line, column=self._column if column is None else column)

    def _unknown(self, character: str) -> TypedScoreError:
        hints = {
            "&": "Two voices in one hand (&) are not read.",
            "!": "A sign between exclamation marks is not closed, or has a space in it.",
            '"': "A text in quotation marks is not closed.",
            "{": "Grace notes are opened and not closed.",
            "}": "Grace notes are closed that were not opened.",
            "]": "A chord is closed that was not opened.",
            "^": "A sharp stands before no note.",
            "_": "A flat stands before no note.",
            "=": "A natural sign stands before no note.",
            "+": "Signs are written between exclamation marks: !p!",
            "(": "A group is written with 2 to 9: (3CDE",
            "'": "An octave mark stands behind no note.",
            ",": "An octave mark stands behind no note.",
            "/": "A length stands behind no note.",
            ":": "A colon belongs to a repeat sign: |: or :|",
        }
        if character.isdigit():
            text = "A number stands behind no note. Lengths come after the letter: C2"
        elif character.isalpha():
            text = f"{character!r} is no note. Notes are the letters A to G, a rest is z."
        else:
            text = hints.get(character, f"{character!r} means nothing here.")
        known = character in hints or character.isalnum()
        return self._error(
            text, code=RefusalCode.TYPED_WRONG if known and character != "&" else RefusalCode.TYPED_UNKNOWN
        )

    # -- bars ------------------------------------------------------------------------------------------------------

    def _open_bar(self) -> TypedBar:
        if self._bar is None:
            if len(self.bars) >= self.limits.most_bars:
                raise self._error(f"There are more than {self.limits.most_bars} bars.", code=RefusalCode.TOO_MANY)
            left = self._left
            self._bar = TypedBar(
                self._line,
                self._column,
                self.key,
                self.metre,
                repeat_start=left.repeat_start,
                opened_times=left.opened_times,
                endings=self._ending,
                ending_starts=left.ending_starts,
            )
            self._left = TypedBar(0, 0, self.key, self.metre)
        return self._bar

    def _end_bar(self) -> None:
        bar = self._bar
        if bar is None:
            return
        if self._tuplet[1]:
            raise self._error(f"A group lacks {self._tuplet[1]} of its notes before this barline.")
        if self._broken is not None:
            raise self._error("A > or < has no note after it in its bar.")
        if self._coming.graces:
            raise self._error("Grace notes have no note after them in their bar.", column=self._coming.column)
        at = ZERO
        for stroke in bar.strokes:
            stroke.offset = at
            stroke.bar = len(self.bars)
            at += stroke.length
        bar.content = at
        self.bars.append(bar)
        self._bar = None
        self._stands = {}
        self._last = None

    def _barline(self, found: re.Match[str]) -> None:
        dotted, closing, line, opening, dotted_too, dots = found.groups()
        if dots is not None:
            dotted, closing, line, opening = dotted_too, dots[: len(dots) // 2], "", dots[len(dots) // 2 :]
        plain = not closing and not opening and line == "|" and not dotted
        ending = self._ending_at_barline()
        if self._coming.any():
            self._sign_on_barline()
        if self._bar is None and plain and self._plain_line_at == self._line and ending is None:
            raise self._error("This bar is empty. Write z with its length for a rest.", code=RefusalCode.BAR_LENGTH)
        self._plain_line_at = self._line if plain and ending is None else None
        self._end_bar()
        self._right_side(line=line, dotted=bool(dotted), closing=len(closing))
        if opening:
            self._left.repeat_start = True
            self._left.opened_times = len(opening) + 1
        if ending is not None:
            self._start_ending(ending)

    def _sign_on_barline(self) -> None:
        coming = self._coming
        if (
            self._bar is None
            or coming.articulations != ["fermata"]
            or coming.graces
            or coming.ornaments
            or coming.fingers
        ):
            raise self._error("This stands before a barline, with no note after it.", column=coming.column)
        self._mark(MarkKind.FERMATA)
        self._coming = _Coming()

    def _right_side(self, *, line: str, dotted: bool, closing: int) -> None:
        if not self.bars:
            if closing:
                raise self._error("A repeat is closed before anything is played.")
            return
        bar = self.bars[-1]
        style = "dotted" if dotted else _LINES.get(line, "light-heavy" if "]" in line else "light-light")
        if closing:
            opened = next((other.opened_times for other in reversed(self.bars) if other.repeat_start), 0)
            bar.repeat_times = max(closing + 1, opened)
            style = "light-heavy"
        bar.style = style or bar.style
        if self._ending and (closing or style in ("light-light", "light-heavy", "heavy-light")):
            bar.ending_stops = True
            self._ending = ()

    def _ending_at_barline(self) -> str | None:
        found = _ENDING.match(self._text, self._at)
        if found is None:
            return None
        self._at = found.end()
        return found.group(1)

    def _ending_alone(self, found: re.Match[str]) -> None:
        number = _ENDING.match(self._text, found.start())
        if number is None:
            raise self._error("An ending is written such as [1 or [2.")
        self._at = number.end()
        if self._bar is not None:
            raise self._error("An ending begins at a barline: | [1")
        self._plain_line_at = None
        self._start_ending(number.group(1))

    def _start_ending(self, text: str) -> None:
        numbers: set[int] = set()
        for part in text.split(","):
            low, _, high = part.partition("-")
            numbers.update(range(int(low), int(high or low) + 1))
        if not numbers or 0 in numbers:
            raise self._error(f"{text!r} is no ending. One is written such as [1 or [1,3.")
        if self._ending and self.bars:
            self.bars[-1].ending_stops = True
        self._ending = tuple(sorted(numbers))
        self._left.ending_starts = True

    # -- fields ----------------------------------------------------------------------------------------------------

    def _inline(self, found: re.Match[str]) -> None:
        self._here += 1
        self._field(found.group(1), found.group(2))

    def _field(self, letter: str, text: str) -> None:
        try:
            if letter == "L":
                self.unit = read_unit(text)
            elif letter == "M":
                self._between_bars("time signature")
                self.metre = read_metre(text)
                if self._bar is not None:
                    self._bar.metre = self.metre
            elif letter == "K":
                key, staff = read_key(text)
                self.staff = staff.over(self.staff)
                if key is not None:
                    self._between_bars("key signature")
                    self.key = key
                    if self._bar is not None:
                        self._bar.key = key
            elif letter == "Q":
                self._tempo(read_tempo(text))
            elif letter == "P":
                self._mark(MarkKind.REHEARSAL, " ".join(text.split())[:200])
            elif letter not in "NRrIT":
                raise self._error(f"{letter}: cannot stand in the middle of the music.", code=RefusalCode.TYPED_UNKNOWN)
        except FieldError as error:
            raise self._error(str(error), code=error.code) from error

    def _between_bars(self, what: str) -> None:
        if self._bar is not None and self._bar.strokes:
            raise self._error(f"A {what} changes at a barline.")

    def _tempo(self, tempo: TempoField) -> None:
        bar, stroke = self._place()
        self.tempi.append((bar, stroke, tempo))
        if tempo.words:
            self._mark(MarkKind.WORDS, tempo.words)
        elif tempo.bpm is None:
            self.warn(
                WarningCode.TEMPO_UNREADABLE,
                "this spelling of a tempo is outdated and does not say which note it counts. Write 1/4=80.",
                self._line,
                self._column,
            )

    # -- strokes ---------------------------------------------------------------------------------------------------

    def _place(self) -> tuple[int, int]:
        return len(self.bars), len(self._bar.strokes) if self._bar is not None else 0

    def _mark(self, kind: MarkKind, text: str = "", *, starts: bool = False, stops: bool = False) -> None:
        self.marks.append(TypedMark(kind, text, *self._place(), starts=starts, stops=stops))

    def _length(self, upper: str, slashes: str, lower: str) -> Fraction:
        if lower and len(slashes) != 1:
            raise self._error("A length is written such as 2, 3/2, / or //.")
        if len(slashes) > 8:
            raise self._error("This note is shorter than can be written.")
        below = int(lower) if lower else 1 << len(slashes)
        above = int(upper) if upper else 1
        if not above or not below:
            raise self._error("A length of 0 is none.")
        return self.unit * Fraction(above, below)

    def _head(self, found: re.Match[str]) -> TypedHead:
        sign, letter, marks = found.group(1), found.group(2), found.group(3)
        octave = (5 if letter.islower() else 4) + marks.count("'") - marks.count(",")
        octave += self.staff.octave + self.staff.small_octave
        step = letter.upper()
        if not 0 <= octave <= 9:
            raise self._error("No piano has this note: it is too high or too low.", code=RefusalCode.BAD_PITCH)
        place = (step, octave)
        tied = self._ties.get(place)
        if sign is not None:
            alter = _ALTERS[sign]
            self._remember(step, octave, alter)
        elif tied is not None:
            alter = tied.alter
        else:
            alter = self._stands.get(place, self.key.alter_of(step))
            others = {value for (other, height), value in self._stands.items() if other == step and height != octave}
            if not self.options.get("propagate") and place not in self._stands and others - {alter}:
                self.warn(
                    WarningCode.ACCIDENTAL_OCTAVE,
                    f"a sign before another {step} was not taken over into this octave, as in printed music. "
                    "Write a sign here too to be sure.",
                    self._line,
                    self._column,
                )
        self._notes += 1
        if self._notes > self.limits.most_notes:
            raise self._error(f"There are more than {self.limits.most_notes} notes.", code=RefusalCode.TOO_MANY)
        return TypedHead(step, alter, octave)

    def _remember(self, step: str, octave: int, alter: int) -> None:
        """Let a sign hold to the end of the bar: in its octave, or as an instruction of the text says."""
        holds = self.options.get("propagate", "octave")
        if holds == "octave":
            self._stands[step, octave] = alter
        elif holds == "pitch":
            self._stands.update({(step, height): alter for height in range(10)})

    def _note(self, found: re.Match[str]) -> None:
        length = self._length(*found.group(4, 5, 6))
        self._stroke([self._head(found)], length)

    def _rest(self, found: re.Match[str]) -> None:
        self._stroke([], self._length(*found.group(2, 3, 4)))

    def _bars_of_rest(self, found: re.Match[str]) -> None:
        if self._bar is not None:
            raise self._error("A rest of whole bars (Z) stands alone between barlines.")
        if self.metre is None:
            raise self._error("In free metre a rest of whole bars has no length. Write z with its length.")
        count = int(found.group(1) or 1)
        if not count:
            raise self._error("A rest of 0 bars is none.")
        for place in range(count):
            self._stroke([], self.metre.length_beat)
            if place < count - 1:
                self._end_bar()

    def _chord(self, _: re.Match[str]) -> None:
        heads: list[TypedHead] = []
        lengths: set[Fraction] = set()
        fingers: list[int] = []
        opened = self._column
        while not self._text.startswith("]", self._at):
            self._here = self._at
            if self._at >= len(self._text):
                raise self._error("A chord is opened and not closed.", column=opened)
            if (note := _NOTE.match(self._text, self._at)) is not None:
                self._at = note.end()
                head = self._head(note)
                lengths.add(self._length(*note.group(4, 5, 6)))
                head.finger = fingers.pop() if fingers else None
                if self._text.startswith("-", self._at):
                    self._at += 1
                    head.tie_starts = True
                heads.append(head)
            elif (named := _NAMED.match(self._text, self._at)) is not None:
                self._at = named.end()
                if named.group(1) in ("1", "2", "3", "4", "5"):
                    fingers.append(int(named.group(1)))
                else:
                    self._named(named.group(1))
            elif self._text[self._at] in " \t":
                self._at += 1
            elif self._text[self._at] in self.letters:
                self._at += 1
                self._letter_named(self._text[self._at - 1])
            else:
                raise self._unknown_in_chord(self._text[self._at])
        self._at += 1
        self._here = opened - self._first
        if not heads:
            raise self._error("This chord is empty.")
        if len(lengths) > 1:
            raise self._error("The notes of a chord need the same length. Two voices in one hand are not read.")
        outside = _LENGTH.match(self._text, self._at)
        factor = Fraction(1)
        if outside is not None and outside.end() > self._at:
            self._at = outside.end()
            factor = self._length(*outside.groups()) / self.unit
        self._stroke(self._without_doubles(heads), lengths.pop() * factor)

    def _unknown_in_chord(self, character: str) -> TypedScoreError:
        if character == "|":
            return self._error("A chord is not closed before the barline.")
        return self._unknown(character)

    def _without_doubles(self, heads: list[TypedHead]) -> list[TypedHead]:
        kept: dict[int, TypedHead] = {}
        for head in heads:
            pitch = 12 * head.octave + STEP_SEMITONES[head.step] + head.alter
            if pitch in kept:
                self.warn(
                    WarningCode.NOTE_OVERLAP,
                    "a chord has the same key twice; it was read once.",
                    self._line,
                    self._column,
                )
            else:
                kept[pitch] = head
        return list(kept.values())

    def _stroke(self, heads: list[TypedHead], length: Fraction) -> None:
        bar = self._open_bar()
        self._plain_line_at = None
        if self._broken is not None:
            factor, wanted = self._broken
            if length != wanted:
                raise self._error(
                    "A > or < stands between notes of different lengths, so it cannot be told what it means."
                )
            length *= factor
            self._broken = None
        factor, left = self._tuplet
        if left:
            length *= factor
            self._tuplet = (factor, left - 1)
        coming = self._coming
        stroke = Stroke(
            heads,
            length,
            self._line,
            self._column,
            graces=coming.graces,
            grace_slash=coming.grace_slash,
            articulations=coming.articulations,
            ornaments=coming.ornaments,
            arpeggio=coming.arpeggio,
            in_tuplet=left > 0,
        )
        if heads:
            self._give_fingers(stroke, coming.fingers)
        elif coming.any():
            self.warn(WarningCode.TYPED_LEFT_OUT, "a sign on a rest was left out.", self._line, self._column)
        self._coming = _Coming()
        if self._ties:
            self._join(stroke)
        self._slurs = [(start or (stroke if heads else None), line, column) for start, line, column in self._slurs]
        bar.strokes.append(stroke)
        self._last = stroke
        self._tie_if_marked(stroke)

    def _tie_if_marked(self, stroke: Stroke) -> None:
        for head in stroke.heads:
            if head.tie_starts:
                self._ties[head.step, head.octave] = head
                self._tied_at = (stroke.line, stroke.column)

    def _give_fingers(self, stroke: Stroke, fingers: list[int]) -> None:
        if not fingers:
            return
        if len(fingers) == len(stroke.heads):
            for head, finger in zip(stroke.heads, fingers, strict=True):
                head.finger = finger
            return
        if stroke.heads:
            stroke.heads[0].finger = fingers[0]
        self.warn(
            WarningCode.FINGER_UNREADABLE,
            f"{len(fingers)} fingers are named for {len(stroke.heads)} notes; only the first was taken.",
            self._line,
            self._column,
        )

    def _join(self, stroke: Stroke) -> None:
        joined = False
        for head in stroke.heads:
            tied = self._ties.pop((head.step, head.octave), None)
            if tied is not None and tied.alter == head.alter:
                head.tie_stops = joined = True
            elif tied is not None:
                self._ties[head.step, head.octave] = tied
        left = [tied for tied in self._ties.values() if not (tied.chord_tie and joined)]
        if left:
            line, column = self._tied_at
            raise TypedScoreError(
                "This tie leads to no note of the same pitch. A curve between different notes is a slur: (CD)",
                line=line,
                column=column,
            )
        for tied in self._ties.values():
            tied.tie_starts = False
        self._ties = {}

    def _tie(self, found: re.Match[str]) -> None:
        stroke = self._last
        before = found.string[found.start() - 1 : found.start()]
        if stroke is None or not stroke.heads or not before.strip():
            raise self._error("A tie stands directly behind its first note: C-C")
        for head in stroke.heads:
            head.chord_tie = len(stroke.heads) > 1
            head.tie_starts = True
        self._tie_if_marked(stroke)
        self._tied_at = (self._line, self._column)

    def _graces(self, found: re.Match[str]) -> None:
        coming = self._coming
        coming.column = self._column
        coming.grace_slash = bool(found.group(1))
        at, end = found.start(2), found.end(2)
        while at < end:
            self._here = at
            note = _NOTE.match(self._text, at)
            if note is not None and note.end() <= end:
                coming.graces.append(self._head(note))
                at = note.end()
            elif self._text[at] in " \t<>`()":
                at += 1
            else:
                raise self._unknown(self._text[at])
        if not coming.graces:
            raise self._error("There are no grace notes between the braces.")

    def _group(self, found: re.Match[str]) -> None:
        if self._tuplet[1]:
            raise self._error("A group begins inside another one.")
        actual = int(found.group(1))
        compound = self.metre is not None and self.metre.beat_type >= 8 and self.metre.beats in (6, 9, 12)
        normal = int(found.group(2)) if found.group(2) else _TIME_OF[actual] or (3 if compound else 2)
        count = int(found.group(3)) if found.group(3) else actual
        self._tuplet = (Fraction(normal, actual), count)

    def _breaks(self, found: re.Match[str]) -> None:
        stroke = self._last
        if stroke is None or self._bar is None or self._broken is not None:
            raise self._error("A > or < stands between two notes of a bar: A>B")
        small = Fraction(1, 1 << len(found.group()))
        wanted = stroke.length
        if stroke.in_tuplet and self._tuplet[1]:
            wanted /= self._tuplet[0]
        longer = found.group()[0] == ">"
        stroke.length *= 2 - small if longer else small
        self._broken = (small if longer else 2 - small, wanted)

    def _slur_opens(self, _: re.Match[str]) -> None:
        if len(self._slurs) > 5:
            raise self._error("More than six slurs are open.")
        self._slurs.append((None, self._line, self._column))

    def _slur_closes(self, _: re.Match[str]) -> None:
        # "(c d (e) f g a)": a slur that would begin and end on one note closes the older one instead (4.11).
        place = next(
            (
                place
                for place in range(len(self._slurs) - 1, -1, -1)
                if self._slurs[place][0] is not None and self._slurs[place][0] is not self._last
            ),
            None,
        )
        if place is None or self._last_note() is None:
            raise self._error("A slur is closed that was not opened, or holds a single note.")
        start = self._slurs.pop(place)[0]
        last = self._last_note()
        if start is not None and last is not None:
            self.slurs.append((start, last))

    def _last_note(self) -> Stroke | None:
        for bar in (self._bar, self.bars[-1] if self.bars else None):
            if bar is not None:
                for stroke in reversed(bar.strokes):
                    if stroke.heads:
                        return stroke
        return None

    # -- signs -----------------------------------------------------------------------------------------------------

    def _letter(self, found: re.Match[str]) -> None:
        if found.group() not in self.letters:
            raise self._unknown(found.group())
        self._letter_named(found.group())

    def _letter_named(self, letter: str) -> None:
        text = self.letters[letter]
        if text.startswith('"'):
            self._words(text.strip('"'))
        else:
            self._named(text.strip("!"))

    def _named(self, name: str) -> None:
        coming = self._coming
        if not coming.any():
            coming.column = self._column
        if name in ("1", "2", "3", "4", "5"):
            coming.fingers.append(int(name))
        elif name in signs.ARTICULATIONS:
            coming.articulations.append(signs.ARTICULATIONS[name])
        elif name in signs.ORNAMENTS:
            coming.ornaments.append(signs.ORNAMENTS[name])
        elif name == "arpeggio":
            coming.arpeggio = True
        elif name in signs.DYNAMICS:
            self._mark(MarkKind.DYNAMIC, name)
        elif name in signs.SPAN_STARTS:
            self._mark(signs.SPAN_STARTS[name], starts=True)
        elif name in signs.SPAN_STOPS:
            self._mark(signs.SPAN_STOPS[name], stops=True)
        elif name in signs.JUMPS:
            self._jump(name)
        elif name == "breath" and (last := self._last_note()) is not None:
            last.articulations.append("breath-mark")
        elif name not in ("nil", "none"):
            text = "is not for a piano" if name in signs.NOT_FOR_PIANO else "is not known"
            self.warn(WarningCode.TYPED_LEFT_OUT, f"!{name}! {text} and was left out.", self._line, self._column)

    def _jump(self, name: str) -> None:
        flags = signs.JUMPS[name]
        if flags[0] in ("segno", "coda"):
            if self._bar is not None and self._bar.strokes:
                self.warn(
                    WarningCode.TYPED_LEFT_OUT,
                    f"!{name}! stands in the middle of a bar and was left out. Write it at the beginning.",
                    self._line,
                    self._column,
                )
            else:
                self._open_bar().flags.update(flags)
        elif self._bar is not None:
            self._bar.flags.update(flags)
        elif self.bars:
            self.bars[-1].flags.update(flags)
        else:
            raise self._error(f"!{name}! stands at the end of its bar.")

    def _quoted(self, found: re.Match[str]) -> None:
        self._words(found.group(1))

    def _words(self, text: str) -> None:
        words = " ".join(text.lstrip("^_<>@").split())[:200]
        if words:
            is_chord = _CHORD_SYMBOL.fullmatch(words) is not None and text[:1] not in tuple("^_<>@")
            self._mark(MarkKind.CHORD_SYMBOL if is_chord else MarkKind.WORDS, words)
