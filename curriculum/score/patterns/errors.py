"""Errors of the pattern maker."""

from curriculum.score.errors import ScoreMakingError


class PatternError(ScoreMakingError):
    """A pattern asks for something that cannot be made.

    Attributes
    ----------
    name : str
        The choice that is at fault, as in `Pattern`, such as "key"; "pattern" where it is the whole.
    """

    def __init__(self, name: str, message: str) -> None:
        super().__init__(f"{name}: {message}")
        self.name = name


class KeyNameError(PatternError):
    """A tonic or mode is named that cannot be written."""
