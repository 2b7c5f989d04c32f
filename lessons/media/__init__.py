"""What is this clip, and how does a browser get to play it?

Clips come from phones and are unknown files: cut off, turned, longer than their header says, or made to do harm. This package answers
what a file is (`probe`), makes a copy that every browser plays (`make_copy`; `voice_midi` for MIDI files) with a first picture (`make_poster`), a list of its
pictures' times (`list_frames`) and a sheet of small ones (`make_thumbnails`), decodes the sound for measuring (`decode_sound`; mixing
and outlines are in `lessons.media.samples`, which needs NumPy and is imported by name), and keeps pictures that were sent
(`take_picture`) or are taken out of a film (`take_still`).

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

from lessons.media.copying import make_copy, make_poster, voice_midi
from lessons.media.errors import (
    BoxCrashError,
    BoxError,
    BoxLimitError,
    BoxSpaceError,
    CopyError,
    MediaError,
    SamplesError,
    UnopenableFileError,
)
from lessons.media.facts import (
    AudioFacts,
    CopyResult,
    FrameList,
    Kind,
    MidiFacts,
    Picture,
    Probe,
    SavedPicture,
    SoundFacts,
    Still,
    Thumbnails,
    VideoFacts,
)
from lessons.media.limits import BoxLimits, CopyLimits, ProbeLimits, VoiceLimits, WorkLimits
from lessons.media.listing import list_frames, make_thumbnails
from lessons.media.pictures import take_picture, take_still
from lessons.media.probing import probe
from lessons.media.reasons import ReasonCode, Verdict
from lessons.media.sounding import decode_sound

__all__ = [
    "AudioFacts",
    "BoxCrashError",
    "BoxError",
    "BoxLimitError",
    "BoxLimits",
    "BoxSpaceError",
    "CopyError",
    "CopyLimits",
    "CopyResult",
    "FrameList",
    "Kind",
    "MediaError",
    "MidiFacts",
    "Picture",
    "Probe",
    "ProbeLimits",
    "ReasonCode",
    "SamplesError",
    "SavedPicture",
    "SoundFacts",
    "Still",
    "Thumbnails",
    "UnopenableFileError",
    "Verdict",
    "VideoFacts",
    "VoiceLimits",
    "WorkLimits",
    "decode_sound",
    "list_frames",
    "make_copy",
    "make_poster",
    "make_thumbnails",
    "probe",
    "take_picture",
    "take_still",
    "voice_midi",
]
