"""A Standard MIDI File into notes and events, in ticks. Damage is refused with its place, or named where notes can be saved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from curriculum.score.errors import RefusalCode, ScoreFileError, ScoreTooLargeError
from curriculum.score.guard import USUAL_LIMITS, ScoreLimits

# More events than this are no score: forty thousand notes have eighty thousand, and a pedal that is sent as a value
# a hundred times a second has ninety thousand in a quarter of an hour.
MOST_EVENTS = 400_000
DRUMS = 9  # channel 10 as musicians count, which General MIDI keeps for drums

_DATA_BYTES = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}
_PEDAL = 64  # number of the controller


@dataclass(frozen=True, slots=True)
class RawNote:
    """One key pressed and let go, in ticks from the beginning of the file."""

    start: int
    end: int
    pitch_midi: int
    velocity: int
    channel: int  # from 0
    track: int  # from 0


@dataclass(slots=True)
class MidiFile:
    """What a file holds. Events are sorted by tick."""

    ticks_per_quarter: int
    tracks: int = 0
    names: dict[int, str] = field(default_factory=dict)  # of tracks
    notes: list[RawNote] = field(default_factory=list)
    tempi: list[tuple[int, int]] = field(default_factory=list)  # tick, microseconds a quarter
    metres: list[tuple[int, int, int]] = field(default_factory=list)  # tick, beats, power of two of the beat type
    keys: list[tuple[int, int, bool]] = field(default_factory=list)  # tick, fifths, minor
    pedals: list[tuple[int, bool]] = field(default_factory=list)  # tick, down
    is_cut_short: bool = False
    unended: int = 0  # notes that nothing ends


def read_chunks(data: bytes, *, limits: ScoreLimits = USUAL_LIMITS) -> MidiFile:
    r"""Return the notes and events of a Standard MIDI File.

    Parameters
    ----------
    data : bytes
        From ``MThd`` on.
    limits : ScoreLimits
        How many notes are accepted.

    Returns
    -------
    MidiFile
        Formats 0 and 1.

    Raises
    ------
    ScoreFileError
        If the header or a track is damaged, the file counts in seconds instead of beats, or holds several pieces (format 2).
    ScoreTooLargeError
        If there are too many notes or events.

    Examples
    --------
    >>> track = b"\x00\x90\x3c\x40\x60\x80\x3c\x00\x00\xff\x2f\x00"
    >>> file = read_chunks(b"MThd\0\0\0\6\0\0\0\1\0\x60" + b"MTrk\0\0\0\x0c" + track)
    >>> [(note.pitch_midi, note.start, note.end) for note in file.notes], file.ticks_per_quarter
    ([(60, 0, 96)], 96)
    """
    if len(data) < 14 or not data.startswith(b"MThd"):
        raise ScoreFileError("The MIDI file breaks off in its header.", code=RefusalCode.BROKEN_MIDI)
    length = int.from_bytes(data[4:8], "big")
    kind, tracks, division = (int.from_bytes(data[at : at + 2], "big") for at in (8, 10, 12))
    if length < 6:
        raise ScoreFileError("The header of the MIDI file is damaged.", code=RefusalCode.BROKEN_MIDI)
    if kind not in (0, 1):
        raise ScoreFileError(
            f"The MIDI file is of format {kind}, which holds several pieces or none; 0 and 1 are read.",
            code=RefusalCode.BROKEN_MIDI,
        )
    if division & 0x8000 or not division:
        raise ScoreFileError(
            "The MIDI file counts seconds and frames, not beats, so its notes cannot be written down.",
            code=RefusalCode.MIDI_CLOCK,
        )
    found = MidiFile(division)
    at = 8 + length
    budget = [MOST_EVENTS]
    while at + 8 <= len(data):
        name, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        body = data[at + 8 : at + 8 + size]
        if name == b"MTrk":
            if len(body) < size:
                found.is_cut_short = True
            _Track(found, body, number=found.tracks, offset=at + 8, budget=budget, limits=limits).read()
            found.tracks += 1
        at += 8 + size
    if found.tracks < tracks:
        found.is_cut_short = True
    if not found.tracks:
        raise ScoreFileError("The MIDI file has no tracks.", code=RefusalCode.BROKEN_MIDI)
    found.notes.sort(key=lambda note: (note.start, note.pitch_midi, note.track))
    for events in (found.tempi, found.metres, found.keys, found.pedals):
        events.sort(key=lambda event: event[0])
    return found


class _Track:
    def __init__(
        self, file: MidiFile, body: bytes, *, number: int, offset: int, budget: list[int], limits: ScoreLimits
    ) -> None:
        self.file = file
        self.body = body
        self.number = number
        self.offset = offset
        self.budget = budget
        self.limits = limits
        self.at = 0
        self.tick = 0
        self.sounding: dict[tuple[int, int], list[tuple[int, int]]] = {}
        self.is_pedal_down = False
        self.has_ended = False
        self._meta: dict[int, Callable[[bytes], None]] = {
            0x03: self._name, 0x2F: self._end, 0x51: self._tempo, 0x58: self._metre, 0x59: self._key,
        }  # fmt: skip

    def read(self) -> None:
        try:
            self._events()
        except IndexError:
            self.file.is_cut_short = True
        if not self.has_ended:
            self.file.is_cut_short = True
        for (channel, pitch), waiting in self.sounding.items():
            for start, velocity in waiting:
                self.file.unended += 1
                if self.tick > start:
                    self._keep(start, self.tick, pitch, velocity, channel)

    def _events(self) -> None:
        body, running = self.body, 0
        while self.at < len(body) and not self.has_ended:
            self.budget[0] -= 1
            if self.budget[0] < 0:
                raise ScoreTooLargeError(
                    f"The MIDI file has more than {MOST_EVENTS} events.", code=RefusalCode.TOO_MANY
                )
            self.tick += self._number()
            status = body[self.at]
            if status == 0xFF:
                self._meta_event()
            elif status in (0xF0, 0xF7):
                self.at += 1
                self._skip(self._number())
            elif status > 0xEF:
                raise self._broken()
            else:
                if status & 0x80:
                    running = status
                    self.at += 1
                elif not running:
                    raise self._broken()
                self._channel_event(running)

    def _broken(self) -> ScoreFileError:
        return ScoreFileError(
            f"The MIDI file is damaged: track {self.number + 1} makes no sense at byte {self.offset + self.at}.",
            code=RefusalCode.BROKEN_MIDI,
        )

    def _number(self) -> int:
        """Read a number of up to four bytes, seven bits each."""
        value = 0
        for _ in range(4):
            byte = self.body[self.at]
            self.at += 1
            value = value << 7 | byte & 0x7F
            if not byte & 0x80:
                return value
        raise self._broken()

    def _skip(self, count: int) -> bytes:
        start = self.at
        self.at += count
        if self.at > len(self.body):
            raise IndexError
        return self.body[start : self.at]

    def _channel_event(self, status: int) -> None:
        kind, channel = status >> 4, status & 0xF
        data = self._skip(_DATA_BYTES[kind])
        if max(data) > 0x7F:
            self.at -= len(data)
            raise self._broken()
        if kind == 0x9 and data[1]:
            self.sounding.setdefault((channel, data[0]), []).append((self.tick, data[1]))
        elif kind in (0x8, 0x9):
            waiting = self.sounding.get((channel, data[0]))
            if waiting:
                start, velocity = waiting.pop(0)
                if self.tick > start:
                    self._keep(start, self.tick, data[0], velocity, channel)
        elif kind == 0xB and data[0] == _PEDAL and (data[1] >= 64) != self.is_pedal_down:
            self.is_pedal_down = data[1] >= 64
            self.file.pedals.append((self.tick, self.is_pedal_down))

    def _keep(self, start: int, end: int, pitch: int, velocity: int, channel: int) -> None:
        if len(self.file.notes) >= self.limits.most_notes:
            raise ScoreTooLargeError(
                f"The MIDI file has more than {self.limits.most_notes} notes.", code=RefusalCode.TOO_MANY
            )
        self.file.notes.append(RawNote(start, end, pitch, velocity, channel, self.number))

    def _meta_event(self) -> None:
        kind = self.body[self.at + 1]
        self.at += 2
        data = self._skip(self._number())
        reads = self._meta.get(kind)
        if reads is not None:
            reads(data)

    def _end(self, _: bytes) -> None:
        self.has_ended = True

    def _name(self, data: bytes) -> None:
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
        printable = "".join(character if character.isprintable() else " " for character in text)
        self.file.names.setdefault(self.number, " ".join(printable.split())[:200])

    def _tempo(self, data: bytes) -> None:
        if len(data) == 3 and any(data):
            self.file.tempi.append((self.tick, int.from_bytes(data, "big")))

    def _metre(self, data: bytes) -> None:
        if len(data) >= 2:
            self.file.metres.append((self.tick, data[0], data[1]))

    def _key(self, data: bytes) -> None:
        if len(data) == 2:
            fifths = data[0] - 256 if data[0] > 127 else data[0]
            if abs(fifths) <= 7:
                self.file.keys.append((self.tick, fifths, data[1] == 1))
