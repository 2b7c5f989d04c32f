"""What is found out about a file, and what a copy turned out to be."""

from dataclasses import dataclass
from enum import StrEnum

from lessons.media.reasons import ReasonCode, Verdict


class Kind(StrEnum):
    """What a file is, told by its content."""

    VIDEO = "video"
    SOUND = "sound"
    MIDI = "midi"
    PICTURE = "picture"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class VideoFacts:
    """The picture of a film, or a still picture.

    Attributes
    ----------
    width, height
        Pixels of the **upright** picture.
    rotation_deg
        Degrees clockwise by which the stored picture is turned to stand upright: 0, 90, 180 or 270.
    codec
        Name of the codec or picture format, lower case.
    """

    width: int
    height: int
    rotation_deg: int
    codec: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFacts:
    """The sound track: channels, sampling rate in hertz, codec name in lower case."""

    channels: int
    rate_hz: int
    codec: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """The answer about one file.

    Attributes
    ----------
    kind, verdict, reason, text
        What it is, what becomes of it, why, and the words for the learner.
    duration_s
        Seconds from the first picture or sample to the end of the last, as decoded; None for still pictures and where unknown.
    video, audio
        Facts of the chosen picture and sound track, or None.
    audio_start_s, video_start_s
        Seconds of the first decoded sample and picture after the clip's common zero, which is the earlier of the two. None without
        that track.
    """

    kind: Kind
    verdict: Verdict
    reason: ReasonCode
    text: str
    duration_s: float | None = None
    video: VideoFacts | None = None
    audio: AudioFacts | None = None
    audio_start_s: float | None = None
    video_start_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyResult:
    """The browser copy.

    Attributes
    ----------
    content_type
        ``video/mp4`` or ``audio/mp4``.
    duration_s
        Seconds from the common zero to the end of the last picture or sample written.
    width, height
        Pixels; None for sound only.
    frames
        Pictures written.
    has_sound
        Whether the copy has a sound track.
    damaged_packets
        Packets that could not be decoded and were left out.
    bytes
        Size of the copy.
    """

    content_type: str
    duration_s: float
    width: int | None
    height: int | None
    frames: int
    has_sound: bool
    damaged_packets: int
    bytes: int
