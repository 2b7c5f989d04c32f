"""One heard note."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

# Changes whenever heard notes may change; stored with them.
VERSION = 2


@dataclass(frozen=True, slots=True)
class HeardNote:
    """A key that sounded.

    ``onset_s`` counts from the common zero of the clip. ``level_db`` is relative to the median note of the recording; two keys cannot be
    compared by it to better than some 4 dB where a room lies between (measured), one key with itself to about 0.5 dB. ``confidence`` is
    0 to 1, as the listener gives it; a MIDI file gives 1. ``end_s`` is where the key seems to be let go, None where that is not known.
    """

    onset_s: float
    pitch_midi: int
    level_db: float = 0.0
    confidence: float = 1.0
    end_s: float | None = None


# Confidence from which a note is taken to be there: it takes part in medians, and may be alleged.
SURE = 0.5


def around_median(notes: Sequence[HeardNote]) -> list[HeardNote]:
    """The same notes with levels relative to their own median, as for a take cut out of a clip.

    Parameters
    ----------
    notes
        Any number of notes; only those of confidence 0.5 and more make the median.

    Returns
    -------
    list of HeardNote
        In the order given.

    Examples
    --------
    >>> [note.level_db for note in around_median([HeardNote(0, 60, 3.0), HeardNote(1, 62, 5.0), HeardNote(2, 64, 9.0)])]
    [-2.0, 0.0, 4.0]
    """
    usual = median([note.level_db for note in notes if note.confidence >= SURE] or [0.0])
    return [replace(note, level_db=note.level_db - usual) for note in notes]
