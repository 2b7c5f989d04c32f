"""The net: from three magnitude spectra to four numbers per frame and key.

Magnitudes → triangular log-frequency bands (36 an octave; 12 for the short window) → logarithm → harmonic stack: for each
of the 88 keys, the bands at its harmonics become channels, so that one small kernel shared by all keys sees the partials
of a note (the idea is that of Bittner et al., “A Lightweight Instrument-Agnostic Model for Polyphonic Note Transcription
and Multipitch Estimation”, ICASSP 2022); half-harmonics ½ and 1½ are among them, for they alone tell a note from its own
octave below. Then residual blocks of a dilated convolution over time and one over neighbouring keys with a learned
mixing of all 88, and once a look at all keys together.

Out come, per frame and key: onset logit; time of the strike from the frame, in frames (the part that the regressed onset
plays in Kong et al., “High-Resolution Piano Transcription with Pedals by Regressing Onset and Offset Times”, TASLP
2021); level relative to the recording's average note, in tens of dB; sounding logit.
"""

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from reviews.sound.listener import BINS, HOP, KEYS, RATE_HZ, WINDOWS

LOWEST_HZ = 27.5
BANDS = (214, 295, 99)  # per window: 27.5 Hz to 1.66, 7.9 and 7.9 kHz
PER_OCTAVE = (36, 36, 12)
HARMONICS: tuple[tuple[float, ...], ...] = ((1, 2, 3, 4), (0.5, 1, 1.5, 2, 3, 4, 5, 6, 7, 8), (1, 2, 4))
CHANNELS = 32
DILATIONS = (1, 1, 2, 4, 8, 16)  # frames: together with the block over all keys the net sees 0.9 s to either side
WIDTH = 192  # of the block over all keys
SILENCE = -1.0  # what a band outside the spectrum reads as


def filterbank(size: int, bins: int, bands: int, per_octave: int) -> NDArray[np.float32]:
    """Triangles (bins, bands) centred on 27.5 Hz · 2^(i / per_octave), at least one bin wide; each sums to 1."""
    f = np.arange(bins) * RATE_HZ / size
    centre = LOWEST_HZ * 2.0 ** (np.arange(bands) / per_octave)
    half = np.maximum(centre * (2 ** (1 / per_octave) - 1), RATE_HZ / size)
    weight = np.maximum(0, 1 - np.abs(f[:, None] - centre[None]) / half[None])
    return (weight / np.maximum(weight.sum(0), 1e-9)).astype(np.float32)


def spectra_of(x: torch.Tensor) -> list[torch.Tensor]:
    """`listener.spectra` for a batch (clips, samples): three tensors (clips, frames, bins)."""
    out = []
    for size, bins in zip(WINDOWS, BINS, strict=True):
        window = torch.hann_window(size, device=x.device)
        s = torch.stft(x, size, HOP, window=window, center=True, pad_mode="constant", return_complex=True)
        out.append(s[:, :bins].abs().transpose(1, 2) * (2 / window.sum()))
    return out


def harmonic_bands(harmonics: tuple[float, ...], per_octave: int, bands: int) -> NDArray[np.int64]:
    """(channels, 88): the band, and at 36 an octave both its neighbours, of each harmonic of each key; `bands` if none."""
    rows = []
    for harmonic in harmonics:
        for neighbour in (-1, 0, 1) if per_octave == 36 else (0,):
            band = np.arange(KEYS) * (per_octave // 12) + round(per_octave * np.log2(harmonic)) + neighbour
            rows.append(np.where((band >= 0) & (band < bands), band, bands))
    return np.array(rows)


class KeyMix(nn.Module):
    """A learned 88 × 88 mixing of keys, one for each half of the channels: octaves, twelfths, chords."""

    def __init__(self) -> None:
        super().__init__()
        self.weight = nn.Parameter(torch.randn(2, KEYS, KEYS) * 0.03)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        a, b = torch.chunk(x, 2, dim=1)
        return torch.cat([torch.matmul(a, self.weight[0]), torch.matmul(b, self.weight[1])], 1)


class Block(nn.Module):
    """Residual: convolution over time, then over neighbouring keys, with half the channels mixed over all keys."""

    def __init__(self, channels: int, dilation: int) -> None:
        super().__init__()
        self.half = channels // 2
        self.time = nn.Conv2d(channels, channels, (5, 1), padding=(2 * dilation, 0), dilation=(dilation, 1), bias=False)
        self.n1 = nn.BatchNorm2d(channels)
        self.key = nn.Conv2d(channels, channels, (1, 3), padding=(0, 1), bias=False)
        self.n2 = nn.BatchNorm2d(channels)
        self.mix = KeyMix()

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = torch.relu(self.n1(self.time(x)))
        z = self.key(y)
        z = torch.cat([z[:, : self.half] + self.mix(y[:, : self.half]), z[:, self.half :]], 1)
        return torch.relu(x + self.n2(z))


class AllKeys(nn.Module):
    """All keys at once: four numbers a key, three dilated convolutions over time, and back to the keys."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.squeeze = nn.Conv2d(channels, 4, 1)
        self.enter = nn.Conv1d(4 * KEYS, WIDTH, 1, bias=False)
        self.norms = nn.ModuleList([nn.BatchNorm1d(WIDTH) for _ in range(4)])
        self.convs = nn.ModuleList([nn.Conv1d(WIDTH, WIDTH, 3, padding=d, dilation=d, bias=False) for d in (1, 4, 12)])
        self.leave = nn.Conv1d(WIDTH, 4 * KEYS, 1)
        self.spread = nn.Conv2d(4, channels, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        clips, _, frames, _ = x.shape
        y = self.squeeze(x).permute(0, 1, 3, 2).reshape(clips, 4 * KEYS, frames)
        y = torch.relu(self.norms[0](self.enter(y)))
        for conv, norm in zip(self.convs, self.norms[1:], strict=True):
            y = torch.relu(y + norm(conv(y)))
        return x + self.spread(self.leave(y).reshape(clips, 4, KEYS, frames).permute(0, 1, 3, 2))


class Net(nn.Module):
    """The whole net; takes three (clips, frames, bins) magnitudes, gives (clips, frames, 88, 4)."""

    def __init__(self) -> None:
        super().__init__()
        inputs = 0
        for i in range(3):
            bank = filterbank(WINDOWS[i], BINS[i], BANDS[i], PER_OCTAVE[i])
            index = harmonic_bands(HARMONICS[i], PER_OCTAVE[i], BANDS[i])
            inputs += len(index)
            self.register_buffer(f"bank{i}", torch.from_numpy(bank), persistent=False)
            self.register_buffer(f"index{i}", torch.from_numpy(index.reshape(-1)), persistent=False)
        self.first = nn.Conv2d(inputs, CHANNELS, (3, 3), padding=1, bias=False)
        self.place = nn.Parameter(torch.randn(1, CHANNELS, 1, KEYS) * 0.1)  # what is particular to each key
        self.norm = nn.BatchNorm2d(CHANNELS)
        self.blocks = nn.ModuleList([Block(CHANNELS, d) for d in DILATIONS])
        self.all_keys = AllKeys(CHANNELS)
        self.last = nn.Conv2d(CHANNELS, CHANNELS, (3, 1), padding=(1, 0))
        self.out = nn.Conv2d(CHANNELS, 4, 1)
        with torch.no_grad():
            self.out.bias.copy_(torch.tensor([-5.0, 0.0, 0.0, -3.0]))  # strikes are rare, and so is sound

    def stack(self, magnitudes: list[torch.Tensor]) -> torch.Tensor:
        """(clips, channels, frames, 88) of log band energy, roughly −1 to 1."""
        out = []
        for i, m in enumerate(magnitudes):
            y = torch.log(torch.matmul(m, getattr(self, f"bank{i}")) + 3e-5) * 0.25 + 1.6
            y = torch.nn.functional.pad(y, (0, 1), value=SILENCE)
            y = torch.index_select(y, 2, getattr(self, f"index{i}"))
            out.append(y.view(y.shape[0], y.shape[1], -1, KEYS).transpose(1, 2))
        return torch.cat(out, 1)

    def forward(self, long: torch.Tensor, middle: torch.Tensor, short: torch.Tensor) -> torch.Tensor:
        x = self.first(self.stack([long, middle, short])) + self.place
        x = torch.relu(self.norm(x))
        for i, block in enumerate(self.blocks):
            x = block(x)
            if i == len(self.blocks) // 2:
                x = self.all_keys(x)
        return self.out(torch.relu(self.last(x))).permute(0, 2, 3, 1)


def loss(out: torch.Tensor, wanted: dict[str, torch.Tensor]) -> dict[str, torch.Tensor]:
    """How far the answers are off: `onset`, `sounding`, `shift`, `level` and their weighted `total`.

    Onset and sounding: cross-entropy over all keys and frames, per note and per sounding frame. Shift and level: weighted
    by the onset label; the level after taking out each clip's mean error, plus a little of the error as it stands.
    """
    entropy = nn.functional.binary_cross_entropy_with_logits
    weight = wanted["onset"]
    strikes = weight.sum().clamp_min(1)
    onset = entropy(out[..., 0], weight, reduction="sum") / (strikes / 2)
    sounding = entropy(out[..., 3], wanted["sounding"], reduction="sum") / wanted["sounding"].sum().clamp_min(1)
    shift = nn.functional.smooth_l1_loss(out[..., 1], wanted["shift"], reduction="none", beta=0.2)
    per_clip = weight.sum((1, 2), keepdim=True).clamp_min(1e-3)
    mean = (wanted["level_db"] * weight).sum((1, 2), keepdim=True) / per_clip
    error = out[..., 2] - (wanted["level_db"] - mean) / 10
    bias = (error * weight).sum((1, 2), keepdim=True) / per_clip
    level = ((error - bias).abs() + 0.15 * error.abs()) * weight
    parts = {
        "onset": onset,
        "sounding": sounding,
        "shift": (shift * weight).sum() / strikes,
        "level": level.sum() / strikes,
    }
    return {**parts, "total": onset + 0.7 * sounding + 2.0 * parts["shift"] + parts["level"]}
