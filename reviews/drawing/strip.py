"""The strip of a clip: a line from its start to its end, takes in brackets above it, notes as pins."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

# Units; the width for which all drawings are made, so that text stays legible on a phone without sideways scrolling.
STRIP_WIDTH = 360.0
# Units; side of the boxed letter over a bracket. Below 20 the letter is smaller than the text around it.
LETTER_SIDE = 22.0
# Units between two letters. Less, and they run together on a phone.
LETTER_GAP = 4.0
# Units; a bracket is never drawn narrower, so that a very short take can be seen.
LEAST_BRACKET = 4.0


class DrawingError(ValueError):
    """A drawing cannot be made of these numbers."""


@dataclass(frozen=True, slots=True)
class StripTake:
    """A take as it goes into the drawing.

    Attributes
    ----------
    label : str
        The letter of its assignment.
    start_s, end_s : float
        Seconds of the clip; the end lies after the start.
    is_judged : bool
        Whether this is the take that is judged now; it is drawn heavily and its letter is always shown.
    """

    label: str
    start_s: float
    end_s: float
    is_judged: bool = False


@dataclass(frozen=True, slots=True)
class Bracket:
    """A take on the paper.

    Attributes
    ----------
    label : str
        The letter.
    start_x, end_x : float
        Units, 0 to `STRIP_WIDTH`; the end lies at least `LEAST_BRACKET` after the start.
    letter_x : float or None
        Left edge of the boxed letter; None where there is no room for it.
    is_judged : bool
        As in `StripTake`.
    """

    label: str
    start_x: float
    end_x: float
    letter_x: float | None
    is_judged: bool

    @property
    def text_x(self) -> float:
        """Middle of the boxed letter; the middle of the bracket where the letter has no room."""
        left = self.letter_x if self.letter_x is not None else (self.start_x + self.end_x - LETTER_SIDE) / 2
        return left + LETTER_SIDE / 2


@dataclass(frozen=True, slots=True)
class Pin:
    """A note on the paper: where it stands, in units, 0 to `STRIP_WIDTH`."""

    x: float


@dataclass(frozen=True, slots=True)
class Strip:
    """A whole strip: brackets by their start, pins by their place."""

    brackets: tuple[Bracket, ...]
    pins: tuple[Pin, ...]


def strip_of(duration_s: float, *, takes: Iterable[StripTake] = (), moments_s: Sequence[float] = ()) -> Strip:
    """Return where the takes and the pinned moments of a clip stand.

    Parameters
    ----------
    duration_s : float
        Seconds from the start of the clip to its end, above 0.
    takes : iterable of StripTake
        In any order. What lies beyond the clip is drawn at its edge.
    moments_s : sequence of float
        Seconds of the clip, in any order. What lies beyond the clip is drawn at its edge.

    Returns
    -------
    Strip
        Empty tuples where nothing was given. Letters that would run into one another are left out, never the judged one.

    Raises
    ------
    DrawingError
        If the duration is not a number above 0, or a take ends before it starts.

    Examples
    --------
    >>> strip_of(10.0, moments_s=[5.0]).pins
    (Pin(x=180.0),)
    """
    if not (math.isfinite(duration_s) and duration_s > 0):
        raise DrawingError(f"duration_s is {duration_s}; wanted a number above 0")
    ordered = sorted(takes, key=lambda take: (take.start_s, take.end_s, take.label))
    for take in ordered:
        if take.end_s <= take.start_s:
            raise DrawingError(f"take {take.label} ends at {take.end_s} s; wanted after its start, {take.start_s} s")

    def place(at_s: float) -> float:
        return round(min(max(at_s / duration_s, 0.0), 1.0) * STRIP_WIDTH, 1)

    # The judged letters first: the others give way to them.
    letters = [_letter_left(place(take.start_s)) for take in ordered if take.is_judged]
    brackets: list[Bracket] = []
    for take in ordered:
        start_x = min(place(take.start_s), STRIP_WIDTH - LEAST_BRACKET)
        left = _letter_left(start_x)
        has_room = take.is_judged or all(abs(left - other) >= LETTER_SIDE + LETTER_GAP for other in letters)
        if has_room and not take.is_judged:
            letters.append(left)
        brackets.append(
            Bracket(
                label=take.label,
                start_x=start_x,
                end_x=max(place(take.end_s), start_x + LEAST_BRACKET),
                letter_x=left if has_room else None,
                is_judged=take.is_judged,
            )
        )
    return Strip(brackets=tuple(brackets), pins=tuple(Pin(x=place(at_s)) for at_s in sorted(moments_s)))


def _letter_left(start_x: float) -> float:
    """Return the left edge of a boxed letter that stands over the start of a bracket, within the paper."""
    return min(max(start_x, 1.0), STRIP_WIDTH - LETTER_SIDE - 1.0)
