"""From a written score to pictures that show every note of it."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

from curriculum.score.engraving.boxing import draw_boxed
from curriculum.score.engraving.cleaning import CleanPicture
from curriculum.score.engraving.errors import EngravingMismatchError
from curriculum.score.engraving.layout import NARROW, USUAL_LIMITS, WIDE, EngravingLimits, Layout
from curriculum.score.musicxml.writer import write_musicxml
from curriculum.score.notes import WrittenScore

# Rises whenever the same score would be drawn differently, so that pictures kept from before are not shown any more.
ENGRAVING_VERSION = 1
# Note-heads in one stretch: three or four dense pages, 0.5 s of engraving, 1 MB of pictures. With more, pages grow heavy on phones.
MOST_NOTES_DRAWN = 1_200
# What stands to the left of the first staves, and says nothing that the page does not.
_PART_NAME = re.compile(rb"<part-name>[^<]*</part-name>")


@dataclass(frozen=True, slots=True, kw_only=True)
class Engraving:
    """Pictures of a stretch of a score.

    Attributes
    ----------
    first_bar, last_bar : int
        Indices of the bars drawn.
    pages : dict of str to tuple of str
        SVG elements for a page, in order, by name of the layout.
    """

    first_bar: int
    last_bar: int
    pages: dict[str, tuple[str, ...]]


def stretches(score: WrittenScore, *, most_notes: int = MOST_NOTES_DRAWN) -> tuple[tuple[int, int], ...]:
    """Return how a score is cut so that each picture stays light.

    Parameters
    ----------
    score : WrittenScore
        Any score with bars.
    most_notes : int
        Note-heads in a stretch, at least 1; a single bar may have more.

    Returns
    -------
    tuple of tuple of int
        Indices of the first and last bar of each stretch, about equally full; one for most scores, none for a score without bars.

    Examples
    --------
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> stretches(make_pattern(Pattern(kind="scale", octaves=2, times=2)), most_notes=40)
    ((0, 7), (8, 15))
    """
    counts = [0] * len(score.bars)
    for note in score.notes:
        counts[note.bar] += 1
    cuts = -(-sum(counts) // most_notes) or 1
    wanted = sum(counts) / cuts
    found: list[tuple[int, int]] = []
    first = 0
    for bar, total in enumerate(accumulate(counts)):
        if total >= wanted * (len(found) + 1) and len(found) < cuts - 1:
            found.append((first, bar))
            first = bar + 1
    return (*found, (first, len(counts) - 1)) if first < len(counts) else tuple(found)


def engrave(
    score: WrittenScore,
    *,
    layouts: Sequence[Layout] = (NARROW, WIDE),
    bars: tuple[int, int] | None = None,
    limits: EngravingLimits = USUAL_LIMITS,
) -> Engraving:
    """Return pictures of a score, each written note in them once, or nothing.

    Parameters
    ----------
    score : WrittenScore
        What is written.
    layouts : sequence of Layout
        Pages to draw on, each with a name of its own.
    bars : tuple of int or None
        Indices of the first and the last bar to draw, 0 to the last; None draws all.
    limits : EngravingLimits
        What the engraver may use.

    Returns
    -------
    Engraving
        Pictures, by layout.

    Raises
    ------
    EngravingMismatchError
        If a note is missing in a picture, was drawn twice, or should not be there; or if bars are missing.
    EngravingError
        If there is no picture at all: too much time, memory or room, or a broken engraver.

    Examples
    --------
    >>> from curriculum.score.patterns.spec import Pattern
    >>> from curriculum.score.patterns.writing import make_pattern
    >>> drawn = engrave(make_pattern(Pattern(kind="five_finger")), layouts=(NARROW,))
    >>> len(drawn.pages["narrow"]), drawn.pages["narrow"][0].count("data-note")
    (1, 9)
    """
    first, last = bars or (0, len(score.bars) - 1)
    is_whole = (first, last) == (0, len(score.bars) - 1)
    document = _PART_NAME.sub(b"<part-name/>", write_musicxml(score))
    pictures = draw_boxed(document, layouts=layouts, bars=None if is_whole else (first, last), limits=limits)
    wanted = Counter(note.id for note in score.notes if first <= note.bar <= last)
    pages: dict[str, tuple[str, ...]] = {}
    for layout in layouts:
        drawn: Counter[str] = Counter()
        done: list[str] = []
        bar = first
        count = len(pictures[layout.name])
        for number, svg in enumerate(pictures[layout.name], start=1):
            label = "Notes" if count == 1 else f"Notes, page {number} of {count}"
            picture = CleanPicture(prefix=f"{layout.name}{number}", first_bar=bar, label=label)
            done.append(picture.rebuild(svg))
            drawn.update(picture.notes)
            bar += picture.bars
        _compare(wanted, drawn=drawn, bars_wanted=last - first + 1, bars_drawn=bar - first)
        pages[layout.name] = tuple(done)
    return Engraving(first_bar=first, last_bar=last, pages=pages)


def _compare(wanted: Counter[str], *, drawn: Counter[str], bars_wanted: int, bars_drawn: int) -> None:
    if drawn != wanted:
        raise EngravingMismatchError(
            f"The engraver drew {drawn.total()} notes where {wanted.total()} are written, so its picture is not shown."
        )
    if bars_drawn != bars_wanted:
        raise EngravingMismatchError(
            f"The engraver drew {bars_drawn} bars where {bars_wanted} are written, so its picture is not shown."
        )
