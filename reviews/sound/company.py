"""What sounds beside the playing, a metronome or a voice: which heard notes it may have feigned, and which it may have covered.

The net was not taught to leave clicks and voices out, and a harmonic of a vowel looks like a soft strike. Nothing is taken away here; only
confidence is lowered, so that whoever compares with a score says less:

- A note at a metronome's place that dies away as a click does, and any faint note there, is left with 0.15: enough to keep a written
  note from being called missing, too little to confirm it. Whether it was played cannot be told.
- A note in a stretch of talk keeps its confidence only where it begins as a strike does and its partials stand still. Others are left
  with 0.45: they confirm a written note, and are never held against the player.

Worked example: a metronome at 72 clicks at 2 kHz, 20 cents from B6. The net hears a B6 at every third click, for a twentieth of a
second each. All are masked. A B6 that is written and played on the beat rings on, and keeps its confidence.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from reviews.sound.heard import SURE, HeardNote
from reviews.sound.listener import RATE_HZ
from reviews.sound.recording import Part, Recording, is_gone_soon

# Between the lowest confidence that is kept (0.08) and that from which a written note is confirmed (0.2).
MASKED = 0.15
# Between that from which a written note is confirmed and that from which an unwritten one is alleged (0.5).
NOT_ALLEGED = 0.45

# s around a click within which faint notes are masked, and those that die away like it. What the net hears in clicks lies 2 to 7 ms from
# them; hands that play along are 8 ms and more off.
CLICK_REACH_S, CLICK_OWN_REACH_S = 0.03, 0.010

# s around a stretch of talk in which a voice may feign notes: its unvoiced and steady parts show no glide.
TALK_EDGE_S = 1.5
# What a note in talk needs. Measured on six takes of three pianos with talk 6 dB below the playing: 79 of 100 played notes have all
# three, 10 of 55 that were none.
TALK_CONFIDENCE, STEADY_FRAC, RISE_DB = 0.7, 0.5, 4.0
PARTIALS, LOWEST_HZ, HIGHEST_HZ = 6, 150.0, 4000.0
STEADY_WINDOW, STEADY_FFT = 2048, 16384  # 128 ms
BEFORE_S, FIRST_S, SECOND_S = -0.138, 0.015, 0.060  # where the three windows begin, from the strike
REACH_CENTS, OFF_CENTS, MOVED_CENTS = 90.0, 35.0, 15.0  # looked at, from its place at most, between the windows at most


def doubted(notes: Sequence[HeardNote], *, recording: Recording, part: Part) -> tuple[HeardNote, ...]:
    """Return the notes with less confidence where a click or a voice may have feigned or covered them.

    Parameters
    ----------
    notes
        Heard notes in any order.
    recording
        What the recording is like; its clicks and talk are used.
    part : callable
        Gives the mixed samples at 16 kHz, shape (stop - start,), between two indices; zeros outside the recording.

    Returns
    -------
    tuple of HeardNote
        As many notes in the same order; the same where there is neither click nor talk. None gains confidence.

    Examples
    --------
    >>> silence = lambda start, stop: np.zeros(stop - start, np.float32)
    >>> clicking = Recording(5.0, 1, 1, -10.0, snr_db=30.0, click_bpm=60.0, click_times_s=(1.0, 2.0, 4.0))
    >>> notes = [HeardNote(3.01, 60, confidence=0.3), HeardNote(3.4, 60, confidence=0.3)]
    >>> [note.confidence for note in doubted(notes, recording=clicking, part=silence)]
    [0.15, 0.3]
    """
    clicks_s = _all_clicks_s(recording)
    out = []
    for note in notes:
        most = 1.0
        if len(clicks_s):
            off_s = float(np.min(np.abs(clicks_s - note.onset_s)))
            faint = note.confidence < SURE and off_s < CLICK_REACH_S
            if faint or (off_s < CLICK_OWN_REACH_S and is_gone_soon(part, note)):
                most = MASKED
        if note.confidence >= SURE and _is_in_talk(note.onset_s, recording) and not _is_struck(note, part):
            most = min(most, NOT_ALLEGED)
        out.append(replace(note, confidence=most) if note.confidence > most else note)
    return tuple(out)


def _all_clicks_s(recording: Recording) -> NDArray[np.float64]:
    """The clicks that were found and those that playing covered, also before the first and after the last found one."""
    found = np.array(recording.click_times_s)
    if not len(found) or recording.click_bpm is None:
        return np.zeros(0)
    step_s = 60 / recording.click_bpm
    number = np.cumsum(np.concatenate([[0], np.round(np.diff(found) / step_s)]))
    within = np.interp(np.arange(number[-1] + 1), number, found)
    before = np.arange(found[0] - step_s, 0, -step_s)[::-1]
    after = np.arange(found[-1] + step_s, recording.duration_s, step_s)
    return np.concatenate([before, within, after])


def _is_in_talk(at_s: float, recording: Recording) -> bool:
    return any(start_s - TALK_EDGE_S <= at_s <= stop_s + TALK_EDGE_S for start_s, stop_s in recording.talk_s)


def _is_struck(note: HeardNote, part: Part) -> bool:
    """Whether a note begins as a strike does and then stands still, as no voice does."""
    if note.confidence < TALK_CONFIDENCE:
        return False
    window = np.hanning(STEADY_WINDOW).astype(np.float32)
    starts = [int((note.onset_s + by_s) * RATE_HZ) for by_s in (BEFORE_S, FIRST_S, SECOND_S)]
    before, first, second = (
        np.abs(np.fft.rfft(part(start, start + STEADY_WINDOW) * window, STEADY_FFT)) + 1e-9 for start in starts
    )
    hz = np.fft.rfftfreq(STEADY_FFT, 1 / RATE_HZ)
    f0_hz = 440 * 2 ** ((note.pitch_midi - 69) / 12)
    weights, steady, rises_db = [], [], []
    for partial in range(1, PARTIALS + 1):
        wanted_hz = partial * f0_hz
        if not LOWEST_HZ <= wanted_hz <= HIGHEST_HZ:
            continue
        near = np.flatnonzero(np.abs(1200 * np.log2(hz[1:] / wanted_hz)) < REACH_CENTS) + 1
        one, two = (near[np.argmax(each[near])] for each in (first, second))
        one_cents, two_cents = 1200 * np.log2(hz[one] / wanted_hz), 1200 * np.log2(hz[two] / wanted_hz)
        weights.append(np.sqrt(first[one]))
        steady.append(abs(one_cents) < OFF_CENTS and abs(one_cents - two_cents) < MOVED_CENTS)
        rises_db.append(np.clip(20 * np.log10(first[one] / before[near].max()), -10, 30))
    if not weights:
        return False
    share = np.array(weights) / np.sum(weights)
    return bool(share @ np.array(steady, float) >= STEADY_FRAC and share @ np.array(rises_db) >= RISE_DB)
