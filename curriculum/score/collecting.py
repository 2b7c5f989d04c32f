"""Making many objects at once without looking for dead circles among them each time.

Python's collector looks through all young objects again and again while more are made. Trees of elements and notes hold no circles, so
that this finds nothing; for a file of 8 MB it takes a third of the reading time.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def uncollected() -> Iterator[None]:
    """Leave the collector off within a ``with`` statement.

    Yields
    ------
    None
        Memory that nothing refers to any more is freed as ever; only circles wait. Where threads do this side by side, the
        first one to end turns the collector on again, which is slower but right.

    Examples
    --------
    >>> with uncollected():
    ...     gc.isenabled()
    False
    """
    was_enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_enabled:
            gc.enable()
