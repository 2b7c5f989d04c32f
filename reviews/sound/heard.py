"""One heard note."""

from dataclasses import dataclass

# Changes whenever heard notes may change; stored with them.
VERSION = 1


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
