"""Taking pictures and sound over as they came, where a browser plays them anyway."""

import os
from itertools import pairwise
from typing import Any

from av.audio.frame import AudioFrame
from av.bitstream import BitStreamFilterContext
from av.container import InputContainer, OutputContainer
from av.stream import Stream
from av.video.frame import VideoFrame

from lessons.media.inside.colours import HDR_CURVES, pixel_ratio, turn_deg
from lessons.media.inside.job import Job
from lessons.media.inside.opening import Tracks
from lessons.media.inside.placing import SOUND_GAP_S
from lessons.media.inside.timeline import Frame, zero_s

# H.264 of these profiles plays in every browser.
PROFILES = frozenset({"Constrained Baseline", "Baseline", "Main", "High"})

# Samples in one packet of plain AAC.
AAC_SAMPLES = 1024

# Rates that AAC in browsers is sure to play.
SOUND_RATES_HZ = (44_100, 48_000)

# Highest average bit rate that is taken over, bits a second; more makes a page wait on a house's network.
MAX_BIT_S = 5_000_000

# Share of the shortest gap between pictures by which one may come early, so that 59.94 Hz and jitter pass a cap of 60 Hz.
EARLY_FRAC = 0.06

# Of one picture's time, how much later than wanted a key picture may come: they fall on pictures.
KEY_SLACK_S = 0.04

# Drops what an encoder or a camera wrote beside the pictures (supplemental messages are unit 6 of H.264, ITU-T H.264, table 7-1).
WITHOUT_MESSAGES = "filter_units=remove_types=6"


def may_remux(source: InputContainer, tracks: Tracks, job: Job, firsts: dict[int, Frame]) -> bool:
    """Return whether all of it can be taken over: codecs, size, rate, turn, colours, and one unbroken time line.

    Parameters
    ----------
    source, tracks
        The opened file, at its start, and what was chosen of it. All packets are read and none decoded: it is left at its end.
    job
        The order for the copy, with its limits.
    firsts
        The first frame of each track.

    Returns
    -------
    bool
        False wherever there is a doubt.
    """
    if not job.options["may_remux"] or "mp4" not in source.format.name:
        return False
    size = os.fstat(job.source_fd).st_size
    if size * 8 > MAX_BIT_S * max(float(job.options["duration_s"]), 1.0):
        return False
    if not (_does_video_fit(tracks, job, firsts) and _does_sound_fit(tracks, firsts)):
        return False
    streams = [stream for stream in (tracks.video, tracks.audio) if stream is not None]
    if len(firsts) != len(streams):
        return False
    times: dict[int, list[tuple[float, float, bool]]] = {stream.index: [] for stream in streams}
    last_dts: dict[int, int] = {}
    for packet in source.demux(streams):
        if packet.dts is None and not packet.size:
            continue
        track = packet.stream.index
        if packet.pts is None or packet.dts is None or packet.is_corrupt:
            return False
        if packet.dts <= last_dts.get(track, packet.dts - 1):
            return False
        last_dts[track] = packet.dts
        if packet.is_discard and packet.stream is tracks.video:
            return False  # an edit list cuts into the film
        begin_s = float(packet.pts * packet.time_base)
        times[track].append((begin_s, float((packet.duration or 0) * packet.time_base), packet.is_keyframe))
    is_even = tracks.audio is None or _follows_on(
        times[tracks.audio.index], length_s=AAC_SAMPLES / (tracks.audio.codec_context.sample_rate or 1)
    )
    return is_even and (tracks.video is None or _steps_well(times[tracks.video.index], job))


def _does_video_fit(tracks: Tracks, job: Job, firsts: dict[int, Frame]) -> bool:
    stream = tracks.video
    if stream is None:
        return not tracks.has_unknown_video
    frame = firsts.get(stream.index)
    context = stream.codec_context
    return (
        isinstance(frame, VideoFrame)
        and context.codec.name == "h264"
        and context.profile in PROFILES
        and frame.format.name == "yuv420p"
        and not frame.interlaced_frame
        and turn_deg(frame) == 0
        and pixel_ratio(stream) == 1
        and frame.color_trc not in HDR_CURVES
        and min(frame.width, frame.height) <= int(job.options["short_side_px"])
        and frame.width % 2 == frame.height % 2 == 0
    )


def _does_sound_fit(tracks: Tracks, firsts: dict[int, Frame]) -> bool:
    stream = tracks.audio
    if stream is None:
        return not tracks.has_unknown_audio
    frame = firsts.get(stream.index)
    return (
        isinstance(frame, AudioFrame)
        and stream.codec_context.codec.name == "aac"
        and stream.codec_context.profile == "LC"
        and frame.layout.nb_channels <= 2
        and frame.sample_rate in SOUND_RATES_HZ
    )


def _follows_on(times: list[tuple[float, float, bool]], *, length_s: float) -> bool:
    # By what a packet holds, not by how long the file says it lasts: there gaps hide.
    begins = sorted(begin_s for begin_s, _, _ in times)
    return bool(begins) and all(abs(after - before - length_s) < SOUND_GAP_S for before, after in pairwise(begins))


def _steps_well(times: list[tuple[float, float, bool]], job: Job) -> bool:
    times = sorted(times)
    if not times or not times[0][2]:
        return False
    least_gap_s = (1 - EARLY_FRAC) / float(job.options["max_rate_hz"])
    if any(after[0] - before[0] < least_gap_s for before, after in pairwise(times)):
        return False
    keys = [at_s for at_s, _, is_key in times if is_key] + [times[-1][0]]
    most_s = float(job.options["key_every_s"]) + KEY_SLACK_S
    return all(after - before <= most_s for before, after in pairwise(keys))


class Remuxer:
    """One pass: packets in, the same packets out, counted from the common zero."""

    def __init__(
        self, source: InputContainer, target: OutputContainer, tracks: Tracks, job: Job, firsts: dict[int, Frame]
    ) -> None:
        self._source = source
        self._target = target
        self._job = job
        self._zero_s = zero_s(firsts)
        self._video = tracks.video
        self._audio = tracks.audio
        self._length_s = max(float(job.options["duration_s"]), 0.001)
        self._outs: dict[int, Stream] = {}
        self._filters: dict[int, BitStreamFilterContext] = {}
        self._end_s = 0.0
        self._frames = 0
        for stream in (tracks.video, tracks.audio):
            if stream is None:
                continue
            out: Stream = target.add_stream_from_template(stream)
            out.metadata.clear()
            self._outs[stream.index] = out
            if stream is tracks.video:
                self._filters[stream.index] = BitStreamFilterContext(WITHOUT_MESSAGES, stream, out)

    def run(self) -> None:
        """Write everything."""
        for packet in self._source.demux([stream for stream in (self._video, self._audio) if stream is not None]):
            if packet.dts is None or packet.pts is None:
                continue
            begin_s = float(packet.pts * packet.time_base) - self._zero_s
            self._end_s = max(self._end_s, begin_s + float((packet.duration or 0) * packet.time_base))
            self._job.on_progress(min(0.99, max(0.0, begin_s) / self._length_s))
            track = packet.stream.index
            self._frames += packet.stream is self._video
            shift = round(self._zero_s / packet.time_base)
            packet.pts -= shift
            packet.dts -= shift
            kept = self._filters[track].filter(packet) if track in self._filters else [packet]
            for part in kept:
                part.stream = self._outs[track]
                self._target.mux(part)

    def answer(self) -> dict[str, Any]:
        """Return what was written."""
        size = None if self._video is None else (self._video.codec_context.width, self._video.codec_context.height)
        return {
            "width": size and size[0],
            "height": size and size[1],
            "frames": self._frames,
            "has_sound": self._audio is not None,
            "damaged_packets": 0,
            "duration_s": self._end_s,
            "is_remuxed": True,
        }
