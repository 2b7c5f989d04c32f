"""Just enough of the Standard MIDI File format to say whether a file is whole and how long it plays."""

import os
from typing import Any

# Microseconds a quarter note before any tempo event: 120 a minute, by the file format.
DEFAULT_TEMPO_US = 500_000


class BrokenMidiError(ValueError):
    """The bytes do not follow the format."""


def look_midi(fd: int, options: dict[str, Any]) -> dict[str, Any]:
    """Return kind, reason and length of a MIDI file."""
    found: dict[str, Any] = {"kind": "midi"}
    if os.fstat(fd).st_size > options.get("max_midi_bytes", 4_000_000):
        return found | {"reason": "midi_too_large"}
    try:
        notes, tracks, duration_s = _read(
            os.pread(fd, os.fstat(fd).st_size, 0),
            max_events=int(options.get("max_midi_events", 1_000_000)),
            max_tracks=int(options.get("max_midi_tracks", 256)),
        )
    except BrokenMidiError:
        return found | {"reason": "midi_broken"}
    except OverflowError:
        return found | {"reason": "midi_too_large"}
    if not notes:
        return found | {"reason": "midi_empty"}
    if duration_s > options.get("max_duration_s", 3600.0):
        return found | {"reason": "too_long"}
    return found | {"reason": "ok", "duration_s": duration_s, "midi": {"notes": notes, "tracks": tracks}}


def _read(data: bytes, *, max_events: int, max_tracks: int) -> tuple[int, int, float]:
    if data[:4] != b"MThd" or len(data) < 14:
        raise BrokenMidiError("no header")
    length = int.from_bytes(data[4:8], "big")
    shape, track_count, division = (int.from_bytes(data[i : i + 2], "big") for i in (8, 10, 12))
    if length < 6 or shape > 2 or not track_count or not division:
        raise BrokenMidiError("header makes no sense")
    if track_count > max_tracks:
        raise OverflowError("too many tracks")
    at = 8 + length
    tempos: list[tuple[int, int]] = []
    notes = events = last_tick = tracks_read = 0
    while at + 8 <= len(data) and tracks_read < track_count:
        name, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        at += 8
        if at + length > len(data):
            raise BrokenMidiError("cut inside a track")
        if name == b"MTrk":
            track = _Track(data[at : at + length], max_events=max_events - events)
            track.read()
            notes += track.notes
            events += track.events
            last_tick = max(last_tick, track.tick)
            tempos += track.tempos
            tracks_read += 1
        at += length
    if tracks_read < track_count:
        raise BrokenMidiError("fewer tracks than promised")
    return notes, tracks_read, _seconds(last_tick, division, sorted(tempos, key=lambda change: change[0]))


class _Track:
    def __init__(self, data: bytes, *, max_events: int) -> None:
        self._data = data
        self._at = 0
        self._max_events = max_events
        self.tick = 0
        self.notes = 0
        self.events = 0
        self.tempos: list[tuple[int, int]] = []

    def read(self) -> None:
        status = 0
        while self._at < len(self._data):
            self.events += 1
            if self.events > self._max_events:
                raise OverflowError("too many events")
            self.tick += self._number()
            first = self._byte()
            if first >= 0x80:
                status = first
            elif status < 0x80 or status >= 0xF0:
                raise BrokenMidiError("data without a status")
            else:
                self._at -= 1
            if status == 0xFF:
                if self._meta():
                    return
            elif status in (0xF0, 0xF7):
                self._skip(self._number())
            elif status > 0xF0:
                raise BrokenMidiError("status not allowed in a file")
            else:
                size = 1 if status & 0xF0 in (0xC0, 0xD0) else 2
                values = [self._byte() for _ in range(size)]
                if max(values) > 0x7F:
                    raise BrokenMidiError("data byte too large")
                self.notes += status & 0xF0 == 0x90 and values[1] > 0

    def _meta(self) -> bool:
        kind = self._byte()
        length = self._number()
        body = self._data[self._at : self._at + length]
        self._skip(length)
        if kind == 0x51 and length == 3 and any(body):  # a quarter note of no length is no tempo
            self.tempos.append((self.tick, int.from_bytes(body, "big")))
        return kind == 0x2F

    def _byte(self) -> int:
        if self._at >= len(self._data):
            raise BrokenMidiError("cut inside an event")
        self._at += 1
        return self._data[self._at - 1]

    def _number(self) -> int:
        value = 0
        for _ in range(4):
            byte = self._byte()
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value
        raise BrokenMidiError("number too long")

    def _skip(self, length: int) -> None:
        self._at += length
        if self._at > len(self._data):
            raise BrokenMidiError("cut inside an event")


def _seconds(last_tick: int, division: int, tempos: list[tuple[int, int]]) -> float:
    if division & 0x8000:
        frames_s = 256 - (division >> 8)
        ticks_s = frames_s * (division & 0xFF)
        if not ticks_s:
            raise BrokenMidiError("no ticks in a second")
        return last_tick / ticks_s
    total_us = 0
    tick, tempo_us = 0, DEFAULT_TEMPO_US
    for at, next_us in tempos:
        total_us += (at - tick) * tempo_us
        tick, tempo_us = at, next_us
    total_us += (last_tick - tick) * tempo_us
    return total_us / division / 1e6
