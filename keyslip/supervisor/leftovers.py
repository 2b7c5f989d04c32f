"""What an earlier run may have left: found by a mark in the environment of its programs, never by name."""

import contextlib
import os
import signal
import subprocess
from pathlib import Path

# The variable that every program of one run carries, with a value drawn for that run.
MARK = "KEYSLIP_RUN"
# Seconds until `ps` must have answered.
_PS_TIMEOUT_S = 10


def end_leftovers(mark: str, groups: list[int]) -> int:
    """Kill the processes that carry `mark`; return how many there were.

    Without /proc (macOS) the recorded groups are killed instead, if a process in them still speaks of Keyslip: a number
    may meanwhile belong to somebody else.
    """
    processes = Path("/proc")
    if (processes / "self/environ").exists():
        wanted = f"{MARK}={mark}".encode()
        found = [int(path.parent.name) for path in processes.glob("[0-9]*/environ") if wanted in _environment(path)]
        for process in found:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.kill(process, signal.SIGKILL)
        return len(found)
    listing = subprocess.run(
        ["ps", "-axo", "pgid=,command="], capture_output=True, text=True, timeout=_PS_TIMEOUT_S, check=False
    ).stdout
    ours = {int(line.split(None, 1)[0]) for line in listing.splitlines() if "keyslip" in line.lower()}
    found = sorted(ours & set(groups))
    for group in found:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(group, signal.SIGKILL)
    return len(found)


def _environment(path: Path) -> list[bytes]:
    try:
        return path.read_bytes().split(b"\0")
    except OSError:  # gone meanwhile, or somebody else's
        return []
