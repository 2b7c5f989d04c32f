"""Pictures that can be shown: sent ones, and stills taken out of a film."""

import math
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from lessons.media.errors import BoxLimitError, CopyError, UnopenableFileError
from lessons.media.facts import Kind, Picture, Probe, SavedPicture, Still
from lessons.media.limits import ProbeLimits, WorkLimits
from lessons.media.making import make_files, path_of_size
from lessons.media.reasons import ReasonCode, explain, verdict_of

# Long sides of a kept picture and of its small version, pixels. 1600 fills a phone held sideways at twice its density.
PICTURE_SIZES_PX = (1600, 400)

# Long sides of a still: 0 is the film's own size.
STILL_SIZES_PX = (0, 400)

# Largest JPEG that may come out, bytes. A 4K still of the noisiest kind took 9 MB.
MAX_JPEG_BYTES = 40_000_000


def take_picture(
    path: Path, out_path: Path, *, limits: ProbeLimits | None = None, sizes: Sequence[int] = PICTURE_SIZES_PX
) -> Picture:
    """Return what became of a picture: kept as plain JPEGs, or refused with a reason.

    JPEG, PNG, WebP, HEIC, AVIF and the first picture of a GIF are taken. What is kept stands upright, lies on white, has eight bits a
    colour in the colours of the web, and says nothing about place, camera or date.

    Parameters
    ----------
    path
        The file as it was sent. Its content decides, not its name.
    out_path
        Where the largest goes; smaller ones lie beside it (`lessons.media.making.path_of_size`). Its folder must exist.
    limits
        What is taken and what looking may use. Default: `ProbeLimits` as it stands.
    sizes
        Long sides in pixels, largest first. A picture is never made larger than it came.

    Returns
    -------
    Picture
        Always an answer, also for an empty file, and for a file that breaks its reader. Nothing is written unless it is accepted.

    Raises
    ------
    UnopenableFileError
        If ``path`` cannot be read or the folder of ``out_path`` cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full; try again later.

    Examples
    --------
    >>> import tempfile
    >>> from PIL import Image
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     Image.new("RGB", (2000, 1000), "teal").save(Path(folder, "seat.png"))
    ...     kept = take_picture(Path(folder, "seat.png"), Path(folder, "seat.jpg"))
    >>> [(saved.path.name, saved.width, saved.height) for saved in kept.saved]
    [('seat.jpg', 1600, 800), ('seat-400.jpg', 400, 200)]
    """
    limits = limits or ProbeLimits()
    try:
        size = path.stat().st_size
    except OSError as error:
        raise UnopenableFileError(f"cannot open {path.name}: {error.strerror}") from error
    if size > limits.max_image_bytes:
        return _picture(ReasonCode.PICTURE_TOO_LARGE, limits)
    out_paths = _paths(out_path, sizes)
    options = asdict(limits) | {"sizes": list(sizes)}
    del options["box"]
    try:
        answer = make_files(
            "picture",
            source=path,
            out_paths=out_paths,
            options=options,
            box=replace(limits.box, file_bytes=MAX_JPEG_BYTES),
        )
    except CopyError as error:
        cause = error.__cause__
        if not isinstance(cause, BoxLimitError):
            return _picture(ReasonCode.READER_BROKE, limits)
        spent_memory = cause.spent == "memory"
        return _picture(ReasonCode.TOOK_TOO_MUCH_MEMORY if spent_memory else ReasonCode.TOOK_TOO_LONG, limits)
    return _picture(ReasonCode(answer["reason"]), limits, saved=_saved(answer, out_paths))


def take_still(
    path: Path,
    out_path: Path,
    *,
    at_s: float,
    probe: Probe,
    limits: WorkLimits | None = None,
    box_frac: tuple[float, float, float, float] | None = None,
) -> Still:
    """Return which picture of a film is shown at a moment, once it lies at ``out_path`` as JPEG.

    It is the last picture that begins at or before the moment; before the first picture that one, after the last the last. It comes from
    the original in its full size, upright, with square pixels, in plain colours.

    Parameters
    ----------
    path
        The original, which `lessons.media.probe` accepted or took in part; a browser copy does too.
    out_path
        Where the full picture goes; one of 400 pixels lies beside it (`lessons.media.making.path_of_size`). Its folder must exist.
    at_s
        The moment, seconds from the clip's common zero, 0 or more. Half a millisecond of rounding is forgiven.
    probe
        What the probe found about ``path``.
    limits
        What taking it may use. Default: `WorkLimits` as it stands.
    box_frac
        Part of the picture to keep: left, top, right and bottom edge as shares of the upright picture, 0 to 1. None: all of it.

    Returns
    -------
    Still
        The picture's own time and size.

    Raises
    ------
    CopyError
        If no picture can be decoded there, or it would need more time or memory than allowed.
    ValueError
        If ``probe`` says that there is no picture, if ``at_s`` is no moment, or ``box_frac`` no part.
    UnopenableFileError
        If ``path`` cannot be read or the folder of ``out_path`` cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full; try again later.

    Examples
    --------
    >>> from lessons.media import ReasonCode, Verdict
    >>> sound = Probe(kind=Kind.SOUND, verdict=Verdict.ACCEPT, reason=ReasonCode.OK, text="")
    >>> take_still(Path("take.wav"), Path("still.jpg"), at_s=1.0, probe=sound)
    Traceback (most recent call last):
        ...
    ValueError: a still is taken from films, not from kind sound
    """
    if probe.kind is not Kind.VIDEO:
        raise ValueError(f"a still is taken from films, not from kind {probe.kind}")
    if not math.isfinite(at_s) or at_s < 0:
        raise ValueError(f"a moment is 0 seconds or more; this is {at_s}")
    if box_frac is not None and not (0 <= box_frac[0] < box_frac[2] <= 1 and 0 <= box_frac[1] < box_frac[3] <= 1):
        raise ValueError(f"a part has left, top, right and bottom between 0 and 1; this is {box_frac}")
    limits = limits or WorkLimits()
    out_paths = _paths(out_path, STILL_SIZES_PX)
    options = {
        "max_frame_px": limits.max_frame_px,
        "max_streams": limits.max_streams,
        "at_s": at_s,
        "box_frac": None if box_frac is None else list(box_frac),
        "sizes": list(STILL_SIZES_PX),
    }
    box = limits.box_for(probe.duration_s or 0.0, file_bytes=MAX_JPEG_BYTES)
    answer = make_files("still", source=path, out_paths=out_paths, options=options, box=box)
    return Still(
        at_s=round(float(answer["at_s"]), 6),
        width=int(answer["width"]),
        height=int(answer["height"]),
        saved=_saved(answer, out_paths),
    )


def _paths(out_path: Path, sizes: Sequence[int]) -> list[Path]:
    return [out_path, *(path_of_size(out_path, long_side_px=size) for size in sizes[1:])]


def _picture(reason: ReasonCode, limits: ProbeLimits, *, saved: tuple[SavedPicture, ...] = ()) -> Picture:
    text = explain(reason, duration_s=None, max_duration_s=limits.max_duration_s, max_bytes=limits.max_bytes)
    return Picture(verdict=verdict_of(reason), reason=reason, text=text, saved=saved)


def _saved(answer: dict[str, Any], paths: Sequence[Path]) -> tuple[SavedPicture, ...]:
    return tuple(
        SavedPicture(path=path, width=int(said["width"]), height=int(said["height"]), bytes=int(said["bytes"]))
        for path, said in zip(paths, answer.get("saved", ()), strict=False)
    )
