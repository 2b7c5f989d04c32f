"""The marked score, on pictures as the engraver draws them."""

import re
from xml.etree import ElementTree as ET

import pytest

from curriculum.score.engraving.drawing import engrave
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.writing import make_pattern
from reviews.drawing import (
    BarMark,
    DrawingError,
    ExtraMark,
    NoteMark,
    Place,
    PlaceMark,
    Shape,
    UnderRow,
    mark_score,
)

HOSTILE = '"><script>alert(1)</script>&\x00'


@pytest.fixture(scope="module")
def pages():
    return {name: drawn[0] for name, drawn in engrave(make_pattern(Pattern(kind="five_finger", value="1/2", times=4))).pages.items()}  # fmt: skip


def mark(page: str, **kind) -> str:
    return mark_score(page, **{"words_for_all": "Two things are marked.", "name": "score"} | kind)


def height_of(page: str) -> float:
    return float(ET.fromstring(page).get("viewBox").split()[3])


def row_of(page: str, value: float, **kind) -> UnderRow:
    values = {note_id: [value] for note_id in re.findall(r'data-note="(\w+)"', page)}
    return UnderRow(**{"label": "Time", "unit": "ms", "floor": 5.0, "ends": 30.0, "values": values} | kind)


@pytest.mark.parametrize("layout", ["narrow", "wide"])
def test_played_notes_stay_as_they_are(pages, layout):
    marked = mark(pages[layout], notes=[NoteMark("b0n3", Shape.MISSING, "E was not heard")])
    assert marked.count("fd-missing") == 1
    assert marked.count('class="m-note"') == pages[layout].count('class="m-note"') - 1
    assert marked.count("data-note") == pages[layout].count("data-note")


def test_without_marks_the_picture_keeps_its_size_and_gains_only_words(pages):
    marked = mark(pages["narrow"])
    assert height_of(marked) == height_of(pages["narrow"])
    assert "fd-marks" not in marked
    assert '<desc id="score-words">Two things are marked.</desc>' in marked


@pytest.mark.parametrize("shape", Shape)
def test_each_shape_stands_on_its_own_note(pages, shape):
    page = pages["narrow"]
    x, y = (float(part) for part in re.search(r'data-note="b0n3"><g class="m-notehead"><use transform="translate\(([\d.]+), ([\d.]+)\)', page).groups())  # fmt: skip
    marked = mark(page, notes=[NoteMark("b0n3", shape, "here")])
    drawn = re.search(r'<g class="fd-marks">.*?</g></g>', marked).group()
    places = [float(part) for part in re.findall(r'(?:d="M|x=")(-?[\d.]+)', drawn)]
    heights = [float(part) for part in re.findall(r'(?:d="M-?[\d.]+ |y=")(-?[\d.]+)', drawn)]
    assert abs(places[0] - x) < 400
    assert abs(heights[0] - y) < 200


def test_one_note_played_wrong_twice_is_marked_once_with_both_said(pages):
    marked = mark(pages["narrow"], notes=[NoteMark("b0n3", Shape.MISSING, "first"), NoteMark("b0n3", Shape.WRONG, "second")])  # fmt: skip
    assert "<title>first; second</title>" in marked
    assert "fd-wrong" in marked
    assert "fd-missing" not in marked


def test_an_extra_note_stands_between_its_neighbours_and_at_its_own_height(pages):
    page = pages["narrow"]
    heads = {note: (float(x), float(y)) for note, x, y in re.findall(r'data-note="(\w+)"><g class="m-notehead"><use transform="translate\(([\d.]+), ([\d.]+)\)', page)}  # fmt: skip
    for steps in (-2, 0, 3):
        marked = mark(page, extras=[ExtraMark("b0n3", "b0n4", 0.5, "b0n3", steps, "extra")])
        x, y = (float(part) for part in re.search(r'sv-plum-l" stroke-width="52" d="M([\d.]+) (-?[\d.]+)', marked).groups())  # fmt: skip
        assert heads["b0n3"][0] < x < heads["b0n4"][0] + 226
        assert y + 150 == pytest.approx(heads["b0n3"][1] - 90 * steps)


def test_room_is_made_under_and_above_only_the_systems_that_need_it(pages):
    page = pages["narrow"]
    stop = mark(page, places=[PlaceMark("b0n3", Place.STOP, "a stop")])
    assert height_of(stop) - height_of(page) == pytest.approx(46, abs=0.2)
    systems = page.count('class="m-system"')
    rows = mark(page, rows=[row_of(page, 1.0)])
    assert height_of(rows) - height_of(page) == pytest.approx(108 * systems, abs=1)


def test_both_ends_of_going_back_carry_the_same_number(pages):
    ends = [PlaceMark("b0n6", Place.BACK_FROM, "back", number=2), PlaceMark("b0n2", Place.BACK_TO, "back", number=2)]
    assert mark(pages["narrow"], places=ends).count(">2</text>") == 2


def test_a_bar_that_goes_wrong_each_time_is_bracketed(pages):
    assert "Bar 1 went wrong" in mark(pages["narrow"], bars=[BarMark(0, "Bar 1 went wrong each time")])
    assert "fd-marks" not in mark(pages["narrow"], bars=[BarMark(999, "elsewhere")])


def test_values_inside_the_floor_are_rings_without_numbers_and_those_outside_have_both(pages):
    page = pages["wide"]
    notes = page.count("data-note")
    inside, outside = (mark(page, rows=[row_of(page, value)]) for value in (4.0, 22.0))
    assert inside.count("fd-ring") == notes
    assert "fd-t fd-b" not in inside
    assert outside.count('class="sv-ochre"') == notes
    assert "+22" in outside


def test_loud_notes_are_accents_and_soft_ones_dots(pages):
    loud, soft = (mark(pages["wide"], rows=[row_of(pages["wide"], value, is_level=True, floor=1.0, ends=4.0)]) for value in (3.0, -3.0))  # fmt: skip
    assert "sv-red-l" in loud
    assert "sv-red-l" not in soft


def test_marks_of_other_pages_are_passed_over(pages):
    marked = mark(pages["narrow"], notes=[NoteMark("b99n1", Shape.WRONG, "x")], extras=[ExtraMark("b99n1", None, 0, "b99n1", 0, "x")], places=[PlaceMark("b99n1", Place.STOP, "x")])  # fmt: skip
    assert "fd-" not in marked


def test_hostile_words_stay_words(pages):
    marked = mark(
        pages["narrow"],
        words_for_all=HOSTILE.replace("\x00", ""),
        notes=[NoteMark("b0n1", Shape.WRONG, HOSTILE)],
        extras=[ExtraMark("b0n1", "b0n2", 0.5, "b0n1", 1, HOSTILE)],
        places=[PlaceMark("b0n1", Place.STOP, HOSTILE)],
        bars=[BarMark(0, HOSTILE)],
        rows=[row_of(pages["narrow"], 22.0, label=HOSTILE, unit=HOSTILE)],
    )
    root = ET.fromstring(marked)
    assert "<script" not in marked
    assert not any(key == "style" or key.startswith("on") for each in root.iter() for key in each.attrib)
    assert "<style" not in marked


@pytest.mark.parametrize("broken", ["", "<svg", "<svg/>", "<svg><svg><g/></svg></svg>", "<svg><svg/></svg>"])
def test_what_is_no_engraved_picture_is_refused(broken):
    with pytest.raises(DrawingError, match="wanted one that was engraved"):
        mark(broken)


def test_a_scale_that_is_none_is_refused(pages):
    with pytest.raises(DrawingError, match="has the scale 0"):
        mark(pages["narrow"], rows=[row_of(pages["narrow"], 1.0, ends=0.0)])
