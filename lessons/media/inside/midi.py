"""Just enough of the Standard MIDI File format to say whether a file is whole and how long it plays, and to sound its notes."""

import os
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

# Microseconds a quarter note before any tempo event: 120 a minute, by the file format.
DEFAULT_TEMPO_US = 500_000
# Channel of the drums, counted from 0, and the controller of the sustaining pedal with the value from which it is down: by the file format.
DRUMS, PEDAL, PEDAL_DOWN_FROM = 9, 64, 64


class BrokenMidiError(ValueError):
    """The bytes do not follow the format."""


@dataclass(frozen=True, slots=True)
class Struck:
    """A note as it sounds: from the strike until its damper falls, seconds; MIDI number and velocity 1 to 127."""

    at_s: float
    until_s: float
    pitch_midi: int
    velocity: int


def look_midi(fd: int, options: dict[str, Any]) -> dict[str, Any]:
    """Return kind, reason and length of a MIDI file."""
    found: dict[str, Any] = {"kind": "midi"}
    if os.fstat(fd).st_size > options.get("max_midi_bytes", 4_000_000):
        return found | {"reason": "midi_too_large"}
    try:
        file = _read(os.pread(fd, os.fstat(fd).st_size, 0), options)
    except BrokenMidiError:
        return found | {"reason": "midi_broken"}
    except OverflowError:
        return found | {"reason": "midi_too_large"}
    notes, duration_s = sum(track.notes for track in file.tracks), file.seconds(file.last_tick)
    if not notes:
        return found | {"reason": "midi_empty"}
    if duration_s > options.get("max_duration_s", 3600.0):
        return found | {"reason": "too_long"}
    return found | {"reason": "ok", "duration_s": duration_s, "midi": {"notes": notes, "tracks": len(file.tracks)}}


def struck_notes(data: bytes, options: dict[str, Any]) -> tuple[list[Struck], float]:
    """Give what sounds, drums left out, in order of time, and the length of the file in seconds."""
    # A note sounds on while the pedal of its channel is down; struck again it ends there. What is never let go sounds to the end.
    file = _read(data, options)
    events = sorted((event for track in file.tracks for event in track.played), key=lambda event: event[0])
    sounding: dict[tuple[int, int], tuple[int, int]] = {}  # channel and pitch: tick of the strike, velocity
    held: set[tuple[int, int]] = set()  # let go while the pedal is down
    pedals: set[int] = set()  # channels whose pedal is down
    found: list[Struck] = []

    def end(key: tuple[int, int], tick: int) -> None:
        held.discard(key)
        if key in sounding:
            start, velocity = sounding.pop(key)
            found.append(Struck(file.seconds(start), file.seconds(tick), key[1], velocity))

    for tick, status, first, second in events:
        channel, key = status & 0x0F, (status & 0x0F, first)
        if channel == DRUMS:
            continue
        if status & 0xF0 == 0x90 and second:
            end(key, tick)
            sounding[key] = tick, second
        elif status & 0xF0 in (0x80, 0x90):
            if channel in pedals:
                held.add(key)
            else:
                end(key, tick)
        elif first == PEDAL:
            if second >= PEDAL_DOWN_FROM:
                pedals.add(channel)
            else:
                pedals.discard(channel)
                for each in [each for each in held if each[0] == channel]:
                    end(each, tick)
    for key in list(sounding):
        end(key, file.last_tick)
    return sorted(found, key=lambda note: (note.at_s, note.pitch_midi)), file.seconds(file.last_tick)


@dataclass(frozen=True, slots=True)
class _File:
    """The tracks of a file, and how its ticks become seconds."""

    tracks: "list[_Track]"
    seconds: Callable[[int], float]
    last_tick: int


def _read(data: bytes, options: dict[str, Any]) -> _File:
    max_events = int(options.get("max_midi_events", 1_000_000))
    max_tracks = int(options.get("max_midi_tracks", 256))
    if data[:4] != b"MThd" or len(data) < 14:
        raise BrokenMidiError("no header")
    length = int.from_bytes(data[4:8], "big")
    shape, track_count, division = (int.from_bytes(data[i : i + 2], "big") for i in (8, 10, 12))
    if length < 6 or shape > 2 or not track_count or not division:
        raise BrokenMidiError("header makes no sense")
    if track_count > max_tracks:
        raise OverflowError("too many tracks")
    at = 8 + length
    tracks: list[_Track] = []
    while at + 8 <= len(data) and len(tracks) < track_count:
        name, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        at += 8
        if at + length > len(data):
            raise BrokenMidiError("cut inside a track")
        if name == b"MTrk":
            tracks.append(_Track(data[at : at + length], max_events=max_events - sum(track.events for track in tracks)))
            tracks[-1].read()
        at += length
    if len(tracks) < track_count:
        raise BrokenMidiError("fewer tracks than promised")
    tempos = sorted((change for track in tracks for change in track.tempos), key=lambda change: change[0])
    return _File(tracks, _clock(division, tempos), max(track.tick for track in tracks))


class _Track:
    def __init__(self, data: bytes, *, max_events: int) -> None:
        self._data = data
        self._at = 0
        self._max_events = max_events
        self.tick = 0
        self.notes = 0
        self.events = 0
        self.tempos: list[tuple[int, int]] = []
        self.played: list[tuple[int, int, int, int]] = []  # tick, status, and its two values: keys and pedals

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
                if status & 0xF0 in (0x80, 0x90) or (status & 0xF0 == 0xB0 and values[0] == PEDAL):
                    self.played.append((self.tick, status, values[0], values[1]))

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


def _clock(division: int, tempos: list[tuple[int, int]]) -> Callable[[int], float]:
    """Return what turns a tick into seconds."""
    if division & 0x8000:
        frames_s = 256 - (division >> 8)
        ticks_s = frames_s * (division & 0xFF)
        if not ticks_s:
            raise BrokenMidiError("no ticks in a second")
        return lambda tick: tick / ticks_s
    changes = [(0, 0, DEFAULT_TEMPO_US)]  # tick, microseconds times ticks a quarter before it, tempo from it on
    for at, tempo_us in tempos:
        last_at, before, last_us = changes[-1]
        changes.append((at, before + (at - last_at) * last_us, tempo_us))
    ticks = [at for at, _, _ in changes]

    def seconds(tick: int) -> float:
        at, before, tempo_us = changes[bisect_right(ticks, tick) - 1]
        return (before + (tick - at) * tempo_us) / division / 1e6

    return seconds
