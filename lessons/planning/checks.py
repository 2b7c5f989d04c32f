"""Which skills are shown again this week, and in the playing of which unit.

A skill is not safe because its unit is done. It is ticked by right first tries on days that lie a week apart, and a book moves
on within the week; so what is not ticked yet comes back, cold, on a later sheet, and so does what is due a check, what was
claimed and must be proved, and what would otherwise hold the next unit. Playing a line of the unit that taught it shows
all the skills of that unit at once, so skills are checked together where one unit taught them.

Worked example: unit 7 taught *reading the upper staff* and *reading by distance*, and both are in work; *key names* was claimed
three weeks ago. One line shows *key names* by playing unit 1, because its claim lapses soonest; a second shows both
reading skills by playing unit 7.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from enum import IntEnum

from lessons.planning.errors import CandidateError


class CheckReason(IntEnum):
    """Why a skill is shown again; the most pressing first."""

    HOLDS_NEXT_UNIT = 1
    CLAIM_LAPSES = 2
    DUE = 3
    NOT_TICKED_YET = 4
    CLAIM_LAPSED = 5


@dataclass(frozen=True, slots=True)
class SkillToCheck:
    """A skill that should be shown again.

    Attributes
    ----------
    id : str
        Its slug.
    units : tuple of str
        Ids of done units that teach it, the one to play first named first. Empty where no unit teaches it.
    reason : CheckReason
        The most pressing reason.
    since : date
        The learner's local date that orders skills of one reason: the day a claim lapses, a check fell due, or it was last shown.
    rank : int
        Order among skills of one reason and day, lowest first (its stage).
    """

    id: str
    units: tuple[str, ...]
    reason: CheckReason
    since: date
    rank: int = 0


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One line of a sheet that shows skills again: the unit to play a line of (None: anything fitting) and the skills shown."""

    unit: str | None
    skills: tuple[str, ...]
    reason: CheckReason


# Skills that one line may be asked to show. A line of music shows one to three things that can be answered apart.
MOST_SKILLS_A_LINE = 3


def choose_checks(
    skills: Iterable[SkillToCheck], *, most_skills_a_line: int = MOST_SKILLS_A_LINE
) -> tuple[CheckLine, ...]:
    """Return the lines that would show all the skills given, the most pressing line first.

    Parameters
    ----------
    skills : iterable of SkillToCheck
        In any order, no id twice.
    most_skills_a_line : int
        Skills that one line shows at most, 1 or more.

    Returns
    -------
    tuple of CheckLine
        Each skill stands in exactly one line. Empty for no skills.

    Raises
    ------
    CandidateError
        If an id is there twice or `most_skills_a_line` is less than 1.

    Examples
    --------
    >>> names = SkillToCheck("key-names", ("u1",), CheckReason.CLAIM_LAPSES, date(2025, 3, 1))
    >>> upper = SkillToCheck("treble-reading", ("u7",), CheckReason.NOT_TICKED_YET, date(2025, 2, 20))
    >>> steps = SkillToCheck("interval-reading", ("u7", "u9"), CheckReason.NOT_TICKED_YET, date(2025, 2, 22))
    >>> [(line.unit, line.skills) for line in choose_checks([steps, names, upper])]
    [('u1', ('key-names',)), ('u7', ('treble-reading', 'interval-reading'))]
    """
    if most_skills_a_line < 1:
        raise CandidateError(f"most_skills_a_line is {most_skills_a_line}; wanted 1 or more")
    waiting = sorted(skills, key=lambda skill: (skill.reason, skill.since, skill.rank, skill.id))
    if len({skill.id for skill in waiting}) < len(waiting):
        raise CandidateError("a skill is there twice; wanted each once")
    lines = []
    while waiting:
        first = waiting[0]
        unit = first.units[0] if first.units else None
        together = [skill for skill in waiting if skill is first or (unit is not None and unit in skill.units)]
        chosen = together[:most_skills_a_line]
        lines.append(CheckLine(unit, tuple(skill.id for skill in chosen), first.reason))
        waiting = [skill for skill in waiting if skill not in chosen]
    return tuple(lines)
