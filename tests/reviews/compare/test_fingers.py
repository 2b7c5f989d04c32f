"""Finger or room: the fit to the designed take, on levels whose truth is known."""

import numpy as np
import pytest

from curriculum.score import in_playing_order
from reviews.compare.designed import FIGURE, design_take, placed_of, start_of
from reviews.compare.errors import CompareError
from reviews.compare.fingers import FingerDoubt, FingerNote, fit_fingers

WHITE_MIDI = (60, 62, 64, 65, 67, 69, 71, 72, 74)


def make_notes(
    *,
    seed: int,
    loud: int = 1,
    excess_db: float = 0.0,
    visits: tuple[int, ...] = tuple(range(10)),
    visit_sd_db: float = 0.4,
    cell_sd_db: float = 0.4,
    note_sd_db: float = 1.0,
    trend_db: float = 2.0,
) -> list[FingerNote]:
    """A playing of the designed take in a room that makes keys unlike by 4 dB (SD)."""
    rng = np.random.default_rng(seed)
    keys_db = rng.normal(0, 4, len(WHITE_MIDI))
    cells_db = rng.normal(0, cell_sd_db, (5, 5))
    notes = []
    for visit in range(10):
        start, visit_db = visit % 5, rng.normal(0, visit_sd_db)
        for turn, place in enumerate(FIGURE[1:-1], start=1):
            at_s = 12.0 * visit + 0.65 * turn
            level_db = keys_db[start + place] + cells_db[start, place] + visit_db + trend_db * at_s / 120
            level_db += rng.normal(0, note_sd_db) + excess_db * (place + 1 == loud)
            if visit in visits:
                notes.append(FingerNote(place + 1, WHITE_MIDI[start + place], visit, at_s, level_db, turn % 3 == 0))
    return notes


def test_interval_holds_the_truth_and_nothing_is_told_where_nothing_is() -> None:
    """Counts over 40 playings; intervals and claims, both ways."""
    held, claims, found = 0, 0, 0
    for seed in range(20):
        loud = 1 + seed % 5
        with_excess = fit_fingers(make_notes(seed=seed, loud=loud, excess_db=3.0))
        one = with_excess.excess[loud - 1]
        held += one.low_db <= 3.0 <= one.high_db
        found += [each.finger for each in with_excess.told] == [loud]
        even = fit_fingers(make_notes(seed=1000 + seed))
        held += even.excess[loud - 1].low_db <= 0.0 <= even.excess[loud - 1].high_db
        claims += bool(even.told)
    assert held >= 36  # 90 %
    assert claims <= 2  # 5 %, and what chance makes of it in 20
    assert found >= 16


def test_levels_that_are_all_louder_say_the_same_of_fingers() -> None:
    notes = make_notes(seed=3, excess_db=3.0)
    louder = [FingerNote(n.finger, n.pitch_midi, n.visit, n.onset_s, n.level_db + 7.0, n.is_first_beat) for n in notes]
    for one, other in zip(fit_fingers(notes).excess, fit_fingers(louder).excess, strict=True):
        assert one.value_db == pytest.approx(other.value_db, abs=1e-6)


def test_a_room_that_favours_a_key_is_no_finger() -> None:
    notes = make_notes(seed=5, visit_sd_db=0.1, cell_sd_db=0.1, note_sd_db=0.3)
    roomy = [
        FingerNote(n.finger, n.pitch_midi, n.visit, n.onset_s, n.level_db + 10.0 * (n.pitch_midi == 60)) for n in notes
    ]
    assert fit_fingers(roomy).told == ()


def test_a_take_that_grows_louder_says_so_and_accuses_nobody() -> None:
    fit = fit_fingers(make_notes(seed=7, trend_db=8.0, visit_sd_db=0.1, note_sd_db=0.5))
    assert fit.trend_db == pytest.approx(8.0, abs=1.5)
    assert fit.told == ()


def test_a_few_notes_far_off_change_little() -> None:
    notes = make_notes(seed=9, excess_db=3.0, note_sd_db=0.5)
    spoilt = [
        FingerNote(n.finger, n.pitch_midi, n.visit, n.onset_s, n.level_db - 20.0 * (place % 40 == 3), n.is_first_beat)
        for place, n in enumerate(notes)
    ]
    assert fit_fingers(spoilt).excess[0].value_db == pytest.approx(fit_fingers(notes).excess[0].value_db, abs=0.8)


def test_a_start_left_out_is_named_and_the_rest_still_tells() -> None:
    fit = fit_fingers(make_notes(seed=11, excess_db=4.0, visits=(0, 1, 2, 4, 5, 6, 7, 9)))
    assert [start_of(visit) for visit in fit.missing_visits] == ["F", "F"]
    assert [each.finger for each in fit.told] == [1]


def test_one_place_of_the_hand_holds_too_few_notes_of_the_outer_fingers() -> None:
    assert fit_fingers(make_notes(seed=13, visits=(0, 5))).doubt == FingerDoubt.FEW_NOTES


def test_two_places_that_share_one_key_do_not_suffice() -> None:
    assert fit_fingers(make_notes(seed=13, visits=(0, 4, 5, 9))).doubt == FingerDoubt.APART


def test_the_five_places_once_leave_the_outer_fingers_wide() -> None:
    once = fit_fingers(make_notes(seed=15, visits=(0, 1, 2, 3, 4)))
    twice = fit_fingers(make_notes(seed=15))
    assert once.excess[0].half_db > 1.5 * twice.excess[0].half_db


def test_nothing_played_is_few_notes() -> None:
    fit = fit_fingers([])
    assert fit.doubt == FingerDoubt.FEW_NOTES
    assert fit.missing_visits == tuple(range(10))


def test_a_sixth_finger_is_refused() -> None:
    with pytest.raises(CompareError, match="Finger 6"):
        fit_fingers([FingerNote(6, 60, 0, 0.0, 0.0)])


@pytest.mark.parametrize("hand", ["right", "left"])
def test_every_finger_strikes_five_keys_on_white(hand: str) -> None:
    due = in_playing_order(design_take(hand))
    placed = placed_of(due)
    keys = {finger: {n.pitch_midi for n in due if n.finger == finger} for finger in range(1, 6)}
    assert {len(found) for found in keys.values()} == {5}
    assert {n.pitch_midi % 12 for n in due} <= {0, 2, 4, 5, 7, 9, 11}
    assert sum(each.is_counted for each in placed.values()) == 150


def test_a_part_of_the_take_is_not_taken_for_it() -> None:
    due = in_playing_order(design_take("right"))
    assert placed_of(due[17:]) == {}
    assert placed_of([]) == {}
