"""Whether a take is one line, whose notes then have the levels of their own partials."""

import numpy as np
import pytest

from reviews.sound.heard import HeardNote
from reviews.sound.hearing import _levelled
from reviews.sound.listener import RATE_HZ

STEP_S = 0.5


class Sound:
    """Notes of C4 one after the other, each 3 dB louder than the one before, over again every four."""

    def part(self, start: int, stop: int) -> np.ndarray:
        at = np.arange(start, stop) / RATE_HZ
        level_db = 3.0 * (np.floor(at / STEP_S) % 4)
        hz = 440 * 2 ** ((60 - 69) / 12)
        return (0.05 * 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * at)).astype(np.float32)


def heard(beside: int, *, every: int) -> list[HeardNote]:
    """A line of 32 strikes whose levels are squeezed, and another note so many semitones above every so many of them."""
    line = [HeardNote(0.5 * place, 60, 1.0 * (place % 4)) for place in range(32)]
    return sorted([*line, *(HeardNote(note.onset_s + 0.001, 60 + beside, 0.0, 0.6) for note in line[::every])], key=lambda note: note.onset_s)  # fmt: skip


@pytest.mark.parametrize("beside", [12, 19, 24])
def test_notes_heard_out_of_a_notes_own_partials_leave_it_a_line(beside: int) -> None:
    notes, _, is_line = _levelled(heard(beside, every=4), Sound())
    assert is_line
    levels = [note.level_db for note in notes if note.pitch_midi == 60]
    assert np.ptp(levels) == pytest.approx(9.0, abs=0.1)


@pytest.mark.parametrize(("beside", "every"), [(4, 4), (7, 4), (12, 1)])
def test_thirds_fifths_and_octaves_throughout_are_no_line(beside: int, every: int) -> None:
    notes, error_db, is_line = _levelled(heard(beside, every=every), Sound())
    assert not is_line
    assert error_db is None
    assert np.ptp([note.level_db for note in notes if note.pitch_midi == 60]) == pytest.approx(3.0)
