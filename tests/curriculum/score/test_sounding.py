"""When each key goes down and comes up, at the written tempo."""

from dataclasses import replace
from fractions import Fraction

import pytest

from curriculum.score import Mark, MarkKind, Metre, PlannedNote, Tempo, WrittenScore, make_score, plain_bars
from curriculum.score.sounding import DEFAULT_BPM, GRACE_S, counted_metre, sounding

F = Fraction


def quarters(count: int, *, bars: int, **fields) -> WrittenScore:
    planned = [PlannedNote(F(i), F(1), "CDEFGAB"[i % 7], **fields) for i in range(count)]
    return make_score(planned, bars=plain_bars(bars))


def times(score: WrittenScore) -> list[float]:
    return [note.at_s for note in sounding(score).notes]


def at_tempo(score: WrittenScore, *tempi: Tempo) -> WrittenScore:
    return replace(score, tempi=tempi)


def test_a_score_without_a_tempo_is_played_at_ours_and_says_so():
    heard = sounding(quarters(4, bars=1))
    assert (heard.bpm, heard.is_written) == (float(DEFAULT_BPM), False)
    assert [note.at_s for note in heard.notes] == [0, 1, 2, 3]


def test_tempo_changes_where_it_is_written_also_within_a_bar():
    score = at_tempo(quarters(8, bars=2), Tempo(0, F(0), F(120)), Tempo(0, F(2), F(60)), Tempo(1, F(0), F(240)))
    assert times(score) == [0, 0.5, 1, 2, 3, 3.25, 3.5, 3.75]
    assert [(bar.at_s, bar.end_s) for bar in sounding(score).bars] == [(0, 3), (3, 4)]


def test_going_back_in_a_repeat_goes_back_to_the_tempo_of_that_place():
    score = at_tempo(quarters(8, bars=2), Tempo(0, F(0), F(60)), Tempo(1, F(0), F(120)))
    score = replace(score, bars=(score.bars[0], replace(score.bars[1], repeat_times=2)))
    assert times(score) == [0, 1, 2, 3, 4, 4.5, 5, 5.5, 6, 7, 8, 9, 10, 10.5, 11, 11.5]
    assert [bar.index for bar in sounding(score).bars] == [0, 1, 0, 1]
    assert [note.bar for note in sounding(score).notes[::4]] == [0, 1, 2, 3]


def test_tied_heads_are_one_key_and_are_shown_one_after_the_other():
    score = make_score([PlannedNote(F(2), F(4), "C")], bars=plain_bars(2))
    (note,) = sounding(score).notes
    assert (note.at_s, note.end_s) == (2, 6)
    assert [(head.at_s, head.until_s) for head in note.heads] == [(2, 4), (4, 6)]


def test_grace_notes_come_before_a_main_note_that_stays_on_its_beat():
    planned = [
        PlannedNote(F(0), F(2), "C"),
        PlannedNote(F(2), F(1, 2), "D", grace=1),
        PlannedNote(F(2), F(1, 2), "E", grace=2),
        PlannedNote(F(2), F(2), "F"),
    ]
    found = {note.pitch_midi: note.at_s for note in sounding(make_score(planned, bars=plain_bars(1))).notes}
    assert found == pytest.approx({60: 0, 62: 2 - 2 * GRACE_S, 64: 2 - GRACE_S, 65: 2})


def test_grace_notes_never_reach_back_over_half_of_the_note_before():
    planned = [
        PlannedNote(F(0), F(1, 4), "C"),
        PlannedNote(F(1, 4), F(1, 2), "D", grace=1),
        PlannedNote(F(1, 4), F(1), "E"),
    ]
    score = at_tempo(make_score(planned, bars=plain_bars(1)), Tempo(0, F(0), F(240)))
    found = {note.pitch_midi: note.at_s for note in sounding(score).notes}
    assert found[62] == pytest.approx(0.0625 / 2)


def test_staccato_is_half_as_long_and_its_mark_as_long_as_written():
    (note, *_) = sounding(quarters(4, bars=1, articulations=("staccato",))).notes
    assert (note.end_s, note.heads[0].until_s) == (0.5, 1)


def test_a_pedal_holds_what_ends_while_it_is_down_and_not_what_ends_as_it_goes_down():
    pedal = Mark(MarkKind.PEDAL, 0, F(1), to_bar=0, to_offset_beat=F(3))
    score = replace(quarters(4, bars=1), marks=(pedal,))
    assert [note.end_s for note in sounding(score).notes] == [1, 3, 3, 4]


def test_a_key_that_is_struck_again_ends_its_own_note():
    pedal = Mark(MarkKind.PEDAL, 0, F(0), to_bar=0, to_offset_beat=F(4))
    planned = [PlannedNote(F(i), F(1), "C") for i in range(4)]
    score = replace(make_score(planned, bars=plain_bars(1)), marks=(pedal,))
    assert [note.end_s for note in sounding(score).notes] == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("metre", "pulses"),
    [
        (Metre(3, 4), (0, 1, 2)),
        (Metre(2, 2), (0, 2)),
        (Metre(6, 8), (0, 1.5)),
        (Metre(3, 8), (0, 0.5, 1)),
        (Metre(5, 8, groups=(2, 3)), (0, 1)),
        (None, (0, 1, 2, 3)),
    ],
)
def test_a_metre_is_counted_in_its_beats(metre, pulses):
    assert counted_metre(metre).pulses_beat == pulses


def test_a_pickup_is_counted_as_the_end_of_a_bar():
    planned = [PlannedNote(F(-1), F(1), "G"), *(PlannedNote(F(i), F(1), "C") for i in range(4))]
    heard = sounding(make_score(planned, bars=plain_bars(1, pickup_beat=F(1))))
    assert [note.at_s for note in heard.notes] == [0, 1, 2, 3, 4]
    assert heard.bars[0].missing_beat == 3
    assert [(click.at_s, click.is_first) for click in heard.clicks] == [
        (0, False), (1, True), (2, False), (3, False), (4, False),
    ]  # fmt: skip


def test_signs_that_a_listener_would_miss_are_named():
    assert sounding(quarters(1, bars=1, ornaments=("trill-mark",))).unplayed == ("trill",)
