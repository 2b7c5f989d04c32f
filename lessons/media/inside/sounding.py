"""The sound of a clip as plain samples, each where the common zero says."""

import os
import struct
from typing import Any

from av.audio.frame import AudioFrame

from lessons.media.inside.job import Job
from lessons.media.inside.opening import BROKEN, Tracks, choose_tracks, opened
from lessons.media.inside.placing import Converter, Placer
from lessons.media.inside.timeline import Decoder, first_frames, is_timed, time_s, zero_s

# Bytes of the header in front of the samples. Fixed, so that it can be written last, when the length is known.
HEAD_BYTES = 128

# Gaps that are reported one by one; what is beyond is only counted. A clip with more is damaged throughout.
MAX_GAPS = 1000

# What channels are called where the file does not say, by their number.
DEFAULT_NAMES = {1: ["FC"], 2: ["FL", "FR"]}

# Bytes collected before they are written.
CHUNK_BYTES = 1 << 20


class CannotDecodeError(ValueError):
    """There is no sound in it."""


def decode_sound(job: Job) -> dict[str, Any]:
    """Write the samples and return what they are."""
    firsts = first_frames(job)
    if not firsts:
        raise CannotDecodeError("nothing could be decoded")
    zero = zero_s(firsts)
    stop_s = float(job.options["max_duration_s"])
    length_s = max(float(job.options["duration_s"]), 0.001)
    writer: _Writer | None = None
    with opened(job.source_fd, max_streams=int(job.options["max_streams"])) as source:
        tracks = choose_tracks(source, max_frame_px=int(job.options["max_frame_px"]), threads=job.threads)
        if tracks.audio is None:
            raise CannotDecodeError("no sound track can be read")
        decoder = Decoder(tracks)
        for frame in _sounds(source, tracks, decoder):
            at_s = time_s(frame) - zero
            if at_s > stop_s:
                break
            if writer is None:
                writer = _Writer(job.target_fds[0], frame, rate_hz=job.options["rate_hz"])
            writer.add(frame, at_s)
            job.on_progress(min(0.99, at_s / length_s))
    if writer is None:
        raise CannotDecodeError("no sound could be decoded")
    return writer.finish() | {"damaged_packets": decoder.broken}


def _sounds(source: Any, tracks: Tracks, decoder: Decoder) -> Any:
    try:
        for packet in source.demux(tracks.audio):
            for frame in decoder.frames(packet):
                if isinstance(frame, AudioFrame) and is_timed(frame):
                    yield frame
    except BROKEN:
        decoder.broken += 1  # the container broke off


class _Writer:
    """Samples of all channels side by side, 32-bit floats, behind the header of a NumPy array."""

    def __init__(self, fd: int, first: AudioFrame, *, rate_hz: int | None) -> None:
        self._fd = fd
        self._rate_hz = rate_hz or first.sample_rate
        self._names = _channel_names(first)
        self._width = 4 * len(self._names)
        self._converter = Converter(format_name="flt", layout=first.layout.name, rate_hz=self._rate_hz)
        self._placer = Placer()
        self._at: int | None = None  # where the next sample goes
        self._first = 0
        self._end = 0
        self._pending = bytearray()
        self._gaps: list[tuple[float, float]] = []
        self._gap_count = 0

    def add(self, frame: AudioFrame, at_s: float) -> None:
        ahead_s = self._placer.place(at_s, frame.samples / frame.sample_rate)
        if self._at is None:
            self._at = self._first = self._end = max(0, round(at_s * self._rate_hz))
        elif ahead_s:
            self._put(self._converter.flush())
            self._write()
            if ahead_s > 0:
                self._note_gap(self._at, ahead_s)
            # What is skipped reads as zeros; where it overlaps, the later sound counts.
            self._at = max(0, self._at + round(ahead_s * self._rate_hz))
        self._put(self._converter.convert(frame))

    def finish(self) -> dict[str, Any]:
        self._put(self._converter.flush())
        self._write()
        os.pwrite(self._fd, _head(self._end, len(self._names)), 0)
        os.ftruncate(self._fd, HEAD_BYTES + self._end * self._width)
        return {
            "rate_hz": self._rate_hz,
            "channels": self._names,
            "samples": self._end,
            "start_s": self._first / self._rate_hz,
            "gaps_s": self._gaps,
            "gap_count": self._gap_count,
        }

    def _note_gap(self, at: int, length_s: float) -> None:
        self._gap_count += 1
        if len(self._gaps) < MAX_GAPS:
            begin_s = round(at / self._rate_hz, 6)
            self._gaps.append((begin_s, round(begin_s + length_s, 6)))

    def _put(self, parts: list[AudioFrame]) -> None:
        for part in parts:
            self._pending += memoryview(part.planes[0])[: part.samples * self._width]
            if len(self._pending) >= CHUNK_BYTES:
                self._write()

    def _write(self) -> None:
        if self._at is None:
            return
        rest = memoryview(self._pending)
        offset = HEAD_BYTES + self._at * self._width
        while rest:
            done = os.pwrite(self._fd, rest, offset)
            offset += done
            rest = rest[done:]
        self._at += len(self._pending) // self._width
        self._end = max(self._end, self._at)
        rest.release()
        self._pending = bytearray()


def _channel_names(frame: AudioFrame) -> list[str]:
    names = [channel.name for channel in frame.layout.channels]
    if len(set(names)) == len(names) and "NONE" not in names:
        return names
    return DEFAULT_NAMES.get(len(names), [f"C{number}" for number in range(1, len(names) + 1)])


def _head(samples: int, channels: int) -> bytes:
    """Return the header of an array file, version 1.0 of the format NumPy documents, padded to its fixed length."""
    words = f"{{'descr': '<f4', 'fortran_order': False, 'shape': ({samples}, {channels}), }}"
    start = b"\x93NUMPY\x01\x00"
    length = HEAD_BYTES - len(start) - 2
    return start + struct.pack("<H", length) + words.ljust(length - 1).encode() + b"\n"
