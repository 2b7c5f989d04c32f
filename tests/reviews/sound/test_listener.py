"""The net that is shipped, and how sound of any length goes through it."""

import numpy as np
import pytest

from reviews.sound.errors import MissingModelError, UnusableSoundError
from reviews.sound.listener import (
    HOP,
    KEYS,
    PIECE_S,
    RATE_HZ,
    Activations,
    Listener,
    at_16_khz,
    loudness_gain,
    spectra,
    strikes,
)
from tests.signals import five_finger, in_room, make_noise, make_take

PIECES = 1001  # samples: no multiple of anything


@pytest.fixture(scope="module")
def listener() -> Listener:
    return Listener()


def test_five_finger_take_in_a_room_is_heard_note_for_note(listener):
    notes = five_finger()
    sound = in_room(make_take(notes, duration_s=13.0), decay_s=0.4) + make_noise(13.0, rms_db=-62)
    found = strikes(listener.activations(sound), threshold=0.4)
    assert [strike.pitch_midi for strike in found] == [pitch for _, pitch in notes]
    late_ms = 1000 * np.array([strike.onset_s - at_s for strike, (at_s, _) in zip(found, notes, strict=True)])
    # Measured: 0.4 ms in the median, 0.7 at most.
    assert np.median(abs(late_ms)) < 1.0
    assert np.max(abs(late_ms)) < 3.0


def test_louder_strike_of_the_same_key_is_heard_as_louder(listener):
    notes = [(0.5 + 0.5 * i, 60.0) for i in range(12)]
    levels_db = [0.0, -8.0] * 6
    found = strikes(listener.activations(make_take(notes, duration_s=7.0, level_db=levels_db)), threshold=0.4)
    heard = np.array([strike.level_db for strike in found])
    assert len(heard) == 12
    assert 3.0 < np.median(heard[::2]) - np.median(heard[1::2]) < 12.0


def test_key_sounds_while_it_is_held_and_not_long_after(listener):
    heard = listener.activations(make_take([(1.0, 64.0)], duration_s=4.0, held_s=1.0))
    key = heard.sounding[:, 64 - 21]
    assert key[(heard.times_s > 1.1) & (heard.times_s < 1.9)].min() > 0.5
    assert key[(heard.times_s > 2.5) | (heard.times_s < 0.9)].max() < 0.5


def test_silence_and_noise_hold_no_strikes(listener):
    assert strikes(listener.activations(np.zeros(5 * RATE_HZ, np.float32)), threshold=0.2) == []
    assert strikes(listener.activations(make_noise(5.0, rms_db=-40)), threshold=0.4) == []


def test_sound_in_pieces_gives_the_same_answer_as_whole(listener):
    sound = in_room(make_take(five_finger(rounds=5), duration_s=15.5), decay_s=0.5)
    whole = listener.activations(sound)
    blocks = [sound[i : i + PIECES] for i in range(0, len(sound), PIECES)]
    pieces = list(listener.stream(blocks, gain=loudness_gain(blocks)))
    assert len(pieces) == 2
    for name in Activations.__dataclass_fields__:
        joined = np.concatenate([getattr(piece, name) for piece in pieces])
        np.testing.assert_allclose(joined, getattr(whole, name), atol=1e-5)


def test_cuts_between_pieces_do_not_show(listener):
    sound = make_take(five_finger(rounds=4), duration_s=13.5)
    # Moved by half a piece, everything falls elsewhere; a whole number of frames keeps the grid.
    moved = np.concatenate([np.zeros(int(PIECE_S / 2 * RATE_HZ) // HOP * HOP, np.float32), sound])
    frames = (len(moved) - len(sound)) // HOP
    gain = loudness_gain([sound])
    there = np.concatenate([piece.onset for piece in listener.stream([sound], gain=gain)])
    here = np.concatenate([piece.onset for piece in listener.stream([moved], gain=gain)])[frames:]
    # Near the beginning the net sees where sound begins; elsewhere a cut may not be seen.
    np.testing.assert_allclose(here[200:], there[200:], atol=1e-3)


def test_long_sound_is_heard_in_pieces_of_twelve_seconds_without_being_held(listener):
    asked = 0

    def blocks():
        nonlocal asked
        for _ in range(26):
            asked += 1
            yield np.zeros(RATE_HZ, np.float32)

    most_ahead = 0.0
    frames = 0
    for piece in listener.stream(blocks(), gain=1.0):
        frames += len(piece.times_s)
        assert len(piece.times_s) <= PIECE_S * 100
        most_ahead = max(most_ahead, asked - frames / 100)
    assert frames == 26 * RATE_HZ // HOP + 1
    assert most_ahead < 3.0


@pytest.mark.parametrize("count", [0, 1, 159, 160, 161, 16_000])
def test_frames_cover_sound_of_any_length(listener, count):
    heard = listener.activations(np.full(count, 0.1, np.float32))
    assert heard.onset.shape == (count // HOP + 1, KEYS)
    assert heard.times_s[-1] == pytest.approx((count // HOP) / 100)


def test_loudness_is_taken_out(listener):
    sound = make_take(five_finger(rounds=1), duration_s=4.0)
    loud, quiet = (listener.activations((sound * factor).astype(np.float32)) for factor in (1.0, 0.02))
    np.testing.assert_allclose(quiet.onset, loud.onset, atol=1e-3)


def test_tone_reads_its_amplitude_in_every_spectrum():
    tone = np.sin(2 * np.pi * 500 * np.arange(RATE_HZ) / RATE_HZ).astype(np.float32)
    for each in spectra(tone, first=50, count=1):
        assert each.max() == pytest.approx(1.0, abs=0.02)


def test_lower_rate_keeps_what_is_below_its_half_and_nothing_else():
    time_s = np.arange(3 * 48_000) / 48_000
    kept = at_16_khz(np.sin(2 * np.pi * 1000 * time_s).astype(np.float32), rate_hz=48_000)
    wanted = np.sin(2 * np.pi * 1000 * np.arange(len(kept)) / RATE_HZ)
    np.testing.assert_allclose(kept[200:-200], wanted[200:-200], atol=1e-3)
    gone = at_16_khz(np.sin(2 * np.pi * 9000 * time_s).astype(np.float32), rate_hz=48_000)
    assert np.abs(gone[200:-200]).max() < 1e-3


def test_two_peaks_of_one_key_closer_than_a_hand_can_repeat_are_one_strike():
    onset = np.zeros((40, KEYS), np.float32)
    onset[10, 39], onset[13, 39], onset[30, 39] = 0.6, 0.9, 0.7
    still = np.zeros_like(onset)
    heard = Activations(np.arange(40) / 100, onset, still, still, still)
    assert [(strike.onset_s, strike.confidence) for strike in strikes(heard, threshold=0.5)] == [
        (pytest.approx(0.13), pytest.approx(0.9)),
        (pytest.approx(0.30), pytest.approx(0.7)),
    ]


def test_two_channels_are_refused(listener):
    with pytest.raises(UnusableSoundError, match=r"\(2, 100\)"):
        listener.activations(np.zeros((2, 100), np.float32))


def test_rate_that_does_not_divide_is_refused(listener):
    with pytest.raises(UnusableSoundError, match="44100"):
        listener.activations(np.zeros(100, np.float32), rate_hz=44_100)


def test_numbers_that_are_none_are_refused(listener):
    sound = np.zeros(1000, np.float32)
    sound[500] = np.nan
    with pytest.raises(UnusableSoundError, match="finite"):
        list(listener.stream([sound], gain=1.0))


def test_missing_net_is_named(tmp_path):
    with pytest.raises(MissingModelError, match=r"nowhere\.onnx"):
        Listener(tmp_path / "nowhere.onnx")


def test_file_that_is_no_net_is_named(tmp_path):
    path = tmp_path / "broken.onnx"
    path.write_bytes(b"not a net")
    with pytest.raises(MissingModelError, match=r"broken\.onnx"):
        Listener(path)
