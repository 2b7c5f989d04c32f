"""What a page needs for finding its way in a browser copy: when each picture is shown, and small pictures of the whole."""

import math
from pathlib import Path

from lessons.media.facts import FrameList, Thumbnails
from lessons.media.limits import WorkLimits
from lessons.media.making import make_files

# Most small pictures on one sheet. Twelve rows of ten: a minute of film every half second, an hour every half minute.
MAX_THUMBNAILS = 120
COLUMNS = 10

# Long side of each small picture, pixels.
TILE_PX = 160

# Bytes that one time in the list takes at most, and pictures a second at most.
_BYTES_A_TIME = 12
_MOST_RATE_HZ = 130

_MAX_SHEET_BYTES = 10_000_000


def list_frames(copy_path: Path, out_path: Path, *, duration_s: float, limits: WorkLimits | None = None) -> FrameList:
    """Return how many pictures a browser copy holds, once the list of their times lies at ``out_path``.

    The list is one JSON object: ``schema`` (1) and ``times_s``, when each picture is shown, in seconds from the common zero, rising,
    rounded up to a tenth of a millisecond. A player sent to one of these times shows that picture and no other.

    Parameters
    ----------
    copy_path
        A browser copy made by `lessons.media.make_copy`.
    out_path
        Where the list goes; replaced in one move. Its folder must exist.
    duration_s
        Length of the copy, seconds.
    limits
        What it may use. Default: `WorkLimits` as it stands.

    Returns
    -------
    FrameList
        The count and the ends; for sound alone 0 pictures, and an empty list is written.

    Raises
    ------
    CopyError
        If the copy cannot be read.
    UnopenableFileError
        If ``copy_path`` cannot be read or the folder of ``out_path`` cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full; try again later.

    Examples
    --------
    >>> import tempfile, wave
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with wave.open(str(Path(folder, "take.wav")), "wb") as sound:
    ...         sound.setparams((1, 2, 48000, 0, "NONE", ""))
    ...         sound.writeframes(bytes(9600))
    ...     found = list_frames(Path(folder, "take.wav"), Path(folder, "frames.json"), duration_s=0.1)
    ...     found.frames, Path(folder, "frames.json").read_text()
    (0, '{"schema":1,"times_s":[]}')
    """
    limits = limits or WorkLimits()
    file_bytes = math.ceil(1000 + _BYTES_A_TIME * _MOST_RATE_HZ * duration_s)
    answer = make_files(
        "frames",
        source=copy_path,
        out_paths=[out_path],
        options={"max_frame_px": limits.max_frame_px, "max_streams": limits.max_streams},
        box=limits.box_for(duration_s, file_bytes=file_bytes),
    )
    return FrameList(
        frames=int(answer["frames"]),
        first_s=_seconds(answer["first_s"]),
        last_s=_seconds(answer["last_s"]),
        longest_gap_s=_seconds(answer["longest_gap_s"]),
    )


def make_thumbnails(
    copy_path: Path, out_path: Path, *, duration_s: float, every_s: float = 1.0, limits: WorkLimits | None = None
) -> Thumbnails | None:
    """Return how small pictures of a film lie on one sheet, once it lies at ``out_path`` as JPEG.

    Parameters
    ----------
    copy_path
        A browser copy made by `lessons.media.make_copy`.
    out_path
        Where the sheet goes, at most 1600 pixels wide and 1920 high; replaced in one move. Its folder must exist.
    duration_s
        Length of the copy, seconds.
    every_s
        Seconds between two small pictures, above 0; longer where more than 120 would be needed.
    limits
        What it may use. Default: `WorkLimits` as it stands.

    Returns
    -------
    Thumbnails or None
        None for sound alone; nothing is written then.

    Raises
    ------
    CopyError
        If the copy cannot be read.
    ValueError
        If ``every_s`` or ``duration_s`` is not above 0.
    UnopenableFileError
        If ``copy_path`` cannot be read or the folder of ``out_path`` cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full; try again later.

    Examples
    --------
    >>> make_thumbnails(Path("copy.mp4"), Path("sheet.jpg"), duration_s=10.0, every_s=0.0)
    Traceback (most recent call last):
        ...
    ValueError: lengths are above 0 seconds; these are 10.0 and 0.0
    """
    if not (duration_s > 0 and every_s > 0):
        raise ValueError(f"lengths are above 0 seconds; these are {duration_s} and {every_s}")
    limits = limits or WorkLimits()
    every_s = max(every_s, duration_s / MAX_THUMBNAILS)
    options = {
        "max_frame_px": limits.max_frame_px,
        "max_streams": limits.max_streams,
        "every_s": every_s,
        "count": min(MAX_THUMBNAILS, max(1, math.ceil(duration_s / every_s))),
        "columns": COLUMNS,
        "tile_px": TILE_PX,
    }
    answer = make_files(
        "thumbnails",
        source=copy_path,
        out_paths=[out_path],
        options=options,
        box=limits.box_for(duration_s, file_bytes=_MAX_SHEET_BYTES),
    )
    if not answer["count"]:
        return None
    return Thumbnails(
        count=int(answer["count"]),
        columns=int(answer["columns"]),
        rows=int(answer["rows"]),
        tile_width=int(answer["tile_width"]),
        tile_height=int(answer["tile_height"]),
        every_s=every_s,
        times_s=tuple(round(float(at_s), 6) for at_s in answer["times_s"]),
    )


def _seconds(value: float | None) -> float | None:
    return None if value is None else round(float(value), 6)
