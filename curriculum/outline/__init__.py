r"""Books as words: contents lists, book tables, book files, and skills suggested from phrases.

The questions answered: *which units are in what the learner pasted?*, *which books are in this table?*, and *which skills is this phrase about?*
Everything here is plain Python and takes text, bytes or paths; nothing knows the database. All that goes wrong is an
:class:`~curriculum.outline.errors.OutlineError` whose message is written for the learner and names the place.

Conventions: lines, rows and positions count from 1; row 1 of a table is its header. ``after`` is ``None`` for "the unit before it" and
``()`` for "nothing".

Worked example
--------------
>>> contents = read_contents("Part One\nUnit 1: Skips .... 4\nUnit 2: The Waltz, p. 6-7")
>>> book = BookOutline(
...     "First Year",
...     tuple(
...         UnitOutline(position, line.title, chapter=line.chapter, page=line.page)
...         for position, line in enumerate(contents.units, start=1)
...     ),
... )
>>> read_table(write_table(book)) == (book,)
True
>>> read_json(write_json(book)) == book
True
"""

from curriculum.outline.book import BookOutline, SkillOutline, UnitOutline, check_book
from curriculum.outline.contents import Contents, ContentsLimits, ContentsLine, ContentsWarning, read_contents
from curriculum.outline.errors import (
    BinaryOutlineError,
    CellError,
    ColumnError,
    DocumentError,
    EmptyOutlineError,
    EncodingError,
    LinkError,
    OutlineError,
    PositionError,
    TooLargeError,
    WordListError,
)
from curriculum.outline.phrases import SkillIndex, SkillWords, WordList, read_words, shipped_words, suggest_skills
from curriculum.outline.table import (
    COLUMNS,
    TableLimits,
    TableReading,
    read_books,
    read_json,
    read_table,
    write_books,
    write_json,
    write_table,
)

__all__ = [
    "COLUMNS",
    "BinaryOutlineError",
    "BookOutline",
    "CellError",
    "ColumnError",
    "Contents",
    "ContentsLimits",
    "ContentsLine",
    "ContentsWarning",
    "DocumentError",
    "EmptyOutlineError",
    "EncodingError",
    "LinkError",
    "OutlineError",
    "PositionError",
    "SkillIndex",
    "SkillOutline",
    "SkillWords",
    "TableLimits",
    "TableReading",
    "TooLargeError",
    "UnitOutline",
    "WordList",
    "WordListError",
    "check_book",
    "read_books",
    "read_contents",
    "read_json",
    "read_table",
    "read_words",
    "shipped_words",
    "suggest_skills",
    "write_books",
    "write_json",
    "write_table",
]
