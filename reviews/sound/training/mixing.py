"""Plans become sound, and sound becomes what a phone in a room would have stored. torch, on a GPU or not.

Everything works on batches: sound is float32 of shape (clips, samples) at 16 kHz.
"""

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from reviews.sound.training import invented
from reviews.sound.training.planning import KEYS, OVERSAMPLED, RATE_HZ, Catalogue, Labels, Plan

Batch = torch.Tensor


# --- recordings -------------------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Library:
    """All recordings end to end at twice 16 kHz, in one tensor on the device, with their catalogue."""

    sound: torch.Tensor
    catalogue: Catalogue
    names: list[str]

    @property
    def device(self) -> str:
        """Where the recordings lie."""
        return str(self.sound.device)


class _Shelf:
    """Collects recordings into a library."""

    def __init__(self) -> None:
        self.parts: list[torch.Tensor] = []
        self.rows: list[tuple[int, int, float, float, int, float, int]] = []
        self.names: list[str] = []
        self.share: list[float] = []
        self.total = 0

    def instrument(self, name: str, *, share: float) -> int:
        self.names.append(name)
        self.share.append(share)
        return len(self.names) - 1

    def add(self, sound: torch.Tensor, *, attack: float, pitch: int, velocity: float, instrument: int) -> None:
        window = sound[int(attack) + 160 : int(attack) + 2560]
        level_db = float(10 * torch.log10(window.square().mean() + 1e-12)) if len(window) else -60.0
        self.parts.append(sound)
        self.rows.append((self.total, len(sound), attack, level_db, pitch, velocity, instrument))
        self.total += len(sound)

    def library(self) -> Library:
        start, length, attack, level_db, pitch, velocity, instrument = (
            np.array(c) for c in zip(*self.rows, strict=True)
        )
        share = np.array(self.share)
        return Library(
            sound=oversampled(torch.cat(self.parts)),
            catalogue=Catalogue(
                start=start.astype(np.int64) * OVERSAMPLED,
                length=length.astype(np.int64) * OVERSAMPLED,
                attack=attack.astype(np.float32) * OVERSAMPLED,
                level_db=level_db.astype(np.float32),
                pitch=pitch.astype(np.int64),
                velocity=velocity.astype(np.float32),
                instrument=instrument.astype(np.int64),
                weight=share / share.sum(),
            ),
            names=self.names,
        )


def library(
    path: Path | None, *, device: str, copies: int = 0, pianos: int = 0, sampled_share: float = 0.5, seed: int = 100
) -> Library:
    """The note library at `path`, `copies` recoloured copies of each of its instruments, and `pianos` invented ones.

    `sampled_share` of all clips are played on the sampled instruments, each as often as all copies of it together.
    """
    shelf, chance = _Shelf(), torch.Generator().manual_seed(seed)
    if path:
        stored = np.load(path)
        pcm = torch.from_numpy(stored["pcm"].astype(np.float32) / 32768).to(device)
        columns = [stored[name] for name in ("start", "length", "attack", "pitch", "velocity", "instrument")]
        names = [str(name) for name in stored["names"]]
        share = sampled_share / len(names) if pianos else 1.0
        for copy in range(copies + 1):
            scatter_db = 0.0 if copy == 0 else float(torch.rand(1, generator=chance)) * 5 + 1
            common = torch.randn(64, generator=chance)
            offset = len(shelf.names)
            for name in names:
                shelf.instrument(f"{name}.{copy}", share=share / (1 + bool(copies)) / (copies if copy else 1))
            for start, length, attack, pitch, velocity, instrument in zip(*columns, strict=True):
                sound = pcm[start : start + length]
                if copy and instrument >= 0:
                    own = torch.randn(64, generator=chance)
                    partial_db = (scatter_db * (0.6 * common + 0.8 * own)).to(device)
                    sound = invented.recoloured(sound, f0_hz=440 * 2 ** ((pitch - 69) / 12), partial_db=partial_db)
                if copy and instrument < 0:
                    continue
                number = -1 if instrument < 0 else offset + int(instrument)
                shelf.add(sound, attack=float(attack), pitch=int(pitch), velocity=float(velocity), instrument=number)
    for i in range(pianos):
        number = shelf.instrument(f"invented.{i}", share=(1 - sampled_share if path else 1.0) / pianos)
        for sound, pitch, velocity in invented.piano(seed + i, device=device):
            shelf.add(sound, attack=invented.LEAD, pitch=pitch, velocity=velocity, instrument=number)
    return shelf.library()


def oversampled(x: torch.Tensor, *, block: int = 1 << 20, pad: int = 1 << 12) -> torch.Tensor:
    """(n,) at twice the rate, band-limited, block by block."""
    out = []
    for start in range(0, len(x), block):
        low, high = max(0, start - pad), min(len(x), start + block + pad)
        n = (high - low) - (high - low) % 2
        spectrum = torch.fft.rfft(x[low : low + n])
        double = torch.zeros(n + 1, dtype=spectrum.dtype, device=x.device)
        double[: len(spectrum)] = spectrum
        wanted = 2 * (min(len(x), start + block) - start)
        y = (torch.fft.irfft(double, 2 * n) * 2)[2 * (start - low) : 2 * (start - low) + wanted]
        out.append(torch.nn.functional.pad(y, (0, wanted - len(y))))
    return torch.cat(out)


# --- dry sound --------------------------------------------------------------------------------------------------------
REACHES_S = ((0, 0.45), (0.45, 1.0), (1.0, 2.0), (2.0, 9.0))  # notes of similar length are read together
READ_AT_ONCE = 6e7  # samples, so that a few GB hold the indices


def render(lib: Library, plan: Plan, *, clips: int, samples: int) -> Batch:
    """Dry sound. Each recording is read at its speed, with its gain and damper, and laid down to the fraction of a sample."""
    device, catalogue = lib.sound.device, lib.catalogue
    out = torch.zeros(clips * samples, device=device)
    length, attack = catalogue.length[plan.row], catalogue.attack[plan.row]
    reach_s = np.minimum(plan.sound_s + 7 * plan.tau_s, length / plan.speed / RATE_HZ + 0.02)

    def sent(values: NDArray[np.generic], kind: torch.dtype = torch.float32) -> torch.Tensor:
        return torch.as_tensor(values, device=device).to(kind)[:, None]

    for low_s, high_s in REACHES_S:
        rows = np.flatnonzero((reach_s > low_s) & (reach_s <= high_s))
        if not len(rows):
            continue
        width = int((min(high_s, float(reach_s[rows].max())) + 0.02) * RATE_HZ)
        n = torch.arange(width, device=device)[None]
        step = max(1, int(READ_AT_ONCE // width))
        for q in (rows[i : i + step] for i in range(0, len(rows), step)):
            before = attack[q] / plan.speed[q]  # output samples from the recording's beginning to its strike
            begins = plan.onset_s[q].astype(np.float64) * RATE_HZ - before
            first = np.floor(begins).astype(np.int64)
            local = n.float() - sent(begins - first)
            source = local * sent(plan.speed[q])
            i = source.floor().long()
            inside = (i >= 0) & (i < sent(length[q], torch.int64) - 1)
            part = source - i
            i = torch.where(inside, i, 0) + sent(catalogue.start[plan.row[q]], torch.int64)
            y = lib.sound[i] * (1 - part) + lib.sound[i + 1] * part
            damped = ((local - sent(before)) / RATE_HZ - sent(plan.sound_s[q])).clamp_min(0)
            y = y * inside * sent(plan.gain[q]) * torch.exp(-damped / sent(plan.tau_s[q]))
            place = sent(first, torch.int64) + n
            y = torch.where((place >= 0) & (place < samples), y, 0)
            place = place.clamp(0, samples - 1) + sent(plan.clip[q], torch.int64) * samples
            out.index_add_(0, place.reshape(-1), y.reshape(-1))
    return out.view(clips, samples)


# --- answers ----------------------------------------------------------------------------------------------------------
def dense(wanted: Labels, *, clips: int, frames: int, device: str) -> dict[str, Batch]:
    """Labels as tensors (clips, frames, 88): `onset`, `shift`, `level_db`, `sounding`."""
    found = {}
    place = torch.as_tensor(wanted.place, device=device)
    for name in ("onset", "shift", "level_db"):
        flat = torch.zeros(clips * frames * KEYS, device=device)
        flat[place] = torch.as_tensor(getattr(wanted, name), device=device)
        found[name] = flat.view(clips, frames, KEYS)
    clip, first, last, key = (torch.as_tensor(column, device=device) for column in wanted.sounding.T)
    edges = torch.zeros(clips, frames + 1, KEYS, device=device)
    one = torch.ones(len(clip), device=device)
    edges.index_put_((clip, first, key), one, accumulate=True)
    edges.index_put_((clip, last, key), -one, accumulate=True)
    found["sounding"] = (edges.cumsum(1)[:, :frames] > 0.5).float()
    return found


# --- rooms and phones -------------------------------------------------------------------------------------------------
def min_phase(mag: Batch) -> Batch:
    """Minimum-phase complex spectrum (clips, N/2+1) of a magnitude response (clips, N/2+1) (real-cepstrum folding)."""
    n = 2 * (mag.shape[1] - 1)
    cep = torch.fft.irfft(torch.log(mag.clamp_min(1e-4)), n)
    fold = torch.zeros(n, device=mag.device)
    fold[0], fold[n // 2], fold[1 : n // 2] = 1, 1, 2
    return torch.exp(torch.fft.rfft(cep * fold))


class Dice:
    """Chance for each clip of a batch, as columns (clips, 1)."""

    def __init__(self, device: torch.device, clips: int) -> None:
        self.d, self.b = device, clips

    def u(self, low: float, high: float) -> Batch:
        """Uniform."""
        return torch.rand(self.b, 1, device=self.d) * (high - low) + low

    def logu(self, low: float, high: float) -> Batch:
        """Uniform on a logarithmic scale."""
        return torch.exp(self.u(math.log(low), math.log(high)))

    def hit(self, chance: float) -> Batch:
        """True in a `chance` share of clips."""
        return torch.rand(self.b, 1, device=self.d) < chance


def random_eq(d: Dice, bins: int, *, amount: float = 1.0) -> Batch:
    """Magnitude (clips, bins) over 0..RATE_HZ/2: high-pass, low-pass, tilt, four broad peaks."""
    f = torch.linspace(0, RATE_HZ / 2, bins, device=d.d)[None].clamp_min(8)
    hp, lp = d.logu(25, 230), d.logu(3500, 16000)
    mag = 1 / torch.sqrt(1 + (hp / f) ** (2 * (1 + 2 * torch.rand(d.b, 1, device=d.d))).clamp(2, 6))
    mag = mag / torch.sqrt(1 + (f / lp) ** 6)
    db = d.u(-5, 5) * amount * torch.log2(f / 700) * 0.7
    for _ in range(4):
        db = db + d.u(-9, 9) * amount * torch.exp(-((torch.log2(f / d.logu(80, 7000)) * d.u(0.8, 4)) ** 2))
    return mag * 10 ** (db / 20)


def random_room(d: Dice, n: int) -> Batch:
    """Impulse responses (clips, n): unit direct sound at 0, early reflections from 1.5 ms, coloured decaying tail."""
    t = torch.arange(n, device=d.d)[None] / RATE_HZ
    rt = d.logu(0.12, 1.1)
    white = torch.randn(d.b, n, device=d.d)
    spec = torch.fft.rfft(white)
    f = torch.linspace(0, RATE_HZ / 2, spec.shape[1], device=d.d)[None].clamp_min(20)
    low = spec / (1 + (f / d.logu(700, 3000)) ** 2)
    tail = torch.fft.irfft(spec / torch.sqrt(1 + (f / d.logu(2500, 9000)) ** 2), n) * 10 ** (
        -3 * t / (rt * d.u(0.4, 1))
    )
    tail = tail + d.u(0.2, 1.2) * torch.fft.irfft(low, n) * 10 ** (-3 * t / rt)
    tail = tail * (1 - torch.exp(-t / d.logu(0.002, 0.02))) * (t > 0.0015)
    tail = tail / tail.square().sum(1, keepdim=True).sqrt() * 10 ** (-d.u(-5, 14) / 20)
    for _ in range(10):
        at = (d.logu(0.0012, 0.04) * RATE_HZ).long()
        tail.scatter_add_(1, at, d.u(-0.5, 0.5) * torch.exp(-at.float() / RATE_HZ / 0.02))
    tail = tail * (~d.hit(0.12))
    tail[:, 0] += 1
    return tail


def convolve(x: Batch, h: Batch) -> Batch:
    """Each clip through its own response `h` (clips, n)."""
    n = 1 << (x.shape[1] + h.shape[1] - 1).bit_length()
    return torch.fft.irfft(torch.fft.rfft(x, n) * torch.fft.rfft(h, n), n)[:, : x.shape[1]]


def coloured_noise(d: Dice, n: int) -> Batch:
    """Unit-RMS noise (clips, n), spectral slope 0 to -9 dB/octave, random peaks."""
    spec = torch.fft.rfft(torch.randn(d.b, n, device=d.d))
    f = torch.linspace(0, RATE_HZ / 2, spec.shape[1], device=d.d)[None].clamp_min(25)
    spec = (
        spec
        * f ** (-d.u(0, 0.75))
        * 10 ** (d.u(0, 12) / 20 * torch.exp(-((torch.log2(f / d.logu(60, 5000)) * 2) ** 2)))
    )
    y = torch.fft.irfft(spec, n)
    return y / y.square().mean(1, keepdim=True).sqrt().clamp_min(1e-9)


def hum(d: Dice, n: int) -> Batch:
    """Mains hum: 50 or 60 Hz and harmonics, unit RMS."""
    t = torch.arange(n, device=d.d)[None] / RATE_HZ
    base = torch.where(d.hit(0.6), torch.full((d.b, 1), 50.0, device=d.d), torch.full((d.b, 1), 60.0, device=d.d))
    y = sum(d.u(0, 1) * torch.sin(6.28318 * base * k * t + d.u(0, 6.28)) for k in (1, 2, 3, 4, 6))
    return y / y.square().mean(1, keepdim=True).sqrt().clamp_min(1e-9)


def clicks(d: Dice, n: int) -> Batch:
    """A metronome: peak about 1, period 0.33-1.3 s, tone or noise bursts."""
    period, phase = d.u(0.33, 1.3), d.u(0, 1)
    t = torch.arange(n, device=d.d)[None] / RATE_HZ
    since = torch.remainder(t - phase, period)
    tone = torch.sin(6.28318 * d.logu(700, 5000) * since)
    rough = torch.randn(d.b, n, device=d.d)
    return (torch.where(d.hit(0.7), tone, rough * 0.4)) * torch.exp(-since / d.logu(0.002, 0.035))


def speech(d: Dice, n: int) -> Batch:
    """Speech-like: gliding harmonics through moving formants plus hiss, in syllables; about unit RMS when on."""
    torch.arange(n, device=d.d)[None] / RATE_HZ
    knots = max(8, int(n / RATE_HZ * 5))

    def grow(v):
        return torch.nn.functional.interpolate(v[:, None], n, mode="linear", align_corners=True)[:, 0]

    f0 = d.logu(85, 260) * torch.exp(0.22 * grow(torch.randn(d.b, knots, device=d.d)))
    phase = 6.28318 * torch.cumsum(f0, 1) / RATE_HZ
    f1, f2 = 300 + 600 * grow(torch.rand(d.b, knots, device=d.d)), 900 + 1500 * grow(torch.rand(d.b, knots, device=d.d))
    y = 0
    for k in range(1, 19):
        f = k * f0
        a = torch.exp(-(((f - f1) / 160) ** 2)) + 0.6 * torch.exp(-(((f - f2) / 240) ** 2)) + 0.03
        y = y + a * torch.sin(k * phase) * (f < 7000)
    y = y + 0.15 * torch.randn(d.b, n, device=d.d) * grow(torch.rand(d.b, knots, device=d.d) ** 4)
    gate = torch.sigmoid(12 * (grow(torch.rand(d.b, knots, device=d.d)) - d.u(0.35, 0.75)))
    return y * gate * 0.7


def thumps(d: Dice, n: int) -> Batch:
    """Bench, pedal and table knocks: a few decaying low noise bursts, peak about 1."""
    y = torch.zeros(d.b, n, device=d.d)
    t = torch.arange(3200, device=d.d)[None] / RATE_HZ
    for _ in range(5):
        burst = (
            torch.sin(6.28318 * d.logu(40, 500) * t + d.u(0, 6.28)) * torch.exp(-t / d.logu(0.006, 0.05)) * d.u(0, 1)
        )
        at = (torch.rand(d.b, 1, device=d.d) * (n - 3300)).long() + torch.arange(3200, device=d.d)[None]
        y.scatter_add_(1, at, burst)
    return y


def gain_control(d: Dice, x: Batch) -> Batch:
    """AGC: peak follower with instant attack and exponential release (exact, by a running maximum),
    smoothed 10-60 ms; level above or below target is divided by ratio; gain limited.
    """
    hop = 80
    n = x.shape[1] // hop
    power = x[:, : n * hop].view(d.b, n, hop).square().mean(2).clamp_min(1e-10)
    k = torch.arange(n, device=d.d)[None] * (hop / RATE_HZ)
    lam = 1 / d.logu(0.15, 1.5)
    env = torch.exp(torch.cummax(torch.log(power) + lam * k, 1).values - lam * k)
    db = 10 * torch.log10(env)
    taps = torch.exp(
        -torch.arange(40, device=d.d) * 0.005 / float(torch.exp(torch.rand(1) * math.log(0.05 / 0.008)) * 0.008)
    )
    taps = taps / taps.sum()
    db = torch.nn.functional.conv1d(
        torch.nn.functional.pad(db[:, None], (39, 0), mode="replicate"), taps.flip(0)[None, None]
    )[:, 0]
    gain = ((d.u(-26, -12) - db) * (1 - 1 / d.u(1.3, 4))).clamp(-30, 18)
    gain = torch.nn.functional.interpolate(gain[:, None], x.shape[1], mode="linear", align_corners=False)[:, 0]
    return x * 10 ** (gain / 20)


def noise_gate(d: Dice, x: Batch) -> Batch:
    """Phone-like noise suppression: STFT bins near their own quiet level are turned down."""
    win = torch.hann_window(512, device=d.d)
    s = torch.stft(x, 512, 128, window=win, return_complex=True)
    mag = s.abs()
    floor = mag.quantile(0.12, dim=2, keepdim=True) * d.u(1.5, 4)[:, :, None]
    low = 10 ** (-d.u(6, 22) / 20)[:, :, None]
    g = (1 - floor / mag.clamp_min(1e-9)).clamp_min(0)
    g = torch.maximum(g, low)
    g = torch.nn.functional.avg_pool2d(g[:, None], (3, 3), 1, 1)[:, 0]
    return torch.istft(s * g, 512, 128, window=win, length=x.shape[1])


def codec(d: Dice, x: Batch) -> Batch:
    """What a transform codec leaves at low bit rates: a lapped cosine transform, its coefficients rounded band by band.

    The step of each band hangs on the band's own loudness in that frame, as it does for AAC and Opus, so that the error
    is spread over the whole frame, before a strike too; weak bands vanish altogether.
    """
    half = int(np.random.default_rng(int(torch.randint(1 << 30, (1,)))).choice([256, 320, 352]))
    n, k = torch.arange(2 * half, device=d.d), torch.arange(half, device=d.d)
    window = torch.sin(math.pi * (n + 0.5) / (2 * half))
    basis = torch.cos(math.pi / half * (n[:, None] + 0.5 + half / 2) * (k[None] + 0.5))
    count = -(-x.shape[1] // half)
    padded = torch.nn.functional.pad(x, (half, (count + 1) * half - x.shape[1]))
    found = (padded.unfold(1, 2 * half, half) * window) @ basis
    edges = np.unique(np.round(half * (np.geomspace(1, 81, 22) - 1) / 80).astype(int))
    band = torch.as_tensor(np.repeat(np.arange(len(edges) - 1), np.diff(edges)), device=d.d)
    size = torch.as_tensor(np.diff(edges), device=d.d)
    power = torch.zeros(*found.shape[:2], len(size), device=d.d).index_add_(2, band, found.square()) / size
    high = torch.arange(len(size), device=d.d)[None, None] / len(size)
    snr_db = d.u(9, 32)[:, :, None] - d.u(0, 16)[:, :, None] * high
    least = found.square().mean((1, 2), keepdim=True) * 10 ** (-d.u(35, 70)[:, :, None] / 10)
    step = torch.sqrt(12 * torch.maximum(power * 10 ** (-snr_db / 10), least)).clamp_min(1e-9)[:, :, band]
    found = torch.sign(found) * torch.floor(found.abs() / step + 0.42) * step
    parts = (found @ basis.T) * window * (2 / half)
    y = torch.nn.functional.pad(parts[:, :, :half], (0, 0, 0, 1)) + torch.nn.functional.pad(
        parts[:, :, half:], (0, 0, 1, 0)
    )
    return y.reshape(x.shape[0], -1)[:, half : half + x.shape[1]]


def rms(x: Batch) -> Batch:
    """RMS (clips, 1) of the sounding part (frames within 40 dB of the loudest)."""
    n = x.shape[1] // 800
    p = x[:, : n * 800].view(x.shape[0], n, 800).square().mean(2)
    on = (p > p.max(1, keepdim=True).values * 1e-4).float()
    return ((p * on).sum(1, keepdim=True) / on.sum(1, keepdim=True).clamp_min(1)).sqrt().clamp_min(1e-5)


def degrade(x: Batch) -> Batch:
    """Dry sound as a phone in a room would have stored it; peak about 0.7.

    True onsets stay where they were: all filters are causal and the direct sound comes at 0.
    """
    b, n = x.shape
    d = Dice(x.device, b)
    dry = x
    x = convolve(x, random_room(d, int(1.0 * RATE_HZ)))
    eq = torch.fft.irfft(min_phase(random_eq(d, 2049)), 4096)
    eq[:, 2048:] = 0
    plain = d.hit(0.12)
    unit = torch.zeros_like(eq)
    unit[:, 0] = 1
    h = torch.where(plain, unit, eq)
    x = torch.where(plain & d.hit(0.5), dry, x)
    level = rms(x)
    silent = level < 1e-4
    level = torch.where(silent, torch.full_like(level, 0.02), level)
    noise = coloured_noise(d, n) * 10 ** (-d.u(8, 60) / 20)
    noise = noise + d.hit(0.15) * hum(d, n) * 10 ** (-d.u(15, 50) / 20)
    noise = noise + d.hit(0.12) * clicks(d, n) * 10 ** (-d.u(-8, 30) / 20)
    noise = noise + d.hit(0.10) * speech(d, n) * 10 ** (-d.u(-2, 35) / 20)
    noise = noise + d.hit(0.25) * thumps(d, n) * 10 ** (-d.u(-4, 25) / 20)
    x = x + noise * level * (~d.hit(0.06))
    x = convolve(x, h)
    x = torch.where(d.hit(0.15), noise_gate(d, x), x)
    x = x / x.abs().amax(1, keepdim=True).clamp_min(1e-6) * 0.5
    x = torch.where(d.hit(0.4), gain_control(d, x), x)
    x = x / x.abs().amax(1, keepdim=True).clamp_min(1e-6)
    drive = torch.where(d.hit(0.2), 10 ** (d.u(0, 12) / 20), torch.ones(b, 1, device=x.device))
    x = (x * drive).clamp(-1, 1) * 0.7
    return torch.where(d.hit(0.5), codec(d, x), x)
