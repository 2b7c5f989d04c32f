"""The one file that a copy is written to."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import av
from av.container import OutputContainer

from lessons.media.inside.opening import BROKEN, OwnBytes

# Ticks a second in which the copy says where each track begins. The muxer's own thousand would move a late track by half a millisecond.
MOVIE_TICKS = 90_000


@contextmanager
def written(fd: int) -> Iterator[OutputContainer]:
    """Give an MP4 file to write to an open descriptor, its index in front, with nothing in it that says who or where."""
    file = _Target(fd)
    target = av.open(
        file,
        "w",
        format="mp4",
        options={"movflags": "faststart", "fflags": "bitexact", "movie_timescale": str(MOVIE_TICKS)},
        io_open=_reread_only(fd),
    )
    try:
        with target:
            yield target
    except BROKEN as error:
        # The library hides why writing failed: no room, or more than allowed.
        raise file.error or error from error


class _Target(OwnBytes):
    """The file to write, as the muxer wants it."""

    error: OSError | None = None

    def write(self, data: bytes) -> int:
        rest = memoryview(data)
        while rest:
            try:
                done = os.pwrite(self._fd, rest, self._at)
            except OSError as error:
                self.error = error
                raise
            self._at += done
            rest = rest[done:]
        return len(data)


def _reread_only(fd: int) -> Any:
    """Let the muxer read back its own file, which it must do to put the index in front, and nothing else."""

    def reread(url: str, flags: int, options: dict[str, str]) -> OwnBytes:  # noqa: ARG001 - the library's signature
        if flags & 2:  # AVIO_FLAG_WRITE
            raise PermissionError("the copy wants to write a second file")
        return OwnBytes(fd)

    return reread
