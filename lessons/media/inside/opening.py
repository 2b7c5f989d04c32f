"""Opening an unknown clip so that only its own bytes are read, by readers and decoders that we chose."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import av
import av.error
import av.logging
from av.audio.stream import AudioStream
from av.codec.context import CodecContext
from av.container import InputContainer
from av.stream import Disposition, Stream
from av.video.stream import VideoStream

# Containers that phones, browsers and recorders write. Without this list FFmpeg also takes text for a playlist and opens the
# files it names (measured: a relative name in a text called .mp4 was read).
FORMATS = "mov,matroska,webm,mp3,wav,flac,ogg,aac,amr,caf"

# Decoders, by FFmpeg's names. Each is one more piece of code that an unknown file can reach; these are what phones and browsers write.
VIDEO_DECODERS = frozenset({"h264", "hevc", "vp8", "vp9", "libdav1d", "av1", "mpeg4", "h263", "mjpeg"})
AUDIO_DECODERS = frozenset(
    {"aac", "mp3", "mp3float", "opus", "libopus", "vorbis", "flac", "alac", "amrnb", "amrwb"}
    | {"libopencore_amrnb", "libopencore_amrwb", "pcm_alaw", "pcm_mulaw", "pcm_u8", "pcm_s8"}
    | {f"pcm_{kind}{bits}{end}" for kind in "su" for bits in (16, 24, 32) for end in ("le", "be")}
    | {f"pcm_f{bits}{end}" for bits in (32, 64) for end in ("le", "be")}
)

# Everything that was seen to come out of FFmpeg on damaged input, beside its own errors.
BROKEN = (av.error.FFmpegError, ValueError, AttributeError, IndexError, EOFError)


@dataclass(slots=True, kw_only=True)
class Tracks:
    """The tracks chosen from one file.

    Attributes
    ----------
    video, audio
        The first of their kind that can be decoded.
    has_unknown_video, has_unknown_audio
        There was one, but no decoder of ours reads it.
    is_frame_too_large
        There was a picture track beyond the limit.
    blind_sound_frames
        Sound frames at the start that cannot be decoded faithfully (see `lessons.media.inside.timeline.Decoder`).
    """

    video: VideoStream | None = None
    audio: AudioStream | None = None
    has_unknown_video: bool = False
    has_unknown_audio: bool = False
    is_frame_too_large: bool = False
    blind_sound_frames: int = 0


class OwnBytes:
    """A reader with its own position over an open descriptor, so that several can read one file."""

    def __init__(self, fd: int) -> None:
        """Start at the file's first byte."""
        self._fd = fd
        self._at = 0

    def read(self, size: int = -1) -> bytes:
        """Return up to ``size`` bytes."""
        data = os.pread(self._fd, size if size >= 0 else os.fstat(self._fd).st_size - self._at, self._at)
        self._at += len(data)
        return data

    def seek(self, offset: int, whence: int = 0) -> int:
        """Move; the same rules as for a file object."""
        base = (0, self._at, os.fstat(self._fd).st_size)[whence]
        self._at = max(0, base + offset)
        return self._at

    def tell(self) -> int:
        """Return the position."""
        return self._at


def _refuse(url: str, *_: Any) -> Any:
    raise PermissionError(f"a clip asked to open something else ({len(url)} characters)")


@contextmanager
def opened(fd: int, *, max_streams: int) -> Iterator[InputContainer]:
    """Open a clip by descriptor, with every list and refusal in place."""
    av.logging.set_level(None)
    allowed = ",".join(sorted(VIDEO_DECODERS | AUDIO_DECODERS))
    container = av.open(
        OwnBytes(fd),
        "r",
        container_options={
            "format_whitelist": FORMATS,
            "codec_whitelist": allowed,
            "protocol_whitelist": "none",
            "enable_drefs": "0",
            "use_absolute_path": "0",
            "max_streams": str(max_streams),
        },
        io_open=_refuse,
        metadata_errors="replace",
        timeout=(20, 20),
    )
    with container:
        yield container


def choose_tracks(container: InputContainer, *, max_frame_px: int, threads: int) -> Tracks:
    """Pick the first picture and the first sound that can be decoded, before anything is read from any other."""
    tracks = Tracks(blind_sound_frames=1 if container.format.name == "aac" else 0)
    for stream in container.streams:
        if isinstance(stream, VideoStream):
            _consider_video(stream, tracks, max_frame_px=max_frame_px)
        elif isinstance(stream, AudioStream):
            if not _is_readable(stream, AUDIO_DECODERS):
                tracks.has_unknown_audio = True
            elif tracks.audio is None:
                tracks.audio = stream
    if tracks.audio is not None:
        tracks.audio.codec_context.thread_count = threads
    if tracks.video is not None:
        tracks.video.codec_context.thread_count = threads
        tracks.video.codec_context.thread_type = "AUTO"
        tracks.video.codec_context.options = {"max_pixels": str(max_frame_px)}
    return tracks


def _consider_video(stream: VideoStream, tracks: Tracks, *, max_frame_px: int) -> None:
    if stream.disposition & Disposition.attached_pic:
        return  # the cover of a sound file
    if not _has_context(stream):
        tracks.has_unknown_video = True
    elif stream.codec_context.width * stream.codec_context.height > max_frame_px:
        tracks.is_frame_too_large = True
    elif not _is_readable(stream, VIDEO_DECODERS):
        tracks.has_unknown_video = True
    elif tracks.video is None:
        tracks.video = stream


def _is_readable(stream: Stream, decoders: frozenset[str]) -> bool:
    return _has_context(stream) and stream.codec_context.codec.name in decoders


def _has_context(stream: Stream) -> bool:
    # The library's types say that a context is always there; for codecs that FFmpeg does not know it is None.
    return isinstance(stream.codec_context, CodecContext)
