"""Pianos that nobody built: additive synthesis with every property drawn at random.

Partial k of a string sounds at k f0 √(1 + B k²), as a stiff string does. A note has one to three strings a little out of
tune with each other, a decay in two stages that is quicker the higher the partial, a comb from where the hammer
strikes, a slope over k, a hammer that is brighter when it strikes harder, a soundboard that drops the deepest partials
and colours the rest, a rise of 0.3–5 ms, a knock of wood at the strike and the noise of the key up to 12 ms before it.

Strengths of partials scatter about a smooth curve by a few decibels, in part alike for neighbouring keys. In the sampled
pianos we measured the scatter is 4–8 dB (median 6; parabola over log k taken out, first ten partials, 350 ms).
"""

import math

import torch

RATE_HZ = 16_000
LEAD = 192  # samples before the strike, 12 ms
LAYERS = (30, 64, 100)  # MIDI velocities


class Draw:
    """Uniform chance from one seed."""

    def __init__(self, seed: int) -> None:
        self.generator = torch.Generator().manual_seed(seed)

    def one(self, low: float, high: float) -> float:
        """A number."""
        return float(torch.rand(1, generator=self.generator) * (high - low) + low)

    def log(self, low: float, high: float) -> float:
        """A number, uniform on a logarithmic scale."""
        return math.exp(self.one(math.log(low), math.log(high)))

    def many(self, low: float, high: float, *shape: int) -> torch.Tensor:
        """Uniform numbers of a shape."""
        return torch.rand(*shape, generator=self.generator) * (high - low) + low

    def normal(self, *shape: int) -> torch.Tensor:
        """Normal numbers of a shape."""
        return torch.randn(*shape, generator=self.generator)


def piano(seed: int, *, device: str, step: int = 3) -> list[tuple[torch.Tensor, int, int]]:
    """One piano: (sound of shape (n,), peak 0.9, struck at sample `LEAD`; MIDI pitch; MIDI velocity) for every `step`th key."""
    d = Draw(seed)
    slope, strike, stiff_low, floor_hz = d.one(1, 6), d.one(0.08, 0.2), d.log(4e-5, 4e-4), d.one(50, 170)
    hammer_hz, harder, spread_cents = d.log(500, 3500), d.one(0.3, 1.2), d.one(0.05, 1.8)
    knock_db, early_db, sustain, scatter_db = d.one(-36, -6), d.one(-60, -16), d.one(0.4, 1.8), d.one(1.5, 7)
    alike, quick, after = d.one(0, 0.8), d.one(0.3, 2.0), d.one(-16, -2)
    body_octave, body_width, body_db = d.many(6, 12, 14), d.many(1, 8, 14), d.many(-8, 8, 14)
    wood_hz, wood_s = 60 * 2 ** d.many(0, 4.3, 12), d.many(0.006, 0.07, 12)
    common = d.normal(60)
    velocity = torch.tensor(LAYERS, dtype=torch.float32)
    notes = []
    for pitch in range(21, 109, step):
        f0 = 440 * 2 ** ((pitch - 69) / 12)
        count = int((3.2 if pitch < 60 else 2.4 if pitch < 84 else 1.2) * RATE_HZ)
        t = torch.arange(count, device=device, dtype=torch.float32) / RATE_HZ
        stiff = stiff_low * (2 ** ((pitch - 40) / 12 * 0.95) if pitch > 40 else 2 ** ((40 - pitch) / 24))
        k = torch.arange(1, 61, dtype=torch.float32)
        f = k * f0 * torch.sqrt(1 + stiff * d.one(0.8, 1.25) * k**2)
        k, f = k[f < 7700], f[f < 7700]
        m, strings = len(k), 1 if pitch < 32 else 2 if pitch < 44 else 3
        bumps = torch.exp(-(((torch.log2(f)[:, None] - body_octave) * body_width) ** 2)) @ body_db
        own = d.normal(m)
        scatter = scatter_db * (alike * common[:m] + math.sqrt(1 - alike**2) * own)
        base = -slope * torch.log2(k) + 20 * torch.log10(torch.abs(torch.sin(math.pi * k * strike)) + 0.05)
        base = base + bumps + scatter - 10 * torch.log10(1 + (floor_hz / f) ** 4)
        cut_hz = hammer_hz * 2 ** ((pitch - 60) / 30) * (velocity / 64) ** harder
        db = base[None] - 12 * torch.log2(1 + (f[None] / cut_hz[:, None]) ** 1.5)
        share = 0.5 + d.many(0, 1, strings, m)
        strength = ((10 ** (db / 20))[:, None, :] * share[None]).reshape(len(LAYERS), -1).to(device)
        cents = d.normal(strings, 1) * spread_cents
        string_hz = (f[None] * 2 ** (cents / 1200)).reshape(-1, 1).to(device)
        phase = d.many(0, 2 * math.pi, strings, m).reshape(-1, 1).to(device)
        fall = (0.25 + 6 * 2 ** ((40 - pitch) / 14)) * sustain / (1 + (f / 1200 * quick) ** 1.1)
        fall = fall * torch.exp(0.3 * d.normal(m)) + 0.03
        slow, weak = fall * d.one(2, 8), 10 ** ((after + d.many(-4, 4, m)) / 20)
        fall, slow, weak = (each.repeat(strings)[:, None].to(device) for each in (fall, slow, weak))
        tone = (torch.exp(-t / fall) + weak * torch.exp(-t / slow)) * torch.sin(2 * math.pi * string_hz * t + phase)
        rise_s = (d.one(0.0003, 0.0015) + (0.003 if pitch < 45 else 0.001) * d.one(0, 1)) * (100 / velocity) ** 0.4
        x = (strength @ tone) * (1 - torch.exp(-t / rise_s.to(device)[:, None]))
        level = x[:, 160:2560].square().mean(1, keepdim=True).sqrt()
        noise = d.normal(count + LEAD).to(device)
        wood = (
            torch.sin(2 * math.pi * wood_hz[:, None].to(device) * t) * torch.exp(-t / wood_s[:, None].to(device))
        ).mean(0)
        wood = wood + 0.5 * noise[:count] * torch.exp(-t / 0.005)
        wood = wood / (wood[:800].square().mean().sqrt() + 1e-9)
        x = x + wood * level * 10 ** ((knock_db + (pitch - 60) * 0.12) / 20)
        x[:, -1600:] *= torch.linspace(1, 0, 1600, device=device)
        x = torch.cat([torch.zeros(len(LAYERS), LEAD, device=device), x], 1)
        thud = torch.nn.functional.avg_pool1d(noise[None], 9, 1, 4)[0]
        thud = thud * torch.exp(-torch.arange(count + LEAD, device=device) / RATE_HZ / 0.01)
        x = x + thud / (thud[:400].square().mean().sqrt() + 1e-9) * level * 10 ** (early_db / 20)
        x = x / x.abs().amax(1, keepdim=True) * 0.9
        notes += [(x[i], pitch, LAYERS[i]) for i in range(len(LAYERS))]
    return notes


def recoloured(sound: torch.Tensor, *, f0_hz: float, partial_db: torch.Tensor) -> torch.Tensor:
    """A note (n,) with its partials raised or lowered: `partial_db` at 0, 1, 2 … times `f0_hz`, linear between.

    The filter is minimum-phase, so that nothing sounds before the strike.
    """
    size = 1 << (len(sound) - 1).bit_length()
    taps = 8192  # 2 Hz apart: fine enough for partials of the lowest string
    place = torch.arange(taps // 2 + 1, device=sound.device) * (RATE_HZ / taps / f0_hz)
    place = place.clamp(0, len(partial_db) - 1.001)
    low = place.floor().long()
    db = partial_db[low] * (1 - (place - low)) + partial_db[low + 1] * (place - low)
    fold = torch.zeros(taps, device=sound.device)
    fold[0], fold[taps // 2], fold[1 : taps // 2] = 1, 1, 2
    cepstrum = torch.fft.irfft(db * (math.log(10) / 20), taps)
    response = torch.fft.irfft(torch.exp(torch.fft.rfft(cepstrum * fold)), taps)
    response[taps // 2 :] = 0
    spectrum = torch.fft.rfft(sound, 2 * size) * torch.fft.rfft(response, 2 * size)
    x = torch.fft.irfft(spectrum, 2 * size)[: len(sound)]
    return x / x.abs().max() * 0.9
