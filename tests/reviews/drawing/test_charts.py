"""Charts of a take: the drawing and its table say the same, the floor is always there, and hostile words stay words."""

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reviews.drawing import (
    PAGE_WIDTH,
    PHONE_WIDTH,
    DrawingError,
    GapPoint,
    LevelPoint,
    TempoPoint,
    draw_gaps,
    draw_levels,
    draw_tempo,
    noticed_ms,
    reach,
)

GOLDEN = Path(__file__).parent / "golden"
LATE_MS = [1, -2, 22, 3, -9, 0, 4, -1, 2, -17, 0, 3]
HOSTILE = '"><script>alert(1)</script>&\x00'


def gaps(late_ms=LATE_MS, **kind):
    points = [GapPoint(0.4 * n, 400.0, late, where=f"bar {n // 4 + 1}, beat {n % 4 + 1}", bar=str(n // 4 + 1)) for n, late in enumerate(late_ms)]  # fmt: skip
    return draw_gaps(points, **{"title": "Gaps", "floor_ms": 5.0, "name": "gaps"} | kind)


def levels(level_db=(0.2, 3.1, -2.6, 0.5), **kind):
    points = [LevelPoint(0.5 * n, each) for n, each in enumerate(level_db)]
    return draw_levels(points, **{"title": "Levels", "floor_db": 1.0, "name": "levels"} | kind)


def tempo(bpm=(60, 62, 61, 66), **kind):
    points = [TempoPoint(2.0 * n, each, is_after_stop=n == 2) for n, each in enumerate(bpm)]
    return draw_tempo(points, **{"title": "Tempo", "bpm": 62.0, "floor_bpm": 1.5, "name": "tempo"} | kind)


CHARTS = {"gaps": gaps, "levels": levels, "tempo": tempo}


@pytest.mark.parametrize("name", CHARTS)
@pytest.mark.parametrize("width", [PHONE_WIDTH, PAGE_WIDTH])
def test_drawings_are_as_they_were_looked_at(name, width):
    chart = CHARTS[name](width=width)
    kept = GOLDEN / f"{name}-{width:.0f}.svg"
    assert chart.svg + "\n" == kept.read_text()


@pytest.mark.parametrize("name", CHARTS)
def test_each_value_has_its_row_and_each_row_its_heads(name):
    chart = CHARTS[name]()
    assert {len(row) for row in chart.rows} == {len(chart.heads)}
    assert len(chart.rows) == {"gaps": len(LATE_MS), "levels": 4, "tempo": 4}[name]


@pytest.mark.parametrize("name", CHARTS)
def test_the_floor_is_drawn_and_named(name):
    chart = CHARTS[name]()
    assert 'class="sv-floor"' in chart.svg
    assert "this recording" in chart.words


@pytest.mark.parametrize("name", CHARTS)
def test_drawings_have_a_name_and_words_and_neither_style_nor_script(name):
    chart = CHARTS[name](title=HOSTILE)
    root = ET.fromstring(chart.svg)
    ids = {each.get("id") for each in root.iter() if each.get("id")}
    assert root.get("role") == "img"
    assert {root.get("aria-labelledby"), root.get("aria-describedby")} == ids
    assert not {each.tag.rpartition("}")[2] for each in root.iter()} - {"svg", "title", "desc", "g", "rect", "path", "circle", "text"}  # fmt: skip
    assert not any(key == "style" or key.startswith("on") for each in root.iter() for key in each.attrib)
    assert "<script" not in chart.svg


def test_words_of_places_are_escaped():
    point = GapPoint(0.0, 400.0, 22.0, where=HOSTILE, bar=HOSTILE)
    chart = draw_gaps([point, point], title="Gaps", floor_ms=5, name="gaps")
    ET.fromstring(chart.svg)
    assert "<script" not in chart.svg


def test_what_lies_outside_the_floor_has_another_shape_and_its_number():
    chart = gaps([0, 0, 0, 22, 0, 0])
    assert chart.svg.count('sv-ochre"') == 1
    assert chart.svg.count("chart-in") == 5
    assert ">+22</text>" in chart.svg


def test_within_the_floor_no_number_is_drawn():
    chart = gaps([4.9, -4.9, 0.0])
    assert "sv-ochre" not in chart.svg
    assert 'class="b"' not in chart.svg
    assert chart.words.startswith("All 3 gaps lie within what this recording cannot tell")


def test_a_higher_floor_takes_notes_back_into_the_band():
    counts = [gaps(floor_ms=floor).svg.count('sv-ochre"') for floor in (1, 5, 10, 30)]
    assert counts == sorted(counts, reverse=True)
    assert counts[-1] == 0


def test_where_music_may_grow_loud_nothing_loud_is_marked():
    assert "sv-red-l" in levels().svg
    assert "sv-red-l" not in levels(marks_loud=False).svg


def test_the_curve_begins_anew_after_a_stop():
    line = tempo().svg.split('stroke-linejoin="round" d="')[1].split('"')[0]
    assert line.count("M") == 2


def test_the_tempo_asked_is_drawn_and_named():
    assert ">72 asked</text>" in tempo(asked_bpm=72.0).svg
    assert "72 was asked." in tempo(asked_bpm=72.0).words


def test_without_values_there_is_no_drawing():
    assert gaps([]).svg == levels([]).svg == tempo([60]).svg == ""


@pytest.mark.parametrize(("kind", "match"), [
    ({"floor_ms": -1.0}, "floor is -1.0"), ({"width": 10.0}, "width is 10.0"), ({"name": 'a"b'}, "name is"),
    ({"floor_ms": float("nan")}, "floor is nan"), ({"late_ms": [float("inf")]}, "a value is inf"),
])  # fmt: skip
def test_what_cannot_be_drawn_is_refused(kind, match):
    with pytest.raises(DrawingError, match=match):
        gaps(**kind)


def test_a_tempo_of_nothing_is_refused():
    with pytest.raises(DrawingError, match="above 0"):
        tempo(bpm=(60, 0))


@given(st.lists(st.floats(-80, 80), min_size=1, max_size=400), st.floats(0.1, 40), st.sampled_from([160.0, 360.0, 640.0]))  # fmt: skip
def test_any_values_stay_on_the_paper(late_ms, floor_ms, width):
    chart = gaps(late_ms, floor_ms=floor_ms, width=width)
    root = ET.fromstring(chart.svg)
    right, bottom = (float(part) for part in root.get("viewBox").split()[2:])
    assert right == width
    for circle in root.iter("{http://www.w3.org/2000/svg}circle"):
        assert 0 <= float(circle.get("cx")) <= right
        assert 0 <= float(circle.get("cy")) <= bottom


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=60), st.floats(0, 4000))
def test_playing_later_draws_the_same(late_ms, shift_s):
    points = [GapPoint(0.4 * n, 400.0, late, bar="1") for n, late in enumerate(late_ms)]
    later = [replace(point, at_s=point.at_s + shift_s) for point in points]
    assert draw_gaps(points, title="x", floor_ms=5, name="g") == draw_gaps(later, title="x", floor_ms=5, name="g")


@given(st.lists(st.floats(-500, 500), max_size=50), st.floats(0, 50))
def test_the_scale_goes_beyond_the_floor(values, floor):
    assert reach(values, floor=floor) >= max(2 * floor, 1e-6)


def test_the_ear_notices_what_was_measured_for_it():
    assert [noticed_ms(gap) for gap in (100, 239, 240, 400, 1000, 1001)] == [6.0, 6.0, 6.0, 10.0, 25.0, None]


if __name__ == "__main__":  # makes the kept drawings; look at each before it is committed
    GOLDEN.mkdir(exist_ok=True)
    for name, draw in CHARTS.items():
        for width in (PHONE_WIDTH, PAGE_WIDTH):
            (GOLDEN / f"{name}-{width:.0f}.svg").write_text(draw(width=width).svg + "\n")
