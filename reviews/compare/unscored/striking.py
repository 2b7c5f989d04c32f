"""Heard notes as strikes: what came down together, in order of time."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reviews.compare.aligning import group_heard
from reviews.sound.heard import SURE, HeardNote


@dataclass(frozen=True, slots=True)
class Strike:
    """One key or several, struck together.

    ``onset_s`` is the middle of the onsets, ``level_db`` the level of all of them together, ``pitches`` ascending MIDI numbers.
    """

    onset_s: float
    pitches: tuple[int, ...]
    level_db: float


def strikes_of(heard: Sequence[HeardNote]) -> tuple[Strike, ...]:
    """Return what was struck, from the notes that are heard for sure.

    Parameters
    ----------
    heard : sequence of HeardNote
        In any order; confidence below 0.5 takes no part, for without a score nothing speaks for a doubtful note.

    Returns
    -------
    tuple of Strike
        In order of time; nothing heard gives an empty tuple.

    Examples
    --------
    >>> [(strike.onset_s, strike.pitches) for strike in strikes_of([HeardNote(0.5, 60), HeardNote(0.0, 64), HeardNote(0.0, 60)])]
    [(0.0, (60, 64)), (0.5, (60,))]
    """
    sure = sorted((note for note in heard if note.confidence >= SURE), key=lambda note: (note.onset_s, note.pitch_midi))
    return tuple(
        Strike(
            onset_s=group.onset_s,
            pitches=tuple(sorted(sure[index].pitch_midi for index in group.notes)),
            level_db=float(10 * np.log10(sum(10 ** (sure[index].level_db / 10) for index in group.notes))),
        )
        for group in group_heard(sure)
    )
