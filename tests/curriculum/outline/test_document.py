"""Books as JSON files."""

import contextlib
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.outline import (
    BookOutline,
    DocumentError,
    EmptyOutlineError,
    EncodingError,
    OutlineError,
    SkillOutline,
    TooLargeError,
    UnitOutline,
    read_json,
    write_json,
)


def file(**unit):
    return json.dumps({"schema": 1, "book": {"title": "A", "units": [{"position": 1, "title": "One"} | unit]}})


def test_only_position_and_title_are_needed():
    assert read_json(file()) == BookOutline("A", (UnitOutline(1, "One"),))


def test_schema_is_written():
    assert json.loads(write_json(BookOutline("A")))["schema"] == 2


def skill_file(**skill):
    book = {"title": "A", "units": [], "skills": [{"slug": "own-trill", "name": "Trill"} | skill]}
    return json.dumps({"schema": 2, "book": book})


def test_skills_of_ones_own_travel_with_the_book():
    skill = SkillOutline("own-trill", "Trill", "Two keys\nin turn.", ("Even.",), "ornaments", 7, "watch", ("legato",))
    book = BookOutline("A", (UnitOutline(1, "One", teaches=("own-trill",)),), (skill,))
    assert read_json(write_json(book)) == book
    assert read_json(skill_file()).skills == (SkillOutline("own-trill", "Trill"),)


@pytest.mark.parametrize(
    ("skill", "message"),
    [
        ({"slug": "legato"}, r"book.skills\[0\]: the short name of a skill of one's own begins with own-"),
        ({"slug": "own-É"}, "is not the short name of a skill"),
        ({"name": " "}, r"book.skills\[0\]: The name is missing"),
        ({"name": "x" * 81}, "at most 80"),
        ({"definition": "x" * 601}, "at most 600"),
        ({"see_or_hear": ["x"] * 13}, "13 signs; at most 12"),
        ({"see_or_hear": "x"}, r"book.skills\[0\].see_or_hear: a list is wanted"),
        ({"stage": 11}, "stage: a whole number from 1 to 10"),
        ({"stage": True}, r"book.skills\[0\].stage: .* not true"),
        ({"gate": "open"}, 'gate: tick or watch is wanted, not "open"'),
        ({"family": "No Family"}, "is not the short name"),
        ({"needs": ["own-trill"]}, "round in a circle: own-trill needs own-trill"),
        ({"needs": ["a", "a"]}, "there twice"),
        ({"colour": "red"}, r'book.skills\[0\]: the key "colour" is not known'),
    ],
)
def test_faults_of_skills_are_refused_with_their_path(skill, message):
    with pytest.raises(DocumentError, match=message):
        read_json(skill_file(**skill))


def test_file_of_the_first_schema_has_no_skills():
    with pytest.raises(DocumentError, match='the key "skills" is not known'):
        read_json('{"schema": 1, "book": {"title": "A", "units": [], "skills": []}}')


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ("{", "not JSON: line 1"),
        ("[]", "the file: a group in braces is wanted, not a list"),
        ('{"schema": 1}', "book: this is missing"),
        ('{"schema": 3, "book": {}}', "schema: 1 or 2 is wanted, not 3"),
        ('{"schema": true, "book": {}}', "schema: 1 or 2 is wanted, not true"),
        ('{"schema": 1, "book": {"title": "A"}}', "book.units: this is missing"),
        ('{"schema": 1, "schema": 1, "book": {}}', "there twice"),
        ('{"schema": 1, "book": {"title": "A", "units": {}}}', "book.units: a list is wanted"),
        ('{"schema": NaN, "book": {}}', "NaN"),
        ('{"schema": ' + "1" * 5000 + ', "book": {}}', "too long to read"),
        (file(position="1"), r'book.units\[0\].position: a whole number from 1 to 100000 is wanted, not "1"'),
        (file(position=True), r"book.units\[0\].position: .* not true"),
        (file(position=1.0), r"book.units\[0\].position: .* not 1.0"),
        (file(title=5), r"book.units\[0\].title: text is wanted, not 5"),
        (file(title=""), r"book.units\[0\].title: The title is missing"),
        (file(colour="red"), r'book.units\[0\]: the key "colour" is not known'),
        (file(teaches=["ties", 4]), r"book.units\[0\].teaches\[1\]: text is wanted, not 4"),
        (file(after=[2]), r"book.units\[0\].after: the book has no unit at position 2"),
        (file(after="-"), r"book.units\[0\].after: a list is wanted"),
        (file(link="ftp://x"), r"book.units\[0\].link: .*http"),
    ],
)
def test_faults_are_refused_with_their_path(data, message):
    with pytest.raises(DocumentError, match=message):
        read_json(data)


def test_positions_used_twice_are_refused():
    data = (
        '{"schema": 1, "book": {"title": "A", "units": [{"position": 1, "title": "x"}, {"position": 1, "title": "y"}]}}'
    )
    with pytest.raises(DocumentError, match=r"book.units\[1\].position: 1 is already used by book.units\[0\]"):
        read_json(data)


def test_deep_long_empty_and_foreign_files_are_refused():
    with pytest.raises(TooLargeError, match="levels deep"):
        read_json("[" * 100_000)
    with pytest.raises(TooLargeError, match="kB"):
        read_json(b" " * 16_000_001)
    with pytest.raises(EmptyOutlineError):
        read_json(b"\xef\xbb\xbf \n")
    with pytest.raises(EncodingError):
        read_json(b"\xff\xfe{")


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["schema", "book", "title", "units", "skills", "slug", "position", "x"]), inner, max_size=4
        )
    ),
    max_leaves=12,
)


@given(st.one_of(st.binary(), _JSON.map(lambda value: json.dumps(value).encode())))
@settings(derandomize=True, max_examples=300, deadline=None)
def test_any_bytes_give_a_book_or_an_outline_error(data):
    with contextlib.suppress(OutlineError):
        read_json(data)
    with contextlib.suppress(OutlineError):
        read_json(b'{"schema": 2, "book": {"title": "A", "units": [' + data + b"]}}")
    with contextlib.suppress(OutlineError):
        read_json(b'{"schema": 2, "book": {"title": "A", "units": [], "skills": [' + data + b"]}}")
