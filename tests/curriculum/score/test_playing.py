"""The order in which bars are played, with repeats, endings and ways back; and ties followed along it."""

from dataclasses import replace
from fractions import Fraction

import pytest

from curriculum.score import PlannedNote, ScoreContentError, in_playing_order, in_printed_order, make_score, plain_bars
from curriculum.score.playing import bar_order


def bars(count, **changed):
    """Return bars; ``b2={"fine": True}`` changes the one with index 2."""
    found = list(plain_bars(count))
    for name, fields in changed.items():
        index = int(name[1:])
        found[index] = replace(found[index], **fields)
    return found


def whole_notes(played, *, ties=()):
    planned = [
        PlannedNote(Fraction(4 * i), Fraction(4), "C", tie_starts=i in ties, tie_stops=i - 1 in ties)
        for i in range(len(played))
    ]
    return make_score(planned, bars=played, hands=("right",))


START, END = {"repeat_start": True}, {"repeat_times": 2}


@pytest.mark.parametrize(
    ("played", "order"),
    [
        (bars(3), [0, 1, 2]),
        (bars(3, b1=END), [0, 1, 0, 1, 2]),
        (bars(3, b1=START | END), [0, 1, 1, 2]),
        (bars(3, b0=END, b2=END), [0, 0, 1, 2, 1, 2]),
        (bars(2, b1={"repeat_times": 3}), [0, 1] * 3),
        (bars(3, b1={"endings": (1,), "repeat_times": 2}, b2={"endings": (2,)}), [0, 1, 0, 2]),
        (
            bars(5, b1={"endings": (1,)}, b2={"endings": (1,), "repeat_times": 2}, b3={"endings": (2,)}),
            [0, 1, 2, 0, 3, 4],
        ),
        (
            bars(4, b1={"endings": (1, 2), "repeat_times": 2}, b2={"endings": (3,)}),
            [0, 1, 0, 1, 0, 2, 3],
        ),
        (bars(3, b1={"fine": True}, b2={"da_capo": True}), [0, 1, 2, 0, 1]),
        (bars(3, b0=END, b1={"fine": True}, b2={"da_capo": True}), [0, 0, 1, 2, 0, 1]),
        (bars(4, b1={"segno": True}, b2={"fine": True}, b3={"dal_segno": True}), [0, 1, 2, 3, 1, 2]),
        (bars(4, b0={"to_coda": True}, b2={"da_capo": True}, b3={"coda": True}), [0, 1, 2, 0, 3]),
        (
            bars(5, b1={"segno": True}, b2={"to_coda": True}, b3={"dal_segno": True}, b4={"coda": True}),
            [0, 1, 2, 3, 1, 2, 4],
        ),
        (
            bars(4, b1={"endings": (1,), "repeat_times": 2}, b2={"endings": (2,), "fine": True}, b3={"da_capo": True}),
            [0, 1, 0, 2, 3, 0, 2],
        ),
        ([], []),
    ],
)
def test_bars_are_played_in_the_order_that_the_signs_say(played, order):
    assert list(bar_order(played)) == order


def test_later_passes_have_ids_of_their_own():
    notes = in_playing_order(whole_notes(bars(2, b1={"repeat_times": 3})))
    assert [note.id for note in notes] == ["b0n1", "b1n1", "b0n1.2", "b1n1.2", "b0n1.3", "b1n1.3"]
    assert [note.written_id for note in notes] == ["b0n1", "b1n1"] * 3
    assert [note.onset_beat for note in notes] == [0, 4, 8, 12, 16, 20]


def test_tie_is_one_key_over_a_barline_and_in_each_pass():
    [first, second] = in_playing_order(whole_notes(bars(2, b1=END), ties=(0,)))
    assert (first.heads, first.duration_beat, second.onset_beat, second.id) == (("b0n1", "b1n1"), 8, 8, "b0n1.2")


def test_tie_into_both_endings_is_held_in_both():
    played = bars(3, b1={"endings": (1,), "repeat_times": 2}, b2={"endings": (2,)})
    score = whole_notes(played, ties=(0,))
    score = replace(score, notes=tuple(replace(note, tie_stops=note.bar > 0) for note in score.notes))
    assert [(note.onset_beat, note.duration_beat) for note in in_playing_order(score)] == [(0, 8), (8, 8)]


def test_tie_to_nothing_is_a_key_of_its_own():
    score = whole_notes(bars(2))
    score = replace(score, notes=tuple(replace(note, tie_stops=True) for note in score.notes))
    assert len(in_playing_order(score)) == 2


def test_pickup_is_negative_and_its_bar_is_nought():
    planned = [PlannedNote(Fraction(-1), Fraction(1), "G"), PlannedNote(Fraction(0), Fraction(4), "C")]
    notes = in_playing_order(make_score(planned, bars=plain_bars(1, pickup_beat=Fraction(1)), hands=("right",)))
    assert [(note.bar, note.onset_beat, note.beat) for note in notes] == [("0", -1, 1), ("1", 0, 1)]


def test_printed_order_has_each_bar_once():
    score = whole_notes(bars(3, b1={"repeat_times": 4}))
    assert [note.id for note in in_printed_order(score)] == [note.id for note in score.notes]


def test_grace_notes_come_before_their_note_and_last_nothing():
    planned = [
        PlannedNote(Fraction(0), Fraction(4), "C"),
        PlannedNote(Fraction(0), Fraction(1, 2), "B", grace=2, octave=3),
        PlannedNote(Fraction(0), Fraction(1, 2), "D", grace=1),
    ]
    notes = in_playing_order(make_score(planned, bars=plain_bars(1), hands=("right",)))
    assert [(note.pitch_midi, note.grace, note.duration_beat) for note in notes] == [
        (62, True, 0),
        (59, True, 0),
        (60, False, 4),
    ]


def test_absurdly_long_repeats_are_refused_with_the_bar():
    with pytest.raises(ScoreContentError, match="more than 20000 bars") as caught:
        bar_order(bars(3, b1={"repeat_times": 30_000}))
    assert caught.value.code == "endless_repeat"
    assert caught.value.bar
