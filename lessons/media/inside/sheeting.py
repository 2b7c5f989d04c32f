"""Small pictures of a whole film on one sheet."""

import os
from io import BytesIO
from typing import Any

from av.container import InputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from PIL import Image

from lessons.media.inside.job import Job
from lessons.media.inside.opening import BROKEN, choose_tracks, opened

# JPEG quality of a sheet. Pictures of 160 pixels show no coding at 75, and 120 of them take about 500 kB.
QUALITY = 75


def make_sheet(job: Job) -> dict[str, Any]:
    """Write a sheet of small pictures, row by row, and say where and when each is; nothing for sound alone."""
    options = job.options
    with opened(job.source_fd, max_streams=int(options["max_streams"])) as source:
        tracks = choose_tracks(source, max_frame_px=int(options["max_frame_px"]), threads=job.threads)
        stream = tracks.video
        if stream is None or stream.time_base is None:
            return {"count": 0}
        stream.codec_context.skip_frame = "NONKEY"  # the copy has two a second
        small: list[Image.Image] = []
        times: list[float] = []
        for number in range(int(options["count"])):
            frame = _frame_at(source, stream, number * float(options["every_s"]))
            if frame is None:
                break
            small.append(_shrunk(frame, side_px=int(options["tile_px"])))
            times.append(float(frame.time))
            job.on_progress((number + 1) / int(options["count"]))
    if not small:
        return {"count": 0}
    width, height = small[0].size
    columns = min(len(small), int(options["columns"]))
    rows = -(-len(small) // columns)
    sheet = Image.new("RGB", (columns * width, rows * height), "white")
    for number, picture in enumerate(small):
        sheet.paste(picture, (number % columns * width, number // columns * height))
    packed = BytesIO()
    sheet.save(packed, "JPEG", quality=QUALITY)
    os.write(job.target_fds[0], packed.getvalue())
    return {
        "count": len(small),
        "columns": columns,
        "rows": rows,
        "tile_width": width,
        "tile_height": height,
        "times_s": times,
    }


def _frame_at(source: InputContainer, stream: VideoStream, at_s: float) -> VideoFrame | None:
    """Return the key picture at or before a moment."""
    try:
        source.seek(int(at_s / (stream.time_base or 1)), stream=stream)
        return next(source.decode(stream), None)
    except BROKEN:
        return None


def _shrunk(frame: VideoFrame, *, side_px: int) -> Image.Image:
    scale = side_px / max(frame.width, frame.height)
    width, height = (max(1, round(side * scale)) for side in (frame.width, frame.height))
    image: Image.Image = frame.to_image(width=width, height=height)  # type: ignore[no-untyped-call]
    return image
