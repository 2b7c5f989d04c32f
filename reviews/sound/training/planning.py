"""What sounds when: note tables become rows that name a recording, its speed, its gain and its damper. numpy only.

`choose` takes an instrument for each clip and a recording for each note; `labels` says what the net should answer.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from reviews.sound.training.music import Table

RATE_HZ = 16_000
HOP = 160  # samples between frames, 10 ms
LOWEST_MIDI, KEYS = 21, 88
REFERENCE_DB = -24.0  # dB re full scale of a note of velocity 64
DB_PER_DECADE = 25.0  # level = REFERENCE_DB + 25 log10(velocity / 64), about 6 dB from 64 to 111
OVERSAMPLED = 2  # recordings are kept at twice the rate, so that linear interpolation between samples is clean
LONGEST_SOUNDING_S = 4.0  # s after a strike for which a held note still counts as sounding; phones hear no more
TRIANGLE = 2.0  # frames from a strike to where its label has fallen to nothing
BLEND = 0.2  # share of clips in which a second instrument sounds inside the first, for timbres that neither has

Floats = NDArray[np.float32]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Numbers about every recording (row): of the instrument, the recording's place and what it holds.

    `start`, `length`, `attack` in samples at `OVERSAMPLED` × 16 kHz; `level_db` re full scale, 10–160 ms after the
    strike; instrument −1 is the noise of a damper. `weight` (one per instrument, sums to 1): how often it plays.
    """

    start: Ints
    length: Ints
    attack: Floats
    level_db: Floats
    pitch: Ints
    velocity: Floats
    instrument: Ints
    weight: NDArray[np.float64]

    def grid(self, instrument: int) -> tuple[Ints, Floats, Ints]:
        """(pitches, velocities, rows of shape (n_pitches, n_velocities)); holes hold the nearest velocity's row."""
        rows = np.flatnonzero(self.instrument == instrument)
        pitches, velocities = np.unique(self.pitch[rows]), np.unique(self.velocity[rows])
        grid = np.full((len(pitches), len(velocities)), -1)
        grid[np.searchsorted(pitches, self.pitch[rows]), np.searchsorted(velocities, self.velocity[rows])] = rows
        for line in grid:
            known = np.flatnonzero(line >= 0)
            for hole in np.flatnonzero(line < 0):
                line[hole] = line[known[np.argmin(abs(known - hole))]]
        return pitches, velocities, grid


@dataclass(frozen=True, slots=True)
class Plan:
    """One row per sounding thing, all of shape (n,): notes of the music have `labelled` 1, everything else 0.

    `clip` number; `onset_s`, `sound_s` (until the damper falls), `tau_s` (how fast it then dies); `pitch`; `level_db`
    (true, of the dry note); `row` in the catalogue; `speed` (its samples per output sample); `gain` (a factor).
    """

    clip: Ints
    onset_s: Floats
    sound_s: Floats
    tau_s: Floats
    pitch: Floats
    level_db: Floats
    row: Ints
    speed: Floats
    gain: Floats
    labelled: Floats


def together(plans: list[Plan]) -> Plan:
    """Several plans as one."""
    return Plan(*(np.concatenate([getattr(plan, each.name) for plan in plans]) for each in fields(Plan)))


def choose(r: np.random.Generator, tables: list[Table], *, catalogue: Catalogue) -> Plan:
    """An instrument, tuning, voicing and dampers for each clip; a recording for each note."""
    instruments = {k: catalogue.grid(k) for k in np.unique(catalogue.instrument)}
    return together([_clip(r, number, table, catalogue, instruments) for number, table in enumerate(tables)])


def _clip(
    r: np.random.Generator,
    number: int,
    table: Table,
    catalogue: Catalogue,
    instruments: dict[int, tuple[Ints, Floats, Ints]],
) -> Plan:
    n, pitch = len(table), table[:, 3].astype(np.float64)
    key = pitch.astype(int)
    main = int(r.choice(len(catalogue.weight), p=catalogue.weight))
    second = int(r.choice(len(catalogue.weight), p=catalogue.weight)) if r.random() < BLEND else main
    detune = r.normal(0, 12) if r.random() < 0.75 else r.uniform(-45, 45)
    cents = detune + r.normal(0, r.choice([0, 1, 4]), 128)[key]
    shift = float(r.choice([0, 0, 0, r.uniform(-4, 4)]))  # semitones: as if the body were smaller or larger
    brightness = r.normal(0, 12)
    voicing = np.cumsum(r.normal(0, r.choice([0, 0, 0.4]), 128)) + r.normal(0, r.choice([0, 0, 1.0, 2.0]), 128)
    voicing = np.clip(voicing - voicing.mean(), -6, 6)
    level_db = REFERENCE_DB + DB_PER_DECADE * np.log10(np.maximum(table[:, 4], 1) / 64) + voicing[key]
    tau_s = np.exp(r.uniform(np.log(0.015), np.log(0.14))) * np.where(pitch < 55, 1.5, 1.0)
    tau_s = tau_s * np.exp(r.normal(0, 0.2, n))
    again = np.zeros(n, bool)  # notes that a new strike of their own key ends
    for each in np.unique(pitch):
        rows = np.flatnonzero(pitch == each)
        again[rows[:-1]] = np.abs(table[rows[1:], 0] - table[rows[:-1], 0] - table[rows[:-1], 2]) < 0.002
    tau_s = np.where(again, 0.01, tau_s)

    def notes(instrument: int, less_db: float, labelled: float) -> Plan:
        pitches, velocities, grid = instruments[instrument]
        wanted = (pitch + shift)[:, None] + r.normal(0, 0.01, (n, 1))
        loud = (table[:, 4] + brightness + r.normal(0, 4, n))[:, None]
        row = grid[np.argmin(abs(pitches - wanted), 1), np.argmin(abs(velocities - loud), 1)]
        return Plan(
            clip=np.full(n, number),
            onset_s=table[:, 0],
            sound_s=table[:, 2],
            tau_s=tau_s.astype(np.float32),
            pitch=table[:, 3],
            level_db=level_db.astype(np.float32),
            row=row,
            speed=(OVERSAMPLED * 2 ** ((pitch + cents / 100 - catalogue.pitch[row]) / 12)).astype(np.float32),
            gain=(10 ** ((level_db - less_db - catalogue.level_db[row]) / 20)).astype(np.float32),
            labelled=np.full(n, labelled, np.float32),
        )

    if second == main:
        parts = [notes(main, 0.0, 1.0)]
    else:
        share = r.uniform(0.1, 0.5)
        parts = [notes(main, -10 * np.log10(1 - share), 1.0), notes(second, -10 * np.log10(share), 0.0)]
    if -1 in instruments and r.random() < 0.6:
        falling = np.flatnonzero(~again & (table[:, 0] + table[:, 2] < 8))
        parts.append(_releases(r, parts[0], falling, catalogue, instruments[-1]))
    return together(parts)


def _releases(
    r: np.random.Generator, notes: Plan, falling: Ints, catalogue: Catalogue, dampers: tuple[Ints, Floats, Ints]
) -> Plan:
    """The noise of each damper that falls back, some 16 dB below its note."""
    n, (pitches, _, grid) = len(falling), dampers
    row = grid[np.argmin(abs(pitches - notes.pitch[falling][:, None]), 1), 0]
    level_db = notes.level_db[falling] + r.normal(-16, 5)
    return Plan(
        clip=notes.clip[falling],
        onset_s=notes.onset_s[falling] + notes.sound_s[falling],
        sound_s=np.ones(n, np.float32),
        tau_s=np.full(n, 0.1, np.float32),
        pitch=notes.pitch[falling],
        level_db=level_db.astype(np.float32),
        row=row,
        speed=np.full(n, OVERSAMPLED, np.float32),
        gain=(10 ** ((level_db - np.maximum(catalogue.level_db[row], -45)) / 20)).astype(np.float32),
        labelled=np.zeros(n, np.float32),
    )


@dataclass(frozen=True, slots=True)
class Labels:
    """What the net should answer, sparsely: of arrays (clips, frames, 88) in C order, `place` is the flat index.

    At each `place`: `onset` (a triangle, 1 at the strike, 0 two frames away), `shift` (strike minus frame, in frames),
    `level_db`. And `sounding`, shape (n, 4): clip, first frame, frame after the last, key.
    """

    place: Ints
    onset: Floats
    shift: Floats
    level_db: Floats
    sounding: Ints


def labels(plan: Plan, *, frames: int) -> Labels:
    """The answers to a plan's clips; frame n is centred on n · 10 ms."""
    q = np.flatnonzero(plan.labelled > 0)
    at = plan.onset_s[q].astype(np.float64) * RATE_HZ / HOP
    clip, key = plan.clip[q], plan.pitch[q].astype(np.int64) - LOWEST_MIDI
    frame = np.floor(at).astype(np.int64)[:, None] + np.arange(-2, 4)
    shift = at[:, None] - frame
    onset = 1 - np.abs(shift) / TRIANGLE
    some = (onset > 0) & (frame >= 0) & (frame < frames)
    place = (clip[:, None] * frames + frame) * KEYS + key[:, None]
    level_db = np.broadcast_to(plan.level_db[q][:, None], frame.shape)
    first = np.clip(np.ceil(at - 0.5), 0, frames).astype(np.int64)
    held = np.minimum(plan.sound_s[q], LONGEST_SOUNDING_S) * RATE_HZ / HOP
    last = np.maximum(first, np.clip(np.ceil(at + held), 0, frames).astype(np.int64))
    return Labels(
        place=place[some],
        onset=onset[some].astype(np.float32),
        shift=shift[some].astype(np.float32),
        level_db=level_db[some].astype(np.float32),
        sounding=np.stack([clip, first, last, key], 1),
    )
