"""The sound of a clip as samples that can be measured."""

import math
from collections.abc import Callable
from pathlib import Path

from lessons.media.facts import Kind, Probe, SoundFacts
from lessons.media.limits import WorkLimits
from lessons.media.making import make_files

# Samples a second of each channel unless asked otherwise. Phones record at 48 kHz, so that most sound is not changed at all.
SOUND_RATE_HZ = 48_000

# Most samples a second that are kept, hertz. What a phone or recorder writes is at most 192 000.
MAX_RATE_HZ = 192_000

# Most channels that are expected; only sets how large the file may grow beside what the probe found.
_LEAST_CHANNELS = 2


def decode_sound(
    path: Path,
    out_path: Path,
    *,
    probe: Probe,
    rate_hz: int | None = SOUND_RATE_HZ,
    limits: WorkLimits | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> SoundFacts:
    """Return what the sound of a clip is, once its samples lie at ``out_path``.

    The file is a NumPy array (``.npy``, version 1.0) of 32-bit floats, shape ``(n, n_channels)``: the channels' samples side by side,
    full scale 1, **as they came**: no channel is mixed, nothing is made louder. Sample 0 is the clip's common zero. Where the track has
    nothing, before it begins and in gaps, samples are zero. `lessons.media.samples` opens it without reading it into memory, and mixes.
    An hour of two channels at 48 kHz takes 1.4 GB; remove it once it is measured.

    Parameters
    ----------
    path
        The original, which `lessons.media.probe` accepted or took in part.
    out_path
        Where the samples go; replaced in one move. Its folder must exist.
    probe
        What the probe found about ``path``; its length and channels set the limits.
    rate_hz
        Samples a second to change to, 1000 to 192 000. None: as recorded.
    limits
        What decoding may use. Default: `WorkLimits` as it stands.
    on_progress
        Called with the share of the clip's length that is done, 0 to 1, never falling.

    Returns
    -------
    SoundFacts
        Rate, channels, length and gaps.

    Raises
    ------
    CopyError
        If the sound cannot be decoded, or it would need more time or space than allowed. Trying again is useless.
    ValueError
        If ``probe`` says that there is no sound, or ``rate_hz`` is out of range.
    UnopenableFileError
        If ``path`` cannot be read or the folder of ``out_path`` cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full; try again later.

    Examples
    --------
    >>> import tempfile, wave
    >>> from lessons.media import probe
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with wave.open(str(Path(folder, "take.wav")), "wb") as sound:
    ...         sound.setparams((1, 2, 24000, 0, "NONE", ""))
    ...         sound.writeframes(bytes([0, 64]) * 24000)
    ...     found = probe(Path(folder, "take.wav"))
    ...     facts = decode_sound(Path(folder, "take.wav"), Path(folder, "take.npy"), probe=found)
    >>> facts.rate_hz, facts.channels, facts.samples, facts.gaps_s
    (48000, ('FC',), 48000, ())
    """
    if probe.kind not in (Kind.VIDEO, Kind.SOUND) or probe.audio is None:
        raise ValueError(f"there is no sound to decode in kind {probe.kind}")
    if rate_hz is not None and not 1000 <= rate_hz <= MAX_RATE_HZ:
        raise ValueError(f"a rate is 1000 to {MAX_RATE_HZ} hertz; this is {rate_hz}")
    limits = limits or WorkLimits()
    duration_s = probe.duration_s or 0.0
    bytes_s = 4 * max(_LEAST_CHANNELS, probe.audio.channels) * (rate_hz or min(probe.audio.rate_hz, MAX_RATE_HZ))
    answer = make_files(
        "sound",
        source=path,
        out_paths=[out_path],
        options={
            "max_frame_px": limits.max_frame_px,
            "max_streams": limits.max_streams,
            "max_duration_s": limits.max_duration_s,
            "duration_s": duration_s,
            "rate_hz": rate_hz,
        },
        # Ten seconds more: a probe and a decoder may differ by what lies at a damaged end.
        box=limits.box_for(duration_s, file_bytes=math.ceil(bytes_s * (duration_s + 10))),
        on_progress=on_progress,
    )
    if on_progress is not None:
        on_progress(1.0)
    rate = int(answer["rate_hz"])
    return SoundFacts(
        rate_hz=rate,
        channels=tuple(str(name) for name in answer["channels"]),
        samples=int(answer["samples"]),
        duration_s=round(int(answer["samples"]) / rate, 6),
        start_s=round(float(answer["start_s"]), 6),
        gaps_s=tuple((float(begin_s), float(end_s)) for begin_s, end_s in answer["gaps_s"]),
        gap_count=int(answer["gap_count"]),
        damaged_packets=int(answer["damaged_packets"]),
    )
