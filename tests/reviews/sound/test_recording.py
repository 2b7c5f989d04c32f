"""Facts about recordings whose noise, clicks, room and tuning we put there ourselves."""

from functools import lru_cache

import numpy as np
import pytest

from reviews.sound.errors import UnusableSoundError
from reviews.sound.heard import HeardNote
from reviews.sound.recording import Recording, describe
from tests.signals import RATE_HZ, five_finger, in_room, make_clicks, make_noise, make_take, make_talk

DURATION_S = 26.0


@lru_cache
def played_by_hand(*, cents: float = 0.0, sd_s: float = 0.012, seed: int = 1) -> tuple[np.ndarray, list[HeardNote]]:
    """Eight rounds of five keys as a hand plays them, and what a perfect ear hears of it."""
    rng = np.random.default_rng(seed)
    notes = [(at_s + float(rng.normal(0, sd_s)), pitch) for at_s, pitch in five_finger(rounds=8, first_s=1.0)]
    sound = make_take([(at_s, pitch + cents / 100) for at_s, pitch in notes], duration_s=DURATION_S)
    return sound, [HeardNote(at_s, int(pitch)) for at_s, pitch in notes]


def in_a_phone(sound: np.ndarray, *, noise_db: float = -60) -> np.ndarray:
    return in_room(sound, decay_s=0.4) + make_noise(len(sound) / RATE_HZ, rms_db=noise_db)


@pytest.fixture(scope="module")
def playing() -> tuple[np.ndarray, list[HeardNote]]:
    sound, notes = played_by_hand()
    return in_a_phone(sound), notes


def test_plain_recording_is_plain(playing):
    sound, notes = playing
    facts = describe(sound[None], notes=notes)
    assert facts.duration_s == pytest.approx(DURATION_S)
    assert (facts.channels, facts.used_channels) == (1, 1)
    assert facts.clipped_frac == 0.0
    assert facts.has_gain_control is False
    assert facts.click_bpm is None
    assert facts.click_times_s == ()
    assert facts.speech_frac == 0.0
    assert 0.0 < facts.silent_frac < 0.2
    assert not facts.is_silent
    # The room's 0.4 s, and dampers that take about as long.
    assert 0.3 < facts.decay_s < 0.7
    # Made at equal temperament with stiff strings, whose second and third partials lie 1 and 2 cents high.
    assert abs(facts.tuning_cents) < 2.0


@pytest.mark.parametrize("noise_db", [-50, -40, -30])
def test_noise_is_measured_under_playing(noise_db):
    sound, _ = played_by_hand()
    facts = describe(in_a_phone(sound, noise_db=noise_db)[None])
    # What rings in the room fills some quiet moments: measured 0.3 to 2.6 dB too high.
    assert noise_db - 1.5 < facts.noise_db < noise_db + 3.0


def test_more_noise_leaves_less_distance(playing):
    sound, _ = playing
    distances = [describe((sound + make_noise(DURATION_S, rms_db=db, seed=3))[None]).snr_db for db in (-80, -50, -35)]
    assert distances == sorted(distances, reverse=True)


@pytest.mark.parametrize("cents", [-35.0, -20.0, 12.0, 28.0])
def test_tuning_is_told_to_two_cents(cents):
    sound, notes = played_by_hand(cents=cents)
    assert describe(in_a_phone(sound)[None], notes=notes).tuning_cents == pytest.approx(cents, abs=2.0)


def test_tuning_is_not_told_from_few_notes(playing):
    sound, notes = playing
    assert describe(sound[None], notes=notes[:7]).tuning_cents is None
    assert describe(sound[None]).tuning_cents is None


def test_tuning_is_not_told_where_keys_differ():
    rng = np.random.default_rng(4)
    notes = five_finger(rounds=8, first_s=1.0)
    off = {pitch: float(rng.uniform(-0.45, 0.45)) for _, pitch in notes}
    sound = make_take([(at_s, pitch + off[pitch]) for at_s, pitch in notes], duration_s=DURATION_S)
    heard = [HeardNote(at_s, int(pitch)) for at_s, pitch in notes]
    assert describe(sound[None], notes=heard).tuning_cents is None


def test_cut_tops_are_told_and_loud_playing_is_not(playing):
    sound, notes = playing
    full = sound / np.abs(sound).max()
    assert describe((full * 0.99).astype(np.float32)[None], notes=notes).clipped_frac == 0.0
    shares = [describe(np.clip(full * 10 ** (db / 20), -1, 1).astype(np.float32)[None]).clipped_frac for db in (9, 15)]
    assert 0.05 < shares[0] < shares[1]


def test_metronome_is_found_with_its_times(playing):
    sound, notes = playing
    facts = describe((sound + make_clicks(bpm=72, duration_s=DURATION_S, first_s=0.31))[None], notes=notes)
    assert facts.click_bpm == pytest.approx(72, abs=0.1)
    truth_s = np.arange(0.31, DURATION_S - 0.05, 60 / 72)
    near_s = [np.min(np.abs(truth_s - at_s)) for at_s in facts.click_times_s]
    assert len(near_s) >= 0.7 * len(truth_s)
    assert max(near_s) < 0.012


def test_metronome_that_runs_for_a_while_only_is_found(playing):
    sound, notes = playing
    clicks = make_clicks(bpm=120, duration_s=DURATION_S)
    clicks[int(12 * RATE_HZ) :] = 0
    facts = describe((sound + clicks)[None], notes=notes)
    assert facts.click_bpm == pytest.approx(120, abs=0.2)
    assert facts.click_times_s[-1] < 12.5


def test_metronome_half_covered_by_playing_is_found(playing):
    sound, notes = playing
    clicks = make_clicks(bpm=96, duration_s=DURATION_S, first_s=0.31)
    half_covered = clicks.copy()
    for i, at_s in enumerate(np.arange(0.31, DURATION_S - 0.05, 60 / 96)):
        if i % 5 in {1, 3}:
            half_covered[round(at_s * RATE_HZ) : round((at_s + 0.05) * RATE_HZ)] *= 0.3
    facts = describe((sound + half_covered)[None], notes=notes)
    assert facts.click_bpm == pytest.approx(96, abs=0.1)


def test_metronome_is_found_though_the_net_hears_a_key_in_every_click(playing):
    sound, notes = playing
    clicks = make_clicks(bpm=72, duration_s=DURATION_S, first_s=0.31, hz=1976.0)
    feigned = [HeardNote(float(at_s) - 0.004, 95) for at_s in np.arange(0.31, DURATION_S - 0.05, 60 / 72)]
    facts = describe((sound + clicks)[None], notes=[*notes, *feigned])
    assert facts.click_bpm == pytest.approx(72, abs=0.1)


def test_machine_that_plays_exactly_is_no_metronome():
    notes = five_finger(rounds=8)
    sound = in_a_phone(make_take(notes, duration_s=DURATION_S))
    assert describe(sound[None], notes=[HeardNote(at_s, int(p)) for at_s, p in notes]).click_bpm is None


def test_talk_is_told_from_playing(playing):
    sound, notes = playing
    talk = make_talk(10.0, rms_db=-25)
    facts = describe(np.concatenate([sound, talk])[None], notes=notes)
    # 10 of 36 seconds; pauses between words may or may not count.
    assert 0.15 < facts.speech_frac < 0.33


def test_gain_that_rises_in_pauses_is_suspected():
    sound, notes = played_by_hand()
    sound = in_a_phone(sound, noise_db=-55)
    power = np.convolve(sound**2, np.ones(800) / 800, "same")
    level = np.maximum.accumulate(np.log(power + 1e-9) + np.arange(len(sound)) / RATE_HZ / 0.4)
    level -= np.arange(len(sound)) / RATE_HZ / 0.4
    turned = sound * np.exp(-level / 2 * 0.7)
    facts = describe((turned / np.abs(turned).max() * 0.7).astype(np.float32)[None], notes=notes)
    assert facts.has_gain_control is True


def test_gain_is_not_judged_without_a_pause():
    sound, notes = played_by_hand()
    begun = int(notes[0].onset_s * RATE_HZ)
    moved = [HeardNote(n.onset_s - notes[0].onset_s, n.pitch_midi) for n in notes[:40]]
    part = in_a_phone(sound)[begun : begun + int(moved[-1].onset_s * RATE_HZ)]
    assert describe(part[None], notes=moved).has_gain_control is None


def test_dead_channel_is_not_counted_and_changes_nothing(playing):
    sound, notes = playing
    alone, beside = describe(sound[None], notes=notes), describe(np.stack([sound, sound * 0]), notes=notes)
    assert (beside.channels, beside.used_channels) == (2, 1)
    assert beside.noise_db == pytest.approx(alone.noise_db)
    assert beside.tuning_cents == pytest.approx(alone.tuning_cents)


def test_opposed_channels_do_not_wipe_each_other_out(playing):
    sound, _ = playing
    facts = describe(np.stack([sound, -sound]))
    assert facts.used_channels == 2
    assert facts.snr_db > 20


def test_silence_is_named_and_claims_nothing():
    facts = describe(np.zeros((1, 5 * RATE_HZ), np.float32))
    assert facts.is_silent
    assert facts.peak_db == -120.0
    assert (facts.tuning_cents, facts.click_bpm, facts.has_gain_control, facts.decay_s) == (None, None, None, None)
    assert facts.silent_frac == 1.0


def test_noise_alone_holds_no_playing():
    facts = describe(make_noise(10.0, rms_db=-50)[None])
    assert facts.silent_frac > 0.99
    assert facts.noise_db == pytest.approx(-50, abs=1.0)
    assert facts.clipped_frac == facts.speech_frac == 0.0
    assert facts.click_bpm is None


@pytest.mark.parametrize("count", [0, 1, 100, 5000])
def test_shortest_sounds_do_no_harm(count):
    facts = describe(np.full((1, count), 0.01, np.float32))
    assert isinstance(facts, Recording)
    assert facts.duration_s == pytest.approx(count / RATE_HZ)


def test_progress_rises_to_one():
    told: list[float] = []
    describe(make_noise(25.0, rms_db=-50)[None], on_progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_sound_is_read_in_pieces_from_a_file(tmp_path, playing):
    sound, notes = playing
    np.save(tmp_path / "sound.npy", np.stack([sound, sound * 0.5], axis=1))
    stored = np.load(tmp_path / "sound.npy", mmap_mode="r").T
    assert describe(stored, notes=notes) == describe(np.stack([sound, sound * 0.5]), notes=notes)


def test_other_shapes_are_refused():
    with pytest.raises(UnusableSoundError, match=r"\(100,\)"):
        describe(np.zeros(100, np.float32))


def test_numbers_that_are_none_are_refused():
    sound = make_noise(1.0, rms_db=-40)
    sound[7000] = np.inf
    with pytest.raises(UnusableSoundError, match="between 0 and 1 s"):
        describe(sound[None])
