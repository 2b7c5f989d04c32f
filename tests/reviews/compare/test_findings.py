"""What is said about a playing: only what stands above its floor, and a level only where the whole interval lies in one band."""

from dataclasses import replace
from fractions import Fraction
from random import Random

import pytest

from curriculum.rubric import rubric
from curriculum.score import make_score, plain_bars
from curriculum.score.playing import in_playing_order
from reviews.compare import CompareSettings, Trust, expect, match
from reviews.compare.findings import DIMENSIONS, Finding, Kind, Written, band, find, in_words
from reviews.sound.heard import HeardNote
from tests.reviews.compare.performing import perform
from tests.reviews.compare.scores import planned, written

USUAL = CompareSettings()
GOOD = Trust()


def told(
    name: str = "tune", *, trust: Trust = GOOD, seed: int = 1, said: Written | None = None, **kind
) -> dict[Kind, Finding]:
    playing = perform(written(name), random=Random(seed), **kind)
    result = match(playing.heard, expected=written(name), settings=USUAL)
    return {each.kind: each for each in find(result, trust=trust, settings=USUAL, written=said)}


def test_a_clean_even_playing_is_said_to_be_one():
    found = told(jitter_s=0.001)
    assert found[Kind.RIGHT_NOTES].value == 100
    assert found[Kind.RIGHT_NOTES].level == 4
    assert found[Kind.HESITATIONS].value == 0
    assert found[Kind.HESITATIONS].level == 4
    assert found[Kind.GAPS].level == 4
    assert "as even as this recording can tell" in found[Kind.GAPS].text
    assert Kind.RESTARTS not in found


def test_wrong_and_missing_notes_are_named_with_their_bars():
    expected = written("five fingers")
    playing = perform(expected, random=Random(1), jitter_s=0.005)
    gone = expected.notes[9]
    off = expected.notes[20]
    heard = [note for note in playing.heard if note.onset_s != playing.onset_s[gone.id]]
    heard = [replace(note, pitch_midi=note.pitch_midi + 1) if note.onset_s == playing.onset_s[off.id] else note for note in heard]  # fmt: skip
    result = match(heard, expected=expected, settings=USUAL)
    [right] = [each for each in find(result, trust=GOOD, settings=USUAL) if each.kind == Kind.RIGHT_NOTES]
    assert f"one wrong note in bar {off.bar}" in right.text
    assert f"one note missing in bar {gone.bar}" in right.text
    assert set(right.bars) == {off.bar, gone.bar}
    assert right.dimension == "notes"


def test_what_cannot_be_told_widens_the_interval_and_names_no_level():
    playing = perform(written("scale"), random=Random(2), jitter_s=0.003)
    right = {round(playing.onset_s[note.id], 9) for note in written("scale").notes if note.hand == "right"}
    heard = [
        note for note in playing.heard if round(note.onset_s, 9) not in right or note.pitch_midi % 12 not in {2, 7}
    ]
    result = match(heard, expected=written("scale"), settings=USUAL)
    [finding] = [each for each in find(result, trust=GOOD, settings=USUAL) if each.kind == Kind.RIGHT_NOTES]
    assert finding.low < finding.high
    assert finding.level is None
    assert "cannot tell" in finding.text


@pytest.mark.parametrize("passes", [1, 2])
def test_a_bar_that_goes_wrong_every_time_is_named(passes):
    bars = list(plain_bars(4))
    bars[3] = replace(bars[3], repeat_times=2)
    notes = [planned(Fraction(i), Fraction(1), 60 + (i * 5) % 12, "right") for i in range(16)]
    expected = expect(in_playing_order(make_score(notes, bars=bars)))
    wrong = [note for note in expected.notes if note.bar == "3" and note.beat == 2][:passes]
    playing = perform(expected, random=Random(1), jitter_s=0.005)
    at = {playing.onset_s[note.id] for note in wrong}
    heard = [replace(note, pitch_midi=note.pitch_midi + 1) if note.onset_s in at else note for note in playing.heard]
    found = find(match(heard, expected=expected, settings=USUAL), trust=GOOD, settings=USUAL)
    spots = [each.bars for each in found if each.kind == Kind.REPEATED_SPOT]
    assert spots == ([("3",)] if passes == 2 else [])


@pytest.mark.parametrize(("jitter_s", "level"), [(0.002, 4), (0.03, 2), (0.08, 1)])
def test_unevenness_is_placed_in_its_band(jitter_s, level):
    found = told("five fingers", jitter_s=jitter_s, bpm=60)
    assert found[Kind.GAPS].level in {level, None}
    assert found[Kind.GAPS].dimension == "rhythm"


def test_a_piece_that_is_to_be_shaped_is_not_graded_by_the_bands_of_exercises():
    found = told(jitter_s=0.03, said=Written(is_expressive=True))
    assert found[Kind.GAPS].level is None
    assert found[Kind.GAPS].value > 20


def test_stops_and_going_back_are_counted_and_placed():
    found = told(jitter_s=0.01, hesitations=(20, 60), restarts=[(50, 40)])
    events = written("tune").events
    assert found[Kind.HESITATIONS].value == 2
    assert events[20].bar in found[Kind.HESITATIONS].bars
    assert f"from bar {events[50].bar} to bar {events[40].bar}" in found[Kind.RESTARTS].text
    assert found[Kind.RESTARTS].dimension == "fluency"


def test_the_tempo_that_was_asked_is_compared():
    found = told(bpm=66, said=Written(asked_bpm=80))
    assert "Played at 66; 80 was asked. That is 18 % slower." in found[Kind.ASKED_TEMPO].text or "17 % slower" in found[Kind.ASKED_TEMPO].text  # fmt: skip
    assert "tempo of the week" in told(bpm=80, said=Written(asked_bpm=80))[Kind.ASKED_TEMPO].text


def test_marks_of_loudness_are_held_against_what_sounds():
    expected = written("tune")
    playing = perform(expected, random=Random(1))
    middle = expected.notes[len(expected.notes) // 2].onset_beat
    beats = {round(playing.onset_s[note.id], 9): note.onset_beat for note in expected.notes}
    random = Random(3)
    heard = [HeardNote(note.onset_s, note.pitch_midi, (9.0 if beats[round(note.onset_s, 9)] >= middle else 0.0) + random.gauss(0, 1.5), 0.9) for note in playing.heard]  # fmt: skip
    result = match(heard, expected=expected, settings=USUAL)
    said = Written(dynamics=((0.0, "p"), (middle, "f")))
    found = {each.kind: each for each in find(result, trust=GOOD, settings=USUAL, written=said)}
    assert found[Kind.DYNAMICS].value == pytest.approx(9, abs=2)
    assert "a clear contrast" in found[Kind.DYNAMICS].text
    flat = find(match(playing.heard, expected=expected, settings=USUAL), trust=GOOD, settings=USUAL, written=said)
    assert "no contrast" in next(each.text for each in flat if each.kind == Kind.DYNAMICS)
    bent = find(result, trust=replace(GOOD, has_steady_level=False), settings=USUAL, written=said)
    assert Kind.DYNAMICS not in {each.kind for each in bent}


def test_growth_is_told_with_what_another_recording_would_make_of_it_and_not_where_loudness_was_evened_out():
    playing = perform(written("tune"), random=Random(1))
    last_s = playing.heard[-1].onset_s
    heard = [replace(note, level_db=8.0 * note.onset_s / last_s) for note in playing.heard]
    result = match(heard, expected=written("tune"), settings=USUAL)
    found = {each.kind: each for each in find(result, trust=GOOD, settings=USUAL)}
    assert "louder by" in found[Kind.LEVEL_TREND].text
    assert found[Kind.LEVEL_TREND].high - found[Kind.LEVEL_TREND].low >= 3.0
    bent = find(result, trust=replace(GOOD, has_steady_level=False), settings=USUAL)
    assert Kind.LEVEL_TREND not in {each.kind for each in bent}


def test_more_noise_raises_the_floor():
    floors = [told(trust=Trust(onset_sd_s=sd))[Kind.GAPS].floor for sd in (0.001, 0.004, 0.01)]
    assert floors == sorted(floors)
    assert floors[-1] > floors[0]


def test_silence_says_nothing():
    assert find(match([], expected=written("tune"), settings=USUAL), trust=GOOD, settings=USUAL) == ()


def test_every_kind_belongs_to_a_dimension_of_the_rubric():
    assert set(DIMENSIONS) == set(Kind)
    assert set(DIMENSIONS.values()) <= set(rubric().dimensions)


@pytest.mark.parametrize(("low", "high", "level"), [(0, 2, 4), (2.9, 3.1, None), (7, 9, 2), (11, 30, 1), (3, 3, 4)])
def test_a_level_is_named_only_for_the_whole_interval(low, high, level):
    assert band(low, high, (10, 6, 3)) == level


def test_bars_are_read_as_one_would_say_them():
    assert in_words(["1", "2"]) == "bars 1 and 2"
    assert in_words(["1", "2", "3", "9", "9"]) == "bars 1 to 3 and 9"
    assert in_words(["12a"]) == "bar 12a"
