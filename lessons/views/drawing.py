"""The takes of a clip on its length, in brackets: numbers for an SVG, in drawing units."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from lessons.media.clock import write_clock
from lessons.models import Take

# Width of the drawing, and the blank at both ends, in its own units. 360 keeps its letters legible on a phone.
WIDTH, EDGE = 360, 14
# Seconds between marks on the line: the first of these that gives eight or fewer.
MARK_EVERY_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600)
MOST_MARKS = 8
# Brackets of takes that overlap lie on rows of their own; below each other they stay this far apart.
ROW_HEIGHT = 30


class Mark(NamedTuple):
    """A mark on the line: where, and what it says."""

    x: float
    words: str


@dataclass(frozen=True, slots=True)
class Bracket:
    """A take: from where to where, on which row, and its name."""

    take: Take
    left: float
    right: float
    top: float
    name: str

    @property
    def middle(self) -> float:
        return round((self.left + self.right) / 2, 1)


@dataclass(frozen=True, slots=True)
class Strip:
    """The whole drawing, and the same in words."""

    width: int
    height: int
    line_y: float
    brackets: list[Bracket]
    marks: list[Mark]
    words: str


def take_strip(takes: Sequence[Take], *, duration_s: float) -> Strip | None:
    """Return the drawing of a clip's takes; None for a clip of unknown length."""
    if duration_s <= 0:
        return None

    def x_of(moment_s: float) -> float:
        return round(EDGE + min(moment_s / duration_s, 1.0) * (WIDTH - 2 * EDGE), 1)

    rows: list[float] = []
    placed = []
    for take in sorted(takes, key=lambda each: each.start_s):
        row = next((number for number, end_s in enumerate(rows) if end_s <= take.start_s), len(rows))
        if row == len(rows):
            rows.append(0.0)
        rows[row] = take.end_s
        placed.append((take, row))
    brackets = [
        Bracket(
            take=take,
            left=x_of(take.start_s),
            right=max(x_of(take.end_s), x_of(take.start_s) + 4),
            top=row * ROW_HEIGHT + 18,
            name=f"{take.assignment.letter}{take.number}" if take.number > 1 else take.assignment.letter,
        )
        for take, row in placed
    ]
    line_y = len(rows) * ROW_HEIGHT + 8
    step_s = next((step for step in MARK_EVERY_S if duration_s / step <= MOST_MARKS), MARK_EVERY_S[-1])
    marks = [Mark(x_of(moment), write_clock(moment)[:-2]) for moment in range(0, int(duration_s) + 1, step_s)]
    return Strip(
        width=WIDTH,
        height=line_y + 26,
        line_y=line_y,
        brackets=brackets,
        marks=marks,
        words=_in_words(placed, duration_s),
    )


def _in_words(placed: Sequence[tuple[Take, int]], duration_s: float) -> str:
    if not placed:
        return f"A clip of {write_clock(duration_s)} without takes."
    parts = [
        f"{take.assignment.letter}, take {take.number}, from {write_clock(take.start_s)} to {write_clock(take.end_s)}"
        for take, _ in placed
    ]
    return f"A clip of {write_clock(duration_s)}: {'; '.join(parts)}."
