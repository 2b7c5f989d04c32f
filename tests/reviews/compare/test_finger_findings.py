"""What the designed take says in words, from heard notes to the finding."""

import numpy as np
import pytest

from reviews.compare import Finding, Kind, Trust, compare, written_of
from reviews.compare.designed import design_take
from reviews.sound.heard import HeardNote


def play(
    *,
    excess_db: float,
    hand: str = "right",
    trust: Trust | None = None,
    up_to: int = 170,
    without: tuple[int, ...] = (),
) -> list[Finding]:
    """The findings on fingers of a playing whose thumb is louder, in a room that makes keys unlike."""
    rng = np.random.default_rng(4)
    expected, written = written_of(design_take(hand))
    keys_db = {note.pitch_midi: rng.normal(0, 4) for note in expected.notes}
    heard = [
        HeardNote(
            1.0 + 0.65 * note.onset_beat + rng.normal(0, 0.01),
            note.pitch_midi,
            keys_db[note.pitch_midi] + rng.normal(0, 0.7) + excess_db * (written.placed[note.id].finger == 1),
        )
        for note in expected.notes[:up_to]
        if written.placed[note.id].visit not in without
    ]
    found = compare(heard, expected=expected, trust=trust or Trust(), written=written)
    return [finding for finding in found.findings if finding.kind == Kind.FINGERS]


@pytest.mark.parametrize("hand", ["right", "left"])
def test_a_loud_thumb_is_named_with_its_interval(hand: str) -> None:
    [found] = play(excess_db=3.0, hand=hand)
    assert found.dimension == "evenness"
    assert found.low <= 3.0 <= found.high
    assert found.text.startswith("Finger 1 (the thumb) sounds ")
    assert found.text.endswith("dB louder than the others: that is the finger, not the room.")


def test_even_fingers_are_said_to_be_even() -> None:
    [found] = play(excess_db=0.0)
    assert found.text.startswith("No finger stands out")


def test_a_phone_that_evens_out_loudness_tells_nothing_of_fingers() -> None:
    [found] = play(excess_db=3.0, trust=Trust(has_steady_level=False))
    assert "no finger can be told from the room" in found.text
    assert found.value == 0


def test_levels_that_are_not_of_the_notes_themselves_tell_nothing_of_fingers() -> None:
    [found] = play(excess_db=3.0, trust=Trust(has_own_levels=False))
    assert found.text.startswith("Other notes were heard together with the single ones")
    assert found.value == 0


def test_one_place_alone_tells_nothing_of_fingers() -> None:
    [found] = play(excess_db=3.0, up_to=17)
    assert found.text.startswith("Too few")


@pytest.mark.parametrize(
    ("without", "named"),
    [
        ((3,), "The start on F was not heard the first time."),
        ((8,), "The start on F was not heard the second time."),
        ((1, 6), "The start on D was not heard."),
        ((2, 7), "The start on E was not heard."),
        ((2, 8), "The start on E was not heard the first time. The start on F was not heard the second time."),
    ],
)
def test_a_start_that_was_left_out_is_named(without: tuple[int, ...], named: str) -> None:
    [found] = play(excess_db=3.0, without=without)
    assert found.text.startswith("Finger 1 (the thumb) sounds ")
    assert found.text.endswith(f"not the room. {named}")


def test_where_too_few_starts_are_heard_the_missing_ones_are_named() -> None:
    [found] = play(excess_db=3.0, up_to=17)
    assert "The starts on D, E, F and G were not heard." in found.text
    assert "The start on C was not heard the second time." in found.text
