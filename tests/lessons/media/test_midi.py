"""MIDI files: whole or broken, empty or not, and how long."""

from pathlib import Path

import hypothesis
import hypothesis.strategies as st
import pytest

from lessons.media import Kind, MidiFacts, ProbeLimits, ReasonCode, probe
from lessons.media.inside.midi import BrokenMidiError, struck_notes


def track(*events: bytes) -> bytes:
    body = b"".join(events) + b"\x00\xff\x2f\x00"
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def midi(*tracks: bytes, shape: int = 1, division: int = 480) -> bytes:
    return (
        b"MThd" + (6).to_bytes(4, "big") + b"".join(n.to_bytes(2, "big") for n in (shape, len(tracks), division))
    ) + b"".join(tracks)


def number(value: int) -> bytes:
    out = [value & 0x7F]
    while value := value >> 7:
        out.insert(0, value & 0x7F | 0x80)
    return bytes(out)


NOTE = b"\x00\x90\x3c\x40" + number(480) + b"\x80\x3c\x00"
RUNNING = b"\x00\x90\x3c\x40" + number(480) + b"\x3c\x00"
TEMPO_60 = b"\x00\xff\x51\x03\x0f\x42\x40"


@pytest.mark.parametrize(
    ("data", "duration_s"),
    [
        (midi(track(NOTE)), 0.5),  # 120 a minute unless told
        (midi(track(NOTE, RUNNING)), 1.0),
        (midi(track(TEMPO_60), track(NOTE, NOTE)), 2.0),  # a tempo counts in every track
        (midi(track(NOTE, TEMPO_60, NOTE)), 1.5),
        (midi(track(NOTE), division=0xE728), 0.48),  # 25 pictures a second, 40 ticks each
        (midi(b"XFIH\0\0\0\x02ab", track(NOTE))[:9] + b"\x01\0\x01" + midi(b"XFIH\0\0\0\x02ab", track(NOTE))[12:], 0.5),
    ],
)
def test_whole_midi_file_is_taken_with_its_length(data: bytes, duration_s: float, folder: Path) -> None:
    (folder / "take.mid").write_bytes(data)
    found = probe(folder / "take.mid")
    assert (found.kind, found.reason) == (Kind.MIDI, ReasonCode.OK)
    assert found.duration_s == pytest.approx(duration_s)
    assert found.video is found.audio is None


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (midi(track(NOTE))[:-6], "midi_broken"),
        (midi(track(NOTE))[:13], "midi_broken"),
        (midi(track(b"\x00\x3c\x40")), "midi_broken"),
        (midi(track(b"\x00\x90\x3c\xff")), "midi_broken"),
        (midi(), "midi_broken"),
        (midi(track(NOTE), shape=9), "midi_broken"),
        (midi(track()), "midi_empty"),
        (midi(track(b"\x00\x90\x3c\x00")), "midi_empty"),
        (midi(track(NOTE, number(480 * 2 * 4000) + b"\x80\x3c\x00")), "too_long"),
    ],
)
def test_unusable_midi_file_is_refused(data: bytes, reason: str, folder: Path) -> None:
    (folder / "take.mid").write_bytes(data)
    found = probe(folder / "take.mid")
    assert (found.kind, found.reason) == (Kind.MIDI, reason)


@pytest.mark.parametrize("limits", [ProbeLimits(max_midi_bytes=20), ProbeLimits(max_midi_events=2)])
def test_midi_file_beyond_the_limits_is_refused(limits: ProbeLimits, folder: Path) -> None:
    (folder / "take.mid").write_bytes(midi(track(NOTE)))
    assert probe(folder / "take.mid", limits=limits).reason is ReasonCode.MIDI_TOO_LARGE


@hypothesis.given(st.binary(max_size=60), st.integers(0, 40))
def test_damage_never_breaks_the_reader(noise: bytes, at: int) -> None:
    whole = midi(track(TEMPO_60, NOTE, RUNNING))
    data = whole[:at] + noise + whole[at + len(noise) :]
    try:
        notes, duration_s = struck_notes(data, {"max_midi_events": 1000, "max_midi_tracks": 16})
    except (BrokenMidiError, OverflowError):
        return
    assert all(0 <= note.at_s <= note.until_s <= duration_s and 0 < note.velocity < 128 for note in notes)
    assert duration_s >= 0


def test_notes_that_are_struck_and_tracks_are_counted(folder: Path) -> None:
    (folder / "take.mid").write_bytes(midi(track(TEMPO_60), track(NOTE, RUNNING)))
    assert probe(folder / "take.mid").midi == MidiFacts(notes=2, tracks=2)
