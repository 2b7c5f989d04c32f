"""What can go wrong that is not an answer about the file."""


class MediaError(Exception):
    """Base error of this package.

    ``permanent`` says whether trying again with the same file is useless.
    """

    permanent: bool = False


class UnopenableFileError(MediaError):
    """The path cannot be opened here: it is missing, not a plain file, or not ours to read."""


class BoxError(MediaError):
    """The boxed child ended without an answer."""


class BoxLimitError(BoxError):
    """The boxed child used up its time, memory or file size."""

    permanent = True

    def __init__(self, message: str, *, spent: str) -> None:
        """Keep which limit was used up: ``time``, ``memory`` or ``bytes``."""
        super().__init__(message)
        self.spent = spent


class BoxSpaceError(BoxError):
    """There is no room left on the disk for what the boxed child writes."""


class BoxCrashError(BoxError):
    """The boxed child was broken by what it read, or answered nonsense."""

    permanent = True


class CopyError(MediaError):
    """No copy, still, sound or list could be made from a file that the probe had let through."""

    permanent = True


class ClockError(MediaError):
    """What was given is no moment of a clip."""

    permanent = True


class SamplesError(MediaError):
    """What was given is no decoded sound."""

    permanent = True
