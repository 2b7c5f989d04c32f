"""What can go wrong while listening."""


class SoundError(Exception):
    """Base of every error of this package."""


class UnusableSoundError(SoundError, ValueError):
    """The sound given is not of the promised shape, rate or kind."""


class MissingModelError(SoundError):
    """The file of the net is not where it was looked for, or is none that the program can run."""
