"""The probe's work: sort by the first bytes, then decode."""

import os
from array import array
from collections.abc import Callable
from typing import Any

import av
import av.error
from av.audio.frame import AudioFrame
from av.video.frame import VideoFrame

from lessons.media.inside.job import Job
from lessons.media.inside.opening import BROKEN, Tracks, choose_tracks, opened
from lessons.media.inside.sniffing import HEAD_BYTES, Guess, guess
from lessons.media.inside.structure import Structure, walk
from lessons.media.inside.timeline import Decoder

# Share of the promised length that must decode before a file counts as whole. Containers round by a frame or two (67 ms of 3 s
# is 2.2 % less, so one frame of slack is added); a cut upload loses far more.
WHOLE_FRAC = 0.98
WHOLE_SLACK_S = 0.1

# Packets that may fail before a file counts as damaged. One or two fail at the seams of healthy recordings.
FEW_BROKEN_PACKETS = 2

# Share of failed packets above which nothing sensible is left. Random bytes that happen to look like sound frames fail nearly always.
TOO_MANY_BROKEN_FRAC = 0.5

# Peak of 16-bit samples up to which a track is silent: -70 dB below full scale. Microphones, even in a quiet room, are far above.
SILENT_PEAK = 10

_SUFFIXES_OF_CLIPS = frozenset({".mp4", ".mov", ".m4v", ".3gp", ".webm", ".mkv", ".avi", ".m4a", ".mp3", ".wav"})


def look(job: Job) -> dict[str, Any]:
    """Return what the file is, as plain JSON values with a reason code."""
    source_fd, options = job.source_fd, job.options
    head = os.pread(source_fd, HEAD_BYTES, 0)
    if not head:
        return {"kind": "unknown", "reason": "empty"}
    kind = guess(head)
    if kind is Guess.MIDI:
        from lessons.media.inside.midi import look_midi

        return look_midi(source_fd, options)
    if kind is Guess.PICTURE:
        from lessons.media.inside.picture import look_picture

        if options.get("suffix", "").lower() in _SUFFIXES_OF_CLIPS:
            return {"kind": "picture", "reason": "picture_named_as_clip"}
        return look_picture(source_fd, options)
    if kind is Guess.PICTURE_UNSHOWABLE:
        return {"kind": "picture", "reason": "picture_format"}
    if kind is Guess.LIST:
        return {"kind": "unknown", "reason": "points_elsewhere"}
    if kind is Guess.NOT_MEDIA:
        return {"kind": "unknown", "reason": "not_media"}
    return _look_clip(job)


def _look_clip(job: Job) -> dict[str, Any]:
    options = job.options
    structure = walk(job.source_fd)
    if not structure.has_index:
        return {"kind": "unknown", "reason": "index_missing"}
    max_frame_px = int(options.get("max_frame_px", 4096 * 2304))
    try:
        with opened(job.source_fd, max_streams=int(options.get("max_streams", 16))) as container:
            tracks = choose_tracks(container, max_frame_px=max_frame_px, threads=job.threads)
            if tracks.is_frame_too_large:
                return {"kind": "video", "reason": "frame_too_large"}
            if tracks.video is None and (tracks.has_unknown_video or tracks.audio is None):
                is_known = structure.container != "other"
                has_tracks = tracks.has_unknown_video or tracks.has_unknown_audio
                reason = "codec_unknown" if has_tracks else "nothing_decoded" if is_known else "not_media"
                return {"kind": "video" if tracks.has_unknown_video else "unknown", "reason": reason}
            look = _Look(tracks, options, job.on_progress)
            look.declare(container.duration)
            look.run(container)
            return look.answer(structure)
    except _TooLongError:
        return {"kind": "video" if tracks.video else "sound", "reason": "too_long"}
    except BROKEN:
        reason = "nothing_decoded" if structure.container != "other" else "not_media"
        return {"kind": "unknown", "reason": reason}


class _TooLongError(Exception):
    """More was decoded than a clip may last."""


class _Span:
    """Times of one track, all in seconds of the file's own clock."""

    def __init__(self) -> None:
        self.first_s: float | None = None
        self.end_s = 0.0
        self.gaps: list[float] = []
        self._last_s: float | None = None

    def add(self, at_s: float, length_s: float) -> None:
        self.first_s = at_s if self.first_s is None else min(self.first_s, at_s)
        self.end_s = max(self.end_s, at_s + length_s) if self._last_s is not None else at_s + length_s
        self._last_s = at_s


class _Look:
    """One pass over the packets of the chosen tracks."""

    def __init__(self, tracks: Tracks, options: dict[str, Any], on_progress: Callable[[float], None]) -> None:
        self._tracks = tracks
        self._on_progress = on_progress
        self._max_duration_s = float(options.get("max_duration_s", 3600.0))
        self._px_left = int(options.get("full_decode_px", 3_000_000_000))
        self._sample_every_s = float(options.get("sample_every_s", 10.0))
        self._next_sample_s = 0.0
        self._declared_s: float | None = None
        self._video = _Span()
        self._audio = _Span()
        self._pictures = 0
        self._samples_s = 0.0
        self._packets = 0
        self._container_broke = False
        self._decoder = Decoder(tracks)
        self._peak = 0
        self._to_s16 = av.AudioResampler(format="s16")
        self._facts: dict[str, Any] = {"video": None, "audio": None}

    def declare(self, duration_us: int | None) -> None:
        """Note what the header promises; it is believed only when less than that is found."""
        if duration_us and duration_us > 0:
            self._declared_s = duration_us / av.time_base

    def run(self, container: Any) -> None:
        streams = [stream for stream in (self._tracks.video, self._tracks.audio) if stream is not None]
        try:
            for packet in container.demux(streams):
                self._take(packet)
        except av.error.EOFError:
            pass
        except BROKEN:
            # The container itself broke off; what came before it counts.
            self._container_broke = True

    def _take(self, packet: Any) -> None:
        is_flush = packet.dts is None and packet.size == 0
        self._packets += not is_flush
        if packet.stream is self._tracks.video and self._px_left <= 0 and not is_flush:
            self._sample(packet)
            return
        for frame in self._decoder.frames(packet):
            if isinstance(frame, VideoFrame):
                self._see(frame, packet)
            else:
                self._hear(frame)

    def _sample(self, packet: Any) -> None:
        """Past the budget: keep count of times, decode a key picture now and then."""
        if packet.pts is None:
            return
        at_s = float(packet.pts * packet.time_base)
        self._pictures += 1
        self._note(self._video, at_s, float((packet.duration or 0) * packet.time_base))
        if packet.is_keyframe and at_s >= self._next_sample_s:
            self._next_sample_s = at_s + self._sample_every_s
            self._decoder.frames(packet)

    def _see(self, frame: VideoFrame, packet: Any) -> None:
        self._px_left -= frame.width * frame.height
        if frame.pts is None or frame.time_base is None:
            return
        self._pictures += 1
        if self._facts["video"] is None:
            self._facts["video"] = _video_facts(self._tracks, frame)
        length = frame.duration or packet.duration or 0
        self._note(self._video, float(frame.pts * frame.time_base), float(length * frame.time_base))

    def _hear(self, frame: AudioFrame) -> None:
        if not frame.samples or not frame.sample_rate:
            return
        length_s = frame.samples / frame.sample_rate
        self._samples_s += length_s
        if self._facts["audio"] is None:
            self._facts["audio"] = {
                "channels": frame.layout.nb_channels,
                "rate_hz": frame.sample_rate,
                "codec": _codec_name(self._tracks.audio),
            }
        if frame.pts is not None and frame.time_base is not None:
            self._note(self._audio, float(frame.pts * frame.time_base), length_s)
        if self._samples_s > self._max_duration_s:
            raise _TooLongError
        if self._peak <= SILENT_PEAK:
            self._peak = max(self._peak, self._peak_of(frame))

    def _peak_of(self, frame: AudioFrame) -> int:
        # Digital silence, the usual kind, costs nothing this way: an hour of it is looked at frame by frame.
        if all(not bytes(plane).strip(b"\0") for plane in frame.planes):
            return 0
        peak = 0
        for part in self._to_s16.resample(frame):
            samples = array("h", bytes(part.planes[0])[: part.samples * part.layout.nb_channels * 2])
            if samples:
                peak = max(peak, *(abs(extreme) for extreme in (min(samples), max(samples))))
        return peak

    def _note(self, span: _Span, at_s: float, length_s: float) -> None:
        span.add(at_s, length_s)
        zero_s = self._zero_s()
        if span.end_s - zero_s > self._max_duration_s:
            raise _TooLongError
        # Without a promised length this stays small, but still shows that we live.
        self._on_progress((at_s - zero_s) / (self._declared_s or self._max_duration_s))

    def _zero_s(self) -> float:
        return min(span.first_s for span in (self._video, self._audio) if span.first_s is not None)

    def answer(self, structure: Structure) -> dict[str, Any]:
        video, audio = self._facts["video"], self._facts["audio"]
        found: dict[str, Any] = {"kind": "video" if video else "sound" if audio else "unknown"}
        if not video and not audio:
            return found | {"reason": "nothing_decoded" if structure.container != "other" else "not_media"}
        spans = [span for span in (self._video, self._audio) if span.first_s is not None]
        zero_s = self._zero_s()
        duration_s = max(span.end_s for span in spans) - zero_s
        found |= self._facts | {
            "duration_s": duration_s,
            "video_start_s": None if self._video.first_s is None else self._video.first_s - zero_s,
            "audio_start_s": None if self._audio.first_s is None else self._audio.first_s - zero_s,
        }
        return found | {"reason": self._reason(structure, duration_s)}

    def _reason(self, structure: Structure, duration_s: float) -> str:
        video, audio = self._facts["video"], self._facts["audio"]
        broken = self._decoder.broken + (1 + FEW_BROKEN_PACKETS) * self._container_broke
        if broken > TOO_MANY_BROKEN_FRAC * self._packets:
            return "too_damaged"
        if structure.is_cut or self._is_shorter_than_promised(structure, duration_s):
            return "cut_short"
        if broken > FEW_BROKEN_PACKETS:
            return "damaged"
        if video and self._pictures == 1:
            return "one_picture"
        if not audio:
            return "sound_unreadable" if self._tracks.has_unknown_audio else "no_sound"
        if self._peak <= SILENT_PEAK:
            return "silent"
        return "ok"

    def _is_shorter_than_promised(self, structure: Structure, duration_s: float) -> bool:
        # Only these containers write a length down; for the others FFmpeg guesses one from the bit rate.
        if structure.container not in ("iso", "matroska", "flac") or self._declared_s is None:
            return False
        return duration_s < WHOLE_FRAC * self._declared_s - WHOLE_SLACK_S


def _video_facts(tracks: Tracks, frame: VideoFrame) -> dict[str, Any]:
    # The library counts counter-clockwise; a player must turn the other way.
    rotation_deg = round(-frame.rotation / 90) * 90 % 360
    width, height = frame.width, frame.height
    if rotation_deg in (90, 270):
        width, height = height, width
    return {
        "width": width,
        "height": height,
        "rotation_deg": rotation_deg,
        "codec": _codec_name(tracks.video),
    }


def _codec_name(stream: Any) -> str:
    return str(stream.codec_context.codec.canonical_name)
