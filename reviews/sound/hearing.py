"""From sound to heard notes, piece by piece, with what this recording allows to be told of a strike's moment and level."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lessons.media.samples import LET_GO_EVERY, let_go, mix_weights
from reviews.sound.errors import UnusableSoundError
from reviews.sound.heard import SURE, HeardNote, around_median
from reviews.sound.listener import (
    GAP_S,
    HOP,
    LOWEST_MIDI,
    RATE_HZ,
    Activations,
    Listener,
    Strike,
    loudness_gain,
    strikes,
)

Floats = NDArray[np.float32]

# Least confidence of a strike that is kept at all. Faint ones only keep a written note from being called missing.
FAINTEST = 0.08
BLOCK_S = 10.0  # s read at once
EDGE_FRAMES = 4  # frames that one piece lends the next, so that no strike is lost between them

# Second look at a strike's moment: the rise of its own partials, in two windows (samples at 16 kHz: 16 and 32 ms).
FINE_WINDOW, COARSE_WINDOW = 256, 512
FINE_HOP = 16  # samples, 1 ms
FINE_REACH_S = 0.05  # s on either side of the first guess that are looked at
FINE_LAG = 6  # hops over which the rise is taken
FINE_PARTIALS, FINE_HALF_WIDTH = 8, 0.03  # partials that count, and the share of a frequency they may lie off
HIGHEST_HZ = 7000.0  # above it phones and codecs leave little
# s: a second look that lies further off than this is another note's attack. Measured: 95 % of true differences are below.
BELIEVED_S = 0.004
LEAST_STRIKES = 8  # strikes from which anything is said of a recording

# Level of one strike: own partials from just after the attack; measured best for one line (0.6 dB robust, phone).
LEVEL_START_S, LEVEL_END_S, LEVEL_SHORT_S = 0.005, 0.15, 0.10
LEVEL_PARTIALS, LEVEL_FFT = 10, 4096
# Share of strikes without another within ALONE_S from which the recording is one line. Others an octave, a twelfth or two octaves away may
# be heard out of one note's own partials (12 % of strikes in the left hand of one sampled piano): of them so many more may be there.
LINE_FRAC, LINE_FRAC_WITH_PARTIALS = 0.9, 0.7
PARTIAL_STEPS = {12, 19, 24}
ALONE_S = 0.03  # s within which two strikes are one event
# Sounding below this for three frames running is a key let go.
LET_GO, LET_GO_FRAMES = 0.5, 3
SHORTEST_S = 0.03


@dataclass(frozen=True, slots=True)
class Hearing:
    """What was heard in one clip.

    Parameters
    ----------
    notes
        Every strike from confidence 0.08 up, sorted by time and pitch.
    duration_s
        Length of the sound, seconds.
    onset_sd_s
        SD of the error of one onset, seconds, from two looks at each sure strike through windows of two sizes; None under eight such.
    level_sd_db
        SD of the error of one level of a key against itself, decibels, likewise.
    is_line
        Whether notes were struck one at a time.
    is_exact
        True for MIDI: nothing was guessed.
    """

    notes: tuple[HeardNote, ...]
    duration_s: float
    onset_sd_s: float | None = None
    level_sd_db: float | None = None
    is_line: bool = False
    is_exact: bool = False


@dataclass(slots=True)
class Mono:
    """One channel out of several, mixed where it is read.

    Parameters
    ----------
    samples : ndarray, shape (n_channels, n)
        At 16 kHz; may be a view of a file.
    weights : ndarray, shape (n_channels,)
        Factor on each channel.
    """

    samples: Floats
    weights: NDArray[np.float64]
    _read: int = 0

    def __len__(self) -> int:
        return int(self.samples.shape[1])

    def part(self, start: int, stop: int) -> Floats:
        """Return samples from ``start`` to before ``stop``, shape (stop - start,); zeros outside the recording."""
        low, high = max(start, 0), max(min(stop, len(self)), 0)
        mixed = self.weights.astype(np.float32) @ np.asarray(self.samples[:, low:high], np.float32)
        self._read += high - low
        if self._read > LET_GO_EVERY:
            let_go(self.samples)
            self._read = 0
        return np.pad(mixed, (min(low - start, stop - start), max(stop - max(high, start), 0))) if len(mixed) != stop - start else mixed  # fmt: skip

    def blocks(self) -> Iterator[Floats]:
        """Yield the whole in pieces of ten seconds."""
        step = int(BLOCK_S * RATE_HZ)
        for start in range(0, len(self), step):
            yield self.part(start, min(start + step, len(self)))


def hear(
    samples: Floats,
    *,
    names: Sequence[str] | None = None,
    listener: Listener | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> Hearing:
    """Return the notes that sound, from silence to an hour of it, in bounded memory.

    Parameters
    ----------
    samples : ndarray, shape (n_channels, n)
        32-bit floats at 16 kHz, sample 0 at the clip's common zero: what `lessons.media.decode_sound` writes with ``rate_hz=16000``,
        opened by `lessons.media.samples.open_samples`. Channels are mixed by `lessons.media.samples.mix_weights`.
    names : sequence of str, optional
        Names of the channels, as decoding gives them.
    listener : Listener, optional
        The net, where it is loaded already.
    on_progress : callable, optional
        Called with the share that is done, 0 to 1.

    Returns
    -------
    Hearing
        The heard notes. Silence has none.

    Raises
    ------
    UnusableSoundError
        If the array has another shape, or holds numbers that are none.
    """
    if samples.ndim != 2 or not len(samples):
        raise UnusableSoundError(f"Sound of shape {samples.shape} given, (n_channels, n) wanted.")
    tell = on_progress or (lambda _: None)
    if not samples.shape[1]:
        return Hearing(notes=(), duration_s=0.0)
    mono = Mono(samples, mix_weights(samples, names=names))
    listener = listener or Listener()
    gain = loudness_gain(mono.blocks())
    tell(0.05)
    gathered = _Gathered()
    for piece in listener.stream(mono.blocks(), gain=gain):
        gathered.add(piece)
        tell(0.05 + 0.85 * min(float(piece.times_s[-1]) * RATE_HZ / len(mono), 1.0))
    notes = gathered.notes()
    notes, onset_sd_s = _timed(notes, mono)
    tell(0.95)
    notes, level_sd_db, is_line = _levelled(notes, mono)
    tell(1.0)
    return Hearing(
        notes=tuple(sorted(notes, key=lambda note: (note.onset_s, note.pitch_midi))),
        duration_s=len(mono) / RATE_HZ,
        onset_sd_s=onset_sd_s,
        level_sd_db=level_sd_db,
        is_line=is_line,
    )


@dataclass(slots=True)
class _Gathered:
    """Strikes and the ends of notes out of activations that arrive in pieces."""

    done: list[HeardNote] = field(default_factory=list)
    last: dict[int, HeardNote] = field(default_factory=dict)
    quiet: dict[int, int] = field(default_factory=dict)
    edge: Activations | None = None

    def add(self, piece: Activations) -> None:
        joined = _joined(self.edge, piece) if self.edge else piece
        self.edge = Activations(*(getattr(piece, name)[-EDGE_FRAMES:] for name in Activations.__dataclass_fields__))
        by_key: dict[int, list[Strike]] = {}
        for strike in strikes(joined, threshold=FAINTEST):
            by_key.setdefault(strike.pitch_midi, []).append(strike)
        for pitch in by_key.keys() | self.last.keys():
            self._key(pitch, by_key.get(pitch, []), piece)

    def notes(self) -> list[HeardNote]:
        return [*self.done, *self.last.values()]

    def _key(self, pitch: int, found: list[Strike], piece: Activations) -> None:
        sounding = piece.sounding[:, pitch - LOWEST_MIDI]
        from_frame = 0
        for strike in found:
            before = self.last.get(pitch)
            if before is not None and strike.onset_s - before.onset_s < GAP_S:
                if strike.confidence > before.confidence:
                    self.last[pitch] = _note(strike)
                continue
            frame = int(np.clip(np.searchsorted(piece.times_s, strike.onset_s), 0, len(piece.times_s)))
            if before is not None:
                self._let_go(pitch, sounding[from_frame:frame], piece.times_s[from_frame:frame])
                ended = self.last.pop(pitch)
                self.done.append(ended if ended.end_s is not None else replace(ended, end_s=strike.onset_s))
            self.last[pitch], self.quiet[pitch], from_frame = _note(strike), 0, frame
        self._let_go(pitch, sounding[from_frame:], piece.times_s[from_frame:])

    def _let_go(self, pitch: int, sounding: Floats, times_s: NDArray[np.float64]) -> None:
        note = self.last[pitch]
        if note.end_s is not None:
            return
        for at_s, value in zip(times_s, sounding, strict=True):
            if at_s < note.onset_s + SHORTEST_S:
                continue
            self.quiet[pitch] = self.quiet.get(pitch, 0) + 1 if value < LET_GO else 0
            if self.quiet[pitch] >= LET_GO_FRAMES:
                end_s = float(at_s) - (LET_GO_FRAMES - 1) * HOP / RATE_HZ
                self.last[pitch] = replace(note, end_s=end_s)
                return


def _note(strike: Strike) -> HeardNote:
    return HeardNote(max(strike.onset_s, 0.0), strike.pitch_midi, strike.level_db, strike.confidence)


def _joined(edge: Activations, piece: Activations) -> Activations:
    return Activations(
        *(np.concatenate([getattr(edge, name), getattr(piece, name)]) for name in Activations.__dataclass_fields__)
    )


def _hz(pitch_midi: int) -> float:
    return float(440.0 * 2.0 ** ((pitch_midi - 69) / 12))


def _timed(notes: list[HeardNote], mono: Mono) -> tuple[list[HeardNote], float | None]:
    """Look at each strike again: the mean of two looks is better than either, and two windows tell how far to trust it."""
    fine = np.array([_rise_s(mono, note, window=FINE_WINDOW) for note in notes])
    sure = np.array([note.confidence >= SURE for note in notes], bool)
    usable = sure & np.isfinite(fine)
    if usable.sum() < LEAST_STRIKES:
        return notes, None
    coarse = np.array([_rise_s(mono, note, window=COARSE_WINDOW) if use else np.nan for note, use in zip(notes, usable, strict=True)])  # fmt: skip
    first = np.array([note.onset_s for note in notes])
    usual = float(np.median((fine - first)[usable]))
    off = fine - first - usual
    believed = np.isfinite(off) & (np.abs(off) < BELIEVED_S)
    moved = np.where(believed, first + 0.5 * np.where(believed, off, 0.0), first)
    differences = (fine - coarse)[usable & np.isfinite(coarse)]
    sd_s = _robust_sd(differences) if len(differences) >= LEAST_STRIKES else None
    return [replace(note, onset_s=max(float(at), 0.0)) for note, at in zip(notes, moved, strict=True)], sd_s


def _rise_s(mono: Mono, note: HeardNote, *, window: int) -> float:
    """Return the moment at which a note's own partials rise most, near where it was heard; not a number at the edges."""
    half = int(FINE_REACH_S * RATE_HZ)
    centre = round(note.onset_s * RATE_HZ)
    start = centre - half - window // 2
    count = 2 * half // FINE_HOP
    if start < 0 or centre + half + window > len(mono):
        return float("nan")
    part = mono.part(start, start + (count - 1) * FINE_HOP + window)
    frames = np.lib.stride_tricks.sliding_window_view(part, window)[::FINE_HOP]
    hz = np.fft.rfftfreq(window, 1 / RATE_HZ)
    partials = _hz(note.pitch_midi) * np.arange(1, FINE_PARTIALS + 1)
    partials = partials[partials < HIGHEST_HZ]
    width = np.maximum(RATE_HZ / window, FINE_HALF_WIDTH * partials)
    own = np.any(np.abs(hz[:, None] - partials) <= width, axis=1)
    magnitude = np.abs(np.fft.rfft(frames * np.hanning(window).astype(np.float32), axis=1))[:, own]
    loud = np.log1p(magnitude / (1e-6 + 0.5 * np.median(magnitude)))
    rise = np.zeros(count)
    rise[FINE_LAG:] = np.maximum(loud[FINE_LAG:] - loud[:-FINE_LAG], 0).sum(axis=1)
    times_s = (np.arange(count) * FINE_HOP - half - FINE_LAG * FINE_HOP / 2) / RATE_HZ
    weighted = rise * np.exp(-((times_s / (FINE_REACH_S / 2)) ** 2))
    top = int(np.argmax(weighted))
    if not 0 < top < count - 1:
        return float("nan")
    before, here, after = weighted[top - 1 : top + 2]
    bend = before - 2 * here + after
    between = float(np.clip(0.5 * (before - after) / bend, -1, 1)) if bend < 0 else 0.0
    return note.onset_s + float(times_s[top]) + between * FINE_HOP / RATE_HZ


def _levelled(notes: list[HeardNote], mono: Mono) -> tuple[list[HeardNote], float | None, bool]:
    """Give one line the levels of its own partials; where notes sound together the net's are better. The median is 0 dB."""
    sure = sorted((note for note in notes if note.confidence >= SURE), key=lambda note: note.onset_s)
    near = [
        abs(other.pitch_midi - one.pitch_midi) for one, other in pairwise(sure) if other.onset_s - one.onset_s < ALONE_S
    ]
    others = sum(step not in PARTIAL_STEPS for step in near)
    is_line = len(sure) >= LEAST_STRIKES and others <= (1 - LINE_FRAC) * len(sure) and len(near) <= (1 - LINE_FRAC_WITH_PARTIALS) * len(sure)  # fmt: skip
    error_db = None
    if is_line:
        onsets = np.array([note.onset_s for note in sure])
        levels = [_partials_db(mono, note, onsets, length_s=LEVEL_END_S) for note in notes]
        shorter = [_partials_db(mono, note, onsets, length_s=LEVEL_SHORT_S) for note in sure]
        by_note = dict(zip(map(id, notes), levels, strict=True))
        differences = _around_own_key([note.pitch_midi for note in sure], [a - by_note[id(note)] for a, note in zip(shorter, sure, strict=True)])  # fmt: skip
        if len(differences) >= LEAST_STRIKES:
            error_db = _robust_sd(np.array(differences))
        notes = [replace(note, level_db=level) for note, level in zip(notes, levels, strict=True)]
    return around_median(notes), error_db, is_line


def _partials_db(mono: Mono, note: HeardNote, onsets: NDArray[np.float64], *, length_s: float) -> float:
    """Return the level of a strike's partials: amplitudes added, for adding powers would follow the room's loudest one."""
    place = int(np.searchsorted(onsets, note.onset_s + ALONE_S))
    following = float(onsets[place]) - LEVEL_START_S if place < len(onsets) else note.onset_s + 1.0
    start = int((note.onset_s + LEVEL_START_S) * RATE_HZ)
    stop = int(min(note.onset_s + length_s, max(following, note.onset_s + 0.06)) * RATE_HZ)
    part = mono.part(start, stop)
    magnitude = np.abs(np.fft.rfft(part * np.hanning(len(part)).astype(np.float32), LEVEL_FFT)) / len(part)
    hz = np.fft.rfftfreq(LEVEL_FFT, 1 / RATE_HZ)
    partials = _hz(note.pitch_midi) * np.arange(1, LEVEL_PARTIALS + 1)
    partials = partials[partials < HIGHEST_HZ]
    total = 0.0
    for partial in partials:
        own = np.abs(hz - partial) < max(RATE_HZ / len(part), 0.015 * partial)
        total += float(np.sqrt(np.sum(magnitude[own] ** 2)))
    return float(20 * np.log10(total + 1e-9))


def _around_own_key(pitches: Sequence[int], values: Sequence[float]) -> list[float]:
    by_pitch: dict[int, list[float]] = {}
    for pitch, value in zip(pitches, values, strict=True):
        by_pitch.setdefault(pitch, []).append(value)
    return [value - float(np.median(same)) for same in by_pitch.values() if len(same) >= 2 for value in same]


def _robust_sd(values: NDArray[np.float64]) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
