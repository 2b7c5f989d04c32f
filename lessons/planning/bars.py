"""Bars as a learner types them, and as a sentence says them."""

import re

from lessons.planning.errors import BarsError

# Bars of one piece. A longer number is a slip of the finger: the longest pieces of the repertoire stay under 2,000.
MOST_BARS = 9999

_RANGE = re.compile(r"(\d{1,6})\s*(?:(?:-|–|—|to)\s*(\d{1,6}))?")
_BETWEEN = re.compile(r"\s*(?:,|;|\+|&|\band\b)\s*")
_WORD = re.compile(r"^(?:bars?|b\.|mm?\.|measures?)\s*", re.IGNORECASE)


def read_bars(text: str) -> tuple[tuple[int, int], ...]:
    """Return the ranges of bars that `text` names.

    Parameters
    ----------
    text : str
        Bar numbers and ranges such as ``5-8, 12``, ``bars 5 to 8 and 12`` or ``5–8``; any case, any blanks.

    Returns
    -------
    tuple of (int, int)
        First and last bar of each range, as typed: in the learner's order, 0 (a pickup) to `MOST_BARS`. Empty for a blank text.

    Raises
    ------
    BarsError
        If a part is no bar or range, a range runs backwards, or a number is over `MOST_BARS`.

    Examples
    --------
    >>> read_bars("Bars 5–8, 12")
    ((5, 8), (12, 12))
    """
    plain = _WORD.sub("", text.strip())
    if not plain:
        return ()
    ranges = []
    for part in _BETWEEN.split(plain):
        found = _RANGE.fullmatch(part.strip().lower())
        if found is None:
            raise BarsError(f"“{part.strip()}” names no bars. Write numbers and ranges, such as 5-8, 12.")
        first, last = int(found[1]), int(found[2] or found[1])
        if max(first, last) > MOST_BARS:
            raise BarsError(f"Bar {max(first, last)} is more than a piece has. Write bars up to {MOST_BARS}.")
        if last < first:
            raise BarsError(f"“{part.strip()}” runs backwards. Write the smaller bar first, such as {last}-{first}.")
        ranges.append((first, last))
    return tuple(ranges)


def write_bars(ranges: tuple[tuple[int, int], ...]) -> str:
    """Return ranges of bars the short way.

    Parameters
    ----------
    ranges : tuple of (int, int)
        First and last bar of each range.

    Returns
    -------
    str
        What `read_bars` reads back as the same; empty for no ranges.

    Examples
    --------
    >>> write_bars(((5, 8), (12, 12)))
    '5-8, 12'
    """
    return ", ".join(str(first) if first == last else f"{first}-{last}" for first, last in ranges)


def bars_in_words(text: str) -> str:
    """Return bars as they stand in a sentence.

    Parameters
    ----------
    text : str
        Bars as typed. What `read_bars` refuses stays as it is.

    Returns
    -------
    str
        For example “bars 5 to 8 and 12”; empty for a blank text.

    Examples
    --------
    >>> bars_in_words("5-8, 12"), bars_in_words("3"), bars_in_words("the ending")
    ('bars 5 to 8 and 12', 'bar 3', 'the ending')
    """
    try:
        ranges = read_bars(text)
    except BarsError:
        return text.strip()
    if not ranges:
        return ""
    parts = [str(first) if first == last else f"{first} to {last}" for first, last in ranges]
    word = "bar" if len(ranges) == 1 and ranges[0][0] == ranges[0][1] else "bars"
    listed = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"{word} {listed}"
