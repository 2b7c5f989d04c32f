"""The copy that a browser plays, and its first picture."""

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from lessons.media.facts import CopyResult, Kind, Probe
from lessons.media.limits import BoxLimits, CopyLimits, VoiceLimits
from lessons.media.making import make_files
from lessons.media.reasons import ReasonCode

# Long side of the poster, pixels. It is shown at most half a page wide; 640 serves a phone at twice its density.
POSTER_LONG_SIDE_PX = 640

# What making a poster may use. It decodes at most eleven seconds of our own copy.
POSTER_BOX = BoxLimits(cpu_s=30.0, wall_s=90.0, file_bytes=5_000_000)

# Reasons of the probe after which everything is there that the file promises.
_WHOLE = frozenset({ReasonCode.OK, ReasonCode.NO_SOUND, ReasonCode.SILENT})


def make_copy(
    path: Path,
    out_path: Path,
    *,
    probe: Probe,
    limits: CopyLimits | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> CopyResult:
    """Return what the browser copy holds, once it lies at ``out_path``.

    H.264 and AAC in MP4 with its index in front; upright, at most `CopyLimits.short_side_px` on the shorter side and
    `CopyLimits.max_rate_hz` pictures a second; picture times kept as filmed; high dynamic range brought to BT.709; no place, maker or
    date. Sound alone becomes an AAC file in MP4. What is all this already, with a key picture at least every
    `CopyLimits.key_every_s`, is not coded again but only put into a new file.

    Parameters
    ----------
    path
        The original, which `lessons.media.probe` accepted or took in part.
    out_path
        Where the copy goes; replaced in one move once it is whole. Its folder must exist.
    probe
        What the probe found about ``path``; its kind and length set the limits.
    limits
        How the copy is made and what making it may use. Default: `CopyLimits` as it stands.
    on_progress
        Called with the share of the clip's length that is done, 0 to 1, never falling.

    Returns
    -------
    CopyResult
        Facts of the copy, from what was written.

    Raises
    ------
    CopyError
        If the clip cannot be decoded, or the copy would need more time, memory or space than allowed. Trying again is useless.
    ValueError
        If ``probe`` says that the file is neither film nor sound.
    UnopenableFileError
        If ``path`` cannot be read or the folder of ``out_path`` cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full; try again later.

    Examples
    --------
    >>> import tempfile, wave
    >>> from lessons.media import probe
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     original, copy = Path(folder, "take.wav"), Path(folder, "copy.m4a")
    ...     with wave.open(str(original), "wb") as sound:
    ...         sound.setparams((1, 2, 48000, 0, "NONE", ""))
    ...         sound.writeframes(bytes([0, 40, 0, 216]) * 24000)
    ...     made = make_copy(original, copy, probe=probe(original))
    >>> made.content_type, made.frames, round(made.duration_s, 3)
    ('audio/mp4', 0, 1.0)
    """
    if probe.kind not in (Kind.VIDEO, Kind.SOUND):
        raise ValueError(f"a copy is made of films and sound, not of kind {probe.kind}")
    limits = limits or CopyLimits()
    duration_s = probe.duration_s or 0.0
    cpu_s = limits.cpu_base_s + limits.cpu_frac * duration_s
    box = replace(
        limits.box,
        cpu_s=cpu_s,
        wall_s=cpu_s * limits.wall_frac,
        file_bytes=math.ceil(limits.bytes_base + limits.bytes_s * duration_s),
    )
    # Only what is whole is taken over as it came; what is damaged is mended by coding it again.
    options = asdict(limits) | {"duration_s": duration_s, "may_remux": probe.reason in _WHOLE}
    del options["box"]
    answer = make_files("copy", source=path, out_paths=[out_path], options=options, box=box, on_progress=on_progress)
    if on_progress is not None:
        on_progress(1.0)
    return _result(answer)


def voice_midi(
    path: Path,
    out_path: Path,
    *,
    probe: Probe,
    recordings: Mapping[int, Path] | None = None,
    limits: VoiceLimits | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> CopyResult:
    """Return what the sound of a MIDI file is, once it lies at ``out_path`` as AAC in MP4.

    Keys sound from their strike until they are let go or the pedal is, each as loud as its velocity says: 40 decibels for each tenfold
    (the response that synthesisers are asked for, from memory). Time 0 of the sound is tick 0 of the file. Drums are left out.

    Parameters
    ----------
    path
        The MIDI file, which `lessons.media.probe` accepted.
    out_path
        Where the sound goes; replaced in one move once it is whole. Its folder must exist.
    probe
        What the probe found about ``path``; its length sets the limits.
    recordings
        Recorded notes by their MIDI number, sound files of our own; the nearest serves for keys between. None or empty: a plain tone.
    limits
        What making it may use. Default: `VoiceLimits` as it stands.
    on_progress
        Called with the share of the length that is done, 0 to 1, never falling.

    Returns
    -------
    CopyResult
        Facts of the sound; half a second longer than the file, for the last note to die away.

    Raises
    ------
    CopyError
        If it would need more time, memory or space than allowed, or a recording cannot be decoded. Trying again is useless.
    ValueError
        If ``probe`` says that the file is no MIDI file.
    UnopenableFileError
        If a file cannot be read or the folder of ``out_path`` cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full; try again later.

    Examples
    --------
    >>> import tempfile
    >>> from lessons.media import probe
    >>> events = bytes([0, 0x90, 60, 80, 0x60, 0x80, 60, 0, 0, 0xFF, 0x2F, 0])
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     original, copy = Path(folder, "take.mid"), Path(folder, "copy.m4a")
    ...     head = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1, 0, 0x60])
    ...     _ = original.write_bytes(head + b"MTrk" + bytes([0, 0, 0, len(events)]) + events)
    ...     made = voice_midi(original, copy, probe=probe(original))
    >>> made.content_type, made.has_sound, round(made.duration_s, 2)
    ('audio/mp4', True, 1.0)
    """
    if probe.kind is not Kind.MIDI:
        raise ValueError(f"only MIDI files are given a sound, not kind {probe.kind}")
    limits = limits or VoiceLimits()
    recorded = dict(sorted((recordings or {}).items()))
    options = {
        "sound_bit_s": limits.sound_bit_s,
        "recorded": list(recorded),
        "max_midi_events": limits.max_midi_events,
        "max_midi_tracks": limits.max_midi_tracks,
    }
    answer = make_files(
        "voice",
        source=path,
        out_paths=[out_path],
        others=list(recorded.values()),
        options=options,
        box=limits.box_for(probe.duration_s or 0.0, recordings=len(recorded)),
        on_progress=on_progress,
    )
    if on_progress is not None:
        on_progress(1.0)
    return _result(answer)


def _result(answer: dict[str, Any]) -> CopyResult:
    return CopyResult(
        content_type="video/mp4" if answer["frames"] else "audio/mp4",
        duration_s=round(float(answer["duration_s"]), 6),
        width=answer["width"] if answer["frames"] else None,
        height=answer["height"] if answer["frames"] else None,
        frames=int(answer["frames"]),
        has_sound=bool(answer["has_sound"]),
        damaged_packets=int(answer["damaged_packets"]),
        bytes=int(answer["bytes"]),
        is_remuxed=bool(answer.get("is_remuxed")),
    )


def make_poster(copy_path: Path, out_path: Path, *, limits: CopyLimits | None = None) -> bool:
    """Return whether a JPEG was written: the first picture after one second that is not dark, else the very first.

    Parameters
    ----------
    copy_path
        A browser copy made by `make_copy`.
    out_path
        Where the JPEG goes, at most 640 pixels on its longer side; replaced in one move. Its folder must exist.
    limits
        Frame and track limits as for the copy. Default: `CopyLimits` as it stands.

    Returns
    -------
    bool
        False for sound without a picture; nothing is written then.

    Raises
    ------
    CopyError
        If the copy cannot be decoded.
    UnopenableFileError
        If ``copy_path`` cannot be read or the folder of ``out_path`` cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full; try again later.

    Examples
    --------
    >>> import tempfile, wave
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with wave.open(str(Path(folder, "take.wav")), "wb") as sound:
    ...         sound.setparams((1, 2, 48000, 0, "NONE", ""))
    ...         sound.writeframes(bytes(9600))
    ...     make_poster(Path(folder, "take.wav"), Path(folder, "poster.jpg"))
    False
    """
    limits = limits or CopyLimits()
    options = {
        "max_streams": limits.max_streams,
        "max_frame_px": limits.max_frame_px,
        "long_side_px": POSTER_LONG_SIDE_PX,
    }
    box = replace(POSTER_BOX, memory_bytes=limits.box.memory_bytes, threads=limits.box.threads)
    answer = make_files("poster", source=copy_path, out_paths=[out_path], options=options, box=box)
    return bool(answer["has_poster"])
