"""A rhythm that was typed: how it is read, and what it makes of a playing without a score."""

from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reviews.compare.errors import CompareError
from reviews.compare.findings import Kind
from reviews.compare.measures import Trust
from reviews.compare.unscored import Asked, RhythmError, find_unscored, lay, read_rhythm, unscored_json
from tests.reviews.compare.unscored.test_unscored import played, told

PHRASE = "2 quarters, half | 4 eighths, half | dotted quarter, eighth, half"
BEATS = (1.0, 1.0, 2.0, 0.5, 0.5, 0.5, 0.5, 2.0, 1.5, 0.5, 2.0)


@pytest.mark.parametrize(
    ("text", "beats"),
    [
        (PHRASE, BEATS),
        ("1/4 1/4 1/2 | 4 1/8 1/2 | 1/4. 1/8 1/2", BEATS),
        ("crotchet Crotchet MINIM, 4 quavers minim; dotted crotchet quaver minim", BEATS),
        ("quarter, quarter rest, half", (2.0, 2.0)),
        ("quarter rest, quarter, half", (1.0, 3.0)),
        ("half tied to eighth, 3 triplet eighths", (2.5, 0.333333, 0.333333, 0.333333)),
        ("whole + half quarter", (6.0, 1.0)),
        ("2 x dotted halves, double", None),
        ("2 x dotted halves", (3.0, 3.0)),
        ("quarter..", (1.75,)),
        ("16 sixteenths", (0.25,) * 16),
        ("", ()),
        ("  ", ()),
    ],
)
def test_note_values_are_read_in_words_and_as_fractions(text, beats):
    if beats is None:
        with pytest.raises(RhythmError):
            read_rhythm(text)
    else:
        assert read_rhythm(text) == beats


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("quarter | quater half", "“quater”, word 2, is no note value"),
        ("quarter dotted", "“dotted”, word 2, is followed by no note value"),
        ("3", "“3”, word 1, is followed by no note value"),
        ("rest quarter", "“rest”, word 1, has no value before it"),
        ("tied quarter", "“tied”, word 1, has no note before it"),
        ("quarter tied 2 eighths", "“eighths”, word 4, cannot be tied to"),
        ("0 quarters", "“0”, word 1, is no number of notes"),
        ("900 quarters", "“900”, word 1, is no number of notes"),
        ("300 quarters 300 quarters", "more than 400 notes up to word 4"),
        ("half rest", "no note in it"),
        ("|", "no note in it"),
    ],
)
def test_what_is_no_rhythm_is_refused_with_its_place(text, message):
    with pytest.raises(RhythmError, match=message) as refused:
        read_rhythm(text)
    assert isinstance(refused.value, CompareError)


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused(text):
    with suppress(RhythmError):
        assert all(beats > 0 for beats in read_rhythm(text))


@given(
    st.lists(
        st.sampled_from(["whole", "half", "dotted half", "quarter", "eighth", "sixteenth"]), min_size=1, max_size=30
    )
)
def test_bar_lines_commas_and_case_change_nothing(values):
    assert read_rhythm(" ".join(values)) == read_rhythm(" | ".join(values).upper()) == read_rhythm(", ".join(values))


def test_a_phrase_played_as_typed_keeps_its_values_and_is_counted():
    found = told(played([*BEATS * 4], jitter_s=0.004), rhythm_beats=BEATS)
    assert "four times through and one more" in found[Kind.STRIKES].text
    assert found[Kind.STRIKES].value == 45
    assert "keep their proportions" in found[Kind.VALUES].text
    assert found[Kind.GAPS].low <= 1000 * 0.004 * np.sqrt(2) <= found[Kind.GAPS].high
    assert found[Kind.HESITATIONS].high == 0
    assert found[Kind.PULSE].value == pytest.approx(100, rel=0.01)


def test_a_phrase_played_to_the_note_is_said_to_be_so():
    assert told(played([*BEATS, *BEATS[:-1]]), rhythm_beats=BEATS)[Kind.STRIKES].text.endswith(
        "twice through, to the note."
    )


@pytest.mark.parametrize(
    ("middle", "at_s"),
    [
        pytest.param([2.0, *BEATS[2:]], 15.4, id="a note left out"),
        pytest.param([0.5, 0.5, *BEATS[1:]], None, id="a note too many"),
        pytest.param(list(BEATS[:5]), 18.4, id="going back"),
    ],
)
def test_a_note_more_or_less_and_going_back_are_named_and_the_rest_still_fits(middle, at_s):
    beats = [*BEATS * 2, *middle, *BEATS * 2]
    heard = played(beats, jitter_s=0.01)
    laid = lay(heard, asked=Asked(rhythm_beats=BEATS))
    assert laid.fits_rhythm
    assert 1 <= len(laid.breaks_s) <= 2
    if at_s is not None:
        assert laid.breaks_s[0] == pytest.approx(at_s, abs=0.1)
    assert "goes on from another place of it" in told(heard, rhythm_beats=BEATS)[Kind.STRIKES].text


def test_a_long_written_note_is_no_stop_and_a_stop_on_it_is_one():
    beats = [1.0, 1.0, 4.0] * 10
    found = told(played(beats), rhythm_beats=(1.0, 1.0, 4.0))
    assert found[Kind.HESITATIONS].high == 0
    beats[11] += 4.0
    stopped = told(played(beats), rhythm_beats=(1.0, 1.0, 4.0))
    assert stopped[Kind.HESITATIONS].value == stopped[Kind.HESITATIONS].high == 1


def test_a_value_that_comes_short_each_time_is_named():
    beats = [1.0, 0.4, 0.4, 1.0, 2.0] * 8
    found = told(played(beats, jitter_s=0.003), rhythm_beats=(1.0, 0.5, 0.5, 1.0, 2.0))
    assert found[Kind.VALUES].value != 1
    assert "too" in found[Kind.VALUES].text


def test_an_uneven_playing_that_shows_no_pulse_of_its_own_is_laid_on_what_was_typed():
    heard = played([*BEATS * 4], jitter_s=0.03, seed=0)
    assert lay(heard).pulse is None
    found = told(heard, rhythm_beats=BEATS)
    assert found[Kind.PULSE].value == pytest.approx(100, rel=0.03)
    assert found[Kind.GAPS].low <= 1000 * 0.03 * np.sqrt(2) <= found[Kind.GAPS].high


def test_another_rhythm_is_not_laid_on_and_its_place_is_named():
    beats = [*BEATS * 2, *[1.0, 0.5, 0.5, 1.0, 2.0, 1.5, 0.25, 0.25, 1.0, 3.0, 0.5, 0.5, 0.25, 0.75] * 3]
    asked = Asked(rhythm_beats=BEATS)
    found = find_unscored(lay(played(beats), asked=asked), trust=Trust(), asked=asked)
    assert any("cannot be laid on the rhythm that was typed: from 0:" in each.text for each in found)
    assert Kind.STRIKES not in {each.kind for each in found}


def test_drawn_gaps_are_held_against_their_own_value():
    laid = lay(played([*BEATS * 4], jitter_s=0.004), asked=(asked := Asked(rhythm_beats=BEATS)))
    [gaps] = unscored_json(laid, trust=Trust(), asked=asked)["series"]["gaps"]
    assert len(gaps["points"]) == 44
    assert max(abs(point["late_ms"]) for point in gaps["points"]) < 40


@pytest.mark.parametrize("tau_s", [0.3, 0.6, 1.2])
def test_the_tempo_changes_nothing(tau_s):
    laid = lay(played([*BEATS * 3], tau_s=tau_s), asked=Asked(rhythm_beats=BEATS))
    assert laid.fits_rhythm
    assert not laid.breaks_s
    assert laid.pulse.bpm == pytest.approx(60 / tau_s)


def test_a_tempo_that_drifts_is_followed():
    laid = lay(played([*BEATS * 4], drift=0.2, jitter_s=0.005), asked=Asked(rhythm_beats=BEATS))
    assert laid.fits_rhythm
    assert not laid.breaks_s
