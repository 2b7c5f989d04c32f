"""Typed notes: a documented subset of the ABC standard 2.1 (December 2011), one text for each hand.

What is read
------------
* **Header**: ``X: T: C: M: L: Q: K: V: U:``. Fields that say nothing about notes (``A: B: D: F: G: H: N: O: R: S: Z: r:``) are passed over.
* **Music**: notes with accidentals, octave marks and lengths; rests ``z x Z X``; chords; ties; slurs; barlines, repeats and endings; groups
  ``(3`` and ``(p:q:r``; broken rhythm ``>`` and ``<``; grace notes; fingers ``!1!`` to ``!5!``; dynamics, hairpins, articulations and
  ornaments; ``!segno!``, ``!coda!``, ``!D.C.!``, ``!D.S.!``, ``!dacoda!``, ``!fine!``; chord symbols and texts in quotation marks; ``K: M: L: Q:``
  and ``V:`` in the middle of the music.
* **Two hands**: two voices of a file, or two boxes. A voice named or clefed as the left hand is the left hand; where that is not sure, a
  warning asks.

What is refused or warned of, never passed over in silence
----------------------------------------------------------
Macros, orders of parts (``P:ABA`` in the header), two voices in one hand (``&``, chords of unequal lengths), keys with signs of their
own, and whatever means nothing, are refused with line and column. A bar that does not hold what its time signature asks for is refused in a
box and named in a file, but for pickups and for bars split by repeats. Words to sing, lines of signs, unknown signs and further tunes are left out, and that is said.

Where this differs from the standard
------------------------------------
* An accidental holds to the end of its bar for its own octave only, as in printed music (section 11.3, which the standard calls volatile,
  says all octaves). Where another octave follows without a sign of its own, a warning names the place. ``%%propagate-accidentals`` is obeyed.
* ``(2abc`` in compound metre and the like sound as the standard says, and are printed with dots instead of a bracket where they can be.
* In a box a letter is a quarter, the metre four-four and the key C, unless the caller or the text says otherwise; empty lines are allowed.
  A whole tune (with ``X:``) in a box says everything itself, and is read as in a file.
* A chord's notes must have one length (the standard leaves unequal ones undefined).

Worked example:

>>> from curriculum.score.abc import read_two_hands
>>> score = read_two_hands("|: !1!C D E !5!G | [1 E4 :| [2 C4 |]", "|: [C,E,]4 | [1 G,,4 :| [2 C,4 |]")
>>> [(bar.number, bar.endings, bar.repeat_times) for bar in score.bars]
[('1', (), 0), ('2', (1,), 2), ('3', (2,), 0)]
>>> read_two_hands("C D E|", "")
Traceback (most recent call last):
    ...
curriculum.score.errors.TypedScoreError: Bar 1 holds 3 quarters; the time signature asks for 4.
"""

from curriculum.score.abc.checking import (
    CheckedBar,
    CheckedBoxes,
    CheckedHand,
    ComparedBar,
    check_boxes,
    check_hand,
)
from curriculum.score.abc.scoring import read_abc, read_two_hands

__all__ = [
    "CheckedBar",
    "CheckedBoxes",
    "CheckedHand",
    "ComparedBar",
    "check_boxes",
    "check_hand",
    "read_abc",
    "read_two_hands",
]
