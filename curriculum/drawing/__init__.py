"""The way to a piece as a picture: units as stations on lines that are read like the lines of a score.

The question this package answers: how does a way look on paper, at the width of a phone and of a page, and what does somebody
hear who cannot see it?

Conventions: places are units of the drawing, x to the right and y downwards from 0; text is about 14 units high. The picture is
one SVG element with a title and a description. Colours and fonts are the business of stylesheets: elements carry classes, never
styles. Shapes say what words say beside them: filled is done, half filled is in work, hollow is open, an arc over a dot is held,
dashed is a gap. Each picture comes with lines of text that say the same, one for each station, for a list beside it.

Worked example: two stations and a gap, on one line of a phone's width.

>>> way = draw_way(
...     [
...         Station("12", title="Both staves", state=StationState.DONE, page="32", book="A"),
...         Station("gap", title="Slowing and resuming", state=StationState.GAP),
...         Station("13", title="A tune", state=StationState.OPEN, page="34", book="A"),
...     ],
...     target="The Night Ferry",
... )
>>> way.rows
1
>>> for line in way.lines:
...     print(line.text)
A, unit 12, Both staves, page 32: done
Slowing and resuming: a gap, no unit of yours teaches it
A, unit 13, A tune, page 34: open
"""

from curriculum.drawing.way import (
    PAGE_WIDTH,
    PHONE_WIDTH,
    DrawingError,
    Station,
    StationState,
    WayDrawing,
    WayLine,
    draw_way,
)

__all__ = [
    "PAGE_WIDTH",
    "PHONE_WIDTH",
    "DrawingError",
    "Station",
    "StationState",
    "WayDrawing",
    "WayLine",
    "draw_way",
]
