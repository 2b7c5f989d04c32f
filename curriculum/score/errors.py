"""What can be wrong with a score, and the closed lists of codes for refusals and warnings.

Codes are stable: they are stored with scores and read by programs; words may change.
"""

from __future__ import annotations

from enum import StrEnum


class RefusalCode(StrEnum):
    """Why a score was not read."""

    EMPTY = "empty"
    TOO_LARGE = "too_large"
    TOO_DEEP = "too_deep"
    TOO_MANY = "too_many"
    NOT_A_SCORE = "not_a_score"
    BROKEN_ZIP = "broken_zip"
    ZIP_WITHOUT_SCORE = "zip_without_score"
    BROKEN_XML = "broken_xml"
    ENTITIES = "entities"
    NO_PARTS = "no_parts"
    PART_UNKNOWN = "part_unknown"
    BARS_DIFFER = "bars_differ"
    NO_NOTES = "no_notes"
    NO_DIVISIONS = "no_divisions"
    BAD_NUMBER = "bad_number"
    BAD_PITCH = "bad_pitch"
    NO_DURATION = "no_duration"
    CHORD_ALONE = "chord_alone"
    WHICH_PART = "which_part"
    UNPITCHED = "unpitched"
    BROKEN_MIDI = "broken_midi"
    MIDI_CLOCK = "midi_clock"
    TYPED_WRONG = "typed_wrong"
    TYPED_UNKNOWN = "typed_unknown"
    BAR_LENGTH = "bar_length"
    HANDS_DIFFER = "hands_differ"
    ENDLESS_REPEAT = "endless_repeat"
    BAD_SCORE = "bad_score"


class WarningCode(StrEnum):
    """What was read with a doubt. Those in :data:`QUESTIONS` want an answer from the learner."""

    BAR_SHORT = "bar_short"
    BAR_LONG = "bar_long"
    BACK_TOO_FAR = "back_too_far"
    TEMPO_MISSING = "tempo_missing"
    TEMPO_UNREADABLE = "tempo_unreadable"
    REPEAT_UNMATCHED = "repeat_unmatched"
    ENDING_UNMATCHED = "ending_unmatched"
    JUMP_UNMATCHED = "jump_unmatched"
    TIE_UNMATCHED = "tie_unmatched"
    LINE_UNMATCHED = "line_unmatched"
    TRANSPOSING = "transposing"
    UNPITCHED_LEFT_OUT = "unpitched_left_out"
    MICROTONE = "microtone"
    PART_LEFT_OUT = "part_left_out"
    WHICH_HAND = "which_hand"
    MORE_STAVES = "more_staves"
    HAND_DOUBTFUL = "hand_doubtful"
    KEY_UNREADABLE = "key_unreadable"
    METRE_UNREADABLE = "metre_unreadable"
    METRE_MISSING = "metre_missing"
    CUE_LEFT_OUT = "cue_left_out"
    HIDDEN_NOTE = "hidden_note"
    BEYOND_PIANO = "beyond_piano"
    NOTE_OVERLAP = "note_overlap"
    VALUE_DIFFERS = "value_differs"
    ACCIDENTAL_DIFFERS = "accidental_differs"
    FINGER_UNREADABLE = "finger_unreadable"
    VOLUME_ONLY = "volume_only"
    QUANTISED = "quantised"
    QUANTISED_COARSELY = "quantised_coarsely"
    HANDS_FROM_PITCH = "hands_from_pitch"
    SPELLING_GUESSED = "spelling_guessed"
    MIDI_CUT_SHORT = "midi_cut_short"
    NOTE_UNENDED = "note_unended"
    DRUMS_LEFT_OUT = "drums_left_out"
    TYPED_LEFT_OUT = "typed_left_out"
    ACCIDENTAL_OCTAVE = "accidental_octave"
    KEY_GUESSED = "key_guessed"


QUESTIONS: frozenset[WarningCode] = frozenset(
    {
        WarningCode.WHICH_HAND,
        WarningCode.HAND_DOUBTFUL,
        WarningCode.HANDS_FROM_PITCH,
        WarningCode.MORE_STAVES,
        WarningCode.TRANSPOSING,
        WarningCode.TEMPO_MISSING,
        WarningCode.REPEAT_UNMATCHED,
        WarningCode.JUMP_UNMATCHED,
    }
)


class ScoreError(Exception):
    """Something about a score could not be read, made or written.

    The message is one or two plain sentences for the learner.

    Attributes
    ----------
    code : RefusalCode
        The cause.
    bar : str
        Printed number of the bar, or empty where none is known.
    line, column : int or None
        Place in a text, counted from 1.
    """

    code: RefusalCode = RefusalCode.BAD_SCORE

    def __init__(
        self,
        message: str,
        *,
        code: RefusalCode | None = None,
        bar: str = "",
        line: int | None = None,
        column: int | None = None,
    ) -> None:
        super().__init__(message)
        if code is not None:
            self.code = code
        self.bar = bar
        self.line = line
        self.column = column

    @property
    def where(self) -> str:
        """The place in words: ``bar 5``, ``line 2, column 7``, or empty."""
        if self.line is not None:
            return f"line {self.line}" + (f", column {self.column}" if self.column is not None else "")
        return f"bar {self.bar}" if self.bar else ""


class ScoreTooLargeError(ScoreError):
    """More bytes, depth, bars or notes than is accepted."""

    code = RefusalCode.TOO_LARGE


class ScoreFileError(ScoreError):
    """The file is no score, or is damaged in a way that leaves its content in doubt."""

    code = RefusalCode.NOT_A_SCORE


class ScoreContentError(ScoreError):
    """The file can be read, but what it says cannot be music for a piano, or contradicts itself."""

    code = RefusalCode.BAD_SCORE


class TypedScoreError(ScoreError):
    """Typed notes that cannot be understood; the place is a line and a column, and a hand where two were typed.

    Attributes
    ----------
    hand : str
        ``right`` or ``left``, or empty where there is one text.
    """

    code = RefusalCode.TYPED_WRONG
    hand: str = ""

    @property
    def where(self) -> str:
        """The place in words: ``right hand, line 2, column 7``."""
        place = super().where
        return ", ".join(part for part in (f"{self.hand} hand" if self.hand else "", place) if part)


class ScoreMakingError(ScoreError):
    """A score put together by a program contradicts itself."""

    code = RefusalCode.BAD_SCORE
