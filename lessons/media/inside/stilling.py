"""One picture out of a film: the very one that is shown at a moment."""

from typing import Any

from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from PIL import Image

from lessons.media.inside.colours import to_image, turn_deg
from lessons.media.inside.job import Job
from lessons.media.inside.opening import BROKEN, choose_tracks, opened
from lessons.media.inside.picture import save_sizes
from lessons.media.inside.timeline import Decoder, Frame, first_frames, is_timed, time_s, zero_s

# How much later than asked a picture may begin and still be the one that is meant, seconds. Times are stored in the copy to 1/90000 s
# and in lists to 0.1 ms; at 240 pictures a second they are 4 ms apart.
LATE_S = 0.0005

# Longest stretch, seconds, that is decoded after jumping to a key picture. Phones write one a second, screen recorders one in ten. Where
# the index leads further away than this, it is not trusted and the packets are counted through instead.
FARTHEST_KEY_S = 12.0

# JPEG quality. A still is looked at closely; 92 leaves no blocks at full size.
QUALITY = 92

# Shortest side of a part of the picture, pixels.
MIN_PART_PX = 32


class CannotTakeError(ValueError):
    """There is no picture at that moment."""


def take_still(job: Job) -> dict[str, Any]:
    """Write the picture that is shown at a moment, once for each size."""
    at_s = float(job.options["at_s"])
    firsts = first_frames(job)
    if not any(isinstance(frame, VideoFrame) for frame in firsts.values()):
        raise CannotTakeError("nothing could be decoded")
    wanted_s = zero_s(firsts) + at_s + LATE_S
    found = _jump(job, wanted_s) or _count_through(job, wanted_s)
    if found is None:
        raise CannotTakeError("no picture could be decoded at that moment")
    frame, stream = found
    shown_s = time_s(frame) - zero_s(firsts)
    turned_deg = turn_deg(frame)
    image = _part(to_image(frame, stream), job.options["box_frac"])
    return {
        "at_s": max(0.0, shown_s),
        "rotation_deg": turned_deg,
        "width": image.width,
        "height": image.height,
        "saved": save_sizes(image, job, quality=QUALITY),
    }


def _part(image: Image.Image, box_frac: list[float] | None) -> Image.Image:
    if box_frac is None:
        return image
    left, top, right, bottom = (
        round(share * side) for share, side in zip(box_frac, (image.width, image.height) * 2, strict=True)
    )
    # Not smaller than can be shown, and inside the picture.
    width = min(image.width, max(MIN_PART_PX, right - left))
    height = min(image.height, max(MIN_PART_PX, bottom - top))
    left, top = min(left, image.width - width), min(top, image.height - height)
    return image.crop((left, top, left + width, top + height))


def _jump(job: Job, wanted_s: float) -> tuple[VideoFrame, VideoStream] | None:
    """Let the index lead to the key picture before the moment; None if it leads elsewhere."""
    with opened(job.source_fd, max_streams=int(job.options["max_streams"])) as source:
        tracks = choose_tracks(source, max_frame_px=int(job.options["max_frame_px"]), threads=job.threads)
        stream = tracks.video
        if stream is None or stream.time_base is None:
            return None
        try:
            source.seek(int(wanted_s / stream.time_base), stream=stream)
            packets = source.demux(stream)
            first = next(packets, None)
        except BROKEN:
            return None
        key_s = _packet_s(first)
        if first is None or key_s is None or not first.is_keyframe or not 0 <= wanted_s - key_s <= FARTHEST_KEY_S:
            return None
        search = _Search(wanted_s, Decoder(tracks))
        try:
            search.take(first)
            for packet in packets:
                if search.take(packet):
                    break
        except BROKEN:
            pass
        frame = search.best
        # A picture that comes only after the moment: what is shown there lies before this key picture.
        return None if frame is None or time_s(frame) > wanted_s else (frame, stream)


def _count_through(job: Job, wanted_s: float) -> tuple[VideoFrame, VideoStream] | None:
    """Read all packets up to the moment, and decode from the last key picture before it. Needs no index."""
    skipped = 0
    with opened(job.source_fd, max_streams=int(job.options["max_streams"])) as source:
        tracks = choose_tracks(source, max_frame_px=int(job.options["max_frame_px"]), threads=1)
        if tracks.video is None:
            return None
        try:
            for number, packet in enumerate(source.demux(tracks.video)):
                at_s = _packet_s(packet)
                if at_s is None:
                    continue
                if at_s > wanted_s + FARTHEST_KEY_S:
                    break
                if packet.is_keyframe and at_s <= wanted_s:
                    skipped = number
                job.on_progress(0.0)
        except BROKEN:
            pass
    with opened(job.source_fd, max_streams=int(job.options["max_streams"])) as source:
        tracks = choose_tracks(source, max_frame_px=int(job.options["max_frame_px"]), threads=job.threads)
        if tracks.video is None:
            return None
        search = _Search(wanted_s, Decoder(tracks))
        try:
            for number, packet in enumerate(source.demux(tracks.video)):
                if number >= skipped and search.take(packet):
                    break
        except BROKEN:
            pass
        return None if search.best is None else (search.best, tracks.video)


def _packet_s(packet: "Packet[Any] | None") -> float | None:
    if packet is None or packet.pts is None:
        return None
    return float(packet.pts * packet.time_base)


class _Search:
    """Decodes until a picture comes after the moment, and keeps the last one that does not."""

    def __init__(self, wanted_s: float, decoder: Decoder) -> None:
        self._wanted_s = wanted_s
        self._decoder = decoder
        self.best: VideoFrame | None = None

    def take(self, packet: "Packet[Any]") -> bool:
        """Return whether the search is over."""
        return any(self._is_past(frame) for frame in self._decoder.frames(packet))

    def _is_past(self, frame: Frame) -> bool:
        if not isinstance(frame, VideoFrame) or not is_timed(frame):
            return False
        is_past = time_s(frame) > self._wanted_s
        # Before the film's first picture, the first one stands.
        if not is_past or self.best is None:
            self.best = frame
        return is_past
