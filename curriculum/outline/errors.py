"""What can be wrong with a contents list, a book table or a book file."""

from __future__ import annotations


class OutlineError(Exception):
    """Something typed or uploaded about a book could not be read.

    The message is one or two plain sentences for the learner. Where the place is known it is also held
    in ``line_number`` (pasted lists), ``row_number`` and ``column`` (tables; row 1 is the header) or
    ``path`` (book files in JSON).
    """

    def __init__(
        self,
        message: str,
        *,
        line_number: int | None = None,
        row_number: int | None = None,
        column: str = "",
        path: str = "",
    ) -> None:
        super().__init__(message)
        self.line_number = line_number
        self.row_number = row_number
        self.column = column
        self.path = path


class EmptyOutlineError(OutlineError):
    """Nothing was pasted or uploaded, or nothing in it is a unit."""


class BinaryOutlineError(OutlineError):
    """What came is not text."""


class TooLargeError(OutlineError):
    """More bytes, lines, rows, units or nesting than is accepted."""


class EncodingError(OutlineError):
    """The bytes are text in no encoding that is tried."""


class ColumnError(OutlineError):
    """A column is unknown, missing or there twice."""


class CellError(OutlineError):
    """One value is of the wrong kind; the message names where it stands."""


class PositionError(OutlineError):
    """A position is used twice, or ``after`` points at a position that the book lacks."""


class LinkError(CellError):
    """A link that is no web address."""


class DocumentError(OutlineError):
    """A JSON book file of the wrong shape; ``path`` names the place."""


class WordListError(OutlineError):
    """The list of words behind the suggestions is not of the agreed shape."""


def shown(value: object, *, most: int = 60) -> str:
    r"""The offending value, in quotes, short and on one line.

    Parameters
    ----------
    value : object
        What was found.
    most : int, optional
        Longest text shown, in characters.

    Returns
    -------
    str
        The value between straight double quotes; unprintable characters become ``?``.

    Examples
    --------
    >>> shown("two\nlines")
    '"two?lines"'
    """
    text = str(value)
    cut = text[:most] + ("…" if len(text) > most else "")
    return '"' + "".join(c if c.isprintable() else "?" for c in cut) + '"'
