"""Files that a boxed child writes: whole, or not there."""

import uuid
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from lessons.media.box import run_boxed
from lessons.media.errors import BoxCrashError, BoxLimitError, CopyError
from lessons.media.limits import BoxLimits


def make_files(
    job: str,
    *,
    source: Path,
    out_paths: Sequence[Path],
    options: dict[str, Any],
    box: BoxLimits,
    others: Sequence[Path] = (),
    on_progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Return the child's answer, once everything it wrote lies where it belongs.

    Parameters
    ----------
    job
        Name of the child's job.
    source
        The file it reads.
    out_paths
        Where its files go, each replaced in one move once all are written. What the child left empty is not moved.
    options
        JSON values for the job.
    box
        What the child may use.
    others
        Further files that it reads, our own.
    on_progress
        Called with the share done, 0 to 1, never falling.

    Returns
    -------
    dict
        The child's words, unchecked.

    Raises
    ------
    CopyError
        If the child was broken by the file, or needed more than it may use.
    UnopenableFileError
        If ``source`` or one of ``others`` cannot be read, or a folder cannot be written.
    BoxError
        If the child was ended from outside, or the disk is full.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = Path(folder, "note.txt").write_text("no picture")
    ...     make_files("picture", source=Path(folder, "note.txt"), out_paths=[], options={"sizes": []}, box=BoxLimits())
    {'reason': 'not_a_picture'}
    """
    parts = [path.with_name(f".{path.name}.{uuid.uuid4().hex}.part") for path in out_paths]
    try:
        answer = run_boxed(
            job, source=source, targets=parts, others=others, options=options, limits=box, on_progress=on_progress
        ).answer
        for part, path in zip(parts, out_paths, strict=True):
            if part.stat().st_size:
                part.replace(path)
    except (BoxLimitError, BoxCrashError) as error:
        raise CopyError(str(error)) from error
    finally:
        for part in parts:
            part.unlink(missing_ok=True)
    return answer


def path_of_size(path: Path, *, long_side_px: int) -> Path:
    """Return where the smaller version of a picture lies: beside it, with its size in the name.

    Parameters
    ----------
    path
        The largest version.
    long_side_px
        Long side of the smaller one, pixels.

    Returns
    -------
    Path
        In the same folder.

    Examples
    --------
    >>> path_of_size(Path("still.jpg"), long_side_px=400).name
    'still-400.jpg'
    """
    return path.with_name(f"{path.stem}-{long_side_px}{path.suffix}")
