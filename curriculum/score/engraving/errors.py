"""What can go wrong between a written score and its picture."""


class EngravingError(Exception):
    """A score could not be engraved. The message is plain enough to be shown."""


class EngravingLimitError(EngravingError):
    """Engraving took more time, memory or room than it may."""


class EngravingCrashError(EngravingError):
    """The engraver broke, could not be started, or answered nonsense."""


class EngravingMismatchError(EngravingError):
    """What was drawn is not what is written."""


class UncleanPictureError(EngravingError):
    """A picture that cannot be read as SVG of the kind that is expected."""
