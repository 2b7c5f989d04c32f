"""Standard MIDI Files out of thin air, byte by byte, so that their truth is known."""

from collections.abc import Iterable, Sequence

from curriculum.score.notes import WrittenScore
from curriculum.score.playing import in_printed_order


def number(value: int) -> bytes:
    """Return a number of variable length."""
    parts = [value & 0x7F]
    while value := value >> 7:
        parts.append(0x80 | value & 0x7F)
    return bytes(reversed(parts))


def track(events: Iterable[tuple[int, bytes]], *, ends: bool = True) -> bytes:
    """Return a track; events are (tick, bytes), in any order. Of the same tick, note-offs come first."""
    body, at = b"", 0
    for tick, event in sorted(events, key=lambda item: (item[0], item[1][0] & 0xF0 == 0x90, item[1])):
        body += number(tick - at) + event
        at = tick
    body += b"\x00\xff\x2f\x00" if ends else b""
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def file(*tracks: bytes, division: int = 480, kind: int | None = None, says: int | None = None) -> bytes:
    """Return a whole file."""
    kind = (0 if len(tracks) == 1 else 1) if kind is None else kind
    head = b"".join(value.to_bytes(2, "big") for value in (kind, len(tracks) if says is None else says, division))
    return b"MThd\x00\x00\x00\x06" + head + b"".join(tracks)


def notes(played: Sequence[tuple[int, int, int]], *, channel: int = 0, velocity: int = 64) -> list[tuple[int, bytes]]:
    """Return events for (start, end, pitch), in ticks."""
    found = []
    for start, end, pitch in played:
        found.append((start, bytes([0x90 | channel, pitch, velocity])))
        found.append((end, bytes([0x80 | channel, pitch, 0])))
    return found


def metre(beats: int, power: int, *, tick: int = 0) -> tuple[int, bytes]:
    return tick, bytes([0xFF, 0x58, 4, beats, power, 24, 8])


def key(fifths: int, *, minor: bool = False, tick: int = 0) -> tuple[int, bytes]:
    return tick, bytes([0xFF, 0x59, 2, fifths & 0xFF, int(minor)])


def tempo(microseconds: int, *, tick: int = 0) -> tuple[int, bytes]:
    return tick, b"\xff\x51\x03" + microseconds.to_bytes(3, "big")


def name(text: str) -> tuple[int, bytes]:
    return 0, b"\xff\x03" + number(len(text)) + text.encode()


def from_score(score: WrittenScore, *, division: int = 480) -> bytes:
    """Return a score of two hands as a notation program would export it, each bar once: a track for each hand."""
    first = score.bars[0]
    assert not first.pickup
    metres = [metre(first.metre.beats, first.metre.beat_type.bit_length() - 1), key(first.key.fifths)]
    tracks = [track([*metres, tempo(500_000)])]
    for hand in ("right", "left"):
        played = [
            (
                round(note.onset_beat * division),
                round((note.onset_beat + note.duration_beat) * division),
                note.pitch_midi,
            )
            for note in in_printed_order(score)
            if note.hand == hand and not note.grace
        ]
        if played:
            tracks.append(track([name(f"{hand} hand"), *notes(played)]))
    return file(*tracks, division=division)
