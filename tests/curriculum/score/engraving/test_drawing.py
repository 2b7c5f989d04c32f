"""A picture shows every written note once, or there is no picture."""

import re
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest

from curriculum.score.engraving import drawing
from curriculum.score.engraving.drawing import engrave, stretches
from curriculum.score.engraving.errors import EngravingCrashError, EngravingLimitError, EngravingMismatchError
from curriculum.score.engraving.layout import NARROW, WIDE, EngravingLimits
from curriculum.score.making import PlannedNote, make_score, plain_bars
from curriculum.score.notes import WrittenScore
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.writing import make_pattern

SCALE = Pattern(kind="scale", key="E", hands="both", octaves=2, value="1/2", touch="staccato")


def ids(svg: str) -> list[str]:
    return re.findall('data-note="(.*?)"', svg)


def test_both_layouts_show_each_note_once_with_our_ids() -> None:
    score = make_pattern(SCALE)

    drawn = engrave(score)

    for layout in ("narrow", "wide"):
        shown = [name for page in drawn.pages[layout] for name in ids(page)]
        assert sorted(shown) == sorted(note.id for note in score.notes)


def test_a_stretch_shows_its_own_bars_and_says_which() -> None:
    score = make_pattern(replace(SCALE, times=3))

    drawn = engrave(score, bars=(4, 6), layouts=(NARROW,))

    assert re.findall('data-bar="(.*?)"', drawn.pages["narrow"][0]) == ["4", "5", "6"]
    assert {name.partition("n")[0] for name in ids(drawn.pages["narrow"][0])} == {"b4", "b5", "b6"}


def test_fingers_are_printed() -> None:
    drawn = engrave(make_pattern(Pattern(kind="five_finger")), layouts=(WIDE,))

    assert drawn.pages["wide"][0].count('class="m-fing"') == 9


def test_pictures_carry_no_style_no_colour_and_no_outside_address() -> None:
    for page in engrave(make_pattern(SCALE)).pages["wide"]:
        assert not re.search('<style|style=|<script|font-family|color=|fill="#|http|@import', page)


def test_words_of_a_score_stay_words() -> None:
    bars = plain_bars(1)
    score = replace(
        make_score([PlannedNote(Fraction(0), Fraction(4), "C")], bars=bars), title="<script>alert(1)</script>"
    )

    assert "<script" not in engrave(score).pages["wide"][0]


def test_a_note_that_the_engraver_left_out_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    real = drawing.draw_boxed

    def forgetful(*args: object, **options: object) -> dict[str, list[str]]:
        pages = real(*args, **options)  # type: ignore[arg-type]
        return {name: [page.replace('id="b0n2"', 'id="x"') for page in pictures] for name, pictures in pages.items()}

    monkeypatch.setattr(drawing, "draw_boxed", forgetful)
    with pytest.raises(EngravingMismatchError, match="drew 8 notes where 9 are written"):
        engrave(make_pattern(Pattern(kind="five_finger")))


def test_a_note_that_was_drawn_twice_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    real = drawing.draw_boxed

    def doubling(*args: object, **options: object) -> dict[str, list[str]]:
        pages = real(*args, **options)  # type: ignore[arg-type]
        return {name: pictures * 2 for name, pictures in pages.items()}

    monkeypatch.setattr(drawing, "draw_boxed", doubling)
    with pytest.raises(EngravingMismatchError, match="drew 18 notes where 9 are written"):
        engrave(make_pattern(Pattern(kind="five_finger")))


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        (EngravingLimits(wall_s=0.01), "more time"),
        (EngravingLimits(answer_bytes=1_000), "more room"),
    ],
)
def test_what_takes_too_much_is_ended(limits: EngravingLimits, said: str) -> None:
    with pytest.raises(EngravingLimitError, match=said):
        engrave(make_pattern(SCALE), limits=limits)


def test_too_little_memory_gives_no_picture() -> None:
    with pytest.raises((EngravingLimitError, EngravingCrashError)):
        engrave(make_pattern(SCALE), limits=EngravingLimits(memory_bytes=30_000_000))


def test_stretches_are_whole_and_about_equally_full() -> None:
    score = make_pattern(replace(SCALE, times=8))

    found = stretches(score, most_notes=100)

    assert found[0][0] == 0
    assert found[-1][1] == len(score.bars) - 1
    assert all(one[1] + 1 == other[0] for one, other in pairwise(found))
    counts = [sum(first <= note.bar <= last for note in score.notes) for first, last in found]
    assert max(counts) <= 130


def test_a_score_without_bars_has_no_stretches() -> None:
    assert stretches(WrittenScore(bars=(), notes=())) == ()
