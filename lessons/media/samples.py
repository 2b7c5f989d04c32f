"""Decoded sound: opening it, mixing its channels to one, and its outline for drawing.

How channels become one
-----------------------
A phone may write two channels of which one is dead, or two that are each other's opposite; a plain mean would halve the first and
wipe out the second. The rule, over the whole clip:

1. Of more than two channels only the front ones count (left, right, centre).
2. A channel more than 20 dB quieter than the loudest is left out.
3. A channel whose correlation with the loudest is below -0.5 is turned over.
4. What is left is averaged.

So one microphone and two give the same loudness for the same playing. A worked example: left carries the piano, right is dead: the mix
is the left channel as it is, not half of it.
"""

import mmap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lessons.media.errors import SamplesError

# Level below the loudest channel, decibels, from which a channel is left out. A second microphone of a phone is 0 to 10 dB quieter; a
# dead one 60 and more.
SILENT_DB = 20.0

# Correlation with the loudest channel, -1 to 1, below which a channel is turned over. Two microphones on one piano have 0.1 to 0.9;
# a wrongly wired one -0.9.
OPPOSED = -0.5

# Channels in front of the player, by the names that `lessons.media.SoundFacts` gives.
FRONT = frozenset({"FL", "FR", "FC", "FLC", "FRC"})

# Samples of each channel looked at together. A million take 16 MB for two channels in double precision.
CHUNK_SAMPLES = 1 << 20

# Samples of a channel after which what was read of a mapped file is let go by those who read it through: 16 MB a channel. Fewer cost
# calls, more cost memory.
LET_GO_EVERY = 4_000_000

# Pairs of an outline a second, and the number that stands for full scale.
PEAKS_HZ = 100
PEAK_FULL = 127


def open_samples(path: Path) -> NDArray[np.float32]:
    """Return decoded sound without reading it into memory.

    Parameters
    ----------
    path
        What `lessons.media.decode_sound` wrote.

    Returns
    -------
    NDArray[np.float32], shape (n_channels, n)
        A read-only view of the file; full scale 1; sample 0 is the clip's common zero.

    Raises
    ------
    SamplesError
        If it is no such file.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     np.save(Path(folder, "take.npy"), np.zeros((480, 2), np.float32))
    ...     open_samples(Path(folder, "take.npy")).shape
    (2, 480)
    """
    try:
        stored = np.load(path, mmap_mode="r", allow_pickle=False)
    except (OSError, ValueError) as error:
        raise SamplesError(f"{path.name} holds no decoded sound: {error}") from error
    if stored.ndim != 2 or stored.dtype != np.float32:
        raise SamplesError(f"{path.name} holds {stored.dtype} of shape {stored.shape}; wanted float32 (n, n_channels)")
    samples: NDArray[np.float32] = stored.T
    return samples


def let_go(samples: NDArray[np.float32]) -> None:
    """Let the pages of a mapped file go that were read so far; a later look reads them again.

    Without this a process is seen to hold all it has read: 460 MB after an hour of two channels at 16 kHz.

    Parameters
    ----------
    samples : shape (n_channels, n)
        As from `open_samples`. Nothing happens where it is no view of a mapped file, or where the system cannot do this.

    Examples
    --------
    >>> let_go(np.zeros((1, 10), np.float32))
    """
    array: Any = samples
    while array is not None and not isinstance(array, mmap.mmap):
        mapped = getattr(array, "_mmap", None)
        array = mapped if mapped is not None else getattr(array, "base", None)
    if array is not None and hasattr(mmap, "MADV_DONTNEED"):
        array.madvise(mmap.MADV_DONTNEED)


def mix_weights(samples: NDArray[np.float32], *, names: Sequence[str] | None = None) -> NDArray[np.float64]:
    """Return what each channel is multiplied by before all are added.

    Parameters
    ----------
    samples : shape (n_channels, n)
        The sound; may be a view of a file, it is read in pieces.
    names
        Names of the channels (`lessons.media.SoundFacts.channels`). Default: by their number, all of them up to two and the first
        three of more.

    Returns
    -------
    NDArray[np.float64], shape (n_channels,)
        Zero for what is left out; the absolute values add up to 1. For no samples or silence, the mean of the front channels.

    Raises
    ------
    SamplesError
        If the shape is not two-dimensional, or ``names`` has another length.

    Examples
    --------
    >>> tone = np.sin(np.arange(4800) / 10).astype(np.float32)
    >>> mix_weights(np.stack([tone, tone * 0])).tolist()
    [1.0, 0.0]
    >>> mix_weights(np.stack([tone, -tone])).tolist()
    [0.5, -0.5]
    """
    if samples.ndim != 2 or not len(samples):
        raise SamplesError(f"wanted samples of shape (n_channels, n), not {samples.shape}")
    front = _front(len(samples), names)
    sums, products, count = np.zeros(len(front)), np.zeros((len(front), len(front))), 0
    for chunk in _chunks(samples):
        part = chunk[front].astype(np.float64)
        sums += part.sum(axis=1)
        products += part @ part.T
        count += part.shape[1]
    weights = np.zeros(len(samples))
    covariance = products - np.outer(sums, sums) / max(count, 1)
    power = np.maximum(np.diag(covariance), 0.0)
    loudest = int(power.argmax())
    if not power[loudest] > 0:
        weights[front] = 1 / len(front)
        return weights
    kept = power > power[loudest] * 10 ** (-SILENT_DB / 10)
    correlation = covariance[loudest] / np.sqrt(np.maximum(power * power[loudest], np.finfo(float).tiny))
    weights[front] = np.where(kept, np.where(correlation < OPPOSED, -1.0, 1.0), 0.0) / kept.sum()
    return weights


def mix(samples: NDArray[np.float32], *, names: Sequence[str] | None = None) -> NDArray[np.float32]:
    """Return the sound as one channel.

    Parameters
    ----------
    samples : shape (n_channels, n)
        The sound; may be a view of a file.
    names
        Names of the channels; see `mix_weights`.

    Returns
    -------
    NDArray[np.float32], shape (n,)
        Full scale 1, never beyond what the loudest channel reaches. Empty for no samples. An hour at 48 kHz takes 690 MB; mix a
        stretch of it with the weights of the whole instead.

    Raises
    ------
    SamplesError
        If the shape is not two-dimensional, or ``names`` has another length.

    Examples
    --------
    >>> tone = np.sin(np.arange(4800) / 10).astype(np.float32)
    >>> bool(np.allclose(mix(np.stack([tone, -tone])), tone))
    True
    """
    weights = mix_weights(samples, names=names)
    mixed = np.zeros(samples.shape[1], np.float32)
    at = 0
    for chunk in _chunks(samples):
        mixed[at : at + chunk.shape[1]] = _weighted(chunk, weights)
        at += chunk.shape[1]
    return mixed


def make_peaks(
    samples_path: Path, out_path: Path, *, rate_hz: int, names: Sequence[str] | None = None
) -> NDArray[np.float64]:
    """Return the channel weights that were used, once the outline of a sound lies at ``out_path``.

    The file is nothing but signed bytes: lowest and highest value of each hundredth of a second from the common zero, alternating, full
    scale 127, rounded away from zero. An hour takes 720 kB. ``new Int8Array(buffer)`` reads it in a browser.

    Parameters
    ----------
    samples_path
        What `lessons.media.decode_sound` wrote.
    out_path
        Where the outline goes. Its folder must exist.
    rate_hz
        Samples a second, at least 100.
    names
        Names of the channels; see `mix_weights`.

    Returns
    -------
    NDArray[np.float64], shape (n_channels,)
        As from `mix_weights`. The file is empty for no samples.

    Raises
    ------
    SamplesError
        If ``samples_path`` holds no decoded sound, or the rate is too low.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     np.save(Path(folder, "take.npy"), np.tile(np.float32([[0.5], [-1.0]]), (480, 1)))
    ...     _ = make_peaks(Path(folder, "take.npy"), Path(folder, "take.peaks"), rate_hz=48000)
    ...     np.fromfile(Path(folder, "take.peaks"), np.int8).tolist()
    [-127, 64, -127, 64]
    """
    if rate_hz < PEAKS_HZ:
        raise SamplesError(f"an outline needs at least {PEAKS_HZ} samples a second, not {rate_hz}")
    samples = open_samples(samples_path)
    weights = mix_weights(samples, names=names)
    part_path = out_path.with_name(f".{out_path.name}.part")
    try:
        with part_path.open("wb") as out:
            # Ten seconds at a time: a whole number of pairs at every rate.
            step = 10 * rate_hz
            for begin in range(0, samples.shape[1], step):
                let_go(samples)
                mixed = _weighted(samples[:, begin : begin + step], weights)
                first = np.arange(0, -(-mixed.size * PEAKS_HZ // rate_hz)) * rate_hz // PEAKS_HZ
                first = first[first < mixed.size]
                pairs = np.stack(
                    [
                        np.floor(np.minimum.reduceat(mixed, first) * PEAK_FULL),
                        np.ceil(np.maximum.reduceat(mixed, first) * PEAK_FULL),
                    ],
                    axis=1,
                )
                out.write(np.clip(np.nan_to_num(pairs), -PEAK_FULL, PEAK_FULL).astype(np.int8).tobytes())
        part_path.replace(out_path)
    finally:
        part_path.unlink(missing_ok=True)
    return weights


def _front(channels: int, names: Sequence[str] | None) -> list[int]:
    if names is None:
        return list(range(min(channels, 2 if channels <= 2 else 3)))
    if len(names) != channels:
        raise SamplesError(f"{len(names)} names for {channels} channels")
    if channels <= 2:
        return list(range(channels))
    return [place for place, name in enumerate(names) if name in FRONT] or [0, 1]


def _chunks(samples: NDArray[np.float32]) -> Iterator[NDArray[np.float32]]:
    for begin in range(0, samples.shape[1], CHUNK_SAMPLES):
        yield samples[:, begin : begin + CHUNK_SAMPLES]
        let_go(samples)


def _weighted(chunk: NDArray[np.float32], weights: NDArray[np.float64]) -> NDArray[np.float32]:
    used = np.flatnonzero(weights)
    mixed: NDArray[np.float32] = weights[used].astype(np.float32) @ chunk[used]
    return mixed
