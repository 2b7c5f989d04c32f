"""The closed list of reasons why a file is or is not taken, and the words a learner reads for each.

The words say what happened, what was kept and what to do, in that order. Codes are stable: they are stored with clips and read by
programs; words may change.
"""

from enum import StrEnum


class Verdict(StrEnum):
    """What becomes of a file."""

    ACCEPT = "accept"
    PARTIAL = "partial"
    REJECT = "reject"
    LIMIT = "limit"


class ReasonCode(StrEnum):
    """Why a file got its verdict."""

    OK = "ok"
    CUT_SHORT = "cut_short"
    DAMAGED = "damaged"
    ONE_PICTURE = "one_picture"
    NO_SOUND = "no_sound"
    SOUND_UNREADABLE = "sound_unreadable"
    SILENT = "silent"
    EMPTY = "empty"
    NOT_MEDIA = "not_media"
    POINTS_ELSEWHERE = "points_elsewhere"
    INDEX_MISSING = "index_missing"
    CODEC_UNKNOWN = "codec_unknown"
    NOTHING_DECODED = "nothing_decoded"
    TOO_DAMAGED = "too_damaged"
    READER_BROKE = "reader_broke"
    PICTURE_NAMED_AS_CLIP = "picture_named_as_clip"
    NOT_A_PICTURE = "not_a_picture"
    PICTURE_FORMAT = "picture_format"
    PICTURE_BROKEN = "picture_broken"
    PICTURE_TOO_SMALL = "picture_too_small"
    MIDI_BROKEN = "midi_broken"
    MIDI_EMPTY = "midi_empty"
    TOO_LARGE = "too_large"
    TOO_LONG = "too_long"
    FRAME_TOO_LARGE = "frame_too_large"
    PICTURE_TOO_LARGE = "picture_too_large"
    MIDI_TOO_LARGE = "midi_too_large"
    TOOK_TOO_LONG = "took_too_long"
    TOOK_TOO_MUCH_MEMORY = "took_too_much_memory"


_A, _P, _R, _L = Verdict.ACCEPT, Verdict.PARTIAL, Verdict.REJECT, Verdict.LIMIT

# Code -> (verdict, words). {length}, {minutes} and {gigabytes} are filled in by `explain`.
_REASONS: dict[ReasonCode, tuple[Verdict, str]] = {
    ReasonCode.OK: (_A, "The whole file can be read."),
    ReasonCode.CUT_SHORT: (
        _P,
        (
            "The file stops before its end. What is there was kept: {length}. "
            "If something is missing, upload the clip again from the phone."
        ),
    ),
    ReasonCode.DAMAGED: (
        _P,
        (
            "Parts of the file are damaged. What can be read was kept: {length}. "
            "Near the damaged spots nothing can be judged; upload the clip again if you still have it."
        ),
    ),
    ReasonCode.ONE_PICTURE: (
        _P,
        (
            "The film holds a single picture. It was kept, but there is nothing to play. "
            "If this should be a longer clip, film it again."
        ),
    ),
    ReasonCode.NO_SOUND: (
        _P,
        (
            "The film has no sound. The picture was kept, so posture and hands can be looked at. "
            "To have the notes looked at, film again with the microphone allowed."
        ),
    ),
    ReasonCode.SOUND_UNREADABLE: (
        _P,
        (
            "The film's sound is of a kind that cannot be read here. The picture was kept. "
            "Set the phone's camera to plain stereo or mono sound and film again."
        ),
    ),
    ReasonCode.SILENT: (
        _P,
        (
            "The sound track is silent from start to end. The file was kept as it is. "
            "Check that the camera may use the microphone, then record again."
        ),
    ),
    ReasonCode.EMPTY: (
        _R,
        "The file is empty. Nothing was kept. Wait until the phone has finished saving the clip, then upload it again.",
    ),
    ReasonCode.NOT_MEDIA: (
        _R,
        (
            "This is no film, sound, picture or MIDI file that can be read here. Nothing was kept. "
            "Choose the clip as the phone saved it."
        ),
    ),
    ReasonCode.POINTS_ELSEWHERE: (
        _R,
        (
            "This file is only a list that points to other files. Nothing was fetched and nothing was kept. "
            "Upload the clip itself."
        ),
    ),
    ReasonCode.INDEX_MISSING: (
        _R,
        (
            "The file stops before its table of contents, so none of it can be read. Nothing was kept. "
            "The upload or the recording was cut off: upload the clip again from the phone."
        ),
    ),
    ReasonCode.CODEC_UNKNOWN: (
        _R,
        (
            "The film is stored in a way that cannot be read here. Nothing was kept. "
            "Set the phone's camera to its most compatible format and film again."
        ),
    ),
    ReasonCode.NOTHING_DECODED: (
        _R,
        (
            "The file looks like a clip, but neither picture nor sound is in it. Nothing was kept. "
            "Upload the clip again from the phone."
        ),
    ),
    ReasonCode.TOO_DAMAGED: (
        _R,
        "Most of the file is damaged. Nothing was kept. Upload the clip again from the phone.",
    ),
    ReasonCode.READER_BROKE: (
        _R,
        (
            "Reading this file failed half-way. Nothing was kept. "
            "Play it on the phone to see whether it is whole, then upload it again."
        ),
    ),
    ReasonCode.PICTURE_NAMED_AS_CLIP: (
        _R,
        (
            "This is a picture under a film's name. Nothing was kept. "
            "Choose the film, or upload the picture under its own name."
        ),
    ),
    ReasonCode.NOT_A_PICTURE: (
        _R,
        "This is no picture that can be read here. Nothing was kept. Choose a JPEG, PNG, WebP or HEIC picture.",
    ),
    ReasonCode.PICTURE_FORMAT: (
        _R,
        "This kind of picture cannot be shown in a browser. Nothing was kept. Save it as JPEG or PNG and upload that.",
    ),
    ReasonCode.PICTURE_BROKEN: (
        _R,
        "The picture is damaged or cut short. Nothing was kept. Upload it again.",
    ),
    ReasonCode.PICTURE_TOO_SMALL: (
        _R,
        "The picture is too small to show anything. Nothing was kept. Choose the full-size picture.",
    ),
    ReasonCode.MIDI_BROKEN: (
        _R,
        "The MIDI file is damaged or cut short. Nothing was kept. Save it again from the instrument and upload that.",
    ),
    ReasonCode.MIDI_EMPTY: (
        _R,
        "The MIDI file holds no notes. Nothing was kept. Check that the instrument was recording its keys.",
    ),
    ReasonCode.TOO_LARGE: (
        _L,
        (
            "The file is larger than {gigabytes}, the most taken here. Nothing was kept. "
            "Film in a lower resolution, or cut the clip on the phone."
        ),
    ),
    ReasonCode.TOO_LONG: (
        _L,
        (
            "The clip is longer than {minutes}, the most taken here. Nothing was kept. "
            "Cut it into shorter clips on the phone."
        ),
    ),
    ReasonCode.FRAME_TOO_LARGE: (
        _L,
        "The film's picture is larger than 4K. Nothing was kept. Film in 4K or less; 1080p is plenty.",
    ),
    ReasonCode.PICTURE_TOO_LARGE: (
        _L,
        "The picture has too many pixels. Nothing was kept. Save a smaller version and upload that.",
    ),
    ReasonCode.MIDI_TOO_LARGE: (
        _L,
        "The MIDI file is far larger than an hour of playing needs. Nothing was kept. Save the piece on its own.",
    ),
    ReasonCode.TOOK_TOO_LONG: (
        _L,
        (
            "Checking the file took too long and was stopped. Nothing was kept. "
            "Film in 1080p, or cut the clip on the phone."
        ),
    ),
    ReasonCode.TOOK_TOO_MUCH_MEMORY: (
        _L,
        "Reading the file needed too much memory and was stopped. Nothing was kept. Film in 1080p and upload that.",
    ),
}


def verdict_of(code: ReasonCode) -> Verdict:
    """Return the verdict that belongs to a reason.

    Parameters
    ----------
    code
        Any member of the closed list.

    Returns
    -------
    Verdict
        The one verdict this reason leads to.

    Examples
    --------
    >>> verdict_of(ReasonCode.CUT_SHORT).value
    'partial'
    """
    return _REASONS[code][0]


def explain(code: ReasonCode, *, duration_s: float | None, max_duration_s: float, max_bytes: int) -> str:
    """Return the words for the learner: what happened, what was kept, what to do.

    Parameters
    ----------
    code
        The reason.
    duration_s
        Length of what was kept, in seconds, at least 0; None if unknown.
    max_duration_s
        Longest clip taken, in seconds.
    max_bytes
        Largest file taken, in bytes.

    Returns
    -------
    str
        One to three plain sentences.

    Examples
    --------
    >>> explain(ReasonCode.TOO_LONG, duration_s=None, max_duration_s=3600, max_bytes=8_000_000_000)[:35]
    'The clip is longer than 60 minutes,'
    """
    return _REASONS[code][1].format(
        length=_length(duration_s),
        minutes=f"{max_duration_s / 60:g} minutes",
        gigabytes=f"{max_bytes / 1e9:g} GB",
    )


def _length(duration_s: float | None) -> str:
    if duration_s is None:
        return "a part of unknown length"
    minutes, seconds = divmod(round(duration_s), 60)
    if minutes:
        return f"{minutes} min {seconds} s"
    return f"{duration_s:.1f} s" if duration_s < 10 else f"{seconds} s"
