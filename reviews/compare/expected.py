"""The written music as a player meets it: events in playing order, each with the keys to be pressed together."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from curriculum.score import DueNote, Hand
from reviews.compare.errors import CompareError

# Beats by which two written onsets may differ and still be one event. Written music has no smaller difference than a 256th in a
# septuplet (1/112 beat); this only takes up the rounding of fractions to floats.
SAME_BEAT = 1e-6


@dataclass(frozen=True, slots=True)
class ExpectedNote:
    """One key to be pressed once. ``onset_beat`` counts quarters from the first full bar's downbeat; ``bar_pass`` numbers the bars as played."""

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
    is_ornamented: bool


@dataclass(frozen=True, slots=True)
class ScoreEvent:
    """Keys that are pressed together. ``notes`` and ``graces`` are indices into the expected notes."""

    index: int
    onset_beat: float
    notes: tuple[int, ...]
    graces: tuple[int, ...]
    bar: str
    bar_pass: int
    starts_bar: bool


@dataclass(frozen=True, slots=True)
class Expected:
    """All expected notes, sorted by onset and pitch, and the events they form."""

    notes: tuple[ExpectedNote, ...]
    events: tuple[ScoreEvent, ...]

    def for_hand(self, hand: Hand) -> "Expected":
        """Return what one hand plays alone."""
        return _gather([note for note in self.notes if note.hand == hand])

    @property
    def hands(self) -> frozenset[Hand]:
        """The hands that have notes."""
        return frozenset(note.hand for note in self.notes if note.hand is not None)


def expect(due: Sequence[DueNote], *, ornamented: Collection[str] = ()) -> Expected:
    """Return the notes to be played as events.

    Parameters
    ----------
    due : sequence of DueNote
        The keys to be pressed, repeats unfolded and ties merged (:mod:`curriculum.score`). Any order.
    ornamented : collection of str
        Written ids of notes with a trill, turn or mordent: neighbours heard while they last are no extra notes.

    Returns
    -------
    Expected
        Notes sorted by onset, then pitch. Without notes both tuples are empty.

    Raises
    ------
    CompareError
        If two notes have the same id.

    Examples
    --------
    >>> from fractions import Fraction
    >>> note = DueNote("b0n1", "b0n1", ("b0n1",), "1", 0, Fraction(1), Fraction(0), Fraction(1), 60, "right", None, False)
    >>> expect([note]).events[0].notes
    (0,)
    """
    marked = frozenset(ornamented)
    ordered = sorted(due, key=lambda note: (note.onset_beat, note.pitch_midi, note.id))
    if len({note.id for note in ordered}) != len(ordered):
        message = "Two notes to be played have the same id; each needs its own."
        raise CompareError(message)
    passes: dict[float, int] = {}
    for note in ordered:
        passes.setdefault(_bar_start(note), len(passes))
    return _gather(
        [
            ExpectedNote(
                id=note.id,
                written_id=note.written_id,
                bar=note.bar,
                bar_index=note.bar_index,
                bar_pass=passes[_bar_start(note)],
                beat=float(note.beat),
                onset_beat=float(note.onset_beat),
                duration_beat=float(note.duration_beat),
                pitch_midi=note.pitch_midi,
                hand=note.hand,
                grace=note.grace,
                is_ornamented=note.written_id in marked,
            )
            for note in ordered
        ]
    )


def _bar_start(note: DueNote) -> float:
    return round(float(note.onset_beat - (note.beat - 1)), 6)


def _gather(notes: Sequence[ExpectedNote]) -> Expected:
    groups: list[list[int]] = []
    for index, note in enumerate(notes):
        if groups and note.onset_beat - notes[groups[-1][0]].onset_beat <= SAME_BEAT:
            groups[-1].append(index)
        else:
            groups.append([index])
    events: list[ScoreEvent] = []
    last_pass = -1
    waiting: list[int] = []  # graces that stand alone before the event they lean on
    for group in groups:
        pressed = tuple(index for index in group if not notes[index].grace)
        graces = tuple(index for index in group if notes[index].grace)
        if not pressed:
            waiting += graces
            continue
        first = notes[pressed[0]]
        events.append(
            ScoreEvent(
                index=len(events),
                onset_beat=first.onset_beat,
                notes=pressed,
                graces=(*waiting, *graces),
                bar=first.bar,
                bar_pass=first.bar_pass,
                starts_bar=first.bar_pass != last_pass,
            )
        )
        last_pass = first.bar_pass
        waiting = []
    return Expected(notes=tuple(notes), events=tuple(events))
