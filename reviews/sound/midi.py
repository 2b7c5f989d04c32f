"""A MIDI clip as heard notes: nothing is guessed, every strike is told by the instrument itself."""

import numpy as np

from curriculum.score import ScoreError
from curriculum.score.midi.chunks import DRUMS, MidiFile, read_chunks
from reviews.sound.errors import UnusableSoundError
from reviews.sound.heard import HeardNote, around_median
from reviews.sound.hearing import Hearing

# Microseconds a quarter before any tempo event, by the file format.
USUAL_TEMPO_US = 500_000
# Decibels for each tenfold of velocity: 40 log10(velocity / 127), the response that synthesisers are asked for (from memory).
DB_PER_DECADE = 40.0


def hear_midi(data: bytes) -> Hearing:
    r"""Return what was played into a Standard MIDI File.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    Hearing
        ``is_exact`` is true, confidence 1, ``end_s`` the moment a key was let go (the pedal is left out); levels from velocities, their
        median 0 dB.

    Raises
    ------
    UnusableSoundError
        If the file is damaged, or counts in frames instead of beats.

    Examples
    --------
    >>> track = b"\x00\x90\x3c\x40\x60\x80\x3c\x00\x00\xff\x2f\x00"
    >>> heard = hear_midi(b"MThd\0\0\0\6\0\0\0\1\0\x60" + b"MTrk\0\0\0\x0c" + track)
    >>> [(note.pitch_midi, note.onset_s, note.end_s) for note in heard.notes]
    [(60, 0.0, 0.5)]
    """
    try:
        file = read_chunks(data)
    except ScoreError as error:
        raise UnusableSoundError(str(error)) from error
    ticks = np.array([[note.start, note.end] for note in file.notes], np.float64).reshape(-1, 2)
    seconds = _seconds(file, ticks)
    notes = [
        HeardNote(
            onset_s=float(start_s),
            pitch_midi=note.pitch_midi,
            level_db=DB_PER_DECADE * float(np.log10(max(note.velocity, 1) / 127)),
            end_s=float(end_s),
        )
        for note, (start_s, end_s) in zip(file.notes, seconds, strict=True)
        if note.channel != DRUMS
    ]
    notes = around_median(notes)
    return Hearing(
        notes=tuple(sorted(notes, key=lambda note: (note.onset_s, note.pitch_midi))),
        duration_s=max((note.end_s or 0.0 for note in notes), default=0.0),
        onset_sd_s=0.0,
        level_sd_db=0.0,
        is_exact=True,
    )


def _seconds(file: MidiFile, ticks: np.ndarray) -> np.ndarray:
    at, tempo_us = [0], [USUAL_TEMPO_US]
    for tick, value in file.tempi:
        if tick == at[-1]:
            tempo_us[-1] = value
        else:
            at.append(tick)
            tempo_us.append(value)
    starts, tau = np.array(at, np.float64), np.array(tempo_us, np.float64) / 1e6 / file.ticks_per_quarter
    before = np.concatenate([[0.0], np.cumsum(np.diff(starts) * tau[:-1])])
    place = np.searchsorted(starts, ticks, side="right") - 1
    return before[place] + (ticks - starts[place]) * tau[place]
