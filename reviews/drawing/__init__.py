"""What is drawn in a review: places as plain numbers, and whole drawings as SVG with the same numbers as tables.

The questions this package answers: where on the paper does a moment of a clip stand (`strip`)? What do the gaps, the levels and the
tempo of a take look like beside what its recording can tell (`charts`)? Where in the engraved score is something to be looked at (`marked`)?

Conventions: times are seconds of the clip, from its common zero; places are units of the drawing, whose x grows to the
right from 0 and whose width is :data:`STRIP_WIDTH` or is given. Drawings name classes; colours and fonts are the business of stylesheets.
Nothing speaks by colour alone: what lies outside the floor has another shape and its number. Everything given as words is escaped.

Worked example: a clip of 60 seconds is drawn 360 units wide, so that a take from 10 s to 30 s is a bracket from 60 to 180.

>>> strip = strip_of(60.0, takes=[StripTake(label="A", start_s=10.0, end_s=30.0, is_judged=True)])
>>> [(bracket.start_x, bracket.end_x) for bracket in strip.brackets]
[(60.0, 180.0)]
"""

from reviews.drawing.charts import (
    PAGE_WIDTH,
    PHONE_WIDTH,
    Chart,
    draw_gaps,
    draw_levels,
    draw_tempo,
    noticed_ms,
    reach,
)
from reviews.drawing.marked import BarMark, ExtraMark, NoteMark, Place, PlaceMark, Shape, UnderRow, mark_score
from reviews.drawing.points import GapPoint, LevelPoint, TempoPoint
from reviews.drawing.strip import STRIP_WIDTH, Bracket, DrawingError, Pin, Strip, StripTake, strip_of

__all__ = [
    "PAGE_WIDTH",
    "PHONE_WIDTH",
    "STRIP_WIDTH",
    "BarMark",
    "Bracket",
    "Chart",
    "DrawingError",
    "ExtraMark",
    "GapPoint",
    "LevelPoint",
    "NoteMark",
    "Pin",
    "Place",
    "PlaceMark",
    "Shape",
    "Strip",
    "StripTake",
    "TempoPoint",
    "UnderRow",
    "draw_gaps",
    "draw_levels",
    "draw_tempo",
    "mark_score",
    "noticed_ms",
    "reach",
    "strip_of",
]
