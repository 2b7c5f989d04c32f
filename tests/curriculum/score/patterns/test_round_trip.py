"""Random patterns go to MusicXML, are read back, and are written again: nothing may change."""

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from curriculum.score.musicxml import read_musicxml, write_musicxml
from curriculum.score.patterns.errors import PatternError
from curriculum.score.patterns.spec import (
    CHOICES,
    CLOSED_LISTS,
    COMPOUND_METRES,
    COMPOUND_VALUES,
    FIGURES,
    SIMPLE_VALUES,
    Pattern,
)
from curriculum.score.patterns.writing import make_pattern

KEYS = [letter + sign for letter in "CDEFGAB" for sign in ("", "#", "b")]
CHORDAL = ("arpeggio", "broken_chord", "solid_chord", "cadence", "bass")


@st.composite
def patterns(draw: st.DrawFn) -> Pattern | None:
    """Any choices at all; None where they do not fit together. What is refused most often is steered clear of."""
    kind = draw(st.sampled_from(list(FIGURES)))
    modes = CLOSED_LISTS["mode"][:4] if kind in CHORDAL else CLOSED_LISTS["mode"][: 10 if kind == "scale" else 9]
    hands = "left" if kind == "bass" else draw(st.sampled_from(CLOSED_LISTS["hands"]))
    metre = draw(st.sampled_from(CLOSED_LISTS["metre"]))
    contrary = hands == "both" and "motion" in CHOICES[kind] and draw(st.booleans())
    makers: dict[str, st.SearchStrategy[object]] = {
        "key": st.sampled_from(KEYS),
        "mode": st.sampled_from(modes),
        "figure": st.sampled_from(FIGURES[kind]),
        "value": st.sampled_from(COMPOUND_VALUES if metre in COMPOUND_METRES else SIMPLE_VALUES),
        "accent": st.sampled_from(CLOSED_LISTS["accent"]),
        "touch": st.sampled_from(CLOSED_LISTS["touch"]),
        "bpm": st.integers(20, 300),
        "fingers": st.booleans(),
        "times": st.sampled_from((1, 1, 1, 2)),
        "octave": st.none() | st.integers(1, 5),
        "direction": st.sampled_from(CLOSED_LISTS["direction"]),
        "octaves": st.sampled_from((1, 1, 2, 3, 4)),
        "chord": st.sampled_from(("triad", *CLOSED_LISTS["chord"])),
        "inversion": st.integers(0, 2),
        "progression": st.sampled_from(CLOSED_LISTS["progression"]),
        "count": st.integers(2, 5),
        "rhythm": st.sampled_from(("even", *CLOSED_LISTS["rhythm"])),
        "apart": st.integers(0 if contrary else 1, 2),
    }
    # Few choices at a time: hypothesis spends its time on drawing, and the usual ones are drawn often enough.
    optional = {name for choices in CHOICES.values() for name in choices}
    names = [name for name in makers if name not in optional or name in CHOICES[kind]]
    if hands != "both":
        names = [name for name in names if name != "apart"]
    picked = draw(st.sets(st.sampled_from(names), max_size=6))
    chosen = {name: draw(makers[name]) for name in names if name in picked or name in ("key", "mode")}
    chosen |= {"kind": kind, "hands": hands, "metre": metre}
    if contrary:
        chosen["motion"] = "contrary"
    if "value" not in chosen:
        chosen["value"] = "3/2" if metre in COMPOUND_METRES else "1"
    try:
        return Pattern(**chosen)  # type: ignore[arg-type]
    except PatternError:
        return None


SEEN = {"made": 0}
WANTED = 2000


@pytest.mark.slow
def test_two_thousand_random_patterns_come_back_unchanged() -> None:
    SEEN["made"] = 0

    @settings(
        max_examples=3 * WANTED,
        derandomize=True,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(patterns())
    def goes_round(pattern: Pattern | None) -> None:
        if pattern is None or SEEN["made"] >= WANTED:
            return
        assert Pattern.from_data(json.loads(json.dumps(pattern.to_data()))) == pattern
        try:
            score = make_pattern(pattern)
        except PatternError as error:
            assert error.name in ("octave", "value")  # off the piano; a bass that cannot fill its bars
            return
        written = write_musicxml(score)
        read = read_musicxml(written)
        assert read == score
        assert write_musicxml(read) == written
        SEEN["made"] += 1

    goes_round()
    assert SEEN["made"] == WANTED
