"""How far up the order of skills a piece reaches when only a rough word about it is known.

A learner who has not looked at the notes yet can still say "grade 3" or "harder than my book". Both become a *stage*: a place
in the order of skills from 1 to 10, which is an order only and is never shown. Every skill up to that stage is proposed, and
the learner takes out what the piece does not ask.

The two tables below are common practice and have no source. They err upwards: a skill too many is taken out with one tap,
one too few opens a piece too early.
"""

from collections.abc import Sequence
from dataclasses import dataclass

HIGHEST_STAGE = 10
# Stage that a printed grade reaches, grades 1 to 8.
GRADE_STAGES = {1: 4, 2: 5, 3: 6, 4: 7, 5: 8, 6: 9, 7: 10, 8: 10}
# The highest grade that the shipped skills cover: they describe the first three to four years. Above it something is
# asked that no skill names, and the piece must not open when all of them are ticked.
HIGHEST_COVERED_GRADE = 5
# Stage of the last page of a first method book, taken where the book's own units do not say it yet.
STAGE_OF_A_FIRST_BOOK = 5
# Share of a book's units that must say what is new before the book itself is believed. With fewer, the units that are
# named are the easy ones at the front.
LEAST_SHARE_NAMED = 0.5
# Stages beyond the last page: a stage is about half a year, and "harder" is commonly one year ahead, "much harder" two.
STEPS_BEYOND = {"last": 0, "harder": 2, "much": 4}


@dataclass(frozen=True, slots=True)
class Reach:
    """How far a piece reaches.

    Attributes
    ----------
    stage : int
        Propose every skill up to this stage, 1 to 10.
    is_beyond : bool
        Whether it asks for more than any skill names.
    is_guess : bool
        Whether a book's own units said too little, so that a usual book was taken.
    """

    stage: int
    is_beyond: bool = False
    is_guess: bool = False


def reach_of_grade(grade: int) -> Reach:
    """Return how far a piece of a printed grade reaches.

    Parameters
    ----------
    grade : int
        1 to 8.

    Returns
    -------
    Reach
        Its stage, and whether it goes beyond what skills name.

    Raises
    ------
    KeyError
        If there is no such grade.

    Examples
    --------
    >>> reach_of_grade(2)
    Reach(stage=5, is_beyond=False, is_guess=False)
    """
    return Reach(stage=GRADE_STAGES[grade], is_beyond=grade > HIGHEST_COVERED_GRADE)


def reach_beside_book(compare: str, *, taught_stages: Sequence[int], share_named: float) -> Reach:
    """Return how far a piece reaches that was compared with the last page of a book.

    Parameters
    ----------
    compare : str
        "last" (about like it), "harder" or "much" (much harder).
    taught_stages : sequence of int
        Stages of the skills that the book's units teach, 1 to 10.
    share_named : float
        Share of the book's units that say what is new, 0 to 1.

    Returns
    -------
    Reach
        Its stage, from the hardest skill that the book teaches; where too few units say what is new, from a usual first book
        or from the hardest skill named, whichever is higher.

    Raises
    ------
    KeyError
        If `compare` is none of the three.

    Examples
    --------
    >>> reach_beside_book("harder", taught_stages=[1, 2, 4], share_named=1.0)
    Reach(stage=6, is_beyond=False, is_guess=False)
    >>> reach_beside_book("last", taught_stages=[1], share_named=0.1)
    Reach(stage=5, is_beyond=False, is_guess=True)
    """
    is_guess = share_named < LEAST_SHARE_NAMED
    last_page = max([*taught_stages, *([STAGE_OF_A_FIRST_BOOK] if is_guess else [1])])
    stage = last_page + STEPS_BEYOND[compare]
    return Reach(stage=min(stage, HIGHEST_STAGE), is_beyond=stage > HIGHEST_STAGE, is_guess=is_guess)
