"""The closed list of detectors, and which skill each asks for."""

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

from curriculum.score.demands.errors import UnknownDetectorError

DEMANDS_FILE = Path(__file__).parents[2] / "content" / "demands.csv"
# Share, 0 to 1. A demand that is less sure than this is asked, not told. A tenth lower, and syncopation, crossing hands and
# second voices would be told, which are often wrong where the staff is not the hand.
QUESTION_BELOW_SURE = 0.7


@dataclass(frozen=True, slots=True)
class Detector:
    """One thing that is looked for.

    Attributes
    ----------
    key : str
        Its stable name.
    skill : str or None
        Slug of the shipped skill that it asks for; None is beyond what skills name.
    sure_frac : float
        How often it is right, by judgement, 0 to 1.
    needs_hands : bool
        Whether it is worth little where hands are doubtful.
    note : str
        What it looks for, in short.
    """

    key: str
    skill: str | None
    sure_frac: float
    needs_hands: bool
    note: str


@cache
def detectors() -> MappingProxyType[str, Detector]:
    """Return the closed list of detectors.

    Returns
    -------
    mapping of str to Detector
        By key, in the order of the file.

    Examples
    --------
    >>> detectors()["tie"].skill
    'ties'
    """
    with DEMANDS_FILE.open(encoding="utf-8", newline="") as file:
        found = {
            row["detector"]: Detector(
                key=row["detector"],
                skill=row["skill"] or None,
                sure_frac=float(row["sure_default"]),
                needs_hands=row["needs_hands"] == "yes",
                note=row["note"],
            )
            for row in csv.DictReader(file)
        }
    return MappingProxyType(found)


def detector(key: str) -> Detector:
    """Return one detector.

    Parameters
    ----------
    key : str
        Its name.

    Returns
    -------
    Detector
        From the closed list.

    Raises
    ------
    UnknownDetectorError
        If the list does not hold it.

    Examples
    --------
    >>> detector("octave_plus_fast").skill is None
    True
    """
    try:
        return detectors()[key]
    except KeyError:
        message = f"there is no detector {key!r}; wanted one of {', '.join(detectors())}"
        raise UnknownDetectorError(message) from None


@dataclass(frozen=True, slots=True)
class Demand:
    """What a score asks of whoever plays it.

    Attributes
    ----------
    detector : str
        A key of `detectors`.
    skill : str or None
        Slug of the skill that covers it; None is beyond what skills name.
    bars : tuple of str
        Printed numbers of the bars, in order, each once.
    detail : str
        What was found, in a few plain words; may be empty.
    sure : float
        0 to 1.
    """

    detector: str
    skill: str | None
    bars: tuple[str, ...]
    detail: str
    sure: float

    @property
    def is_question(self) -> bool:
        """Whether the learner is asked instead of told."""
        return self.sure < QUESTION_BELOW_SURE


@dataclass(frozen=True, slots=True)
class Instrument:
    """What the learner plays on.

    Attributes
    ----------
    lowest_midi, highest_midi : int
        The outermost keys; 21 and 108 are those of 88 keys.
    has_pedal : bool
        Whether there is a sustaining pedal.
    """

    lowest_midi: int = 21
    highest_midi: int = 108
    has_pedal: bool = True


@dataclass(frozen=True, slots=True)
class Find:
    """What one detector found.

    Attributes
    ----------
    key : str
        A key of `detectors`.
    bars : frozenset of int
        Indices; empty means not found.
    detail : str
        A few plain words.
    sure_frac : float or None
        At most this sure here; None leaves what the list says.
    """

    key: str
    bars: frozenset[int]
    detail: str = ""
    sure_frac: float | None = None
