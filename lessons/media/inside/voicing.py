"""The sound of a MIDI file: recorded notes of a piano where there are some, a plain tone otherwise."""

import os
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import takewhile
from typing import Any

# Before NumPy: its threads reserve memory for each core of the machine, and a box has little.
os.environ["OPENBLAS_NUM_THREADS"] = "1"

import numpy as np
from av.audio.frame import AudioFrame
from numpy.typing import NDArray

from lessons.media.inside.copying import Sound
from lessons.media.inside.job import Job
from lessons.media.inside.midi import Struck, struck_notes
from lessons.media.inside.opening import opened
from lessons.media.inside.placing import Converter
from lessons.media.inside.target import written

Samples = NDArray[np.float32]

# Samples a second, one channel: all of a piano, and what its recordings have.
RATE_HZ = 44_100
# Samples that are handed over at a time: a second.
BLOCK = RATE_HZ
# Peak of the hardest strike, full scale 1. A strike of velocity 80 then has .2, as in the page that plays scores.
HARDEST = 0.5
# Where strikes together come higher, the whole take is made softer until its peak is here: bending or cutting would change which is loud.
MOST_PEAK = 0.9
# Level of a strike: so many decibels for each tenfold of velocity, the response that synthesisers are asked for (from memory).
DB_PER_DECADE = 40.0
# Seconds in which a damped string dies away, and the key above which a piano has no dampers; seconds kept of a recording.
DAMPING_S, UNDAMPED_FROM, MOST_KEPT_S = 0.09, 90, 12.0
# A recording begins where it first passes this part of its peak, less a millisecond.
STRIKE_SHARE, BEFORE_STRIKE = 0.1, RATE_HZ // 1000
# Strikes within a second that are sounded. Ten fingers reach about a hundred; a broken file may hold a hundred thousand.
MOST_STRIKES_S = 200
# The plain tone: strengths of its partials, seconds until it has risen, and until middle C has fallen to a third (halved every two octaves).
PARTIALS = (1.0, 0.45, 0.22, 0.12, 0.06)
RISE_S, FALL_S, FALL_OCTAVES = 0.002, 1.2, 2.0
MIDDLE_C = 60
# Such falls until nothing is left: 70 decibels.
FALLS = 8.0
# Sound after the last key is let go, seconds.
TAIL_S = 0.5


def voice(job: Job) -> dict[str, Any]:
    """Write the sound of a MIDI file as AAC and return what it is, as the copy of any other sound is told."""
    data = os.pread(job.source_fd, os.fstat(job.source_fd).st_size, 0)
    notes, length_s = struck_notes(data, job.options)
    pitches = [int(pitch) for pitch in job.options["recorded"]]
    wanted = {_nearest(pitches, note.pitch_midi) for note in notes} if pitches else set()
    recordings = {pitch: _recording(fd) for pitch, fd in zip(pitches, job.other_fds, strict=True) if pitch in wanted}
    total = round((length_s + TAIL_S) * RATE_HZ)
    peak = 0.0
    for start, samples in _mixed(notes, recordings, total=total):
        peak = max(peak, float(np.abs(samples).max()))
        job.on_progress(0.5 * start / total)
    gain = np.float32(min(1.0, MOST_PEAK / max(peak, 1e-9)))
    sound: Sound | None = None
    with written(job.target_fds[0]) as target:
        for start, samples in _mixed(notes, recordings, total=total):
            frame = _frame(gain * samples)
            sound = sound or Sound(target, frame, bit_s=int(job.options["sound_bit_s"]))
            sound.add(frame, start / RATE_HZ)
            job.on_progress(0.5 + 0.49 * start / total)
        if sound is not None:
            sound.finish()
    return {
        "width": None,
        "height": None,
        "frames": 0,
        "has_sound": sound is not None,
        "damaged_packets": 0,
        "duration_s": sound.end_s if sound else 0.0,
        "bytes": os.fstat(job.target_fds[0]).st_size,
    }


def _mixed(notes: Sequence[Struck], recordings: dict[int, Samples], *, total: int) -> Iterator[tuple[int, Samples]]:
    """Give a block of sound after another, each with its first sample. No more is held than one note can last."""
    ahead = np.zeros(BLOCK + round((MOST_KEPT_S + 1.0) * RATE_HZ), np.float32)
    waiting = iter(_playable(notes))
    note = next(waiting, None)
    for start in range(0, total, BLOCK):
        while note is not None and note.at_s * RATE_HZ < start + BLOCK:
            at = round(note.at_s * RATE_HZ) - start
            sounded = _sounded(note, recordings)[: len(ahead) - at]
            ahead[at : at + len(sounded)] += sounded
            note = next(waiting, None)
        yield start, ahead[: min(BLOCK, total - start)]
        ahead[:-BLOCK] = ahead[BLOCK:]
        ahead[-BLOCK:] = 0.0


def _playable(notes: Sequence[Struck]) -> Iterator[Struck]:
    second, count = -1, 0
    for note in notes:
        count = count + 1 if int(note.at_s) == second else 1
        second = int(note.at_s)
        if count <= MOST_STRIKES_S:
            yield note


def _sounded(note: Struck, recordings: dict[int, Samples]) -> Samples:
    """Return one note from its strike until it has died away."""
    is_damped = note.pitch_midi < UNDAMPED_FROM
    length_s = min(note.until_s - note.at_s + DAMPING_S if is_damped else MOST_KEPT_S, MOST_KEPT_S)
    length = max(1, round(length_s * RATE_HZ))
    if recordings:
        nearest = _nearest(list(recordings), note.pitch_midi)
        samples = _faster(recordings[nearest], 2 ** ((note.pitch_midi - nearest) / 12), length)
    else:
        samples = _tone(note.pitch_midi, length)
    if is_damped:
        end = max(0, length - round(DAMPING_S * RATE_HZ))
        tail = samples[end:]
        tail *= 0.5 * (1 + np.cos(np.pi * np.arange(len(tail)) / (DAMPING_S * RATE_HZ)))
    level_db = DB_PER_DECADE * np.log10(note.velocity / 127)
    return np.asarray(samples * (HARDEST * 10 ** (level_db / 20)), np.float32)


def _faster(recording: Samples, ratio: float, length: int) -> NDArray[np.float64]:
    """Return so many samples of a recording played at another speed; between its samples it is taken to be straight."""
    places = np.arange(min(length, int((len(recording) - 1) / ratio))) * ratio
    before = places.astype(np.intp)
    return np.asarray(recording[before] + (places - before) * (recording[before + 1] - recording[before]), np.float64)


def _tone(pitch_midi: int, length: int) -> NDArray[np.float64]:
    fall_s = FALL_S * 2 ** ((MIDDLE_C - pitch_midi) / 12 / FALL_OCTAVES)
    at_s = np.arange(min(length, round(FALLS * fall_s * RATE_HZ))) / RATE_HZ
    pitch_hz = 440.0 * 2 ** ((pitch_midi - 69) / 12)
    heard = [(number, strength) for number, strength in enumerate(PARTIALS, 1) if number * pitch_hz < RATE_HZ / 2]
    samples = sum(
        (strength * np.sin(2 * np.pi * number * pitch_hz * at_s) for number, strength in heard), np.zeros(len(at_s))
    )
    return np.asarray(samples * np.minimum(at_s / RISE_S, 1.0) * np.exp(-at_s / fall_s) / sum(PARTIALS), np.float64)


def _recording(fd: int) -> Samples:
    """Return a recorded note as one channel, from its strike on, its peak at full scale."""
    converter = Converter(format_name="flt", layout="mono", rate_hz=RATE_HZ)
    parts: list[Samples] = []
    with opened(fd, max_streams=2) as source:
        frames = takewhile(lambda frame: (frame.time or 0.0) < MOST_KEPT_S, source.decode(audio=0))
        for frame in frames:
            parts += [_plain(part) for part in converter.convert(frame)]
    samples = np.concatenate([*parts, *(_plain(part) for part in converter.flush()), np.zeros(2, np.float32)])
    peak = max(float(np.abs(samples).max()), 1e-9)
    strike = int(np.argmax(np.abs(samples) >= STRIKE_SHARE * peak))
    return np.asarray(samples[max(0, strike - BEFORE_STRIKE) :] / peak, np.float32)


def _plain(frame: AudioFrame) -> Samples:
    return np.frombuffer(bytes(frame.planes[0]), np.float32)[: frame.samples]


def _frame(samples: Samples) -> AudioFrame:
    frame = AudioFrame(format="fltp", layout="mono", samples=len(samples))
    frame.sample_rate = RATE_HZ
    frame.time_base = Fraction(1, RATE_HZ)
    content = samples.tobytes()
    frame.planes[0].update(content + bytes(frame.planes[0].buffer_size - len(content)))
    return frame


def _nearest(pitches: Sequence[int], pitch_midi: int) -> int:
    return min(pitches, key=lambda pitch: (abs(pitch - pitch_midi), pitch))
