"""Books as a table (CSV), for spreadsheets and for keeping.

Columns
-------
``book, chapter, position, title, page, teaches, needs, after, link, new_words``, one row per unit. Only ``title`` and ``book`` are
required. ``teaches`` and ``needs`` hold short names of skills, ``after`` holds positions of units of the same book, separated by
``;``. An empty ``after`` means "after the unit before it"; ``-`` means "after nothing". Without positions, units are numbered as
they stand. A blank ``book`` cell means the book of the row above. A row with nothing but a book title is a book without units.

What is accepted
----------------
UTF-8, UTF-16 and Windows-1252 (with a doubt); commas, semicolons or tabs between cells, told by which of them splits the header
into the most known names, or by a first line ``sep=;``; columns in any order and case; blank rows. As neither skills nor positions
can hold them, a comma or a space separates a list as well as a semicolon does.

The apostrophe
--------------
Spreadsheets take a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula. On writing, a cell whose text, apostrophes in front aside,
begins with one of these or begins or ends with white space gets one apostrophe in front. On reading, exactly that one is taken off again, and
the rest stands as it is; every other cell is trimmed. So ``=1+1`` is written ``'=1+1``, ``'=1`` is written ``''=1``, and
``'Tis the season`` is written and read as it is. A lone ``-`` in ``after`` is written bare.

Worked example: a unit 3 that comes after units 1 and 2 is ``My Book,,3,The Waltz,12,simple-metre,,1;2,,``.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from curriculum.outline.book import (
    HIGHEST_POSITION,
    LONGEST_TITLE,
    MOST_IN_LIST,
    MOST_UNITS,
    BookOutline,
    UnitOutline,
    after_fault,
    check_book,
    check_text,
    unit_fault,
)
from curriculum.outline.document import read_json, write_json
from curriculum.outline.errors import (
    BinaryOutlineError,
    CellError,
    ColumnError,
    EmptyOutlineError,
    EncodingError,
    LinkError,
    OutlineError,
    PositionError,
    TooLargeError,
    shown,
)

__all__ = [
    "COLUMNS",
    "BookOutline",
    "TableLimits",
    "TableReading",
    "UnitOutline",
    "read_books",
    "read_json",
    "read_table",
    "write_books",
    "write_json",
    "write_table",
]

COLUMNS = ("book", "chapter", "position", "title", "page", "teaches", "needs", "after", "link", "new_words")
_REQUIRED = ("book", "title")
_DELIMITERS = (",", ";", "\t")
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_WHOLE_NUMBER = re.compile(r"0*[1-9][0-9]{0,8}")


@dataclass(frozen=True, slots=True)
class TableLimits:
    """How much is accepted.

    Parameters
    ----------
    most_bytes : int
        Largest file in bytes. A thousand units with notes are about 200 kB.
    most_rows : int
        Most rows, the header and blank ones counted.
    """

    most_bytes: int = 4_000_000
    most_rows: int = 20_000


@dataclass(frozen=True, slots=True)
class TableReading:
    """Books as read, and what was uncertain.

    Parameters
    ----------
    books : tuple of BookOutline
        In the order of their first rows.
    doubts : tuple of str
        Plain sentences.
    """

    books: tuple[BookOutline, ...]
    doubts: tuple[str, ...] = ()


@dataclass(slots=True)
class _Gathered:
    """Rows of one book while the table is being read."""

    title: str
    units: list[tuple[int, UnitOutline]] = field(default_factory=list)  # (row number, unit); position 0 if not given


# --- writing -------------------------------------------------------------------------------------------------


def _needs_guard(text: str) -> bool:
    rest = text.lstrip("'")
    return rest.startswith(_FORMULA) or rest.strip() != rest


def _guarded(text: str) -> str:
    return "'" + text if _needs_guard(text) else text


def _unguarded(cell: str) -> str:
    if cell.startswith("'") and _needs_guard(cell[1:]):
        return cell[1:]
    return cell.strip()


def write_table(book: BookOutline) -> str:
    """One book as CSV with a header row.

    Parameters
    ----------
    book : BookOutline
        Any that :func:`curriculum.outline.book.check_book` accepts.

    Returns
    -------
    str
        Rows ended by CR LF, cells separated by commas; :func:`read_table` gives the same book back.

    Raises
    ------
    OutlineError
        The book could not be read back: see :func:`curriculum.outline.book.check_book`.

    Examples
    --------
    >>> print(write_table(BookOutline("My Book", (UnitOutline(1, "Skips", after=()),))).splitlines()[1])
    My Book,,1,Skips,,,,-,,
    """
    return write_books((book,))


def write_books(books: Iterable[BookOutline]) -> str:
    r"""Several books as one table.

    Parameters
    ----------
    books : iterable of BookOutline
        Titles must differ.

    Returns
    -------
    str
        As :func:`write_table`; only the header if there are no books.

    Raises
    ------
    OutlineError
        A book could not be read back, or two have the same title.

    Examples
    --------
    >>> write_books([])
    'book,chapter,position,title,page,teaches,needs,after,link,new_words\r\n'
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    titles: set[str] = set()
    for book in books:
        check_book(book)
        if book.title in titles:
            raise OutlineError(f"Two books have the title {shown(book.title)}; a table cannot tell them apart.")
        titles.add(book.title)
        if not book.units:
            writer.writerow([_guarded(book.title)] + [""] * (len(COLUMNS) - 1))
        for unit in book.units:
            after = "" if unit.after is None else ";".join(map(str, unit.after)) or "-"
            writer.writerow(
                [
                    _guarded(book.title),
                    _guarded(unit.chapter),
                    str(unit.position),
                    _guarded(unit.title),
                    _guarded(unit.page),
                    ";".join(unit.teaches),
                    ";".join(unit.needs),
                    after,
                    _guarded(unit.link),
                    _guarded(unit.new_words),
                ]
            )
    return out.getvalue()


# --- reading -------------------------------------------------------------------------------------------------


def read_table(data: bytes | str, *, limits: TableLimits | None = None) -> tuple[BookOutline, ...]:
    r"""The books of a table.

    Parameters
    ----------
    data : bytes or str
        A CSV file; what is accepted is in the module docstring.
    limits : TableLimits, optional
        How much is accepted.

    Returns
    -------
    tuple of BookOutline
        In the order of their first rows, units by position.

    Raises
    ------
    OutlineError
        With the row and the column: see :func:`read_books`.

    Examples
    --------
    >>> read_table("title;book\nSkips;My Book")[0].units[0].title
    'Skips'
    """
    return read_books(data, limits=limits).books


def read_books(data: bytes | str, *, limits: TableLimits | None = None) -> TableReading:
    r"""The books of a table, with doubts about how it was read.

    Parameters
    ----------
    data : bytes or str
        A CSV file; what is accepted is in the module docstring.
    limits : TableLimits, optional
        How much is accepted.

    Returns
    -------
    TableReading
        A table with a header and no rows gives no books.

    Raises
    ------
    EmptyOutlineError
        No header.
    BinaryOutlineError
        Not text.
    EncodingError
        Text in no known encoding.
    TooLargeError
        More bytes, rows, units or list entries than allowed.
    ColumnError
        Columns that are unknown, missing or there twice; a row with more cells than the header.
    CellError
        A cell of the wrong kind (``LinkError`` for links).
    PositionError
        A position used twice or ``after`` pointing nowhere.

    Examples
    --------
    >>> read_books("book,title\nMy Book,Skips").doubts
    ()
    """
    limits = limits or TableLimits()
    size = len(data) if isinstance(data, bytes) else len(data.encode("utf-8", "surrogatepass"))
    if size > limits.most_bytes:
        raise TooLargeError(f"The file is {size // 1000} kB long; at most {limits.most_bytes // 1000} kB can be read.")
    text, doubts = _decoded(data) if isinstance(data, bytes) else (data.removeprefix("\ufeff"), ())
    if "\x00" in text:
        raise BinaryOutlineError("This looks like a spreadsheet or another file, not like a CSV table. Save it as CSV.")
    rows = _rows(text, limits)
    return TableReading(books=_books(rows), doubts=doubts)


def _decoded(data: bytes) -> tuple[str, tuple[str, ...]]:
    """Text of the bytes, and doubts about the encoding."""
    encodings: tuple[str, ...]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ("utf-16",)
    elif data.startswith(b"\xef\xbb\xbf"):
        encodings = ("utf-8-sig",)
    elif b"\x00" in data[:2000]:
        # UTF-16 without its mark: a header in plain letters has a zero in every second byte.
        head = data[: min(len(data), 64) // 2 * 2]
        evens, odds = head[0::2].count(0), head[1::2].count(0)
        if max(evens, odds) * 4 < len(head):
            raise BinaryOutlineError(
                "This looks like a spreadsheet or another file, not like a CSV table. Save it as CSV."
            )
        encodings = ("utf-16-be",) if evens > odds else ("utf-16-le",)
    else:
        encodings = ("utf-8", "cp1252")
    if data.startswith((b"PK\x03\x04", b"%PDF", b"\xd0\xcf\x11\xe0")):
        raise BinaryOutlineError("This is a spreadsheet or another file, not a CSV table. Save it as CSV.")
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        doubts: tuple[str, ...] = ()
        if encoding == "cp1252":
            place = next(i for i, byte in enumerate(data) if byte >= 0x80)
            line = data.count(b"\n", 0, place) + 1
            doubts = (
                f"The file is not UTF-8; it was read as Windows-1252. Check the letters with accents, first on line {line}.",
            )
        return text.removeprefix("\ufeff"), doubts
    raise EncodingError("The letters of this file cannot be read. Save it as CSV in UTF-8.")


def _rows(text: str, limits: TableLimits) -> list[list[str]]:
    """Cells by row, from the header on."""
    first, end, rest = _first_line(text)
    delimiter = ""
    if (found := re.fullmatch(r'\s*"?sep=(.)"?\s*', first, re.IGNORECASE)) and found[1] in _DELIMITERS:
        delimiter, text = found[1], rest
    elif re.fullmatch(r'\s*"?sep=\t?"?\s*', first, re.IGNORECASE) and end:
        delimiter, text = "\t", rest
    if not delimiter:
        delimiter = max(_DELIMITERS, key=lambda d: _known_names(text, d))
    rows: list[list[str]] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        for row in reader:
            if not rows and not any(cell.strip() for cell in row):
                continue  # blank lines above the header
            rows.append(row)
            if len(rows) > limits.most_rows:
                raise TooLargeError(f"The table has more than {limits.most_rows} rows; at most that many can be read.")
    except csv.Error as error:
        raise OutlineError(
            f"The table cannot be read near line {reader.line_num}: a cell is too long or a quotation mark is not closed ({error}).",
            line_number=reader.line_num,
        ) from error
    if not rows:
        raise EmptyOutlineError("The table is empty. Its first row must name the columns: " + ", ".join(COLUMNS) + ".")
    return rows


def _first_line(text: str) -> tuple[str, str, str]:
    found = re.search(r"\r\n|\n|\r", text)
    if found is None:
        return text, "", ""
    return text[: found.start()], found.group(), text[found.end() :]


def _known_names(text: str, delimiter: str) -> int:
    first = next((line for line in re.split(r"\r\n|\n|\r", text[:10_000]) if line.strip()), "")
    try:
        cells = next(csv.reader([first], delimiter=delimiter), [])
    except csv.Error:
        return 0
    return sum(_column_name(cell) in COLUMNS for cell in cells)


def _column_name(cell: str) -> str:
    return re.sub(r"[\s-]+", "_", cell.strip().casefold())


def _header(row: list[str]) -> list[str]:
    names = [_column_name(cell) for cell in row]
    while names and not names[-1]:
        names.pop()
    unknown = [cell.strip() for cell, name in zip(row, names, strict=False) if name not in COLUMNS]
    if unknown:
        listed = ", ".join(shown(cell) for cell in unknown[:20])
        raise ColumnError(
            f"Row 1 has columns that are not known: {listed}. The columns are: {', '.join(COLUMNS)}.",
            row_number=1,
            column=unknown[0],
        )
    for name in names:
        if names.count(name) > 1:
            raise ColumnError(f"Row 1 has the column {name} twice.", row_number=1, column=name)
    missing = [name for name in _REQUIRED if name not in names]
    if missing:
        raise ColumnError(
            f"Row 1 lacks the column {' and the column '.join(missing)}.", row_number=1, column=missing[0]
        )
    return names


def _books(rows: list[list[str]]) -> tuple[BookOutline, ...]:
    names = _header(rows[0])
    gathered: dict[str, _Gathered] = {}
    current: _Gathered | None = None
    for row_number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        if any(cell.strip() for cell in row[len(names) :]):
            raise ColumnError(
                f"Row {row_number} has {len(row)} cells, but row 1 names only {len(names)} columns. "
                "A text with the separator in it needs quotation marks around it.",
                row_number=row_number,
            )
        cells = dict.fromkeys(COLUMNS, "") | dict(zip(names, row, strict=False))
        title = _unguarded(cells["book"])
        if title.strip():
            if fault := check_text(title, what="book title", longest=LONGEST_TITLE):
                raise _cell_error(fault, row_number, "book")
            current = gathered.setdefault(title, _Gathered(title))
        elif current is None:
            raise _cell_error("The book title is missing.", row_number, "book")
        if any(cell.strip() for name, cell in cells.items() if name != "book"):
            current.units.append((row_number, _unit(cells, row_number)))
    return tuple(_book(each) for each in gathered.values())


def _cell_error(text: str, row_number: int, column: str) -> CellError:
    kind = LinkError if column == "link" else CellError
    return kind(f"Row {row_number}, column {column}: {text}", row_number=row_number, column=column)


def _unit(cells: dict[str, str], row_number: int) -> UnitOutline:
    position = 0
    if cells["position"].strip():
        position = _whole_number(cells["position"].strip(), row_number, "position")
    lists: dict[str, tuple[str, ...]] = {}
    for name in ("teaches", "needs"):
        lists[name] = tuple(dict.fromkeys(_listed(cells[name].casefold(), row_number, name)))
    after: tuple[int, ...] | None = None
    after_cell = cells["after"].strip().removeprefix("'")
    if after_cell in {"-", "–", "—"}:
        after = ()
    elif after_cell:
        after = tuple(
            dict.fromkeys(_whole_number(item, row_number, "after") for item in _listed(after_cell, row_number, "after"))
        )
        if not after:
            raise _cell_error(
                f'{shown(cells["after"])} names no unit; write positions separated by ";", or "-" for nothing.',
                row_number,
                "after",
            )
    unit = UnitOutline(
        position=position,
        title=_unguarded(cells["title"]),
        chapter=_unguarded(cells["chapter"]),
        page=_unguarded(cells["page"]),
        teaches=lists["teaches"],
        needs=lists["needs"],
        after=after,
        link=_unguarded(cells["link"]),
        new_words=_unguarded(cells["new_words"]),
    )
    if fault := unit_fault(unit):
        raise _cell_error(fault[1], row_number, fault[0])
    return unit


def _listed(cell: str, row_number: int, column: str) -> list[str]:
    items = [item for item in re.split(r"[;,\s]+", cell) if item]
    if len(items) > MOST_IN_LIST:
        raise TooLargeError(
            f"Row {row_number}, column {column}: {len(items)} entries; at most {MOST_IN_LIST} are accepted.",
            row_number=row_number,
            column=column,
        )
    return items


def _whole_number(text: str, row_number: int, column: str) -> int:
    if not _WHOLE_NUMBER.fullmatch(text) or int(text) > HIGHEST_POSITION:
        raise _cell_error(
            f"{shown(text)} is not a position; a whole number from 1 to {HIGHEST_POSITION} is wanted.",
            row_number,
            column,
        )
    return int(text)


def _book(gathered: _Gathered) -> BookOutline:
    rows = gathered.units
    if len(rows) > MOST_UNITS:
        raise TooLargeError(
            f"The book {shown(gathered.title)} has {len(rows)} units; at most {MOST_UNITS} are accepted.",
            row_number=rows[MOST_UNITS][0],
        )
    if all(not unit.position for _, unit in rows):
        rows = [(row, _placed(unit, position)) for position, (row, unit) in enumerate(rows, start=1)]
    seen: dict[int, int] = {}
    for row_number, unit in rows:
        if not unit.position:
            raise _cell_error("The position is missing.", row_number, "position")
        if unit.position in seen:
            raise PositionError(
                f"Row {row_number}, column position: {unit.position} is already used in row {seen[unit.position]} of the same book.",
                row_number=row_number,
                column="position",
            )
        seen[unit.position] = row_number
    positions = set(seen)
    for row_number, unit in rows:
        if fault := after_fault(unit, positions=positions):
            raise PositionError(f"Row {row_number}, column after: {fault}", row_number=row_number, column="after")
    units = sorted((unit for _, unit in rows), key=lambda unit: unit.position)
    return BookOutline(title=gathered.title, units=tuple(units))


def _placed(unit: UnitOutline, position: int) -> UnitOutline:
    return UnitOutline(
        position=position,
        title=unit.title,
        chapter=unit.chapter,
        page=unit.page,
        teaches=unit.teaches,
        needs=unit.needs,
        after=unit.after,
        link=unit.link,
        new_words=unit.new_words,
    )
