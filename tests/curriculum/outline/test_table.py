"""Books as tables."""

import contextlib
import csv
import io

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from curriculum.outline import (
    COLUMNS,
    BinaryOutlineError,
    BookOutline,
    CellError,
    ColumnError,
    EmptyOutlineError,
    EncodingError,
    LinkError,
    OutlineError,
    PositionError,
    TableLimits,
    TooLargeError,
    UnitOutline,
    read_books,
    read_json,
    read_table,
    write_books,
    write_json,
    write_table,
)

_LINE = st.text(
    st.one_of(
        st.sampled_from("'=+-@\t ;,\"|–é\u00a0"),
        st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\u2028\u2029"),
    ),
    max_size=30,
)
_TITLE = _LINE.filter(str.strip)
_SLUGS = st.lists(st.from_regex(r"[a-z0-9][a-z0-9_-]{0,10}", fullmatch=True), max_size=4, unique=True).map(tuple)


@st.composite
def books(draw):
    positions = sorted(draw(st.lists(st.integers(1, 300), max_size=6, unique=True)))
    units = []
    for position in positions:
        others = [other for other in positions if other != position]
        after = draw(
            st.none()
            | (st.lists(st.sampled_from(others), unique=True, max_size=3).map(tuple) if others else st.just(()))
        )
        units.append(
            UnitOutline(
                position,
                draw(_TITLE),
                chapter=draw(_LINE),
                page=draw(_LINE),
                teaches=draw(_SLUGS),
                needs=draw(_SLUGS),
                after=after,
                link=draw(st.sampled_from(["", "https://example.org/a;b,c?d=%20", "HTTP://example.org"])),
                new_words=draw(st.one_of(_LINE, st.sampled_from(["two\nlines", "\r\n", "\n", "a\rb", "\r=1", " x\n"]))),
            )
        )
    return BookOutline(draw(_TITLE), tuple(units))


@given(books())
@example(BookOutline("'=1", (UnitOutline(1, "'Tis", chapter="''-", page="-", after=(), new_words="'"),)))
@example(BookOutline("-", (UnitOutline(3, '=1+1;"x",', after=None),)))
@settings(derandomize=True, max_examples=120, deadline=None)
def test_written_book_reads_back_the_same(book):
    assert read_table(write_table(book)) == (book,)
    assert read_table(write_table(book).encode("utf-8-sig")) == (book,)
    assert read_table(write_table(book).encode("utf-16")) == (book,)
    assert read_json(write_json(book)) == book
    assert read_json(write_json(book).encode()) == book


@given(st.lists(books(), max_size=3, unique_by=lambda book: book.title))
@settings(derandomize=True, max_examples=60, deadline=None)
def test_several_books_read_back_the_same(several):
    assert read_table(write_books(several)) == tuple(several)


def test_python_reads_the_written_table_with_every_cell_in_place():
    book = BookOutline(
        'My "first", book; really',
        (
            UnitOutline(1, "=SUM(A1)", after=(), teaches=("ties", "rests"), new_words="a\nb"),
            UnitOutline(2, "'Tis the season", chapter="@home", page="12-13", after=(1,), link="https://example.org/"),
        ),
    )
    rows = list(csv.DictReader(io.StringIO(write_table(book), newline="")))
    assert list(rows[0]) == list(COLUMNS)
    assert rows[0]["book"] == 'My "first", book; really'
    assert rows[0]["title"] == "'=SUM(A1)"
    assert rows[0]["after"] == "-"
    assert rows[0]["teaches"] == "ties;rests"
    assert rows[0]["new_words"] == "a\nb"
    assert rows[1]["title"] == "'Tis the season"
    assert rows[1]["chapter"] == "'@home"
    assert rows[1]["after"] == "1"


@given(books())
@settings(derandomize=True, max_examples=100, deadline=None)
def test_no_written_cell_is_a_formula(book):
    for row in csv.reader(io.StringIO(write_table(book), newline="")):
        assert not any(cell.startswith(("=", "+", "@", "\t", "\r")) for cell in row)
        assert not any(cell.startswith("-") and cell != "-" for cell in row)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("lead", ["", "\ufeff", "\r\n\r\n"])
def test_each_delimiter_is_found(delimiter, lead):
    rows = [["Title", "BOOK", " Position ", "Teaches"], ["Skips", "Mine", "2", '"ties;rests"']]
    [book] = read_table(lead + "\r\n".join(delimiter.join(row) for row in rows))
    assert book == BookOutline("Mine", (UnitOutline(2, "Skips", teaches=("ties", "rests")),))


def test_line_that_names_the_separator_wins():
    [book] = read_table("sep=;\r\nbook;title;teaches\r\nMine;Skips;ties,rests\r\n")
    assert book.units == (UnitOutline(1, "Skips", teaches=("ties", "rests")),)


def test_windows_letters_are_read_with_a_doubt():
    reading = read_books("book,title\nMine,Étude\n".encode("cp1252"))
    assert reading.books[0].units[0].title == "Étude"
    assert "Windows-1252" in reading.doubts[0]
    assert "line 2" in reading.doubts[0]


def test_sixteen_bit_text_without_a_mark_is_read():
    assert read_table("book,title\nMine,Étude\n".encode("utf-16-le"))[0].units[0].title == "Étude"
    assert read_table("book,title\nMine,Étude\n".encode("utf-16-be"))[0].units[0].title == "Étude"


def test_book_is_taken_from_the_row_above_and_rows_are_grouped():
    text = "book,position,title\nA,2,Two\n,1,One\n\nB,1,Only\nA,3,Three\n"
    first, second = read_table(text)
    assert [unit.title for unit in first.units] == ["One", "Two", "Three"]
    assert second.title == "B"


def test_lone_dash_means_after_nothing_and_blank_means_the_unit_before():
    [book] = read_table("book,title,after\nA,One,-\nA,Two,\nA,Three,1;2\nA,Four,'-\n")
    assert [unit.after for unit in book.units] == [(), None, (1, 2), ()]


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        ("", EmptyOutlineError, "first row must name the columns"),
        ("sep=;\n", EmptyOutlineError, "first row must name the columns"),
        ("book,title,colour,size\nA,One,red,2", ColumnError, 'not known: "colour", "size"'),
        ("book,page\nA,3", ColumnError, "lacks the column title"),
        ("title\nOne", ColumnError, "lacks the column book"),
        ("book,title,Title\nA,One,Two", ColumnError, "column title twice"),
        ("book,title\nA,One,Two", ColumnError, "Row 2 has 3 cells"),
        ("book,title\n,One", CellError, "Row 2, column book: The book title is missing"),
        ("book,title,page\nA,One,1\nA,,2", CellError, "Row 3, column title: The title is missing"),
        ("book,title,position\nA,One,first", CellError, 'Row 2, column position: "first" is not a position'),
        ("book,title,position\nA,One,0", CellError, '"0" is not a position'),
        ("book,title,position\nA,One,1.5", CellError, '"1.5" is not a position'),
        ("book,title,position\nA,One,1\nA,Two,", CellError, "Row 3, column position: The position is missing"),
        ("book,title,position\nA,One,1\nA,Two,1", PositionError, "Row 3, column position: 1 is already used in row 2"),
        ("book,title,after\nA,One,7", PositionError, "Row 2, column after: the book has no unit at position 7"),
        ("book,title,after\nA,One,1", PositionError, "cannot come after itself"),
        ("book,title,after\nA,One,The Waltz", CellError, 'Row 2, column after: "The" is not a position'),
        ("book,title,after\nA,One,;", CellError, "names no unit"),
        ("book,title,teaches\nA,One,Thumb!", CellError, 'Row 2, column teaches: "thumb!" is not the short name'),
        ("book,title,link\nA,One,javascript:alert(1)", LinkError, "Row 2, column link: .* must begin with http"),
        ("book,title,link\nA,One,ftp://example.org", LinkError, "must begin with http"),
        ('book,title\nA,"One\nTwo"', CellError, "Row 2, column title: .* has a line end in it"),
        ('book,title\nA,"One', OutlineError, "quotation mark is not closed"),
        ("book,title\nA," + "x" * 301, CellError, "301 characters; at most 300"),
    ],
)
def test_faults_are_refused_with_their_row_and_column(text, error, message):
    with pytest.raises(error, match=message):
        read_table(text)


@pytest.mark.parametrize(
    ("data", "error"),
    [
        (b"PK\x03\x04" + bytes(100), BinaryOutlineError),
        (b"\x89PNG\r\n\x1a\n" + bytes(60) + b"IHDR", OutlineError),
        (b"book,title\nA,\x81\x8d\xff", EncodingError),
        (b"\xff\xfebo\xd8", EncodingError),
    ],
)
def test_bytes_that_are_no_table_are_refused(data, error):
    with pytest.raises(error):
        read_table(data)


def test_too_much_is_refused():
    with pytest.raises(TooLargeError, match="at most 0 kB"):
        read_table("book,title", limits=TableLimits(most_bytes=5))
    with pytest.raises(TooLargeError, match="more than 3 rows"):
        read_table("book,title\nA,1\nA,2\nA,3", limits=TableLimits(most_rows=3))
    with pytest.raises(TooLargeError, match="2001 units"):
        read_table("book,title\n" + "A,x\n" * 2001)


@pytest.mark.parametrize(
    ("book", "message"),
    [
        (BookOutline(" "), "The book title is missing"),
        (BookOutline("A", (UnitOutline(2, "x"), UnitOutline(1, "y"))), "positions must rise"),
        (BookOutline("A", (UnitOutline(1, "x\ny"),)), "line end"),
        (BookOutline("A", (UnitOutline(1, "x", after=(2,)),)), "no unit at position 2"),
        (BookOutline("A", (UnitOutline(1, "x", teaches=("a b",)),)), "short name"),
        (BookOutline("A", (UnitOutline(1, "x", teaches=("a", "a")),)), "twice"),
        (BookOutline("A", (UnitOutline(1, "\ud800"),)), "cannot be shown"),
    ],
)
def test_book_that_could_not_be_read_back_is_not_written(book, message):
    with pytest.raises(OutlineError, match=message):
        write_table(book)
    with pytest.raises(OutlineError, match=message):
        write_json(book)


def test_two_books_of_one_title_are_not_written():
    with pytest.raises(OutlineError, match="Two books have the title"):
        write_books([BookOutline("A"), BookOutline("A")])


@given(st.one_of(st.binary(), st.text().map(lambda text: ("book,title,after\n" + text).encode("utf-8", "replace"))))
@settings(derandomize=True, max_examples=300, deadline=None)
def test_any_bytes_give_books_or_an_outline_error(data):
    with contextlib.suppress(OutlineError):
        read_table(data)


_PARTS = st.sampled_from(
    [
        "book",
        "title",
        "position",
        "after",
        ",",
        ";",
        "\t",
        "\n",
        "\r\n",
        '"',
        "A",
        "1",
        "-",
        "'",
        "=",
        "sep=",
        "\x00",
        "https://[",
        "link",
        "é",
    ]
)


@given(st.lists(_PARTS, max_size=40).map("".join))
@settings(derandomize=True, max_examples=400, deadline=None)
def test_any_mixture_of_table_parts_gives_books_or_an_outline_error(text):
    for data in (text, "book,title,link,position,after\n" + text, text.encode("utf-16"), text.encode("cp1252")):
        try:
            found = read_table(data)
        except OutlineError:
            continue
        assert read_table(write_books(found)) == found
