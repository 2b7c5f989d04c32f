"""A typed text into its header and its voices."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from fractions import Fraction

from curriculum.score.abc.fields import (
    ClefField,
    FieldError,
    TempoField,
    read_key,
    read_metre,
    read_staff,
    read_tempo,
    read_unit,
    usual_unit,
)
from curriculum.score.abc.signs import LETTERS
from curriculum.score.abc.voice import VoiceReader
from curriculum.score.errors import RefusalCode, TypedScoreError, WarningCode
from curriculum.score.guard import ScoreLimits
from curriculum.score.making import NO_SIGNATURE
from curriculum.score.notes import Key, Metre, ScoreWarning

NO_STAFF = ClefField()

_FIELD = re.compile(r"([A-Za-z+]):(.*)")
_VOICE_ID = re.compile(r"\s*(\S+)\s*(.*)")
_COMMENT = re.compile(r"(?<!\\)%")
_DEFINITION = re.compile(r'\s*([H-Wh-w~])\s*=\s*(![^!]+!|"[^"]*")\s*')
_INLINE_VOICE = re.compile(r"\[V:([^\]]*)\]")

# What keyboards and word processors put in the place of plain characters, one for one, so that columns stay right.
_PLAIN = str.maketrans({
    "\u2019": "'", "\u2018": "'", "\u02bc": "'", "\u2032": "'", "\u201c": '"', "\u201d": '"', "\u201e": '"', "\u00a0": " ",
    "\u202f": " ", "\u2013": "-", "\u2212": "-", "\u2011": "-", "\u2502": "|", "\uff5c": "|", "\t": " ", "\ufeff": " ",
    "\u201a": ",", "\u00b4": "'", "\u201b": "'", "\u201f": '"', "\u2007": " ", "\u2009": " ", "\u200a": " ", "\u200b": " ", "\u200c": " ",
    "\u200d": " ", "\u200e": " ", "\u2060": " ", "\u00ad": " ", "\u2010": "-", "\u2012": "-", "\u2014": "-",
})  # fmt: skip

# Fields that say nothing about notes.
_ABOUT = frozenset("ABDFGHNORSZXr")
# Lines that belong to the music and are not read; named once each.
_LEFT_OUT = {"w": "words to sing", "W": "words to sing", "s": "a line of signs", "I": "an instruction"}
# Instructions that change nothing that is played.
_NOTES_OR_RESTS = frozenset("ABCDEFGXYZabcdefgxyz")
_HARMLESS = ("linebreak", "abc-charset", "abc-version", "abc-creator", "propagate-accidentals")
MOST_VOICES = 16
MOST_WARNINGS = 100


@dataclass(slots=True)
class Defaults:
    """What holds where the text does not say it."""

    metre: Metre | None = None
    key: Key = NO_SIGNATURE
    unit: Fraction | None = None  # quarters; None: after the metre
    needs_key: bool = True  # a file must have K:, a box need not


@dataclass(slots=True)
class Tune:
    """A whole text, read."""

    title: str = ""
    composer: str = ""
    tempo: TempoField | None = None
    staff: ClefField = NO_STAFF
    voices: dict[str, VoiceReader] = field(default_factory=dict)
    warnings: list[ScoreWarning] = field(default_factory=list)
    has_metre: bool = False
    said: set[tuple[WarningCode, str]] = field(default_factory=set)

    def warn(self, code: WarningCode, text: str, line: int, column: int) -> None:
        """Keep a doubt; the same one is named once, at its first place. Behind a hundred nobody reads on."""
        if (code, text) in self.said or len(self.said) >= MOST_WARNINGS:
            return
        self.said.add((code, text))
        where = f"line {line}, column {column}"
        if len(self.said) == MOST_WARNINGS:
            text = "there are further doubts, which are not named."
        self.warnings.append(ScoreWarning(code, where, f"{where[0].upper()}{where[1:]}: {text}"))


class TuneReader:
    """Reads the lines of one tune."""

    def __init__(self, defaults: Defaults, *, limits: ScoreLimits) -> None:
        self.tune = Tune()
        self.limits = limits
        self._metre, self._key, self._unit = defaults.metre, defaults.key, defaults.unit
        self._in_header = True
        self._needs_key = defaults.needs_key
        self._letters = dict(LETTERS)
        self._options: dict[str, str] = {}
        self._staves: dict[str, ClefField] = {}
        self._voice: VoiceReader | None = None
        self._next = ""  # name of the voice that comes first, where a box names one
        self._before = ""  # letter of the field before, for +:
        self._ended_at: int | None = None  # line of the empty line that ended the tune

    def read(self, text: str) -> Tune:
        """Return the tune; raise :class:`TypedScoreError` at the first fault."""
        seen_number = False
        for number, line in enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), start=1):
            line = line.translate(_PLAIN)
            if line.lstrip().startswith("%%"):
                self._directive(line.strip()[2:], number)
                continue
            comment = _COMMENT.search(line)
            if comment is not None:
                line = line[: comment.start()].rstrip()
                if not line:
                    continue
            if line.startswith("X:"):
                if seen_number or self.tune.voices:
                    self.tune.warn(WarningCode.TYPED_LEFT_OUT, "further tunes in the text were left out.", number, 1)
                    break
                seen_number = True
                self._ended_at = None
                continue
            if not line.strip():
                if self._needs_key and not self._in_header:
                    self._ended_at = number
                continue
            if self._ended_at is not None:
                self.tune.warn(
                    WarningCode.TYPED_LEFT_OUT, "an empty line ends the tune; what follows was left out.", number, 1
                )
                continue
            if self._needs_key and not seen_number and _FIELD.match(line) is None and self._in_header:
                continue  # free text in front of the first tune
            self._line(line, number)
        for voice in self.tune.voices.values():
            voice.finish()
        return self.tune

    def _line(self, line: str, number: int) -> None:
        found = _FIELD.match(line)
        if found is None or self._is_music(*found.groups()):
            self._music(line, number)
            return
        letter, text = found.groups()
        if letter == "+":
            if self._before in "KLMQVUm":
                raise TypedScoreError(
                    "A continued line (+:) of this kind is not read.",
                    code=RefusalCode.TYPED_UNKNOWN,
                    line=number,
                    column=1,
                )
            return
        self._before = letter
        try:
            self._field(letter, text, number)
        except FieldError as error:
            column = 3 + len(text) - len(text.lstrip())
            raise TypedScoreError(str(error), code=error.code, line=number, column=column) from error

    def _is_music(self, letter: str, text: str) -> bool:
        """Say whether a letter and a colon are a note before a repeat sign; the standard keeps such letters out of the music."""
        return letter in _NOTES_OR_RESTS and (not self._in_header or text[:1] in ("|", ":"))

    def _field(self, letter: str, text: str, number: int) -> None:
        tune = self.tune
        if letter == "U":
            self._define(text, number)
        elif letter == "m":
            raise TypedScoreError("Macros (m:) are not read.", code=RefusalCode.TYPED_UNKNOWN, line=number, column=1)
        elif letter == "V":
            self._start_voice(text, number)
        elif letter in _LEFT_OUT:
            if letter == "I":
                self._directive(text, number)
            if letter != "I" or not text.strip().startswith(_HARMLESS):
                tune.warn(WarningCode.TYPED_LEFT_OUT, f"{_LEFT_OUT[letter]} ({letter}:) was left out.", number, 1)
        elif letter == "T":
            tune.title = tune.title or " ".join(text.split())[:200]
        elif letter == "C":
            tune.composer = tune.composer or " ".join(text.split())[:200]
        elif letter in _ABOUT:
            pass
        elif letter not in "KLMQP":
            tune.warn(WarningCode.TYPED_LEFT_OUT, f"{letter}: is not known and was left out.", number, 1)
        elif self._in_header:
            self._header(letter, text, number)
        else:
            self._current().field(letter, text, line=number, column=3)

    def _header(self, letter: str, text: str, number: int) -> None:
        tune = self.tune
        if letter == "M":
            self._metre, tune.has_metre = read_metre(text), True
        elif letter == "L":
            self._unit = read_unit(text)
        elif letter == "Q":
            tune.tempo = read_tempo(text)
            if tune.tempo.bpm is None and not tune.tempo.words:
                tune.warn(
                    WarningCode.TEMPO_UNREADABLE,
                    "this spelling of a tempo is outdated and does not say which note it counts. Write 1/4=80.",
                    number,
                    3,
                )
        elif letter == "K":
            key, tune.staff = read_key(text)
            self._key = key if key is not None else self._key
            self._in_header = not self._needs_key
        elif any(character.isdigit() for character in text) or len(text.strip()) > 1:
            raise TypedScoreError(
                "An order of parts (P:) is not read. Write the parts out, or use repeats.",
                code=RefusalCode.TYPED_UNKNOWN,
                line=number,
                column=1,
            )

    def _define(self, text: str, number: int) -> None:
        found = _DEFINITION.fullmatch(text)
        if found is None:
            raise TypedScoreError(
                "A letter is given a meaning such as U: T = !trill!",
                code=RefusalCode.TYPED_WRONG,
                line=number,
                column=3,
            )
        self._letters[found.group(1)] = found.group(2)

    def _directive(self, text: str, number: int) -> None:
        name, _, value = text.strip().partition(" ")
        name = name[:40]
        if name.lower() == "propagate-accidentals" and value.strip() in ("not", "octave", "pitch"):
            self._options["propagate"] = value.strip()
        elif name.lower() in ("score", "staves", "midi", "transpose", "propagate-accidentals"):
            self.tune.warn(WarningCode.TYPED_LEFT_OUT, f"the instruction %%{name} was left out.", number, 1)

    # -- voices ----------------------------------------------------------------------------------------------------

    def _start_voice(self, text: str, number: int) -> None:
        found = _VOICE_ID.fullmatch(text)
        if found is None:
            raise TypedScoreError("V: needs a name for its voice.", line=number, column=3)
        name = found.group(1)[:40]
        self._staves[name] = read_staff(found.group(2)).over(self._staves.get(name, NO_STAFF))
        if self._in_header:
            self._next = "" if self._needs_key else name
            return
        self._voice = self._made(name, number)
        self._voice.staff = self._staves[name].over(self._voice.staff)

    def _made(self, name: str, number: int) -> VoiceReader:
        voice = self.tune.voices.get(name)
        if voice is None:
            if len(self.tune.voices) >= MOST_VOICES:
                raise TypedScoreError(
                    f"There are more than {MOST_VOICES} voices.", code=RefusalCode.TOO_MANY, line=number, column=1
                )
            voice = self.tune.voices[name] = VoiceReader(
                key=self._key,
                metre=self._metre,
                unit=self._unit if self._unit is not None else usual_unit(self._metre),
                staff=self._staves.get(name, NO_STAFF).over(self.tune.staff),
                letters=self._letters,
                options=self._options,
                warn=self.tune.warn,
                limits=self.limits,
            )
        return voice

    def _current(self, number: int = 1) -> VoiceReader:
        if self._voice is None:
            self._voice = self._made(self._next or next(iter(self._staves), "1"), number)
        return self._voice

    def _music(self, line: str, number: int) -> None:
        if self._in_header and self._needs_key:
            raise TypedScoreError(
                "Music begins before its key (K:) is named.", code=RefusalCode.TYPED_WRONG, line=number, column=1
            )
        self._in_header = False
        at = 0
        for found in _INLINE_VOICE.finditer(line):
            if line[at : found.start()].strip():
                self._current(number).music(line[at : found.start()], line=number, column=at + 1)
            self._start_voice(found.group(1), number)
            at = found.end()
        if line[at:].strip():
            self._current(number).music(line[at:], line=number, column=at + 1)
