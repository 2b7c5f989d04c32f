"""A playing without a score: what its strikes alone tell, held to playings whose truth is known."""

from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reviews.compare.errors import CompareError
from reviews.compare.findings import Finding, Kind
from reviews.compare.measures import Trust
from reviews.compare.unscored import Asked, find_unscored, grid_of, lay, regular_of, unscored_json
from reviews.sound.heard import HeardNote

FIVE = [60, 62, 64, 65, 67, 65, 64, 62]
WORDS_OF_RIGHT_NOTES = ("wrong", "right note", "missing", "correct")


def played(
    beats, *, tau_s=0.6, pitches=None, jitter_s=0.0, seed=0, start_s=1.0, drift=0.0, levels=None
) -> list[HeardNote]:
    """Notes one after the other, `beats` from each to the next."""
    random = Random(seed)
    pitches = pitches or [FIVE[place % 8] for place in range(len(beats) + 1)]
    whole, heard, now_s, at = sum(beats), [], start_s, 0.0
    for place, pitch in enumerate(pitches[: len(beats) + 1]):
        level_db = levels[place] if levels else 0.0
        heard.append(HeardNote(now_s + random.gauss(0, jitter_s), pitch, level_db))
        if place < len(beats):
            now_s += beats[place] * tau_s / (1 + drift * at / whole)
            at += beats[place]
    return heard


def told(heard, *, trust=None, **known) -> dict[Kind, Finding]:
    asked = Asked(**known)
    found = find_unscored(lay(heard, asked=asked), trust=trust or Trust(), asked=asked)
    assert all(each.low <= each.value <= each.high for each in found)
    return {each.kind: each for each in found}


def test_a_perfect_playing_is_exactly_even_and_steady():
    found = told(played([1.0] * 40, tau_s=0.75))
    assert found[Kind.PULSE].value == pytest.approx(80.0)
    assert found[Kind.GAPS].value == pytest.approx(0.0, abs=1e-6)
    assert found[Kind.STEADINESS].value == pytest.approx(0.0, abs=1e-6)
    assert found[Kind.TEMPO_DRIFT].value == pytest.approx(0.0, abs=1e-6)
    assert found[Kind.HESITATIONS].high == 0


@pytest.mark.parametrize("bpm", [30, 45, 60, 76, 92, 120, 168, 240])
def test_the_pulse_is_found_or_named_as_half_or_double(bpm):
    laid = lay(played([1.0, 0.5, 0.5, 1.0, 1.0] * 8, tau_s=60 / bpm, jitter_s=0.004))
    readings = [laid.pulse.bpm, *laid.pulse.others]
    assert any(each == pytest.approx(bpm, rel=0.03) for each in readings)


@pytest.mark.parametrize("bpm", [40, 80, 160])
def test_a_typed_tempo_decides_which_reading_counts(bpm):
    found = told(played([1.0] * 30, tau_s=0.375), bpm=bpm)
    assert found[Kind.PULSE].value == pytest.approx(bpm)
    assert "tempo of the week" in found[Kind.ASKED_TEMPO].text
    assert "half or double" not in found[Kind.PULSE].text


def test_a_tempo_far_from_the_typed_one_is_told():
    assert "slower" in told(played([1.0] * 30, tau_s=0.75), bpm=100)[Kind.ASKED_TEMPO].text


def test_the_spread_of_gaps_lies_in_its_interval_in_nearly_all_takes():
    hits = 0
    for seed in range(20):
        heard = played([1.0] * 48, tau_s=0.4, jitter_s=0.012, seed=seed)
        sd = told(heard)[Kind.GAPS]
        hits += sd.low <= 1000 * 0.012 * np.sqrt(2) <= sd.high
    assert hits >= 18


def test_what_lies_below_the_floor_is_not_told():
    found = told(played([1.0] * 40, jitter_s=0.001), trust=Trust(onset_sd_s=0.003))
    assert "as even as this recording can tell" in found[Kind.GAPS].text


@pytest.mark.parametrize(("drift", "word"), [(0.2, "faster"), (-0.15, "slower")])
def test_drift_over_the_take_is_recovered(drift, word):
    found = told(played([1.0] * 48, jitter_s=0.004, drift=drift))[Kind.TEMPO_DRIFT]
    assert found.value == pytest.approx(100 * drift, abs=2.5)
    assert word in found.text


def test_a_stop_is_found_and_taken_out_of_the_gaps():
    beats = [1.0] * 40
    beats[13], beats[27] = 2.5, 5.0
    heard = played(beats, pitches=list(range(40, 81)), jitter_s=0.004)
    found = told(heard)
    assert [stop.strike for stop in lay(heard).stops] == [14, 28]
    assert found[Kind.GAPS].value < 12


def test_a_gap_as_long_as_a_longer_note_is_not_alleged():
    beats = [1.0] * 40
    beats[13] = 2.0
    heard = played(beats, pitches=list(range(40, 81)))
    stops = told(heard)[Kind.HESITATIONS]
    assert (stops.value, stops.high) == (0, 1)
    assert "cannot be told from a stop" in stops.text


def test_the_same_notes_without_it_make_a_long_gap_a_stop():
    beats = [1.0] * 40
    beats[13] = 2.0
    assert [stop.strike for stop in lay(played(beats)).stops] == [14]


def test_a_long_note_at_the_same_place_each_time_is_no_stop():
    beats = ([1.0] * 7 + [2.0]) * 4 + [1.0]
    laid = lay(played(beats))
    assert (laid.stops, laid.long_s) == ((), ())


def test_long_notes_of_a_tune_are_no_stops():
    random = Random(3)
    beats = [random.choice([0.5, 1.0, 1.0, 2.0, 3.0]) for _ in range(60)]
    laid = lay(played(beats, jitter_s=0.005, pitches=[random.randrange(50, 80) for _ in range(61)]))
    assert laid.stops == ()


@pytest.mark.parametrize("count", [2, 3])
def test_a_stretch_played_again_is_found_as_often_as_it_came(count):
    line = [Random(1).randrange(1) + pitch for pitch in (60, 64, 67, 65, 62, 71, 72, 69, 67, 64, 65, 62)]
    heard, start_s = [], 1.0
    for turn in range(count):
        tau_s = 0.5 * (0.9 if turn == count - 1 else 1.0)
        heard += played(
            [1.0] * 11, tau_s=tau_s, pitches=line, start_s=start_s, levels=[3.0 if turn == count - 1 else 0.0] * 12
        )
        start_s = heard[-1].onset_s + 1.3
    [stretch] = lay(heard).stretches
    assert (stretch.length, len(stretch.occurrences)) == (12, count)
    text = told(heard)[Kind.REPEATS].text
    assert "11 % faster" in text
    assert "3 dB louder" in text


def test_a_wrong_note_does_not_hide_that_a_stretch_was_played_again():
    line = [60, 64, 67, 65, 62, 71, 72, 69, 67, 64, 65, 62]
    heard = played([1.0] * 23, pitches=[*line, *line[:4], 50, *line[5:]])
    assert len(lay(heard).stretches[0].occurrences) == 2


@pytest.mark.parametrize("pitches", [[60] * 49, [48, 55, 52, 55] * 12 + [48], list(range(30, 79))])
def test_one_key_a_broken_chord_and_a_scale_are_no_stretch_played_again(pitches):
    assert lay(played([0.5] * 48, pitches=pitches)).stretches == ()


def test_one_key_again_and_again_is_measured_all_the_same():
    found = told(played([1.0] * 40, pitches=[60] * 41, jitter_s=0.01))
    assert Kind.GAPS in found
    assert Kind.REPEATS not in found


@pytest.mark.parametrize("ratio", [1.4, 2.0, 3.0])
def test_long_and_short_in_turn_are_told_as_such(ratio):
    beats = [ratio / (1 + ratio), 1 / (1 + ratio)] * 20
    found = told(played(beats, tau_s=0.8, jitter_s=0.003))
    assert found[Kind.VALUES].value == pytest.approx(ratio, rel=0.03)
    assert found[Kind.GAPS].value < 12


def test_a_typed_rhythm_is_held_against_what_was_played():
    even = told(played([0.5] * 40), rhythm_beats=(0.5,))
    assert even[Kind.PULSE].value == pytest.approx(100)
    swung = told(played([0.6, 0.4] * 20, tau_s=0.8), rhythm_beats=(0.5,))
    assert "Written they are equal" in swung[Kind.VALUES].text
    tune = told(played([1.0, 0.5, 0.5, 1.15] * 10), rhythm_beats=(1.0, 0.5, 0.5, 1.0))
    assert "from their length" in tune[Kind.GAPS].text
    assert Kind.IRREGULAR not in tune


def test_a_typed_rhythm_that_was_not_played_is_said_to_be_so():
    found = find_unscored(
        lay(played([1.0, 2.0, 0.5, 0.5] * 8), asked=(asked := Asked(rhythm_beats=(0.5, 1.5)))),
        trust=Trust(),
        asked=asked,
    )
    assert any("cannot be laid on the rhythm" in each.text for each in found)


def test_free_playing_has_no_pulse_and_nothing_is_told_of_its_gaps():
    for seed in range(10):
        random = Random(seed)
        found = told(played([random.uniform(0.15, 1.6) for _ in range(60)]))
        assert "No steady pulse" in found[Kind.IRREGULAR].text
        assert not {Kind.GAPS, Kind.PULSE, Kind.TEMPO_DRIFT} & found.keys()


def test_a_tempo_that_breathes_is_followed_and_is_no_unevenness():
    beats = [1.0 * float(np.exp(0.2 * np.sin(place / 6))) for place in range(60)]
    found = told(played(beats, tau_s=0.5))
    assert found[Kind.STEADINESS].value > 10
    assert found[Kind.GAPS].value < 20
    assert found[Kind.HESITATIONS].value == 0


def test_two_hands_are_one_playing():
    right = played([0.5] * 48, pitches=[72 + FIVE[place % 8] - 60 for place in range(49)], jitter_s=0.005)
    left = played([2.0] * 12, pitches=[48, 50, 52, 53, 55, 57, 59, 48, 50, 52, 53, 55, 48], jitter_s=0.005, seed=1)
    laid = lay(sorted(right + left, key=lambda note: note.onset_s))
    assert len(laid.strikes) == 49
    assert laid.pulse.bpm == pytest.approx(100, rel=0.01)


def test_loudness_that_grows_is_told_key_by_key():
    levels = [6.0 * place / 48 + (4.0 if place % 2 else 0.0) for place in range(49)]
    found = told(played([0.5] * 48, levels=levels))[Kind.LEVEL_TREND]
    assert found.value == pytest.approx(6.0, abs=0.5)
    assert "louder" in found.text
    flat = told(played([0.5] * 48, levels=[4.0 if place % 8 == 4 else 0.0 for place in range(49)]))[Kind.LEVEL_TREND]
    assert "As loud at the end" in flat.text


def test_silence_tells_nothing_and_five_notes_are_too_few():
    assert find_unscored(lay([]), trust=Trust()) == ()
    assert unscored_json(lay([]), trust=Trust())["findings"] == []
    [few] = find_unscored(lay(played([1.0] * 4)), trust=Trust())
    assert few.text == "Only five strikes were heard, too few for a pulse."


def test_doubtful_notes_take_no_part():
    heard = [*played([1.0] * 30), *(HeardNote(1.3 + 0.6 * place, 90, confidence=0.3) for place in range(20))]
    assert len(lay(heard).strikes) == 31


def test_no_word_is_said_about_right_notes():
    random = Random(5)
    heard = played(
        [random.choice([0.5, 1.0]) for _ in range(60)], pitches=[random.randrange(40, 90) for _ in range(61)]
    )
    text = " ".join(each.text for each in told(heard).values()).lower()
    assert not any(word in text for word in WORDS_OF_RIGHT_NOTES)


def test_levels_are_named_for_exercises_only():
    heard = played([1.0] * 40)
    assert told(heard)[Kind.GAPS].level is None
    assert told(heard, is_exercise=True)[Kind.GAPS].level == 4


def test_numbers_that_cannot_be_are_refused():
    with pytest.raises(CompareError, match="wanted seconds above 0"):
        grid_of(np.array([0.5] * 8 + [-1.0]))
    with pytest.raises(CompareError, match="wanted numbers above 0"):
        lay([], asked=Asked(bpm=0))


def test_what_is_drawn_is_what_is_told():
    heard = played([1.0] * 40, jitter_s=0.01)
    series = unscored_json(lay(heard), trust=Trust())["series"]
    [gaps] = series["gaps"]
    assert len(gaps["points"]) == 40
    late = [point["late_ms"] for point in gaps["points"]]
    assert np.std(late) == pytest.approx(told(heard)[Kind.GAPS].value, abs=0.1)
    assert len(series["events"]["points"]) == 41
    assert all(point["at_s"] for point in series["tempo"]["points"])


tunes = st.lists(st.sampled_from([0.5, 1.0, 1.0, 2.0]), min_size=12, max_size=40)


@settings(max_examples=12)
@given(tunes, st.floats(0.0, 500.0), st.integers(-12, 12), st.integers(0, 99))
def test_when_and_in_which_key_it_is_played_changes_nothing(beats, shift_s, steps, seed):
    heard = played(beats, jitter_s=0.006, seed=seed)
    moved = [HeardNote(note.onset_s + shift_s, note.pitch_midi + steps, note.level_db) for note in heard]
    one, other = lay(heard), lay(moved)
    assert (one.pulse is None) == (other.pulse is None)
    if one.pulse is not None:
        assert other.pulse.bpm == pytest.approx(one.pulse.bpm, rel=1e-6)
    assert [stop.strike for stop in one.stops] == [stop.strike for stop in other.stops]
    assert one.stretches == other.stretches


@settings(max_examples=12)
@given(tunes, st.floats(0.8, 1.25))
def test_a_playing_at_another_speed_has_its_pulse_at_that_speed(beats, factor):
    one, other = (lay(played(beats, tau_s=0.6 * each)) for each in (1.0, factor))
    assert one.pulse is not None
    assert other.pulse is not None
    assert np.array_equal(one.grid.counts, other.grid.counts)
    readings = [other.pulse.bpm, *other.pulse.others]
    assert any(each == pytest.approx(one.pulse.bpm / factor, rel=1e-3) for each in readings)


def test_more_notes_of_the_same_playing_make_the_interval_narrower():
    short, long = (told(played([1.0] * count, jitter_s=0.01))[Kind.GAPS] for count in (30, 240))
    assert long.high - long.low < short.high - short.low


def test_a_run_among_other_values_is_enough():
    heard = played([1.0, 2.0, 1.0] + [0.5] * 30 + [2.0, 1.0, 1.0], pitches=list(range(40, 77)))
    assert regular_of(lay(heard)).notes == 31
