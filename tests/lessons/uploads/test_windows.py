"""The windows in which a file chosen again is compared with what has arrived."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lessons.uploads import windows
from lessons.uploads.windows import EDGE_BYTES, SPOT_BYTES, SPOTS

MOST_BYTES = 2 * EDGE_BYTES + SPOTS * SPOT_BYTES


@given(st.integers(0, 10**12))
def test_windows_lie_apart_in_order_within_what_has_arrived(arrived):
    found = windows(arrived)
    bounds = [bound for window in found for bound in window]
    assert bounds == sorted(set(bounds))
    assert all(0 <= bound <= arrived for bound in bounds)
    assert sum(end - start for start, end in found) <= MOST_BYTES


@given(st.integers(1, 10**12))
def test_first_and_last_bytes_are_always_compared(arrived):
    found = windows(arrived)
    assert found[0][0] == 0
    assert found[-1][1] == arrived
    assert found[0][1] >= min(arrived, EDGE_BYTES)


@pytest.mark.parametrize("arrived", [1, 1000, EDGE_BYTES, 2 * EDGE_BYTES])
def test_little_is_compared_as_a_whole(arrived):
    assert sum(end - start for start, end in windows(arrived)) == arrived


def test_nothing_needs_no_window():
    assert windows(0) == ()
