"""Places of what is drawn in a review, as plain numbers; templates turn them into SVG.

The question this package answers: where on the paper does a moment of a clip stand?

Conventions: times are seconds of the clip, from its common zero; places are units of the drawing, whose x grows to the
right from 0 and whose width is :data:`STRIP_WIDTH`. Colours and fonts are the business of stylesheets.

Worked example: a clip of 60 seconds is drawn 360 units wide, so that a take from 10 s to 30 s is a bracket from 60 to 180.

>>> strip = strip_of(60.0, takes=[StripTake(label="A", start_s=10.0, end_s=30.0, is_judged=True)])
>>> [(bracket.start_x, bracket.end_x) for bracket in strip.brackets]
[(60.0, 180.0)]
"""

from reviews.drawing.strip import STRIP_WIDTH, Bracket, DrawingError, Pin, Strip, StripTake, strip_of

__all__ = ["STRIP_WIDTH", "Bracket", "DrawingError", "Pin", "Strip", "StripTake", "strip_of"]
