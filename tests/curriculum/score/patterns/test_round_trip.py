"""Random patterns go to MusicXML, are read back, and are written again: nothing may change."""

import json
from random import Random

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from curriculum.score.musicxml import read_musicxml, write_musicxml
from curriculum.score.notes import WrittenScore
from curriculum.score.patterns.errors import PatternError
from curriculum.score.patterns.spec import CHOICES, CLOSED_LISTS, FIGURES, Pattern
from curriculum.score.patterns.writing import make_pattern

KEYS = [letter + sign for letter in "CDEFGAB" for sign in ("", "#", "b")]
WANTED = 2000


def draw(chance: Random) -> tuple[Pattern, WrittenScore]:
    """Return any choices that fit together, and their score. One number is all that hypothesis has to draw: letting it
    draw each of twenty choices takes four times as long as everything that is tested here.
    """
    while True:
        kind = chance.choice(list(FIGURES))
        wishes: dict[str, object] = {
            "key": chance.choice(KEYS),
            "mode": chance.choice(CLOSED_LISTS["mode"]),
            "hands": chance.choice(CLOSED_LISTS["hands"]),
            "figure": chance.choice(FIGURES[kind]),
            "metre": chance.choice(CLOSED_LISTS["metre"]),
            "value": chance.choice(CLOSED_LISTS["value"]),
            "accent": chance.choice(CLOSED_LISTS["accent"]),
            "touch": chance.choice(CLOSED_LISTS["touch"]),
            "bpm": chance.randint(20, 300),
            "fingers": chance.random() < 0.8,
            "times": chance.choice((1, 1, 1, 2)),
            "octave": chance.choice((None, None, 2, 3, 4, 5)),
        }
        further: dict[str, object] = {
            "direction": chance.choice(CLOSED_LISTS["direction"]),
            "motion": chance.choice(CLOSED_LISTS["motion"]),
            "octaves": chance.choice((1, 1, 1, 2, 3, 4)),
            "chord": chance.choice(CLOSED_LISTS["chord"]),
            "inversion": chance.randint(0, 3),
            "progression": chance.choice(CLOSED_LISTS["progression"]),
            "count": chance.randint(2, 5),
            "rhythm": chance.choice(("even", *CLOSED_LISTS["rhythm"])),
            "apart": chance.choice((1, 1, 0, 2)),
        }
        wishes |= {name: value for name, value in further.items() if name in CHOICES[kind]}
        try:
            pattern = Pattern(kind=kind, **wishes)  # type: ignore[arg-type]
            return pattern, make_pattern(pattern)
        except PatternError:
            continue


@pytest.mark.slow
def test_two_thousand_random_patterns_come_back_unchanged() -> None:
    seen: set[Pattern] = set()

    @settings(max_examples=WANTED, phases=[Phase.generate])
    @given(st.integers(0, 2**48))
    def goes_round(seed: int) -> None:
        pattern, score = draw(Random(seed))
        assert Pattern.from_data(json.loads(json.dumps(pattern.to_data()))) == pattern
        written = write_musicxml(score)
        read = read_musicxml(written)
        assert read == score, pattern
        assert write_musicxml(read) == written, pattern
        seen.add(pattern)

    goes_round()
    assert len(seen) >= 0.99 * WANTED
    assert {pattern.kind for pattern in seen} == set(FIGURES)
