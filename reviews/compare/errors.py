"""What this package refuses."""


class CompareError(ValueError):
    """The heard and the written cannot be compared; the message says why, with the offending value."""
