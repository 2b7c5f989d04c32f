"""End what is still running when the supervisor is gone. Run as a file, with a pipe from the supervisor as standard input.

Each line is `+GROUP` or `-GROUP`: a process group that now runs, or no longer does. When the pipe closes, whatever is still
named is asked to stop and then killed. Imports the standard library only, so that it is small and starts at once.
"""

import contextlib
import os
import signal
import sys
import time

# Seconds between asking and killing: enough for the queue server to write its last second down.
GRACE_S = 3.0
POLL_S = 0.05


def main() -> None:
    for name in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(name, signal.SIG_IGN)
    groups: set[int] = set()
    for line in sys.stdin:
        group = int(line[1:])
        if line[0] == "+":
            groups.add(group)
        else:
            groups.discard(group)
    end_groups(groups)


def end_groups(groups: set[int]) -> None:
    """Ask every group to stop, wait a little, and kill those that did not."""
    alive = {group for group in groups if _send(group, signal.SIGTERM)}
    until = time.monotonic() + GRACE_S
    while alive and time.monotonic() < until:
        time.sleep(POLL_S)
        alive = {group for group in alive if _send(group, 0)}
    for group in alive:
        _send(group, signal.SIGKILL)


def _send(group: int, signal_number: int) -> bool:
    """Send a signal to a group; return whether there was anybody to get it."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(group, signal_number)
        return True
    return False


if __name__ == "__main__":
    main()
