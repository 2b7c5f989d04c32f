"""The first stage of the ear: for every 10 ms and every key, how sure it is that the key was struck, when, and how loud.

A small convolutional net of our own (`listener.onnx`; LISTENER.md tells how it was made, what it was measured to do and
where it fails) reads three spectra of the sound and answers with four numbers per frame and key. It says nothing about
right or wrong: its low answers are as useful as its high ones to whoever knows what was written. An octave struck at
the very same moment is its known weakness, so a missing octave partner means “cannot tell”, never “not played”.

Sound of any length goes through in pieces of 12 s with a margin of 1 s on either side. The net sees about 0.9 s to
either side of a frame, so the answer does not depend on where the cuts fall, and memory stays bounded when the answers
are taken piece by piece (`Listener.stream`).
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import onnxruntime
from numpy.typing import NDArray

from reviews.sound.errors import MissingModelError, UnusableSoundError

Floats = NDArray[np.float32]

MODEL = Path(__file__).with_name("listener.onnx")

RATE_HZ = 16_000  # Hz; piano strikes need nothing above 8 kHz, and phones often carry no more
HOP = 160  # samples between frames, 10 ms; the net was trained on this grid and no other
LOWEST_MIDI = 21
KEYS = 88
WINDOWS = (4096, 2048, 512)  # samples of the Hann windows: pitch of the bass, pitch, time
BINS = (512, 1025, 257)  # bins of each spectrum that the net reads; of the longest only up to 2 kHz
PIECE_S = 12.0  # s heard at once: longer takes more memory (about 20 MB a second), shorter repeats more margin
MARGIN_S = 1.0  # s heard on both sides of a piece; below 0.9 the cuts would show
BEFORE_FRAMES = -(-WINDOWS[0] // 2 // HOP)  # frames whose windows reach back beyond a cut
LOUD_RMS = 0.1  # RMS to which the loud moments of a recording are brought; the net was trained within ±3 dB of it
LOUD_BLOCK = 800  # samples (50 ms) over which loudness is taken for that
LOUD_PERCENTILE = 95  # what counts as loud: the level passed by one block in twenty
GAP_S = 0.035  # s below which two peaks of one key are one strike; no hand repeats a key faster
LOWPASS_HALF = 48  # taps on each side, times the ratio, of the filter before samples are dropped


@dataclass(frozen=True, slots=True)
class Activations:
    """What the net says of a stretch of sound.

    Parameters
    ----------
    times_s
        Centre of each frame from the beginning of the sound, shape (n_frames,), seconds, rising by 0.01.
    onset
        How sure it is that the key was struck within two frames, shape (n_frames, 88), 0–1; highest at the strike.
    shift_s
        Where the strike lies, measured from the frame, shape (n_frames, 88), seconds; means something only where
        `onset` is not small.
    level_db
        Level of that strike relative to the recording's average note, shape (n_frames, 88), decibels; likewise.
    sounding
        How sure it is that the key's strings ring undamped, shape (n_frames, 88), 0–1.
    """

    times_s: NDArray[np.float64]
    onset: Floats
    shift_s: Floats
    level_db: Floats
    sounding: Floats


class Strike(NamedTuple):
    """One strike of one key: seconds, MIDI number, decibels relative to the average note, and how sure (0–1)."""

    onset_s: float
    pitch_midi: int
    level_db: float
    confidence: float


def loudness_gain(blocks: Iterable[Floats]) -> float:
    """The factor that brings a recording's loud moments to the level the net expects.

    Parameters
    ----------
    blocks
        The whole recording in pieces of any length, each shape (n,), 16 kHz.

    Returns
    -------
    float
        Factor above zero; 1.0 for a recording shorter than 50 ms.

    Examples
    --------
    >>> round(loudness_gain([np.full(16_000, 0.2, np.float32)]), 3)
    0.5
    """
    powers: list[Floats] = []
    rest = np.zeros(0, np.float32)
    for block in blocks:
        rest = np.concatenate([rest, block])
        whole = len(rest) // LOUD_BLOCK * LOUD_BLOCK
        powers.append(np.mean(rest[:whole].reshape(-1, LOUD_BLOCK) ** 2, axis=1, dtype=np.float32))
        rest = rest[whole:]
    if not powers or not sum(map(len, powers)):
        return 1.0
    loud = float(np.percentile(np.sqrt(np.concatenate(powers)), LOUD_PERCENTILE))
    return LOUD_RMS / max(loud, 1e-5)


def spectra(sound: Floats, *, first: int = 0, count: int | None = None) -> list[Floats]:
    """Magnitudes of three Hann-windowed spectra on one 10 ms grid, scaled so that a full-scale sine reads about 1.

    Parameters
    ----------
    sound
        Shape (n,), 16 kHz. Before and behind it counts as silence.
    first
        Number of the first frame wanted.
    count
        How many frames; by default all that remain of the n // 160 + 1.

    Returns
    -------
    list of ndarray
        Three arrays of shapes (count, 512), (count, 1025), (count, 257): windows of 4096, 2048 and 512 samples.

    Examples
    --------
    >>> [each.shape for each in spectra(np.zeros(16_000, np.float32))]
    [(101, 512), (101, 1025), (101, 257)]
    """
    if count is None:
        count = len(sound) // HOP + 1 - first
    found = []
    for size, bins in zip(WINDOWS, BINS, strict=True):
        start, end = first * HOP - size // 2, (first + count - 1) * HOP + size // 2
        low, high = max(start, 0), min(end, len(sound))
        part = np.pad(sound[low : max(high, low)], (low - start, end - max(high, low)))
        view = np.lib.stride_tricks.sliding_window_view(part, size)[::HOP][:count]
        window = np.hanning(size + 1)[:-1].astype(np.float32)
        spectrum = np.fft.rfft(view * window, axis=1)[:, :bins]
        found.append(np.abs(spectrum).astype(np.float32) * np.float32(2 / window.sum()))
    return found


def at_16_khz(sound: Floats, *, rate_hz: int) -> Floats:
    """The sound at 16 kHz, when its rate is a whole multiple of that.

    Parameters
    ----------
    sound
        Shape (n,), mono.
    rate_hz
        16 000, 32 000 or 48 000 …: other rates are for the decoder to convert.

    Returns
    -------
    ndarray
        Shape (ceil(n · 16 000 / rate_hz),); empty for an empty input. Sample 0 stays sample 0.

    Raises
    ------
    UnusableSoundError
        The sound has several channels or no usable rate.

    Examples
    --------
    >>> at_16_khz(np.zeros(48_001, np.float32), rate_hz=48_000).shape
    (16001,)
    """
    if sound.ndim != 1:
        raise UnusableSoundError(f"Sound of shape {sound.shape} given, one channel of shape (n,) wanted.")
    if rate_hz < RATE_HZ or rate_hz % RATE_HZ:
        raise UnusableSoundError(f"A rate of {rate_hz} Hz given, a whole multiple of {RATE_HZ} Hz wanted.")
    ratio = rate_hz // RATE_HZ
    if ratio == 1 or not len(sound):
        return np.asarray(sound, np.float32)
    half = LOWPASS_HALF * ratio
    n = np.arange(-half, half + 1)
    taps = np.sinc(0.94 * n / ratio) * np.kaiser(2 * half + 1, 8.0)
    taps = (taps / taps.sum()).astype(np.float32)
    wanted = -(-len(sound) // ratio)
    parts = []
    step = 60 * RATE_HZ  # a minute at a time
    for start in range(0, wanted, step):
        count = min(step, wanted - start)
        low, high = start * ratio - half, (start + count - 1) * ratio + half + 1
        part = np.pad(sound[max(low, 0) : min(high, len(sound))], (max(-low, 0), max(high - len(sound), 0)))
        parts.append(_kept_of_filtered(part, taps, ratio=ratio, count=count))
    return np.concatenate(parts)


def _kept_of_filtered(part: Floats, taps: Floats, *, ratio: int, count: int) -> Floats:
    """Every `ratio`-th sample of the convolution, as a sum over the taps' phases so that nothing dropped is computed."""
    length = -(-len(taps) // ratio)
    padded_taps = np.pad(taps, (0, length * ratio - len(taps)))
    padded = np.pad(part, (0, (count + length) * ratio - len(part)))
    total = np.zeros(count, np.float32)
    for phase in range(ratio):
        total += np.convolve(padded[phase::ratio], padded_taps[phase::ratio][::-1], "valid")[:count]
    return total


class Listener:
    """The net, loaded once and used for as many recordings as wanted; not shared between processes.

    Parameters
    ----------
    model
        The ONNX file.
    threads
        Cores one call may use.

    Raises
    ------
    MissingModelError
        There is no such file, or it is not a net that can be run.
    """

    def __init__(self, model: Path = MODEL, *, threads: int = 1) -> None:
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
        if not model.is_file():
            raise MissingModelError(f"No net at {model.name!r}; the file belongs beside the code.")
        try:
            self._session = onnxruntime.InferenceSession(str(model), options, providers=["CPUExecutionProvider"])
        except Exception as error:
            raise MissingModelError(f"{model.name!r} is not a net that can be run: {error}") from error
        self._inputs = [each.name for each in self._session.get_inputs()]

    def stream(self, blocks: Iterable[Floats], *, gain: float) -> Iterator[Activations]:
        """What the net says, piece by piece, of a recording that arrives in pieces.

        Parameters
        ----------
        blocks
            The recording at 16 kHz in pieces of any length, each shape (n,).
        gain
            Factor on every sample, from `loudness_gain` over the same recording.

        Yields
        ------
        Activations
            Consecutive stretches of at most 12 s; n // 160 + 1 frames in all; for an empty recording one frame.

        Raises
        ------
        UnusableSoundError
            A piece has several channels, or holds numbers that are none.
        """
        size, margin = int(PIECE_S * RATE_HZ) // HOP, int(MARGIN_S * RATE_HZ) // HOP
        reach = margin * HOP + WINDOWS[0] // 2  # samples needed beyond the last frame of a piece
        held, held_from, done, total = np.zeros(0, np.float32), 0, 0, 0
        for block in blocks:
            if block.ndim != 1 or not np.all(np.isfinite(block)):
                raise UnusableSoundError(f"A piece of shape {block.shape} given, finite numbers of shape (n,) wanted.")
            held = np.concatenate([held, np.asarray(block, np.float32) * np.float32(gain)])
            total += len(block)
            while total >= (done + size - 1) * HOP + reach:
                yield self._piece(held, held_from=held_from, first=done, count=size, last=done + size + margin)
                done += size
                # Whole hops are dropped, so that the frames of the next piece fall where they would in the whole recording.
                keep = max(0, done - margin - BEFORE_FRAMES) * HOP
                held, held_from = held[keep - held_from :], keep
        frames = total // HOP + 1
        while done < frames:
            count = min(size, frames - done)
            yield self._piece(
                held, held_from=held_from, first=done, count=count, last=min(frames, done + size + margin)
            )
            done += count

    def _piece(self, held: Floats, *, held_from: int, first: int, count: int, last: int) -> Activations:
        low = max(0, first - int(MARGIN_S * RATE_HZ) // HOP)
        offset = held_from // HOP
        given = spectra(held, first=low - offset, count=last - low)
        answer = self._session.run(None, {n: each[None] for n, each in zip(self._inputs, given, strict=True)})[0][0]
        answer = answer[first - low : first - low + count]
        return Activations(
            times_s=np.asarray((first + np.arange(len(answer))) * (HOP / RATE_HZ), np.float64),
            onset=_probability(answer[..., 0]),
            shift_s=answer[..., 1] * np.float32(HOP / RATE_HZ),
            level_db=answer[..., 2] * np.float32(10),
            sounding=_probability(answer[..., 3]),
        )

    def activations(self, sound: Floats, *, rate_hz: int = RATE_HZ) -> Activations:
        """What the net says of a whole recording held in memory (about 0.14 MB of answer a second).

        Parameters
        ----------
        sound
            Shape (n,), mono, 16 kHz or a whole multiple.
        rate_hz
            Its rate.

        Returns
        -------
        Activations
            n // 160 + 1 frames at 16 kHz; one frame for an empty recording.

        Raises
        ------
        UnusableSoundError
            See `at_16_khz` and `stream`.

        Examples
        --------
        >>> Listener().activations(np.zeros(8_000, np.float32)).onset.shape
        (51, 88)
        """
        sound = at_16_khz(sound, rate_hz=rate_hz)
        pieces = list(self.stream([sound], gain=loudness_gain([sound])))
        return Activations(
            *(np.concatenate([getattr(each, name) for each in pieces]) for name in Activations.__dataclass_fields__)
        )


def _probability(logit: Floats) -> Floats:
    return (1 / (1 + np.exp(-np.clip(logit, -30, 30)))).astype(np.float32)


def strikes(heard: Activations, *, threshold: float) -> list[Strike]:
    """The strikes among the activations: local maxima of `onset`, timed between frames.

    The time is the mean of frame plus predicted shift over the peak and its two neighbours, weighted by the squared
    onset activation; so is the level.

    Parameters
    ----------
    heard
        A stretch of activations.
    threshold
        Smallest onset activation that counts, 0–1. About 0.2 accepts what was expected; 0.5 and more alleges what was
        not.

    Returns
    -------
    list of Strike
        Sorted by time; empty where nothing reaches the threshold. Two strikes of one key are at least 35 ms apart.

    Examples
    --------
    >>> onset = np.zeros((9, 88), np.float32); onset[4, 39] = 0.9
    >>> level, shift = np.full((9, 88), -2.0, np.float32), np.full((9, 88), 0.003, np.float32)
    >>> heard = Activations(np.arange(9) / 100, onset, shift, level, onset)
    >>> [strike] = strikes(heard, threshold=0.5)
    >>> strike.pitch_midi, round(strike.onset_s, 3), strike.level_db
    (60, 0.043, -2.0)
    """
    onset = heard.onset
    padded = np.pad(onset, ((2, 2), (0, 0)))
    before2, before, here, after, after2 = (padded[i : i + len(onset)] for i in range(5))
    peak = (here >= threshold) & (here >= before) & (here > after) & (here >= before2) & (here > after2)
    found: list[Strike] = []
    for key in np.flatnonzero(peak.any(axis=0)):
        for frame in np.flatnonzero(peak[:, key]):
            near = slice(max(0, frame - 1), frame + 2)
            weight = onset[near, key].astype(np.float64) ** 2
            weight /= weight.sum()
            at_s = float(weight @ (heard.times_s[near] + np.clip(heard.shift_s[near, key], -0.03, 0.03)))
            level_db = float(weight @ heard.level_db[near, key])
            strike = Strike(at_s, LOWEST_MIDI + int(key), level_db, float(onset[frame, key]))
            if found and found[-1].pitch_midi == strike.pitch_midi and at_s - found[-1].onset_s < GAP_S:
                found[-1] = max(found[-1], strike, key=lambda each: each.confidence)
            else:
                found.append(strike)
    return sorted(found)
