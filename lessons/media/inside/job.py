"""What the child is asked to do."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One order.

    Attributes
    ----------
    source_fd
        Open descriptor of the file to read.
    target_fds
        Open descriptors of the files to write, in the order in which the parent named them.
    other_fds
        Open descriptors of further files to read, our own, in the order in which the parent named them.
    options
        The limits and wishes of the job, JSON values.
    threads
        Threads one decoder or encoder may start.
    on_progress
        Takes the share done, 0 to 1.
    """

    source_fd: int
    target_fds: list[int]
    other_fds: list[int]
    options: dict[str, Any]
    threads: int
    on_progress: Callable[[float], None]
