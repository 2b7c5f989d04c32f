"""The strip of a clip."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reviews.drawing import STRIP_WIDTH, DrawingError, StripTake, strip_of
from reviews.drawing.strip import LETTER_GAP, LETTER_SIDE


def test_a_take_over_the_whole_clip_reaches_from_edge_to_edge() -> None:
    bracket = strip_of(30.0, takes=[StripTake("A", 0.0, 30.0)]).brackets[0]
    assert (bracket.start_x, bracket.end_x) == (0.0, STRIP_WIDTH)


def test_an_empty_strip_is_only_a_line() -> None:
    strip = strip_of(30.0)
    assert strip.brackets == ()
    assert strip.pins == ()


def test_the_judged_letter_is_shown_and_its_neighbour_gives_way() -> None:
    strip = strip_of(100.0, takes=[StripTake("A", 10.0, 12.0), StripTake("B", 12.0, 14.0, is_judged=True)])
    assert [bracket.letter_x is None for bracket in strip.brackets] == [True, False]


def test_shifting_a_take_by_a_tenth_of_the_clip_shifts_it_by_a_tenth_of_the_paper() -> None:
    early, late = (strip_of(50.0, takes=[StripTake("A", at, at + 5.0)]).brackets[0] for at in (10.0, 15.0))
    assert late.start_x - early.start_x == pytest.approx(STRIP_WIDTH / 10)


@pytest.mark.parametrize("duration_s", [0.0, -1.0, float("nan"), float("inf")])
def test_a_clip_without_length_cannot_be_drawn(duration_s: float) -> None:
    with pytest.raises(DrawingError, match="duration_s is"):
        strip_of(duration_s)


def test_a_take_that_ends_before_it_starts_is_refused() -> None:
    with pytest.raises(DrawingError, match=r"take A ends at 3\.0 s"):
        strip_of(30.0, takes=[StripTake("A", 5.0, 3.0)])


moments = st.floats(0, 400, allow_nan=False)
takes = st.builds(
    lambda start_s, length_s, is_judged: StripTake("A", start_s, start_s + length_s, is_judged),
    moments,
    st.floats(0.1, 100),
    st.just(False),
)


@given(
    duration_s=st.floats(0.5, 400), given_takes=st.lists(takes, max_size=15), moments_s=st.lists(moments, max_size=9)
)
def test_everything_stays_on_the_paper_and_no_letters_touch(
    duration_s: float, given_takes: list[StripTake], moments_s: list[float]
) -> None:
    strip = strip_of(duration_s, takes=given_takes, moments_s=moments_s)
    assert len(strip.brackets) == len(given_takes)
    assert all(0 <= pin.x <= STRIP_WIDTH for pin in strip.pins)
    assert all(0 <= bracket.start_x < bracket.end_x <= STRIP_WIDTH for bracket in strip.brackets)
    letters = sorted(bracket.letter_x for bracket in strip.brackets if bracket.letter_x is not None)
    assert all(left >= 0 and left + LETTER_SIDE <= STRIP_WIDTH for left in letters)
    assert all(later - earlier >= LETTER_SIDE + LETTER_GAP for earlier, later in itertools.pairwise(letters))
