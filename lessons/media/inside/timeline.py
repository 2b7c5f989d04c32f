"""When a frame is shown or heard: seconds of the file's own clock, and the common zero that everything stored counts from."""

from typing import Any

import av.error
from av.audio.frame import AudioFrame
from av.packet import Packet
from av.video.frame import VideoFrame

from lessons.media.inside.job import Job
from lessons.media.inside.opening import BROKEN, Tracks, choose_tracks, opened

# Packets that are looked at for the first picture and the first sound. About a minute of a phone's film; a track that begins later
# than that does not count for the zero.
MAX_PACKETS_FOR_START = 5000

Frame = VideoFrame | AudioFrame


class Decoder:
    """Packets in, frames out, in file order. What cannot be decoded is counted and left out.

    The first sound frame of bare AAC is left out too: each frame of this codec overlaps with the one before, which is missing there, and
    the container has no place to say so. Encoders put exactly one frame of nothing in front, so this is also where the sound begins
    (without it, everything comes 1024 samples late: 23.2 ms at 44.1 kHz, measured).
    """

    def __init__(self, tracks: Tracks) -> None:
        """Begin at the file's start; for a start in the middle use another."""
        self._blind_frames = tracks.blind_sound_frames
        self.broken = 0

    def frames(self, packet: "Packet[Any]") -> list[Frame]:
        """Return what the packet gives, which may be nothing, or several when the stream ends."""
        try:
            frames = packet.decode()
        except av.error.EOFError:
            return []
        except BROKEN:
            self.broken += 1
            return []
        found: list[Frame] = [*frames]
        while self._blind_frames and found and isinstance(found[0], AudioFrame):
            self._blind_frames -= 1
            del found[0]
        return found


def time_s(frame: Frame) -> float:
    """Return the time of a frame in the file's own seconds; only for frames that carry one."""
    return float((frame.pts or 0) * (frame.time_base or 0))


def is_timed(frame: Frame) -> bool:
    """Say whether a frame carries a time, and any content at all."""
    is_empty = isinstance(frame, AudioFrame) and not (frame.samples and frame.sample_rate)
    return frame.pts is not None and frame.time_base is not None and not is_empty


def first_frames(job: Job) -> dict[int, Frame]:
    """Return the first frame of each chosen track by the track's number; a track that gives none is missing."""
    # The copy's tracks must all be described before the first packet is written, and the common zero must be known.
    firsts: dict[int, Frame] = {}
    with opened(job.source_fd, max_streams=int(job.options["max_streams"])) as source:
        tracks = choose_tracks(source, max_frame_px=int(job.options["max_frame_px"]), threads=1)
        streams = [stream for stream in (tracks.video, tracks.audio) if stream is not None]
        decoder = Decoder(tracks)
        try:
            for count, packet in enumerate(source.demux(streams)):
                if count > MAX_PACKETS_FOR_START or len(firsts) == len(streams):
                    break
                for frame in decoder.frames(packet) if packet.stream.index not in firsts else ():
                    if is_timed(frame):
                        firsts.setdefault(packet.stream.index, frame)
        except BROKEN:
            pass
    return firsts


def zero_s(firsts: dict[int, Frame]) -> float:
    """Return the common zero in the file's own seconds: its first picture or sample, whichever is earlier."""
    return min(time_s(frame) for frame in firsts.values())
