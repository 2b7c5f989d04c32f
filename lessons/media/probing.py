"""What is this file, and what becomes of it?"""

import logging
import math
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from lessons.media.box import run_boxed
from lessons.media.errors import BoxCrashError, BoxLimitError, UnopenableFileError
from lessons.media.facts import AudioFacts, Kind, MidiFacts, Probe, VideoFacts
from lessons.media.limits import ProbeLimits
from lessons.media.reasons import ReasonCode, explain, verdict_of

logger = logging.getLogger(__name__)

# Places that seconds are rounded to. A microsecond is a twentieth of a sample at 48 kHz.
SECONDS_PLACES = 6


def probe(
    path: Path,
    *,
    limits: ProbeLimits | None = None,
    name: str | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> Probe:
    """Return what a file is, and whether it is taken, by decoding it in a box.

    Lengths and sizes are those of what was decoded, not of what the header claims; limits are counted while decoding. Time zero is
    the first decoded picture or sample, whichever is earlier.

    Parameters
    ----------
    path
        The file. Its content decides; its name is only used to notice a picture under a film's name.
    limits
        What is taken and what looking may use. Default: `ProbeLimits` as it stands.
    name
        Name under which the file was sent, if ``path`` has another. Never opened.
    on_progress
        Called with the share of the file looked at, 0 to 1, at least every few seconds; far too small where the file promises no
        length.

    Returns
    -------
    Probe
        Always an answer, also for an empty file, and for a file that breaks its reader.

    Raises
    ------
    UnopenableFileError
        If there is no plain file at ``path`` that we may read.
    BoxError
        If the child was ended from outside; try again.

    Examples
    --------
    >>> import tempfile, wave
    >>> with tempfile.NamedTemporaryFile(suffix=".wav") as file:
    ...     with wave.open(file.name, "wb") as sound:
    ...         sound.setparams((1, 2, 8000, 0, "NONE", ""))
    ...         sound.writeframes(bytes([0, 40, 0, 216]) * 8000)
    ...     found = probe(Path(file.name))
    >>> found.kind.value, found.verdict.value, found.duration_s, found.audio.rate_hz
    ('sound', 'accept', 2.0, 8000)
    """
    limits = limits or ProbeLimits()
    try:
        size = path.stat().st_size
    except OSError as error:
        raise UnopenableFileError(f"cannot open {path.name}: {error.strerror}") from error
    if size > limits.max_bytes:
        return _answer({"kind": "unknown", "reason": "too_large"}, limits)
    options = asdict(limits) | {"suffix": Path(name or path.name).suffix}
    del options["box"]
    try:
        report = run_boxed("probe", source=path, options=options, limits=limits.box, on_progress=on_progress)
    except BoxLimitError as error:
        reason = "took_too_much_memory" if error.spent == "memory" else "took_too_long"
        return _answer({"kind": "unknown", "reason": reason}, limits)
    except BoxCrashError as error:
        logger.warning("a file broke its reader: %s", error)
        return _answer({"kind": "unknown", "reason": "reader_broke"}, limits)
    try:
        return _answer(report.answer, limits)
    except (KeyError, TypeError, ValueError) as error:
        logger.warning("the reader answered nonsense: %s", error)
        return _answer({"kind": "unknown", "reason": "reader_broke"}, limits)


def _answer(said: dict[str, Any], limits: ProbeLimits) -> Probe:
    """Build the answer from what the child said, taking over nothing but checked numbers and known words."""
    reason = ReasonCode(said["reason"])
    duration_s = _seconds(said.get("duration_s"))
    video, audio, midi = said.get("video"), said.get("audio"), said.get("midi")
    return Probe(
        kind=Kind(said["kind"]),
        verdict=verdict_of(reason),
        reason=reason,
        text=explain(reason, duration_s=duration_s, max_duration_s=limits.max_duration_s, max_bytes=limits.max_bytes),
        duration_s=duration_s,
        video=None
        if video is None
        else VideoFacts(
            width=_whole(video["width"]),
            height=_whole(video["height"]),
            rotation_deg=_whole(video["rotation_deg"]),
            codec=_word(video["codec"]),
        ),
        audio=None
        if audio is None
        else AudioFacts(
            channels=_whole(audio["channels"]), rate_hz=_whole(audio["rate_hz"]), codec=_word(audio["codec"])
        ),
        audio_start_s=_seconds(said.get("audio_start_s")),
        video_start_s=_seconds(said.get("video_start_s")),
        midi=None if midi is None else MidiFacts(notes=_whole(midi["notes"]), tracks=_whole(midi["tracks"])),
    )


def _seconds(value: Any) -> float | None:
    if value is None:
        return None
    number = float(value)
    if not math.isfinite(number) or number < 0:
        raise ValueError(f"{number} is no time")
    return round(number, SECONDS_PLACES)


def _whole(value: Any) -> int:
    number = int(value)
    if not 0 <= number < 1 << 31:
        raise ValueError(f"{number} is out of range")
    return number


def _word(value: Any) -> str:
    word = str(value)
    if not word.isascii() or len(word) > 40:
        raise ValueError("not a codec's name")
    return word.lower()
