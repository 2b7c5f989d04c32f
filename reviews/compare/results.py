"""What became of each written note, and what else was heard."""

from dataclasses import dataclass
from enum import StrEnum

from curriculum.score import Hand


class State(StrEnum):
    """What became of a written note."""

    PLAYED = "played"
    WRONG_PITCH = "wrong_pitch"
    MISSING = "missing"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True)
class NoteResult:
    """One note to be played and what became of it.

    ``onset_s`` and ``level_db`` are those of the heard note with index ``heard``; None where none was found. ``expected_s`` is where the
    note was looked for, None where the playing never came there (``is_reached`` is then False). ``pass_index`` is the run of playing that
    counts, the last one that covers the note.
    """

    id: str
    written_id: str
    bar: str
    bar_index: int
    bar_pass: int
    beat: float
    onset_beat: float
    duration_beat: float
    pitch_midi: int
    hand: Hand | None
    grace: bool
    event: int
    state: State
    onset_s: float | None = None
    level_db: float | None = None
    end_s: float | None = None
    heard: int | None = None
    expected_s: float | None = None
    is_reached: bool = True
    pass_index: int | None = None


@dataclass(frozen=True, slots=True)
class Extra:
    """A heard note that is not written, alleged with confidence."""

    onset_s: float
    pitch_midi: int
    heard: int
    bar: str


@dataclass(frozen=True, slots=True)
class Restart:
    """The player stopped in one bar and went back to another (or to the same)."""

    at_s: float
    from_bar: str
    to_bar: str
    from_event: int
    to_event: int


@dataclass(frozen=True, slots=True)
class Skip:
    """Written events that were left out in one leap."""

    at_s: float
    from_bar: str
    to_bar: str


@dataclass(frozen=True, slots=True)
class Pass:
    """One run through the score without going back: events met, in order, with their times."""

    index: int
    events: tuple[int, ...]
    onset_s: tuple[float, ...]

    @property
    def first(self) -> int:
        return self.events[0]

    @property
    def last(self) -> int:
        return self.events[-1]


@dataclass(frozen=True, slots=True)
class Matching:
    """The whole of the comparison note by note."""

    notes: tuple[NoteResult, ...]
    extras: tuple[Extra, ...]
    restarts: tuple[Restart, ...]
    skips: tuple[Skip, ...]
    passes: tuple[Pass, ...]
    heard_frac: float
    hands: frozenset[Hand]
