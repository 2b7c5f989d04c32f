"""Numbers and words as they may stand in a drawing."""

import re
from html import escape

from reviews.drawing.strip import DrawingError

# What may not stand in XML, whatever it is escaped to.
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff\ud800-\udfff]")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
# A minus as print has it; a hyphen is too short beside a plus.
MINUS = "\u2212"


def number(value: float) -> str:
    """Return a place on the paper, to a tenth of a unit.

    Parameters
    ----------
    value : float
        Units.

    Returns
    -------
    str
        Without needless noughts.

    Examples
    --------
    >>> number(12.04), number(-0.04)
    ('12', '0')
    """
    text = f"{value:.1f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def words(text: str) -> str:
    r"""Return words that may stand in an SVG in a page.

    Parameters
    ----------
    text : str
        Anything; not escaped.

    Returns
    -------
    str
        Escaped, on one line, without what no document may hold.

    Examples
    --------
    >>> words("<b> &\n c")
    '&lt;b&gt; &amp; c'
    """
    return escape(" ".join(_FORBIDDEN.sub("", text).split()))


def signed(value: float, *, places: int) -> str:
    """Return a difference with its sign.

    Parameters
    ----------
    value : float
        Any unit.
    places : int
        Digits after the point.

    Returns
    -------
    str
        Nothing has no sign.

    Examples
    --------
    >>> signed(22.4, places=0), signed(-1.25, places=1), signed(-0.01, places=1)
    ('+22', '−1.2', '0.0')
    """
    text = f"{abs(value):.{places}f}"
    return text if not float(text) else f"{'+' if value > 0 else MINUS}{text}"


def checked_name(name: str) -> str:
    """Return a name with which ids in a drawing may begin.

    Parameters
    ----------
    name : str
        Letters, digits, ``-`` and ``_``, beginning with a letter.

    Returns
    -------
    str
        The same.

    Raises
    ------
    DrawingError
        If it is no such name.

    Examples
    --------
    >>> checked_name("gaps-right")
    'gaps-right'
    """
    if not _NAME.fullmatch(name):
        raise DrawingError(f"name is {name!r}; wanted letters, digits, - and _, beginning with a letter")
    return name
