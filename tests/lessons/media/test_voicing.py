"""The sound that a MIDI file is given: each key when it was struck, at its pitch, as loud as its velocity says."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from lessons import media
from lessons.media import VoiceLimits, decode_sound, probe, voice_midi
from lessons.media.samples import open_samples
from tests.lessons.media.test_midi import midi, number, track

RATE_HZ = 48_000
# 480 ticks a quarter at 120 a minute.
TICKS_S = 960


def take(*events: tuple[float, int, int, int]) -> bytes:
    """A file of (second, status, first value, second value)."""
    body, before = b"", 0
    for at_s, status, first, second in sorted(events, key=lambda event: event[0]):
        tick = round(at_s * TICKS_S)
        body += number(tick - before) + bytes([status, first, second])
        before = tick
    return midi(track(body))


def key(
    at_s: float, until_s: float, pitch: int, velocity: int = 80, channel: int = 0
) -> list[tuple[float, int, int, int]]:
    return [(at_s, 0x90 | channel, pitch, velocity), (until_s, 0x80 | channel, pitch, 0)]


def sound_of(data: bytes, folder: Path, **options: object) -> np.ndarray:
    source, copy, samples = folder / "take.mid", folder / "copy.m4a", folder / "copy.npy"
    source.write_bytes(data)
    made = voice_midi(source, copy, probe=probe(source), **options)
    found = probe(copy)
    assert (found.kind, found.verdict) == (media.Kind.SOUND, media.Verdict.ACCEPT)
    assert made.content_type == "audio/mp4"
    decode_sound(copy, samples, probe=found, rate_hz=RATE_HZ)
    return open_samples(samples)[0].astype(np.float64)


def level_db(sound: np.ndarray, from_s: float, to_s: float) -> float:
    part = sound[round(from_s * RATE_HZ) : round(to_s * RATE_HZ)]
    return float(20 * np.log10(max(np.sqrt(np.mean(part**2)), 1e-9)))


def pitch_hz(sound: np.ndarray, from_s: float, to_s: float) -> float:
    part = sound[round(from_s * RATE_HZ) : round(to_s * RATE_HZ)]
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 18))
    return float(np.argmax(spectrum) * RATE_HZ / (1 << 18))


def onsets_s(sound: np.ndarray, after_s: list[float]) -> list[float]:
    """Return when sound first passes a hundredth of the next tenth of a second's peak, looked for from 50 ms before."""
    found = []
    for at_s in after_s:
        start = max(0, round((at_s - 0.05) * RATE_HZ))
        part = np.abs(sound[start : start + round(0.15 * RATE_HZ)])
        found.append((start + int(np.argmax(part > 0.05 * part.max()))) / RATE_HZ)
    return found


@pytest.fixture
def recordings(folder: Path) -> dict[int, Path]:
    """Two recorded notes of an instrument of our own: a hush of 50 ms, then a struck string."""
    made = {}
    for pitch in (48, 72):
        at_s = np.arange(3 * 44_100) / 44_100
        string = np.sin(2 * np.pi * 440 * 2 ** ((pitch - 69) / 12) * at_s) * np.exp(-at_s / 1.5)
        made[pitch] = folder / f"{pitch}.flac"
        soundfile.write(made[pitch], np.concatenate([np.zeros(2205), 0.4 * string]), 44_100)
    return made


@pytest.mark.parametrize("is_recorded", [False, True])
def test_keys_sound_when_they_are_struck_at_their_pitch(is_recorded: bool, folder: Path, recordings: dict) -> None:
    struck = {0.25: 60, 1.0: 64, 2.125: 48, 3.5: 72}
    events = [event for at_s, pitch in struck.items() for event in key(at_s, at_s + 0.5, pitch)]
    sound = sound_of(take(*events), folder, recordings=recordings if is_recorded else None)
    assert onsets_s(sound, list(struck)) == pytest.approx(list(struck), abs=0.002)
    # Equal temperament, A = 440 (ISO 16:1975): within two cents.
    for at_s, pitch in struck.items():
        assert 1200 * abs(np.log2(pitch_hz(sound, at_s + 0.05, at_s + 0.45) / (440 * 2 ** ((pitch - 69) / 12)))) < 2


def test_level_follows_velocity(folder: Path, recordings: dict) -> None:
    sound = sound_of(
        take(*key(0.0, 0.5, 60, 40), *key(1.0, 1.5, 60, 80), *key(2.0, 2.5, 60, 127)), folder, recordings=recordings
    )
    soft, middle, hard = (level_db(sound, at_s, at_s + 0.4) for at_s in (0.0, 1.0, 2.0))
    assert middle - soft == pytest.approx(40 * np.log10(80 / 40), abs=0.3)
    assert hard - middle == pytest.approx(40 * np.log10(127 / 80), abs=0.3)


def test_damper_ends_a_note_and_the_pedal_holds_it(folder: Path) -> None:
    damped = sound_of(take(*key(0.0, 0.4, 60), *key(3.0, 3.2, 60)), folder)
    held = sound_of(take((0.0, 0xB0, 64, 127), *key(0.0, 0.4, 60), (2.0, 0xB0, 64, 0), *key(3.0, 3.2, 60)), folder)
    assert level_db(damped, 0.6, 1.9) < -80
    assert level_db(held, 0.6, 1.9) > -40
    assert level_db(held, 2.2, 2.9) < -80


def test_drums_are_silent_and_minutes_of_silence_are_kept(folder: Path) -> None:
    sound = sound_of(take(*key(0.0, 0.4, 60), *key(5.0, 5.4, 38, channel=9), *key(150.0, 150.4, 67)), folder)
    assert level_db(sound, 5.0, 5.4) < -80
    assert onsets_s(sound, [150.0]) == pytest.approx([150.0], abs=0.002)


def test_hardest_chord_of_ten_fingers_makes_the_whole_softer_not_itself(folder: Path, recordings: dict) -> None:
    sound = sound_of(take(*[event for pitch in range(48, 78, 3) for event in key(0.0, 1.0, pitch, 127)]), folder, recordings=recordings)  # fmt: skip
    assert 0.8 < np.abs(sound).max() < 1.0
    chord = [event for pitch in range(48, 78, 3) for event in key(0.0, 1.0, pitch, 127)] + key(2.0, 3.0, 60, 64)
    sound = sound_of(take(*chord, *key(4.0, 5.0, 60, 127)), folder, recordings=recordings)
    # A chord takes nothing from how much softer one note is than another.
    assert level_db(sound, 4.0, 4.9) - level_db(sound, 2.0, 2.9) == pytest.approx(40 * np.log10(127 / 64), abs=0.3)


def test_twenty_thousand_strikes_in_a_second_take_no_longer_than_a_minute_of_playing(folder: Path) -> None:
    strikes = [
        event for index in range(20_000) for event in key(index / 20_000, index / 20_000 + 0.01, 21 + index % 88)
    ]
    sound = sound_of(take(*strikes), folder, limits=VoiceLimits(cpu_base_s=20.0))
    assert len(sound) < 2 * RATE_HZ


def test_other_files_are_given_no_sound(folder: Path) -> None:
    (folder / "take.mid").write_bytes(take(*key(0.0, 0.5, 60)))
    (folder / "take.txt").write_text("not music")
    with pytest.raises(ValueError, match="only MIDI"):
        voice_midi(folder / "take.txt", folder / "copy.m4a", probe=probe(folder / "take.txt"))
    with pytest.raises(media.CopyError):
        voice_midi(folder / "take.mid", folder / "copy.m4a", probe=probe(folder / "take.mid"), recordings={60: folder / "take.txt"})  # fmt: skip
    assert not (folder / "copy.m4a").exists()
    with pytest.raises(media.UnopenableFileError, match=r"gone\.mp3"):
        voice_midi(folder / "take.mid", folder / "copy.m4a", probe=probe(folder / "take.mid"), recordings={60: folder / "gone.mp3"})  # fmt: skip
