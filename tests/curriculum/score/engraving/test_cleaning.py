"""What reaches a page is shapes and words, whatever the engraver was made to write."""

import re

import pytest

from curriculum.score.engraving.cleaning import CleanPicture
from curriculum.score.engraving.errors import UncleanPictureError


def rebuild(inside: str, *, first_bar: int = 0) -> tuple[str, CleanPicture]:
    picture = CleanPicture(prefix="wide1", first_bar=first_bar, label="Notes")
    return picture.rebuild(f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9">{inside}</svg>'), picture


@pytest.mark.parametrize(
    "inside",
    [
        "<script>alert(1)</script>",
        "<style>path { fill: red }</style>",
        '<foreignObject><p xmlns="http://www.w3.org/1999/xhtml">hello</p></foreignObject>',
        '<image href="https://elsewhere.example/x.png"/>',
        '<a href="javascript:alert(1)"><path d="M0 0"/></a>',
        '<set attributeName="href" to="javascript:alert(1)"/>',
        '<x:script xmlns:x="http://www.w3.org/1999/xhtml">alert(1)</x:script>',
        "<desc>Engraved</desc>",
    ],
)
def test_what_is_no_shape_goes_with_all_that_is_in_it(inside: str) -> None:
    assert rebuild(inside)[0] == '<svg role="img" aria-label="Notes" viewBox="0 0 9 9"></svg>'


@pytest.mark.parametrize(
    "attribute",
    [
        'onclick="alert(1)"',
        'style="fill: red"',
        'fill="url(https://elsewhere.example/x)"',
        'fill="red"',
        'd="M0 0&quot; onload=&quot;x"',
        'transform="translate(1, 2) url(x)"',
        'class="measure-x page"',
        'font-family="Elsewhere"',
        'xlink="x"',
    ],
)
def test_what_is_no_measure_of_a_shape_goes(attribute: str) -> None:
    assert "<path/>" in rebuild(f"<path {attribute}/>")[0]


@pytest.mark.parametrize(
    "link", ["https://elsewhere.example/x.svg#a", "javascript:alert(1)", "data:text/html,x", "//x"]
)
def test_links_to_elsewhere_go(link: str) -> None:
    assert "<use/>" in rebuild(f'<use href="{link}"/>')[0]


def test_shapes_are_named_by_page_so_that_two_pictures_can_stand_together() -> None:
    svg, _ = rebuild('<defs><g id="E0A4-g1c1q"><path d="M0 0"/></g></defs><use href="#E0A4-g1c1q" x="3"/>')

    assert '<g id="wide1-E0A4"><path d="M0 0"/></g>' in svg
    assert '<use x="3" href="#wide1-E0A4"/>' in svg


def test_only_our_own_ids_of_notes_are_kept() -> None:
    svg, picture = rebuild(
        '<g class="note" id="b0n1"><path d="M0 0"/></g><g class="note" id="hostile"><path d="M1 1"/></g>'
        '<g class="staff" id="b0n2"><path d="M2 2"/></g>'
    )

    assert picture.notes == ["b0n1"]
    assert re.findall('data-note="(.*?)"', svg) == ["b0n1"]
    assert "hostile" not in svg
    assert " id=" not in svg


def test_bars_are_counted_on_from_the_first() -> None:
    svg, picture = rebuild('<g class="measure" id="m1"/><g class="measure" id="m2"/>', first_bar=7)

    assert re.findall('data-bar="(.*?)"', svg) == ["7", "8"]
    assert picture.bars == 2


def test_words_are_escaped() -> None:
    svg, _ = rebuild("<text><tspan>&lt;script&gt; p&amp;q</tspan></text>")

    assert "<tspan>&lt;script&gt; p&amp;q</tspan>" in svg


def test_note_values_in_words_are_told_with_letters_that_every_font_has() -> None:
    svg, _ = rebuild("<text><tspan>\ueca5</tspan><tspan>\uecb7</tspan><tspan> = 60\ue1d2</tspan></text>")

    assert svg.count("<tspan>") == 3
    assert "<tspan>\u2669</tspan><tspan>.</tspan><tspan> = 60</tspan>" in svg


def test_what_only_holds_a_place_is_left_out() -> None:
    assert "ellipse" not in rebuild('<g class="section placeholder"><ellipse cx="1" cy="1"/></g>')[0]


@pytest.mark.parametrize(
    ("svg", "said"),
    [
        ('<!DOCTYPE svg [<!ENTITY a "b">]><svg xmlns="http://www.w3.org/2000/svg"/>', "declares"),
        ("<svg", "broken"),
        ("<svg/>", "no SVG"),
        ("", "broken"),
        (f'<svg xmlns="http://www.w3.org/2000/svg">{"<g>" * 80}{"</g>" * 80}</svg>', "nested"),
    ],
)
def test_what_is_no_picture_is_refused(svg: str, said: str) -> None:
    with pytest.raises(UncleanPictureError, match=said):
        CleanPicture(prefix="x", first_bar=0, label="Notes").rebuild(svg)
