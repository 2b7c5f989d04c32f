"""What is this clip, and how does a browser get to play it?

Clips come from phones and are unknown files: cut off, turned, longer than their header says, or made to do harm. This package answers
what a file is (`probe`), makes a copy that every browser plays (`make_copy`) and a first picture for it (`make_poster`).

Conventions
-----------
Time is seconds from one common zero: the first decoded picture or sample of the chosen tracks, whichever is earlier. Sizes are
pixels of the upright picture; turns are clockwise. Nothing is believed from a header. Every byte of an unknown file is touched only
in a boxed child process (`lessons.media.box`), which gets open descriptors, an empty environment and hard limits, and which can
open no second file and no connection.

Verdicts
--------
*accept*: whole and usable. *partial*: useful, with something missing that the learner is told (cut short, no sound). *reject*:
nothing to use. *limit*: perhaps fine, but more than is taken here. A worked example: a three-second clip whose upload stopped at two
thirds decodes 2.0 s without a single error; its container promises more, so the verdict is *partial*, the reason ``cut_short``, and
the words say that 2.0 s were kept.
"""

from lessons.media.copying import make_copy, make_poster
from lessons.media.errors import (
    BoxCrashError,
    BoxError,
    BoxLimitError,
    CopyError,
    MediaError,
    UnopenableFileError,
)
from lessons.media.facts import AudioFacts, CopyResult, Kind, Probe, VideoFacts
from lessons.media.limits import BoxLimits, CopyLimits, ProbeLimits
from lessons.media.probing import probe
from lessons.media.reasons import ReasonCode, Verdict

__all__ = [
    "AudioFacts",
    "BoxCrashError",
    "BoxError",
    "BoxLimitError",
    "BoxLimits",
    "CopyError",
    "CopyLimits",
    "CopyResult",
    "Kind",
    "MediaError",
    "Probe",
    "ProbeLimits",
    "ReasonCode",
    "UnopenableFileError",
    "Verdict",
    "VideoFacts",
    "make_copy",
    "make_poster",
    "probe",
]
