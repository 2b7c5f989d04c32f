"""Waiting for a state instead of for a time."""

import time
from collections.abc import Callable
from typing import TypeVar

Found = TypeVar("Found")


def wait_for(ask: Callable[[], Found], *, within_s: float, what: str) -> Found:
    """Return the first true answer; fail with `what` was awaited if there is none in time."""
    until = time.monotonic() + within_s
    while True:
        found = ask()
        if found:
            return found
        if time.monotonic() > until:
            raise AssertionError(f"Not within {within_s:g} s: {what}")
        time.sleep(0.05)
