"""Running the engraver in a child process that can do little harm.

The child is a fresh isolated interpreter with an empty environment and its own session. It gets the score on its standard input, knows
no name of any file, and lowers its own limits for memory, processor time and written bytes before it loads the engraver. Its answer
goes into a file without a name, so that its size is bounded by the kernel; the parent believes none of it without checking.
"""

import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from curriculum.score.engraving.errors import EngravingCrashError, EngravingLimitError
from curriculum.score.engraving.inside import FULL, OUT_OF_MEMORY
from curriculum.score.engraving.layout import EngravingLimits, Layout

# `inside` is imported by itself: the child needs nothing else of ours.
_BOOT = "import sys; sys.path.append(sys.argv[1]); import inside; inside.enter()"
_TOO_MUCH = "Engraving this score takes more {} than it may. Leave out a part of it, or split it."


def draw_boxed(
    musicxml: bytes, *, layouts: Sequence[Layout], bars: tuple[int, int] | None, limits: EngravingLimits
) -> dict[str, list[str]]:
    """Return pictures as the engraver drew them, unchecked.

    Parameters
    ----------
    musicxml : bytes
        A score.
    layouts : sequence of Layout
        Pages to draw on.
    bars : tuple of int or None
        Indices of the first and the last bar to draw; None draws all.
    limits : EngravingLimits
        What the child may use.

    Returns
    -------
    dict of str to list of str
        SVG of each page, by name of the layout. No layouts give an empty dict.

    Raises
    ------
    EngravingLimitError
        If the child used up its time, its memory or its room.
    EngravingCrashError
        If it broke, could not be started, or answered nonsense.

    Examples
    --------
    >>> draw_boxed(b"no score", layouts=(Layout(name="x", width=600, height=600),), bars=None, limits=EngravingLimits())
    Traceback (most recent call last):
    curriculum.score.engraving.errors.EngravingCrashError: The engraver could not read this score.
    """
    order = json.dumps(
        {
            "layouts": [asdict(layout) for layout in layouts],
            "bars": bars,
            "limits": asdict(limits),
            "parent_pid": os.getpid(),
        }
    )
    with tempfile.TemporaryFile() as answer:
        status = _run(order, musicxml, answer.fileno(), wall_s=limits.wall_s)
        if status in (-signal.SIGXCPU, -signal.SIGKILL):
            raise EngravingLimitError(_TOO_MUCH.format("time"))
        if status == OUT_OF_MEMORY:
            raise EngravingLimitError(_TOO_MUCH.format("memory"))
        if status in (FULL, -signal.SIGXFSZ):
            raise EngravingLimitError(_TOO_MUCH.format("room"))
        if status != 0:
            raise EngravingCrashError("The engraver could not read this score.")
        answer.seek(0)
        return _checked(answer.read(), names=[layout.name for layout in layouts])


def _run(order: str, musicxml: bytes, answer_fd: int, *, wall_s: float) -> int:
    try:
        child = subprocess.Popen(
            [sys.executable, "-I", "-B", "-X", "utf8", "-c", _BOOT, str(Path(__file__).parent), order],
            stdin=subprocess.PIPE,
            stdout=answer_fd,
            stderr=subprocess.DEVNULL,
            env={},
            cwd="/",
            start_new_session=True,
        )
    except OSError as error:
        raise EngravingCrashError(f"The engraver cannot be started: {error.strerror}.") from error
    try:
        child.communicate(musicxml, timeout=wall_s)
    except subprocess.TimeoutExpired:
        raise EngravingLimitError(_TOO_MUCH.format("time")) from None
    finally:
        if child.returncode is None:
            _kill(child)
            child.communicate()
    return child.returncode


def _kill(child: "subprocess.Popen[bytes]") -> None:
    try:
        os.killpg(child.pid, signal.SIGKILL)
    except (ProcessLookupError, PermissionError):
        child.kill()


def _checked(answer: bytes, *, names: Sequence[str]) -> dict[str, list[str]]:
    try:
        pages = json.loads(answer)
    except (ValueError, RecursionError) as error:
        raise EngravingCrashError("The engraver answered nonsense.") from error
    if not isinstance(pages, dict) or sorted(pages) != sorted(names):
        raise EngravingCrashError("The engraver answered nonsense.")
    for pictures in pages.values():
        if not isinstance(pictures, list) or not all(isinstance(picture, str) for picture in pictures):
            raise EngravingCrashError("The engraver answered nonsense.")
    return pages
