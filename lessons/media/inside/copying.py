"""Making the copy that browsers play: H.264 and AAC in MP4, upright, its index in front, with nothing of the original but the media."""

import os
import queue
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from typing import Any

from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container import InputContainer, OutputContainer
from av.filter import Graph
from av.video.format import VideoFormat
from av.video.frame import VideoFrame
from av.video.reformatter import VideoReformatter
from av.video.stream import VideoStream

from lessons.media.inside.colours import BT709, HDR_CURVES, pixel_ratio, turn_deg
from lessons.media.inside.job import Job
from lessons.media.inside.opening import BROKEN, Tracks, choose_tracks, opened
from lessons.media.inside.placing import Converter, Placer
from lessons.media.inside.remuxing import EARLY_FRAC, MAX_BIT_S, SOUND_RATES_HZ, Remuxer, may_remux
from lessons.media.inside.target import written
from lessons.media.inside.timeline import Decoder, Frame, first_frames, is_timed, time_s, zero_s

# Ticks a second of the copy's picture times. MP4's habit; fine enough for every frame rate and kept exactly from phones' own files.
VIDEO_TICKS = 90_000

# Bits over which the encoder smooths its highest rate (`MAX_BIT_S`; noisy 720p needed 1.8 Mb/s on average).
BUFFER_BITS = 2 * MAX_BIT_S


# Pictures that may wait for the encoder. Each takes 1.4 MB at 720p; fewer leave a core idle.
PICTURES_AHEAD = 6


class CannotCopyError(ValueError):
    """There is nothing to make a copy of."""


def copy(job: Job) -> dict[str, Any]:
    """Write the copy to the target and return what it holds, as JSON values."""
    firsts = first_frames(job)
    if not firsts:
        raise CannotCopyError("nothing could be decoded")
    with _reading(job) as (source, tracks):
        is_remuxed = may_remux(source, tracks, job, firsts)
    answer = _write(job, Remuxer if is_remuxed else _Writer, firsts)
    return answer | {"bytes": os.fstat(job.target_fds[0]).st_size}


@contextmanager
def _reading(job: Job) -> Iterator[tuple[InputContainer, Tracks]]:
    options = job.options
    with opened(job.source_fd, max_streams=int(options["max_streams"])) as source:
        yield source, choose_tracks(source, max_frame_px=int(options["max_frame_px"]), threads=job.threads)


def _write(job: Job, kind: "type[Remuxer | _Writer]", firsts: dict[int, Frame]) -> dict[str, Any]:
    with _reading(job) as (source, tracks), written(job.target_fds[0]) as target:
        writer = kind(source, target, tracks, job, firsts)
        writer.run()
    return writer.answer()


class _Writer:
    """One pass: packets in, packets out."""

    def __init__(
        self,
        source: InputContainer,
        target: OutputContainer,
        tracks: Tracks,
        job: Job,
        firsts: dict[int, Frame],
    ) -> None:
        self._source = source
        self._target = target
        self._job = job
        self._zero_s = zero_s(firsts)
        self._decoder = Decoder(tracks)
        self._container_broke = 0
        self._length_s = max(float(job.options["duration_s"]), 0.001)
        self._stop_s = float(job.options["max_duration_s"])
        self._pictures: _Pictures | None = None
        self._sound: Sound | None = None
        self._streams: list[VideoStream | AudioStream] = []
        if tracks.video is not None and isinstance(first := firsts.get(tracks.video.index), VideoFrame):
            self._streams.append(tracks.video)
            self._pictures = _Pictures(target, job, tracks.video, first)
        if tracks.audio is not None and isinstance(first := firsts.get(tracks.audio.index), AudioFrame):
            self._streams.append(tracks.audio)
            self._sound = Sound(target, first, bit_s=int(job.options["sound_bit_s"]))

    def run(self) -> None:
        packets = self._source.demux(self._streams)
        while True:
            try:
                packet = next(packets, None)
            except BROKEN:
                self._container_broke = 1
                break
            if packet is None or not self._take(packet):
                break
        for part in (self._pictures, self._sound):
            if part is not None:
                part.finish()

    def _take(self, packet: Any) -> bool:
        for frame in self._decoder.frames(packet):
            if not is_timed(frame):
                continue
            at_s = time_s(frame) - self._zero_s
            if at_s > self._stop_s:
                return False
            if isinstance(frame, VideoFrame) and self._pictures is not None:
                self._pictures.add(frame, at_s)
            elif isinstance(frame, AudioFrame) and self._sound is not None:
                self._sound.add(frame, at_s)
            self._job.on_progress(min(0.99, at_s / self._length_s))
        return True

    def answer(self) -> dict[str, Any]:
        pictures, sound = self._pictures, self._sound
        if not ((pictures and pictures.count) or (sound and sound.count)):
            raise CannotCopyError("nothing could be decoded")
        return {
            "width": pictures.width if pictures else None,
            "height": pictures.height if pictures else None,
            "frames": pictures.count if pictures else 0,
            "has_sound": bool(sound and sound.count),
            "damaged_packets": self._decoder.broken + self._container_broke,
            "duration_s": max(part.end_s for part in (pictures, sound) if part is not None),
        }


class _Encoder:
    """Encodes in a thread of its own, so that the next pictures are decoded and scaled meanwhile. Packets come out late."""

    def __init__(self, out: VideoStream) -> None:
        self._out = out
        self._pictures: queue.Queue[VideoFrame | None] = queue.Queue(PICTURES_AHEAD)
        self._packets: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="encoder", daemon=True)
        self._thread.start()

    def take(self, picture: VideoFrame) -> list[Any]:
        """Hand a picture over and return the packets that are ready."""
        self._pictures.put(picture)
        return self._ready()

    def end(self) -> list[Any]:
        """Return what is left, once everything is encoded."""
        self._pictures.put(None)
        self._thread.join()
        return self._ready()

    def _ready(self) -> list[Any]:
        if self._error is not None:
            raise self._error
        found = []
        while not self._packets.empty():
            found.append(self._packets.get())
        return found

    def _run(self) -> None:
        picture: VideoFrame | None
        is_over = False
        while not is_over:
            picture = self._pictures.get()
            is_over = picture is None
            if self._error is not None:
                continue  # whoever hands pictures over must never wait for a full queue
            try:
                for packet in self._out.encode(picture):
                    self._packets.put(packet)
            except Exception as error:  # noqa: BLE001 - told to whoever hands over the next picture
                self._error = error


class _Pictures:
    """Pictures: scaled, turned upright, thinned to the highest rate, encoded with their own times."""

    def __init__(self, target: OutputContainer, job: Job, source: VideoStream, first: VideoFrame) -> None:
        options = job.options
        self._target = target
        self._job = job
        self._source = source
        self._short_side_px = int(options["short_side_px"])
        self._min_gap_s = 1 / float(options["max_rate_hz"])
        self._key_every_s = float(options["key_every_s"])
        # Kept for all pictures: setting up the colours of high dynamic range takes two seconds, using them two milliseconds (measured).
        self._scaler, self._colourer = VideoReformatter(), VideoReformatter()
        self._graph: Graph | None = None
        self._turn_deg = 0
        self._stored_size = (0, 0)
        self._last_s: float | None = None
        self._last_key_s: float | None = None
        self._last_gap_s = 0.0
        self.width = self.height = self.count = 0
        self.end_s = 0.0
        self._encoder = _Encoder(self._begin(first))

    def add(self, frame: VideoFrame, at_s: float) -> None:
        if self._last_s is not None and at_s - self._last_s < self._min_gap_s * (1 - EARLY_FRAC):
            return
        length_s = float((frame.duration or 0) * (frame.time_base or 0))
        picture = self._upright(frame)
        picture.pts = round(at_s * VIDEO_TICKS)
        picture.time_base = Fraction(1, VIDEO_TICKS)
        is_key = self._last_key_s is None or at_s - self._last_key_s >= self._key_every_s - 0.001
        picture.pict_type = 1 if is_key else 0  # 1: I, 0: as the encoder likes
        if is_key:
            self._last_key_s = at_s
        if self._last_s is not None:
            self._last_gap_s = at_s - self._last_s
        self._last_s = at_s
        # Whichever comes last ends the film; a gap further in says nothing about how long it stands.
        self.end_s = at_s + (length_s or self._last_gap_s)
        self.count += 1
        self._write(picture)

    def finish(self) -> None:
        for packet in self._encoder.end():
            self._target.mux(packet)

    def _write(self, picture: VideoFrame) -> None:
        for packet in self._encoder.take(picture):
            self._target.mux(packet)

    def _begin(self, frame: VideoFrame) -> VideoStream:
        self._turn_deg = turn_deg(frame)
        self._stored_size = _copy_size(frame, self._source, short_side_px=self._short_side_px)
        self.width, self.height = self._stored_size
        if self._turn_deg in (90, 270):
            self.width, self.height = self.height, self.width
        if self._turn_deg:
            self._graph = _turning_graph(*self._stored_size, self._turn_deg)
        out = self._target.add_stream(
            "libx264",
            rate=30,  # a hint in the header; every picture carries its own time
            options={
                "preset": "veryfast",
                "crf": str(self._job.options["quality_crf"]),
                "forced-idr": "1",
                # Pictures in the order in which they are shown. Otherwise MP4 keeps their lengths in another order, and Chromium
                # passes over pictures of an uneven film: 2 of 15 could not be reached, whatever time was asked for.
                "bf": "0",
                "maxrate": str(MAX_BIT_S),
                "bufsize": str(BUFFER_BITS),
                "profile": "high",
            },
        )
        out.width, out.height, out.pix_fmt = self.width, self.height, "yuv420p"
        out.codec_context.thread_count = self._job.threads
        out.codec_context.gop_size = 10_000  # key pictures are placed by time, not by count
        out.time_base = out.codec_context.time_base = Fraction(1, VIDEO_TICKS)
        out.codec_context.color_range = 1
        if frame.color_trc in HDR_CURVES:
            out.codec_context.color_primaries = BT709
            out.codec_context.color_trc = BT709
            out.codec_context.colorspace = BT709
        else:
            out.codec_context.color_primaries = frame.color_primaries
            out.codec_context.color_trc = frame.color_trc
            out.codec_context.colorspace = frame.colorspace
        return out

    def _upright(self, frame: VideoFrame) -> VideoFrame:
        width, height = self._stored_size
        threads = self._job.threads
        if frame.color_trc in HDR_CURVES:
            # Smaller first, colours after: at full size the colours of one 4K second cost nine processor seconds (measured).
            small = self._scaler.reformat(frame, width=width, height=height, threads=threads)
            picture = self._colourer.reformat(
                small,
                format="yuv420p",
                dst_color_range=1,
                dst_color_trc=BT709,
                dst_color_primaries=BT709,
                dst_colorspace=BT709,
                threads=threads,
            )
        else:
            picture = self._scaler.reformat(
                frame, width=width, height=height, format="yuv420p", dst_color_range=1, threads=threads
            )
        if self._graph is not None:
            self._graph.push(picture)
            turned = self._graph.pull()
            if not isinstance(turned, VideoFrame):
                raise CannotCopyError("the turning filter gave no picture")
            return turned
        return picture


def _copy_size(frame: VideoFrame, source: VideoStream, *, short_side_px: int) -> tuple[int, int]:
    """Return even width and height of the copy before turning, with square pixels."""
    width, height = float(frame.width * pixel_ratio(source)), float(frame.height)
    scale = min(1.0, short_side_px / min(width, height))
    return tuple(max(2, round(side * scale / 2) * 2) for side in (width, height))  # type: ignore[return-value]


def _turning_graph(width: int, height: int, turn_deg: int) -> Graph:
    filters = {90: [("transpose", "clock")], 180: [("hflip", ""), ("vflip", "")], 270: [("transpose", "cclock")]}
    graph = Graph()
    last = graph.add_buffer(
        width=width, height=height, format=VideoFormat("yuv420p"), time_base=Fraction(1, VIDEO_TICKS)
    )
    for name, argument in filters[turn_deg]:
        step = graph.add(name, argument)
        last.link_to(step)
        last = step
    last.link_to(graph.add("buffersink"))
    graph.configure()
    return graph


class Sound:
    """Sound: one or two channels, placed by its own times, gaps filled with silence."""

    def __init__(self, target: OutputContainer, first: AudioFrame, *, bit_s: int) -> None:
        """Begin a track like its first frame, of so many bits a second."""
        self._target = target
        rate_hz = first.sample_rate
        self._rate_hz = rate_hz if rate_hz in SOUND_RATES_HZ else SOUND_RATES_HZ[-1]
        channels = first.layout.nb_channels
        self._layout = "mono" if channels == 1 else "stereo"
        self._converter = Converter(format_name="fltp", layout=self._layout, rate_hz=self._rate_hz)
        out = target.add_stream("aac", rate=self._rate_hz, layout=self._layout)
        out.codec_context.bit_rate = bit_s
        out.time_base = out.codec_context.time_base = Fraction(1, self._rate_hz)
        self._out = out
        self._placer = Placer()
        self._first: int | None = None
        self.count = 0
        self.end_s = 0.0

    def add(self, frame: AudioFrame, at_s: float) -> None:
        """Write a stretch that begins at a moment of the common zero."""
        if self._first is None:
            self._first = round(at_s * self._rate_hz)
        missing = round(self._placer.place(at_s, frame.samples / frame.sample_rate) * self._rate_hz)
        if missing > 0:
            self._write(self._silence(missing))
        cut = -min(missing, 0)
        for part in self._converter.convert(frame):
            kept = _without_start(part, cut)
            cut = max(0, cut - part.samples)
            if kept is not None:
                self._write(kept)

    def finish(self) -> None:
        """Write what is still held back."""
        for part in self._converter.flush():
            self._write(part)
        self._target.mux(self._out.encode(None))

    def _silence(self, samples: int) -> AudioFrame:
        frame = AudioFrame(format="fltp", layout=self._layout, samples=samples)
        frame.sample_rate = self._rate_hz
        for plane in frame.planes:
            plane.update(bytes(plane.buffer_size))
        return frame

    def _write(self, frame: AudioFrame) -> None:
        frame.pts = (self._first or 0) + self.count
        frame.time_base = Fraction(1, self._rate_hz)
        self.count += frame.samples
        self.end_s = ((self._first or 0) + self.count) / self._rate_hz
        self._target.mux(self._out.encode(frame))


def _without_start(frame: AudioFrame, samples: int) -> AudioFrame | None:
    """Return planar sound without its first samples, or None if nothing is left."""
    if not samples:
        return frame
    if samples >= frame.samples:
        return None
    kept = AudioFrame(format=frame.format.name, layout=frame.layout.name, samples=frame.samples - samples)
    kept.sample_rate = frame.sample_rate
    width = frame.format.bytes
    for plane, source in zip(kept.planes, frame.planes, strict=True):
        rest = bytes(source)[samples * width : frame.samples * width]
        plane.update(rest + bytes(plane.buffer_size - len(rest)))
    return kept
