"""When each picture of a browser copy is shown."""

import json
import math
import os
from contextlib import suppress
from itertools import pairwise
from typing import Any

from lessons.media.inside.job import Job
from lessons.media.inside.opening import BROKEN, choose_tracks, opened

# Places of a second to which times are written. They are rounded up, so that a player sent there never shows the picture before.
PLACES = 4


def list_frames(job: Job) -> dict[str, Any]:
    """Write the times of all pictures as compact JSON; an empty list for sound alone."""
    with opened(job.source_fd, max_streams=int(job.options["max_streams"])) as source:
        tracks = choose_tracks(source, max_frame_px=int(job.options["max_frame_px"]), threads=1)
        times: list[float] = []
        if tracks.video is not None:
            # Nothing is decoded: in our own copy each packet is one picture and carries its time.
            with suppress(*BROKEN):
                times = [
                    float(packet.pts * packet.time_base)
                    for packet in source.demux(tracks.video)
                    if packet.pts is not None and packet.size and not packet.is_discard
                ]
    times.sort()
    scale = 10**PLACES
    # A hair less before rounding up: 0.2 s must not become 0.2001 s.
    rounded = [max(0, math.ceil(at_s * scale - 0.01)) / scale for at_s in times]
    with os.fdopen(os.dup(job.target_fds[0]), "w", encoding="ascii") as target:
        json.dump({"schema": 1, "times_s": rounded}, target, separators=(",", ":"))
    gaps = [after - before for before, after in pairwise(times)]
    return {
        "frames": len(times),
        "first_s": rounded[0] if rounded else None,
        "last_s": rounded[-1] if rounded else None,
        "longest_gap_s": max(gaps, default=None),
    }
