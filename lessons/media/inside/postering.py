"""One picture that stands for a clip until it is played."""

import os
from io import BytesIO
from typing import Any

from av.video.frame import VideoFrame
from PIL import Image

from lessons.media.inside.job import Job
from lessons.media.inside.opening import BROKEN, choose_tracks, opened

# Mean brightness, 0 to 255, from which a picture counts as not dark. Black is 16 in film levels, a dim room around 40.
DARK_MEAN = 28.0

# Where the search begins, and for how long it goes on, seconds. The first second is often a hand over the lens.
SEARCH_FROM_S = 1.0
SEARCH_FOR_S = 10.0

# Width of the small grey picture whose brightness is measured.
MEASURE_PX = 32


def poster(job: Job) -> dict[str, Any]:
    """Write a JPEG to the target; ``has_poster`` is false where there is no picture."""
    options = job.options
    with opened(job.source_fd, max_streams=int(options["max_streams"])) as source:
        tracks = choose_tracks(source, max_frame_px=int(options["max_frame_px"]), threads=job.threads)
        if tracks.video is None:
            return {"has_poster": False}
        first: VideoFrame | None = None
        chosen: VideoFrame | None = None
        try:
            for frame in source.decode(tracks.video):
                first = first or frame
                at_s = frame.time - first.time
                if at_s < SEARCH_FROM_S:
                    continue
                if at_s > SEARCH_FROM_S + SEARCH_FOR_S:
                    break
                if _brightness(frame) >= DARK_MEAN:
                    chosen = frame
                    break
        except BROKEN:
            pass
        chosen = chosen or first
        if chosen is None:
            return {"has_poster": False}
        image: Image.Image = chosen.to_image()  # type: ignore[no-untyped-call]
        image.thumbnail((int(options["long_side_px"]),) * 2)
        packed = BytesIO()
        image.save(packed, "JPEG", quality=82)
        os.write(job.target_fds[0], packed.getvalue())
    return {"has_poster": True}


def _brightness(frame: VideoFrame) -> float:
    small = frame.reformat(width=MEASURE_PX, height=MEASURE_PX, format="gray")
    plane = small.planes[0]
    data = bytes(plane)
    rows = [data[row * plane.line_size : row * plane.line_size + MEASURE_PX] for row in range(MEASURE_PX)]
    return sum(map(sum, rows)) / MEASURE_PX**2
