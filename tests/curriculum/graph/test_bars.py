"""Which bars of a piece are within reach."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.graph.bars import BarDemand, Reach, bars_within_reach, fills_most, read_bars, write_bars
from curriculum.graph.errors import BarsError

NEEDS = {"place": frozenset[str](), "legato": frozenset({"place"}), "thumb": frozenset({"legato"})}


def reach(*demands: BarDemand, missing: set[str], bars: int = 4, is_read: bool = True) -> list[Reach]:
    named = [str(bar) for bar in range(1, bars + 1)]
    return [bar.reach for bar in bars_within_reach(demands, bars=named, needs=NEEDS, missing=missing, is_read=is_read)]


def test_bar_with_all_skills_there_is_ready() -> None:
    assert reach(BarDemand("thumb", ("2",)), missing=set(), bars=2) == [Reach.READY, Reach.READY]


def test_what_lies_below_a_skill_counts_as_missing_too() -> None:
    asked = BarDemand("thumb", ("1",))
    assert reach(asked, missing={"thumb"}, bars=1) == [Reach.ONE_AWAY]
    assert reach(asked, missing={"thumb", "legato"}, bars=1) == [Reach.FURTHER]


def test_demand_without_bars_holds_for_every_bar() -> None:
    assert reach(BarDemand("place"), missing={"place"}, bars=2) == [Reach.ONE_AWAY] * 2


def test_what_no_skill_covers_puts_a_bar_further_off() -> None:
    assert reach(BarDemand(None, ("1",)), missing=set(), bars=2) == [Reach.FURTHER, Reach.READY]


def test_nothing_is_said_of_bars_nobody_wrote_about() -> None:
    assert reach(BarDemand("place", ("1",)), missing=set(), bars=2, is_read=False) == [Reach.READY, Reach.NOT_SAID]


def test_skill_that_fills_most_bars_is_named() -> None:
    asked = [BarDemand("place", ("1",)), BarDemand("thumb", ("2", "3"))]
    found = bars_within_reach(asked, bars=["1", "2", "3"], needs=NEEDS, missing={"place", "thumb"}, is_read=True)
    # Bars 2 and 3 rest on place as well.
    assert fills_most(found) == ("place", 1)
    assert fills_most([]) is None


@pytest.mark.parametrize(
    ("text", "bars"),
    [("", ()), ("7", ("7",)), ("1; 2; 12a", ("1", "2", "12a")), ("3 – 5", ("3", "4", "5")), ("3,4 and 3", ("3", "4"))],
)
def test_bars_are_read_as_people_write_them(text: str, bars: tuple[str, ...]) -> None:
    assert read_bars(text) == bars


@pytest.mark.parametrize(
    ("text", "words"),
    [("soup", "names no bars"), ("9-4", "backwards"), ("1-9999", "more than 2000"), ("-3", "no bars")],
)
def test_text_that_names_no_bars_is_refused(text: str, words: str) -> None:
    with pytest.raises(BarsError, match=words):
        read_bars(text)


@settings(max_examples=50)
@given(st.lists(st.integers(0, 400), unique=True, max_size=40))
def test_bars_written_are_read_again(numbers: list[int]) -> None:
    bars = tuple(map(str, numbers))
    assert read_bars(write_bars(bars)) == bars
