"""Errors of the demands package."""

from curriculum.score.errors import ScoreError


class DemandError(ScoreError):
    """Base of every error about demands and signs."""


class UnknownDetectorError(DemandError):
    """A detector is named that the shipped list does not hold."""


class UnknownSignError(DemandError):
    """A sign is named that the shipped list does not hold."""
