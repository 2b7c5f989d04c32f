"""Two boxes while somebody types: what each bar says, how the hands compare, and what can be shown already."""

from fractions import Fraction

import pytest

from curriculum.score import Key, Metre, ScoreContentError, check_boxes
from curriculum.score.abc.checking import say_beats


def words(right: str, left: str = "", **options: object) -> list[tuple[str, str | None, str | None, str]]:
    found = check_boxes(right, left, **options)
    return [(bar.number, bar.right and bar.right.words, bar.left and bar.left.words, bar.problem) for bar in found.bars]


def test_every_bar_says_how_full_it_is():
    assert words("CDEF|CDE|CDEFG|C/D/E/F/GA|", "C,4|C,4|C,4|C,3") == [
        ("1", "full", "full", ""),
        ("2", "too short by 1 quarter", "full", ""),
        ("3", "too long by 1 quarter", "full", ""),
        ("4", "full", "too short by 1 quarter", ""),
    ]


def test_eighths_and_sixteenths_that_lack_are_counted_as_such():
    assert words("CDE>F G/|")[0][1] == "too long by 1 eighth"
    assert words("CDEF3/4|")[0][1] == "too short by 1 sixteenth"
    assert say_beats(Fraction(1, 3)) == "1/3 of a quarter"


def test_pickups_and_split_bars_are_named_as_such():
    assert [row[1] for row in words("G|CDEF|C3|]")] == ["pickup of 1 quarter", "full", "part of 3 quarters"]
    assert words("CDEFGAB|", metre=None)[0][1] == "free"


def test_a_bar_that_one_hand_lacks_is_named():
    assert words("CDEF|G4|", "C,4|") == [("1", "full", "full", ""), ("2", "full", None, "missing in the left hand")]
    assert words("CDEF|G4|", "") == [("1", "full", None, ""), ("2", "full", None, "")]


def test_bars_that_differ_though_both_may_be_short_are_named():
    assert words("G|CDEF|C3|]", "G,2|C,4|C,2|]")[0] == (
        "0",
        "pickup of 1 quarter",
        "pickup of 2 quarters",
        "1 quarter in the right hand, 2 quarters in the left",
    )


def test_both_voices_of_a_tune_in_one_box_are_compared():
    tune = "X:1\r\nT:Far field\r\nM:3/4\r\nK:G\r\nV:RH\r\nG2A2B2|G6|\r\nV:LH clef=bass\r\nG,6|G,4|\r\n"

    assert words(tune) == words("", tune) == [("1", "full", "full", ""), ("2", "full", "too short by 1 quarter", "")]
    assert check_boxes(tune.replace("G,4|", "G,6|"), "").written.title == "Far field"


def test_a_whole_tune_says_its_lengths_itself():
    found = check_boxes("X:1\nM:4/4\nK:C\nCDEF GABc|\n", "", metre=Metre(3, 4), key=Key(3), unit_beat=Fraction(1))

    assert (found.written.bars[0].metre, found.written.bars[0].key.fifths) == (Metre(4, 4), 0)
    assert found.written.notes[0].duration_beat == Fraction(1, 2)


@pytest.mark.parametrize(
    ("right", "left", "lengths"),
    [
        ("CD", "", [4]),
        ("CDEF|G", "", [4, 4]),
        ("CDEF|G", "C,4", [4, 4]),
        ("CDEF|G4|A4|", "C,", [4, 4, 4]),
        ("G|CDEF|G3|]", "z|C,", [1, 4, 3]),
        ("G|CDEF", "C,", [1, 4]),
        ("C/", "C,4|D,4|", [4, 4]),
    ],
)
def test_what_is_not_finished_is_shown_with_rests(right, left, lengths):
    found = check_boxes(right, left)

    assert [bar.length_beat for bar in found.sketch.bars] == lengths
    assert (found.written is None) == (found.error is not None)


@pytest.mark.parametrize(
    ("right", "left"),
    [("CDE|CDEF|CD|CDEF|", ""), ("CDEFG", ""), ("CDQ", ""), ("(CD", ""), ("CD|EFGA|EF", "C,4|"), ("", ""), ("z4|", "")],
)
def test_what_is_wrong_is_not_shown_as_something_else(right, left):
    assert check_boxes(right, left).sketch is None


def test_nothing_typed_is_an_error_and_no_bar():
    found = check_boxes(" \n", "")

    assert (found.bars, found.written) == ((), None)
    assert isinstance(found.error, ScoreContentError)


def test_behind_a_fault_no_bar_is_called_missing():
    found = check_boxes("CDEF|GQ", "C,4|C,4|C,4|")

    assert [bar.problem for bar in found.bars] == ["", "", ""]
    assert found.error.where == "right hand, line 1, column 7"


def test_hands_that_differ_in_their_bars_are_an_error_with_its_place():
    found = check_boxes("CDEF|G4|", "C,4|")

    assert (found.error.where, found.written) == ("right hand, line 1, column 6", None)
    assert len(found.sketch.bars) == 2


def test_signs_that_web_pages_hide_in_a_text_are_read_over():
    assert check_boxes("C\u200bDE\u00a0F\u2009|\u00ad", "C\u201a4|").written is not None
