"""Sounds whose truth is known because we made them: a piano-like instrument, a room, noise, clicks, talk. numpy only.

All at 16 kHz, mono, float32. Every random thing has a seed.
"""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.float32]

RATE_HZ = 16_000


@lru_cache(maxsize=256)
def make_note(pitch: float, *, held_s: float, level_db: float = 0.0, seed: int = 0) -> Sound:
    """A struck string with stiff partials, two stages of decay, a knock of wood, and a damper after `held_s`."""
    rng = np.random.default_rng([seed, int(pitch * 100)])
    f0 = 440 * 2 ** ((pitch - 69) / 12)
    t = np.arange(int((held_s + 0.35) * RATE_HZ)) / RATE_HZ
    k = np.arange(1, 30)
    f = k * f0 * np.sqrt(1 + 3e-4 * k**2)
    k, f = k[f < 7500], f[f < 7500]
    db = -4.5 * np.log2(k) + 20 * np.log10(abs(np.sin(np.pi * k / 8.3)) + 0.1) + rng.normal(0, 2.5, len(k))
    db -= 10 * np.log10(1 + (90 / f) ** 4) + 10 * np.log10(1 + (f / 2500) ** 3)
    fall_s = (0.5 + 3 * 2 ** ((48 - pitch) / 14)) / (1 + f / 1500)
    tone = np.zeros(len(t))
    for strength, hz, s in zip(10 ** (db / 20), f, fall_s, strict=True):
        decay = np.exp(-t / s) + 0.25 * np.exp(-t / (4 * s))
        tone += strength * decay * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6.28))
    tone *= 1 - np.exp(-t / 0.0012)
    tone *= np.exp(-np.maximum(t - held_s, 0) / 0.05)
    tone /= np.sqrt(np.mean(tone[160:2560] ** 2))
    knock = rng.normal(0, 1, len(t)) * np.exp(-t / 0.004) * 0.15
    return ((tone + knock) * 0.04 * 10 ** (level_db / 20)).astype(np.float32)


def make_take(
    notes: Sequence[tuple[float, float]],
    *,
    duration_s: float,
    held_s: float = 0.3,
    level_db: Sequence[float] | None = None,
) -> Sound:
    """The sound of (onset in seconds, pitch) pairs; levels relative to each other."""
    out = np.zeros(int(duration_s * RATE_HZ), np.float32)
    for i, (onset_s, pitch) in enumerate(notes):
        note = make_note(pitch, held_s=held_s, level_db=level_db[i] if level_db else 0.0)
        start = round(onset_s * RATE_HZ)
        part = note[: max(0, len(out) - start)]
        out[start : start + len(part)] += part
    return out


def five_finger(
    *, gap_s: float = 0.375, rounds: int = 4, tonic: int = 60, first_s: float = 0.5
) -> list[tuple[float, float]]:
    """Up and down over five keys: (onset in seconds, pitch)."""
    shape = [0, 2, 4, 5, 7, 5, 4, 2] * rounds
    return [(first_s + i * gap_s, float(tonic + step)) for i, step in enumerate(shape)]


def in_room(sound: Sound, *, decay_s: float, direct_db: float = 3.0, seed: int = 0) -> Sound:
    """The sound with a tail that falls by 60 dB in `decay_s`, `direct_db` weaker than the direct sound."""
    t = np.arange(int(1.2 * decay_s * RATE_HZ)) / RATE_HZ
    tail = np.random.default_rng(seed).normal(0, 1, len(t)) * 10 ** (-3 * t / decay_s) * (t > 0.002)
    tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] = 1
    size = 1 << (len(sound) + len(tail)).bit_length()
    wet = np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(tail, size), size)[: len(sound)]
    return wet.astype(np.float32)


def make_noise(duration_s: float, *, rms_db: float, seed: int = 0) -> Sound:
    """White noise of an RMS in decibels re full scale."""
    white = np.random.default_rng(seed).normal(0, 1, int(duration_s * RATE_HZ))
    return (white * 10 ** (rms_db / 20)).astype(np.float32)


def make_clicks(*, bpm: float, duration_s: float, first_s: float = 0.2, peak: float = 0.3, hz: float = 2000.0) -> Sound:
    """A metronome: short bursts, all alike."""
    out = np.zeros(int(duration_s * RATE_HZ), np.float32)
    t = np.arange(int(0.04 * RATE_HZ)) / RATE_HZ
    click = (peak * np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.006)).astype(np.float32)
    for at_s in np.arange(first_s, duration_s - 0.05, 60 / bpm):
        start = round(float(at_s) * RATE_HZ)
        out[start : start + len(click)] += click[: len(out) - start]
    return out


def make_talk(duration_s: float, *, rms_db: float, seed: int = 0) -> Sound:
    """Something like a voice: a gliding buzz through moving formants, in syllables of a fifth of a second."""
    rng = np.random.default_rng(seed)
    n = int(duration_s * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    knots = np.arange(int(duration_s * 5) + 2) / 5

    def moving(low: float, high: float) -> NDArray[np.float64]:
        return np.interp(t, knots, rng.uniform(low, high, len(knots)))

    phase = 2 * np.pi * np.cumsum(moving(95, 190)) / RATE_HZ
    f0 = np.gradient(phase) * RATE_HZ / (2 * np.pi)
    first, second, third = moving(300, 800), moving(900, 2200), moving(2300, 3000)
    voice = np.zeros(n)
    for k in range(1, 30):
        f = k * f0
        strength = np.exp(-(((f - first) / 120) ** 2)) + 0.5 * np.exp(-(((f - second) / 180) ** 2))
        voice += (strength + 0.2 * np.exp(-(((f - third) / 250) ** 2))) * np.sin(k * phase)
    gate = 1 / (1 + np.exp(-25 * (np.sin(2 * np.pi * (4.3 * t + 0.4 * np.sin(2 * np.pi * 0.7 * t))) + 0.3)))
    voice *= gate
    return (voice / np.sqrt(np.mean(voice**2)) * 10 ** (rms_db / 20)).astype(np.float32)
