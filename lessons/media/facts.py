"""What is found out about a file, and what was made from it."""

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

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
class MidiFacts:
    """What a MIDI file holds: notes that are struck, and tracks."""

    notes: int
    tracks: int


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
    midi
        What a MIDI file holds, or None.
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
    midi: MidiFacts | None = None


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
    is_remuxed
        Whether pictures and sound were taken over as they came, without coding them again.
    """

    content_type: str
    duration_s: float
    width: int | None
    height: int | None
    frames: int
    has_sound: bool
    damaged_packets: int
    bytes: int
    is_remuxed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SavedPicture:
    """One JPEG that was written: where, its width and height in pixels, its size in bytes."""

    path: Path
    width: int
    height: int
    bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What became of a picture.

    Attributes
    ----------
    verdict, reason, text
        *accept*, *reject* or *limit*, why, and the words for the learner.
    saved
        What was written, largest first; empty unless accepted.
    """

    verdict: Verdict
    reason: ReasonCode
    text: str
    saved: tuple[SavedPicture, ...] = ()

    @property
    def is_taken(self) -> bool:
        """Whether there is something to show."""
        return self.verdict is Verdict.ACCEPT


@dataclass(frozen=True, slots=True, kw_only=True)
class Still:
    """A picture taken out of a film.

    Attributes
    ----------
    at_s
        When the picture begins to be shown, seconds from the clip's common zero, to the microsecond.
    width, height
        Pixels of the full, upright picture, or of the part that was asked for.
    saved
        The full picture and the small one.
    """

    at_s: float
    width: int
    height: int
    saved: tuple[SavedPicture, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameList:
    """The list of when pictures are shown.

    Attributes
    ----------
    frames
        How many there are; 0 for sound alone.
    first_s, last_s
        Seconds from the common zero at which the first and the last are shown; None without any.
    longest_gap_s
        Longest time for which one picture stands, seconds, the last one not counted; None under two pictures.
    """

    frames: int
    first_s: float | None
    last_s: float | None
    longest_gap_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Thumbnails:
    """One sheet of small pictures, row by row from the top left.

    Attributes
    ----------
    count, columns, rows
        How many there are, and how they lie; the last row may be shorter.
    tile_width, tile_height
        Pixels of each.
    every_s
        Seconds of the film between two of them.
    times_s
        When each picture really is, seconds from the common zero: at or up to half a second before its place.
    """

    count: int
    columns: int
    rows: int
    tile_width: int
    tile_height: int
    every_s: float
    times_s: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundFacts:
    """The decoded sound.

    Attributes
    ----------
    rate_hz
        Samples a second of each channel.
    channels
        Names of the channels in their order, such as ``FL``, ``FR``, ``FC``, ``LFE``; ``FC`` for one microphone.
    samples
        Samples of each channel, from the common zero.
    duration_s
        ``samples`` in seconds.
    start_s
        Where the track begins, seconds; before it all samples are zero.
    gaps_s
        Beginning and end, seconds, of stretches that are missing in the track and read as zeros; at most a thousand.
    gap_count
        How many gaps there are.
    damaged_packets
        Packets that could not be decoded; what they held is a gap.
    """

    rate_hz: int
    channels: tuple[str, ...]
    samples: int
    duration_s: float
    start_s: float
    gaps_s: tuple[tuple[float, float], ...]
    gap_count: int
    damaged_packets: int
