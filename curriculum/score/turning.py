"""Which staff lies above: scores in which the hands were the other way round."""

from __future__ import annotations

from dataclasses import replace

from curriculum.score.making import sort_marks
from curriculum.score.notes import Hand, WrittenScore

_OTHER_HAND: dict[Hand | None, Hand | None] = {"right": "left", "left": "right", None: None}


def turn_staves(score: WrittenScore) -> WrittenScore:
    """Return a score of two staves with the lower one above; each note keeps its hand, its voice and its id.

    Parameters
    ----------
    score : WrittenScore
        Any score. One that has not two staves comes back as it is.

    Returns
    -------
    WrittenScore
        With warnings and source as they were.

    Examples
    --------
    >>> from fractions import Fraction
    >>> from curriculum.score.making import PlannedNote, make_score, plain_bars
    >>> score = make_score([PlannedNote(Fraction(0), Fraction(4), "C")], bars=plain_bars(1))
    >>> [(note.staff, note.hand) for note in turn_staves(score).notes]
    [(2, 'right')]
    """
    if score.staves != 2:
        return score
    return replace(
        score,
        notes=tuple(replace(note, staff=3 - note.staff) for note in score.notes),
        rests=tuple(replace(rest, staff=3 - rest.staff) for rest in score.rests),
        clefs=tuple(
            sorted(
                (replace(clef, staff=3 - clef.staff) for clef in score.clefs),
                key=lambda clef: (clef.bar, clef.offset_beat, clef.staff),
            )
        ),
        marks=sort_marks(mark if mark.staff is None else replace(mark, staff=3 - mark.staff) for mark in score.marks),
    )


def swap_hands(score: WrittenScore) -> WrittenScore:
    """Return a score of two staves in which each hand plays what the other one did, the right hand above.

    Parameters
    ----------
    score : WrittenScore
        Any score. One that has not two staves comes back as it is.

    Returns
    -------
    WrittenScore
        With the same notes and ids.

    Examples
    --------
    >>> from fractions import Fraction
    >>> from curriculum.score.making import PlannedNote, make_score, plain_bars
    >>> score = make_score([PlannedNote(Fraction(0), Fraction(4), "C")], bars=plain_bars(1))
    >>> [(note.staff, note.hand) for note in swap_hands(score).notes]
    [(2, 'left')]
    """
    if score.staves != 2:
        return score
    turned = turn_staves(score)
    return replace(turned, notes=tuple(replace(note, hand=_OTHER_HAND[note.hand]) for note in turned.notes))
