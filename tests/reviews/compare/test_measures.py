"""How steadily, evenly and together: numbers of playings whose truth is known."""

from dataclasses import replace
from fractions import Fraction
from random import Random

import numpy as np
import pytest

from curriculum.score import make_score, plain_bars
from curriculum.score.playing import in_playing_order
from reviews.compare import (
    CompareSettings,
    Trust,
    chord_spread_ms,
    evenness_of,
    expect,
    gaps_of,
    hands_apart_ms,
    hesitations_of,
    match,
    proportions_of,
    strokes_of,
    tempo_of,
    touch_of,
)
from reviews.sound.heard import HeardNote
from tests.reviews.compare.performing import perform
from tests.reviews.compare.scores import planned, written

USUAL = CompareSettings()
GOOD = Trust()


def matched(name, **kind):
    seed = kind.pop("seed", 1)
    return match(perform(written(name), random=Random(seed), **kind).heard, expected=written(name), settings=USUAL)


@pytest.mark.parametrize("bpm", [50, 80, 132])
def test_the_tempo_is_that_of_the_playing(bpm):
    tempo = tempo_of(matched("tune", bpm=bpm, jitter_s=0.005), trust=GOOD, settings=USUAL)
    assert tempo.bpm == pytest.approx(bpm, rel=0.01)
    assert tempo.bpm_low < bpm < tempo.bpm_high
    assert tempo.bpm_high - tempo.bpm_low < 0.05 * bpm
    assert tempo.drift_pct.low <= 0 <= tempo.drift_pct.high or abs(tempo.drift_pct.value) < 2


@pytest.mark.parametrize("name", ["tune", "five fingers", "scale"])
@pytest.mark.parametrize("drift", [-0.2, 0.25])
def test_drift_is_told_with_its_direction_and_size(name, drift):
    tempo = tempo_of(matched(name, drift=drift), trust=GOOD, settings=USUAL)
    assert tempo.drift_pct.value == pytest.approx(100 * (1 / (1 + drift) - 1), rel=0.2)
    assert abs(tempo.drift_pct.value) > tempo.drift_pct.floor


def test_hesitations_move_neither_tempo_nor_evenness():
    plain = matched("tune", jitter_s=0.01)
    halting = matched("tune", jitter_s=0.01, hesitations=(20, 40, 60))
    one = evenness_of(plain, hand="right", trust=GOOD, settings=USUAL)
    other = evenness_of(halting, hand="right", trust=GOOD, settings=USUAL)
    assert other.ioi_sd_ms.value == pytest.approx(one.ioi_sd_ms.value, rel=0.25)
    tempi = [tempo_of(each, trust=GOOD, settings=USUAL).bpm for each in (plain, halting)]
    assert tempi[1] == pytest.approx(tempi[0], rel=0.01)


def test_every_stop_is_found_in_its_bar_and_none_invented():
    places = (20, 41, 66)
    halting = matched("tune", jitter_s=0.015, hesitations=places)
    found = hesitations_of(gaps_of(strokes_of(halting), settings=USUAL))
    assert [each.bar for each in found] == [written("tune").events[place].bar for place in places]
    assert all(each.lost_s == pytest.approx(1.2 * 60 / 80 + 0.3, abs=0.1) for each in found)
    assert not hesitations_of(gaps_of(strokes_of(matched("tune", jitter_s=0.02)), settings=USUAL))


def test_the_true_spread_lies_in_the_interval():
    """Onsets scattered by s make gaps scattered by s times the square root of 2, as far as the running median leaves them."""
    inside = 0
    for seed in range(20):
        even = evenness_of(matched("five fingers", seed=seed, jitter_s=0.012), hand="right", trust=GOOD, settings=USUAL)
        inside += even.ioi_sd_ms.low <= 12 * 2**0.5 <= even.ioi_sd_ms.high
    assert inside >= 18


def test_below_the_floor_nothing_is_told():
    even = evenness_of(matched("five fingers", jitter_s=0.001), hand="right", trust=GOOD, settings=USUAL)
    assert not even.ioi_sd_ms.is_told
    noisy = replace(GOOD, onset_sd_s=0.01)
    even = evenness_of(matched("five fingers", jitter_s=0.012), hand="right", trust=noisy, settings=USUAL)
    assert not even.ioi_sd_ms.is_told


def test_evenness_needs_twenty_four_notes():
    expected = written("five fingers")
    playing = perform(expected, random=Random(1))
    few = match(playing.heard[:20], expected=expected, settings=USUAL)
    assert evenness_of(few, hand="right", trust=GOOD, settings=USUAL) is None


def test_a_key_is_held_against_itself_alone():
    """Keys that differ by a fixed amount, as a room makes them, are even; strikes of one key that differ are not."""
    expected = written("five fingers")
    playing = perform(expected, random=Random(1))
    room = {pitch: Random(pitch).uniform(-8, 8) for pitch in range(128)}
    still = [replace(note, level_db=room[note.pitch_midi]) for note in playing.heard]
    random = Random(2)
    lively = [replace(note, level_db=note.level_db + random.gauss(0, 3)) for note in still]
    quiet = evenness_of(match(still, expected=expected, settings=USUAL), hand="right", trust=GOOD, settings=USUAL)
    moved = evenness_of(match(lively, expected=expected, settings=USUAL), hand="right", trust=GOOD, settings=USUAL)
    assert quiet.level_sd_db.value < 0.1
    assert moved.level_sd_db.low <= 3 <= moved.level_sd_db.high


@pytest.mark.parametrize("lag_ms", [-40, 0, 25, 60])
def test_hands_apart_are_told_with_their_sign(lag_ms):
    apart, _ = hands_apart_ms(matched("tune", jitter_s=0.006, left_lag_s=lag_ms / 1000), trust=GOOD)
    assert apart.low <= lag_ms <= apart.high
    assert apart.value == pytest.approx(lag_ms, abs=5)


def test_octaves_between_the_hands_are_no_measure_of_hands_apart_but_from_midi():
    lagging = matched("scale", jitter_s=0.002, left_lag_s=0.02)
    assert hands_apart_ms(lagging, trust=GOOD) is None
    apart, _ = hands_apart_ms(lagging, trust=Trust(is_exact=True))
    assert apart.value == pytest.approx(20, abs=2)


def test_values_that_are_kept_have_the_proportion_one():
    gaps = gaps_of(strokes_of(matched("tune", jitter_s=0.008), hand="right"), settings=USUAL)
    found = proportions_of(gaps)
    assert set(found) >= {0.5, 1.0}
    assert all(each.value == pytest.approx(1, abs=0.03) for each in found.values())


def test_eighths_played_long_short_show_in_their_proportion():
    expected = written("tune")
    playing = perform(expected, random=Random(1), jitter_s=0.003)
    heard = []
    beat_s = 60 / 80
    by_time = {round(playing.onset_s[note.id], 6): note.onset_beat for note in expected.notes}
    for note in playing.heard:
        offset = by_time[round(note.onset_s, 6)] % 1
        heard.append(replace(note, onset_s=note.onset_s + (0.15 * beat_s if offset == 0.5 else 0.0)))
    heard.sort(key=lambda note: note.onset_s)
    result = match(heard, expected=expected, settings=USUAL)
    even = evenness_of(result, hand="right", trust=GOOD, settings=USUAL)
    assert even.ioi_sd_ms.low > 20


@pytest.mark.parametrize("roll_s", [0.0, 0.09])
def test_chords_rolled_are_told_from_chords_struck(roll_s):
    notes = [planned(Fraction(2 * i), Fraction(2), low + step, "left") for i in range(16) for low in [48 + i % 3] for step in (0, 4, 7)]  # fmt: skip
    expected = expect(in_playing_order(make_score(notes, bars=plain_bars(8))))
    heard = [
        HeardNote(1.0 + note.onset_beat * 0.6 + roll_s * place / 2, note.pitch_midi)
        for event in expected.events
        for place, note in enumerate(expected.notes[index] for index in event.notes)
    ]
    apart = chord_spread_ms(match(heard, expected=expected, settings=USUAL), hand="left", trust=GOOD)
    assert apart.value == pytest.approx(1000 * roll_s, abs=1)
    assert apart.is_told == (roll_s > 0)


def test_chords_struck_as_one_and_heard_a_little_apart_may_have_been_struck_as_one():
    notes = [planned(Fraction(2 * i), Fraction(2), 48 + step, "left") for i in range(16) for step in (0, 4, 7)]
    expected = expect(in_playing_order(make_score(notes, bars=plain_bars(8))))
    random = Random(3)
    heard = [
        HeardNote(1.0 + note.onset_beat * 0.6 + random.gauss(0, 0.001), note.pitch_midi) for note in expected.notes
    ]
    heard.sort(key=lambda note: note.onset_s)
    apart = chord_spread_ms(match(heard, expected=expected, settings=USUAL), hand="left", trust=GOOD)
    assert apart.value > 0.5
    assert apart.low == 0.0


@pytest.mark.parametrize("share", [0.4, 0.95])
def test_touch_is_the_sounding_share_of_the_gap(share):
    expected = written("five fingers")
    playing = perform(expected, random=Random(1), bpm=80, jitter_s=0.0)
    held = [replace(note, end_s=note.onset_s + share * 0.5 * 60 / 80) for note in playing.heard]
    result = match(held, expected=expected, settings=USUAL)
    touch = touch_of(result, hand="right", trust=replace(GOOD, is_dry=True))
    assert touch.value == pytest.approx(share, abs=0.02)
    assert touch_of(result, hand="right", trust=GOOD) is None


def test_numbers_are_finite_for_hardly_any_notes():
    expected = written("tune")
    for count in range(6):
        result = match(perform(expected, random=Random(1)).heard[:count], expected=expected, settings=USUAL)
        assert evenness_of(result, hand="right", trust=GOOD, settings=USUAL) is None
        assert hands_apart_ms(result, trust=GOOD) is None
        tempo = tempo_of(result, trust=GOOD, settings=USUAL)
        assert tempo is None or np.isfinite(tempo.bpm)
