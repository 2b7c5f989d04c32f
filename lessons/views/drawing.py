"""A clip on its length: its takes in brackets, the outline of its sound, small pictures. Numbers for SVG, in drawing units."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NamedTuple

from lessons.media.clock import write_clock
from lessons.models import Take

# Width of the drawing, and the blank at both ends, in its own units. 360 keeps its letters legible on a phone.
WIDTH, EDGE = 360, 14
# Seconds between marks on the line: the first of these that gives eight or fewer.
MARK_EVERY_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600)
MOST_MARKS = 8
# The outline of a sound: its height, and the least height of what is drawn, so that silence is a line.
OUTLINE_HEIGHT, OUTLINE_LEAST = 56, 0.8
# The quietest loudest moment, of 127, that is drawn at full height. Below it there is hardly anything but the room.
OUTLINE_QUIET = 4
# Small pictures shown of one clip: two rows on a phone, one on a desk.
MOST_PICTURES = 8
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


@dataclass(frozen=True, slots=True)
class Tile:
    """One small picture: its place on the sheet, in pixels, and its moment."""

    x: int
    y: int
    at_s: float

    @property
    def words(self) -> str:
        return write_clock(self.at_s)


@dataclass(frozen=True, slots=True)
class Sheet:
    """Some small pictures of a clip: the size of each and of the whole sheet they are cut from, in pixels."""

    tile_width: int
    tile_height: int
    width: int
    height: int
    tiles: list[Tile]


def sound_outline(peaks: bytes) -> str:
    """Return the outline of a sound as one SVG path, as wide as the drawing of takes; empty for no sound.

    `peaks` are signed bytes, lowest and highest value of each hundredth of a second in turn. What is loudest fills the height,
    for the drawing is to find places by, not to compare clips.
    """
    values = memoryview(peaks).cast("b")
    pairs = len(values) // 2
    if not pairs:
        return ""
    lows, highs = values[0 : 2 * pairs : 2], values[1 : 2 * pairs : 2]
    columns = min(WIDTH, pairs)
    edges = [number * pairs // columns for number in range(columns + 1)]
    below = [-min(lows[start:end]) for start, end in pairwise(edges)]
    above = [max(highs[start:end]) for start, end in pairwise(edges)]
    scale = OUTLINE_HEIGHT / 2 / max(OUTLINE_QUIET, *above, *below)
    upper, lower = (
        [
            f"{(number + 0.5) * WIDTH / columns:.1f} {OUTLINE_HEIGHT / 2 + side * max(OUTLINE_LEAST, value * scale):.1f}"
            for number, value in enumerate(values)
        ]
        for side, values in ((-1, above), (1, below))
    )
    return f"M{'L'.join([*upper, *reversed(lower)])}Z"


def small_pictures(strip: Mapping[str, Any]) -> Sheet | None:
    """Return some of a clip's small pictures, evenly spread; None where there are fewer than two."""
    count = int(strip.get("count", 0))
    if count < 2:
        return None
    shown = min(MOST_PICTURES, count)
    columns, width, height = (int(strip[name]) for name in ("columns", "tile_width", "tile_height"))
    places = [round(number * (count - 1) / (shown - 1)) for number in range(shown)]
    return Sheet(
        tile_width=width,
        tile_height=height,
        width=columns * width,
        height=int(strip["rows"]) * height,
        tiles=[
            Tile(place % columns * width, place // columns * height, float(strip["times_s"][place])) for place in places
        ],
    )


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
