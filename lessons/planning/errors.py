"""Errors of the planning package."""


class PlanningError(Exception):
    """Base of every error raised by `lessons.planning`."""


class CandidateError(PlanningError):
    """A candidate is of no known kind, wants no time, or its key is not its own."""


class WeekError(PlanningError):
    """The week or its rules cannot be: minutes, days or limits out of range."""


class BarsError(PlanningError):
    """What was typed names no bars."""
