"""Choosing what good will look and sound like: one to three dimensions for an assignment, before it is played."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lessons.planning.errors import CandidateError
from lessons.planning.week import CHECK, CORRECTION, KINDS, OLDER, PIECE, UNIT

# In the order in which they are judged: picture before sound.
DIMENSIONS = (
    "posture",
    "hand-shape",
    "notes",
    "rhythm",
    "evenness",
    "dynamics-balance",
    "articulation",
    "fluency",
    "shape",
)

# What the skills of a group are judged by, the closest first. Our inference from what the dimensions ask.
BY_GROUP: Mapping[str, tuple[str, ...]] = {
    "body": ("posture",),
    "hand": ("hand-shape", "posture"),
    "keyboard": ("notes", "fluency"),
    "reading": ("notes", "fluency"),
    "rhythm": ("rhythm", "fluency"),
    "touch": ("articulation", "evenness"),
    "dynamics": ("dynamics-balance", "shape"),
    "coordination": ("rhythm", "fluency"),
    "patterns": ("evenness", "notes"),
    "pedal": ("articulation", "shape"),
    "ornaments": ("rhythm", "evenness"),
    "musicianship": ("shape", "fluency"),
    "practice": ("fluency",),
}

# For skills of any other group, the learner's own among them: by how they are seen or heard.
BY_CHANNEL: Mapping[str, str] = {
    "audio-notes": "notes",
    "audio-timing": "rhythm",
    "audio-level": "dynamics-balance",
    "video-side": "hand-shape",
    "video-top": "hand-shape",
    "video-front": "posture",
}

# Where the skills say nothing: were the notes right, did it keep going.
IF_NOTHING_SAYS = ("notes", "fluency")

# Dimensions asked for each kind, at most. Three is the most that one listening can carry; a check is short, and a
# correction or an older piece is about one thing.
MOST_BY_KIND: Mapping[str, int] = {UNIT: 3, PIECE: 3, CHECK: 2, CORRECTION: 1, OLDER: 1}

# Marks of the four levels, worst first. One without a mark comes after what was marked 1 or 2 and before 3 and 4:
# a known weakness goes first, then what nobody has looked at yet.
WORST_LEVEL, BEST_LEVEL = 1, 4
UNMARKED_LEVEL = 2.5

# A skill's closest dimension counts this much; each following one counts one less, down to 1.
CLOSEST_WEIGHT = 3

# What a last mark of 1 or 2 adds to that: as much as one more skill that fits. More, and what a unit is about would give
# way to an old weakness that it hardly touches.
WEAK_LEVEL, WEAK_BONUS = 2, 3


@dataclass(frozen=True, slots=True)
class SkillHint:
    """What a skill says about judging: its id, its group, and how it is seen or heard."""

    id: str
    group: str
    evidence_channels: tuple[str, ...] = ()


def suggest_dimensions(
    exercised: Sequence[SkillHint], *, kind: str, last_level_by_dimension: Mapping[str, int] | None = None
) -> tuple[str, ...]:
    """Return one to three dimensions to judge an assignment by.

    Parameters
    ----------
    exercised : sequence of SkillHint
        The skills that the assignment exercises, in any order.
    kind : str
        The kind of the assignment: correction, check, unit, piece, older.
    last_level_by_dimension : mapping of str to int, optional
        The last mark of each dimension, 1 to 4. Without a mark, or *cannot tell*, it is left out.

    Returns
    -------
    tuple of str
        Ids of dimensions that fit the skills best, those marked weak among them before others; the weakest last mark
        first, of equal marks the one that fits better. One already dependable (4) is left out where another remains.
        Never empty.

    Raises
    ------
    CandidateError
        If `kind` is unknown, or a mark is not 1 to 4.

    Examples
    --------
    >>> skills = [SkillHint("legato", "touch"), SkillHint("steady-pulse", "rhythm")]
    >>> suggest_dimensions(skills, kind="unit", last_level_by_dimension={"rhythm": 2, "articulation": 3})
    ('rhythm', 'evenness', 'articulation')
    """
    if kind not in KINDS:
        raise CandidateError(f"the kind is {kind!r}; wanted one of {', '.join(KINDS)}")
    levels = last_level_by_dimension or {}
    for dimension, level in levels.items():
        if not WORST_LEVEL <= level <= BEST_LEVEL:
            raise CandidateError(f"the mark of {dimension!r} is {level}; wanted {WORST_LEVEL} to {BEST_LEVEL}")
    weights: dict[str, int] = {}
    for skill in exercised:
        for place, dimension in enumerate(_fitting(skill)):
            weights[dimension] = weights.get(dimension, 0) + max(1, CLOSEST_WEIGHT - place)
    if not weights:
        weights = {dimension: CLOSEST_WEIGHT - place for place, dimension in enumerate(IF_NOTHING_SAYS)}
    open_ones = [dimension for dimension in weights if levels.get(dimension) != BEST_LEVEL] or list(weights)
    bonus = {dimension: WEAK_BONUS for dimension, level in levels.items() if level <= WEAK_LEVEL}
    open_ones.sort(key=lambda each: (-weights[each] - bonus.get(each, 0), DIMENSIONS.index(each)))
    chosen = open_ones[: MOST_BY_KIND[kind]]
    chosen.sort(key=lambda each: (levels.get(each, UNMARKED_LEVEL), -weights[each], DIMENSIONS.index(each)))
    return tuple(chosen)


def _fitting(skill: SkillHint) -> tuple[str, ...]:
    if skill.group in BY_GROUP:
        return BY_GROUP[skill.group]
    return tuple(dict.fromkeys(BY_CHANNEL[channel] for channel in skill.evidence_channels if channel in BY_CHANNEL))
