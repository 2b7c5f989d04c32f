"""The drawn way: well-formed, complete, wrapped, safe, and said in words."""

import re
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.drawing import PAGE_WIDTH, PHONE_WIDTH, DrawingError, Station, StationState, draw_way

SVG = "{http://www.w3.org/2000/svg}"
MANY = settings(max_examples=150, derandomize=True, deadline=None)


def make_station(number: int, **changes) -> Station:
    values = {"title": f"Piece {number}", "state": StationState.OPEN, "page": str(10 + number), "book": "A"} | changes
    return Station(str(number), **values)


def parse(drawing) -> ET.Element:
    return ET.fromstring(drawing.svg)


def texts(root) -> list[str]:
    return [element.text for element in root.iter(f"{SVG}text")]


def test_each_station_shows_its_number_and_page():
    drawn = draw_way([make_station(1), make_station(2)], target="The Night Ferry")
    assert texts(parse(drawn)) == ["A", "1", "p. 11", "2", "p. 12", "The Night Ferry"]


def test_title_and_description_are_tied_to_the_picture():
    gap = Station("gap", title="Slowing", state=StationState.GAP)
    root = parse(draw_way([make_station(1), gap], target="A <b> & c", name="phone"))
    by_id = {element.get("id"): element.text for element in root.iter() if element.get("id")}
    assert root.get("role") == "img"
    assert by_id[root.get("aria-labelledby")] == "The way to A <b> & c"
    assert by_id[root.get("aria-describedby")] == "1 unit and 1 gap, in the order of the list beside this drawing."


def test_list_says_what_the_picture_shows():
    stations = [
        make_station(1, state=StationState.DONE),
        make_station(2, state=StationState.IN_WORK, page=""),
        make_station(3, state=StationState.HELD, book=""),
        Station("gap", title="Slowing and resuming", state=StationState.GAP),
    ]
    drawn = draw_way(stations, target="x")
    assert [line.text for line in drawn.lines] == [
        "A, unit 1, Piece 1, page 11: done",
        "A, unit 2, Piece 2: in work",
        "unit 3, Piece 3, page 13: held",
        "Slowing and resuming: a gap, no unit of yours teaches it",
    ]
    titles = [
        group.find(f"{SVG}title").text
        for group in parse(drawn).iter(f"{SVG}g")
        if group.find(f"{SVG}title") is not None
    ]
    assert titles == [line.text for line in drawn.lines]


def test_every_state_has_a_shape_of_its_own():
    shapes = set()
    for state in StationState:
        svg = draw_way([make_station(1, state=state)], target="x").svg
        shapes.add(re.sub(r"<title.*?</title>|<text.*?</text>|<desc.*?</desc>|class=\"way-[^\"]*\"", "", svg))
    assert len(shapes) == len(StationState)


def test_phone_has_more_rows_than_page():
    stations = [make_station(number) for number in range(20)]
    phone, page = (draw_way(stations, target="x", width=width) for width in (PHONE_WIDTH, PAGE_WIDTH))
    assert (phone.rows, page.rows) == (5, 3)
    assert phone.height > page.height


def test_book_is_named_where_it_changes_only():
    stations = [make_station(1), make_station(2), make_station(3, book="B"), make_station(4, book="B"), make_station(5)]
    letters = [text for text in texts(parse(draw_way(stations, target="x"))) if text in {"A", "B"}]
    assert letters == ["A", "B", "A"]


def test_way_without_stations_leads_straight_to_its_end():
    drawn = draw_way([], target="The Night Ferry")
    assert (drawn.rows, drawn.lines) == (1, ())
    assert "0 units" in drawn.svg


def test_only_the_last_row_ends_with_a_final_barline():
    root = parse(draw_way([make_station(number) for number in range(9)], target="x"))
    bars = [len(row.findall(f"{SVG}path[@stroke-width='4']")) for row in root.findall(f"{SVG}g")]
    assert bars == [0, 0, 1]


@pytest.mark.parametrize("width", [0, 100, -5, float("nan")])
def test_width_that_is_too_small_is_refused(width):
    with pytest.raises(DrawingError, match="wanted at least 160"):
        draw_way([], target="x", width=width)


@pytest.mark.parametrize("name", ["", "1a", 'a"b', "a b"])
def test_name_that_is_no_id_is_refused(name):
    with pytest.raises(DrawingError, match="beginning with a letter"):
        draw_way([], target="x", name=name)


anything = st.text(max_size=60)
any_station = st.builds(
    Station,
    anything,
    title=anything,
    state=st.sampled_from(StationState),
    page=anything,
    book=anything,
    is_mark=st.booleans(),
)


@MANY
@given(st.lists(any_station, max_size=12), st.text(max_size=200), st.floats(160, 900))
def test_whatever_is_written_the_drawing_is_well_formed_safe_and_within_its_edges(stations, target, width):
    drawn = draw_way(stations, target=target, width=width)
    root = parse(drawn)
    assert len(drawn.lines) == len(stations)
    allowed = {"svg", "title", "desc", "g", "path", "ellipse", "circle", "rect", "text"}
    for element in root.iter():
        assert element.tag.removeprefix(SVG) in allowed
        assert not {"style", "onload", "href", "fill", "stroke"} & element.attrib.keys()
    _, _, total, height = (float(number) for number in root.get("viewBox").split())
    assert (total, height) == pytest.approx((width, drawn.height), abs=0.1)
    for element in root.iter():
        x = element.get("x") or element.get("cx")
        if x is not None:
            assert 0 <= float(x) <= width
    for text in root.findall(f"{SVG}text"):
        assert float(text.get("y")) <= height
    assert "".join(text.text or "" for text in root.findall(f"{SVG}text")).replace(" ", "") == "".join(
        "".join(re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]", "", target).split())
    )
