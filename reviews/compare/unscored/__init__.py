"""A playing of which no score is known.

The question this package answers: *from the strikes alone, how steady is the pulse, where did it stop, what was played again, how even are
the gaps where they should be equal, and does it grow louder?* It never says whether a note was right.

Conventions: time is in seconds of the clip; a *strike* is what came down together; a *unit* is the length of which the gaps between strikes
are whole numbers, and a *beat* is one or more units. Which of them somebody counts is a choice, so halves and doubles are named beside it.

What counts. A pulse needs nine strikes, of which no more than three gaps in ten fit nothing. A gap is *a stop* if it is 1.6 times the usual
one and more, costs 0.15 s, and is no likely longer note; where the same notes were played again without it, it is a stop whatever its
length. A gap exactly as long as a longer note is named as such and not alleged. *Even* is told of at least 24 notes of one value, in runs of
six gaps and more, stops taken out; long and short in turn are told as such, and each kind is held against its own. *The same stretch* is
eight strikes and more of at least four kinds, three in five of which come again.

A rhythm that somebody typed makes more of it: each gap is then held against its own written value, a longer note is no stop, the values are
compared with each other, and strikes are counted. Where a note too many or too few, or going back, shifts the playing against the rhythm,
the place is named and the rest is laid on as before. Pitches stay unknown.

Measured on rendered takes whose truth is known (made by `tests/tools/render_takes.py`, seeds 31 to 35: minuets with errors, five-finger
exercises, scales hands together, repeated keys; phone and poor recordings; heard by the net and laid by :func:`lay`, the played truth laid
likewise). Weights were looked at on playings made of numbers and on the first of three pianos; a fourth is for reporting.

===================================================  ============  ============
what                                                 three pianos  the fourth
===================================================  ============  ============
pulse within 3 % of the tempo set                    153 of 180    52 of 60
double of it (sixteenths at 60; the half is named)   12            4
between (a take that speeds up by 20 %; uneven)      9             2
none told (gaps scatter by 30 %)                     6             2
evenness told where the truth has 24 regular notes   108 of 108    35 of 36
SD off by, median of families, phone, ms             0.2           0.2 to 0.4
the same, poor                                       0.4 to 0.6    0.8 to 2.2
worst, phone / poor, ms                              2.1 / 4.9     1.8 / 3.6
SD of the truth within the interval                  all           all
stretches found / invented                           66 of 66 / 0  22 of 22 / 0
===================================================  ============  ============

Seeds 61 and 62, exercises with two stops each on two pianos: 8 of 8 found, none invented; none was invented in the takes above either.
Going back over fewer than eight strikes is not seen, and a stop as long as a longer note is found only where the same notes return
without it.

Worked example: five notes up and down at 100 a minute, twice, the second time a little slower, with a stop in the middle.

>>> from reviews.compare.measures import Trust
>>> from reviews.sound.heard import HeardNote
>>> line = [60, 62, 64, 65, 67, 65, 64, 62]
>>> heard = [HeardNote(0.6 * place, pitch) for place, pitch in enumerate(line + [60])]
>>> heard += [HeardNote(6.3 + 0.65 * place, pitch) for place, pitch in enumerate(line + [60])]
>>> laid = lay(heard, asked=Asked(bpm=96))
>>> [round(stop.at_s, 2) for stop in laid.stops], [len(each.occurrences) for each in laid.stretches]
([6.3], [2])
>>> [found.text for found in find_unscored(laid, trust=Trust()) if found.kind == "repeats"]
['You played the same 9 strikes twice, from 0:00 and 0:06. The second was 8 % slower than the first.']
"""

from reviews.compare.unscored.findings import find_unscored
from reviews.compare.unscored.laying import Asked, Laid, Stop, lay
from reviews.compare.unscored.pulse import Grid, Pulse, grid_of, pulse_of
from reviews.compare.unscored.regular import Regular, evenness_ms, regular_of, steadiness_pct
from reviews.compare.unscored.repeats import Occurrence, Stretch, stretches_of
from reviews.compare.unscored.rhythm import RhythmError, read_rhythm
from reviews.compare.unscored.striking import Strike, strikes_of
from reviews.compare.unscored.telling import UNSCORED_VERSION, unscored_json

__all__ = [
    "UNSCORED_VERSION",
    "Asked",
    "Grid",
    "Laid",
    "Occurrence",
    "Pulse",
    "Regular",
    "RhythmError",
    "Stop",
    "Stretch",
    "Strike",
    "evenness_ms",
    "find_unscored",
    "grid_of",
    "lay",
    "pulse_of",
    "read_rhythm",
    "regular_of",
    "steadiness_pct",
    "stretches_of",
    "strikes_of",
    "unscored_json",
]
