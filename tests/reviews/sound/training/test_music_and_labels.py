"""What the net is trained on: invented music, recordings chosen for it, and the answers wanted. No framework needed."""

import numpy as np
import pytest

from reviews.sound.training.music import clip
from reviews.sound.training.planning import Catalogue, Plan, choose, labels

SECONDS = 6.0
FRAMES = 601


def make_catalogue() -> Catalogue:
    """Two instruments with a recording every four semitones at two velocities, and the noise of one damper."""
    rows = [(pitch, velocity, piano) for piano in (0, 1) for pitch in range(24, 109, 4) for velocity in (40, 100)]
    rows.append((60, 64, -1))
    pitch, velocity, instrument = (np.array(column) for column in zip(*rows, strict=True))
    n = len(rows)
    return Catalogue(
        start=np.arange(n) * 1000,
        length=np.full(n, 1000),
        attack=np.full(n, 100, np.float32),
        level_db=np.linspace(-30, -10, n).astype(np.float32),
        pitch=pitch,
        velocity=velocity.astype(np.float32),
        instrument=instrument,
        weight=np.array([0.5, 0.5]),
    )


def make_plan(*notes: tuple[int, float, float, int]) -> Plan:
    """Labelled notes of (clip, onset in seconds, seconds that sound, pitch)."""
    n = len(notes)
    number, onset_s, sound_s, pitch = (np.array(column) for column in zip(*notes, strict=True))
    ones = np.ones(n, np.float32)
    return Plan(
        clip=number,
        onset_s=onset_s.astype(np.float32),
        sound_s=sound_s.astype(np.float32),
        tau_s=ones,
        pitch=pitch.astype(np.float32),
        level_db=-20 * ones,
        row=np.zeros(n, np.int64),
        speed=ones,
        gain=ones,
        labelled=ones,
    )


@pytest.mark.parametrize("seed", range(20))
def test_invented_music_keeps_to_the_keyboard_and_to_what_one_key_can_do(seed):
    table = clip(np.random.default_rng(seed), seconds=SECONDS)
    assert table.shape[1] == 5
    assert np.all(np.diff(table[:, 0]) >= 0)
    assert np.all((table[:, 3] >= 21) & (table[:, 3] <= 108))
    assert np.all((table[:, 4] >= 12) & (table[:, 4] <= 122))
    for pitch in np.unique(table[:, 3]):
        own = table[table[:, 3] == pitch]
        assert np.all(np.diff(own[:, 0]) >= 0.0449)
        # The damper has fallen, or the string is struck again, before the next strike counts.
        assert np.all(own[:-1, 0] + own[:-1, 2] <= own[1:, 0] + 1e-3)


def test_invented_music_is_the_same_for_the_same_seed():
    first, second = (clip(np.random.default_rng(5), seconds=SECONDS) for _ in range(2))
    np.testing.assert_array_equal(first, second)


def test_every_note_of_the_music_gets_one_labelled_recording_at_its_pitch():
    catalogue = make_catalogue()
    tables = [clip(np.random.default_rng(seed), seconds=SECONDS) for seed in range(6)]
    plan = choose(np.random.default_rng(1), tables, catalogue=catalogue)
    wanted = plan.labelled > 0
    assert wanted.sum() == sum(map(len, tables))
    for number, table in enumerate(tables):
        own = wanted & (plan.clip == number)
        np.testing.assert_array_equal(plan.onset_s[own], table[:, 0])
        # A semitone that is off by more than half would be another key.
        sounding = catalogue.pitch[plan.row[own]] + 12 * np.log2(plan.speed[own] / 2)
        np.testing.assert_allclose(sounding, table[:, 3], atol=0.75)
        assert len(set(catalogue.instrument[plan.row[own]])) <= 1
    assert np.all(plan.gain > 0)


def test_label_of_a_strike_is_a_triangle_whose_weighted_shifts_name_its_moment():
    found = labels(make_plan((0, 1.2345, 0.5, 60)), frames=FRAMES)
    frame, key = np.divmod(found.place, 88)
    assert set(key) == {60 - 21}
    assert list(frame) == [122, 123, 124, 125]
    np.testing.assert_allclose((frame + found.shift) / 100, 1.2345, atol=1e-6)
    np.testing.assert_allclose(found.onset, 1 - np.abs(123.45 - frame) / 2, atol=1e-4)
    assert set(found.level_db) == {-20.0}


def test_key_counts_as_sounding_from_its_strike_until_its_damper_falls():
    found = labels(make_plan((0, 1.0, 0.5, 60), (1, 5.9, 3.0, 72)), frames=FRAMES)
    assert found.sounding.tolist() == [[0, 100, 150, 39], [1, 590, 601, 51]]


def test_strikes_outside_the_clip_leave_no_label_there():
    found = labels(make_plan((0, -1.0, 2.0, 60), (0, 6.5, 1.0, 64)), frames=FRAMES)
    assert len(found.place) == 0
    assert found.sounding.tolist() == [[0, 0, 100, 39], [0, 601, 601, 43]]


def test_what_only_sounds_along_has_no_label():
    plan = make_plan((0, 1.0, 0.5, 60))
    plan.labelled[:] = 0
    assert len(labels(plan, frames=FRAMES).place) == 0
