"""The child's first steps: lower its own limits, then do the one job it was started for."""

import errno
import json
import os
import resource
import signal
import sys
import time
from collections.abc import Callable
from importlib import import_module
from typing import Any

from lessons.media.inside.job import Job

# A line of progress is said for each hundredth done, and every two seconds on long jobs, so that whoever waits knows we live.
# That is about 20 bytes a line, 40 kB in an hour.
PROGRESS_STEP_FRAC = 0.01
PROGRESS_EVERY_S = 2.0

# prctl(2): ask for a signal when the parent dies. The value is fixed in Linux's interface.
_PR_SET_PDEATHSIG = 1


class Reporter:
    """Writes one JSON object a line to the parent."""

    def __init__(self, fd: int) -> None:
        """Report to an open descriptor."""
        self._fd = fd
        self._last_frac = 0.0
        self._last_at = time.monotonic()

    def progress(self, frac: float) -> None:
        """Say how far the job is, 0 to 1; small steps are swallowed for a while."""
        now = time.monotonic()
        if frac >= self._last_frac + PROGRESS_STEP_FRAC or now - self._last_at >= PROGRESS_EVERY_S:
            self._last_frac = max(frac, self._last_frac)
            self._last_at = now
            self._say({"progress": round(min(1.0, frac), 4)})

    def answer(self, answer: dict[str, Any]) -> None:
        """Give the result."""
        self._say({"answer": answer, "peak_bytes": _peak_bytes()})

    def failure(self, word: str) -> None:
        """Say why there is no result."""
        self._say({"failure": word})

    def _say(self, thing: dict[str, Any]) -> None:
        line = json.dumps(thing).encode() + b"\n"
        while line:
            line = line[os.write(self._fd, line) :]


def enter() -> None:
    """Read the order from the argument list, lower the limits, do the job, report."""
    order = json.loads(sys.argv[2])
    limits = order["limits"]
    _die_with_parent(int(order["parent_pid"]))
    _lower_limits(limits)
    reporter = Reporter(int(order["report_fd"]))
    try:
        answer = _worker(order["job"])(
            Job(
                source_fd=int(order["source_fd"]),
                target_fds=[int(fd) for fd in order["target_fds"]],
                other_fds=[int(fd) for fd in order["other_fds"]],
                options=order["options"],
                threads=int(limits["threads"]),
                on_progress=reporter.progress,
            )
        )
    except MemoryError:
        reporter.failure("memory")
    except OSError as error:
        if error.errno == errno.EFBIG:
            reporter.failure("bytes")
        elif error.errno == errno.ENOMEM:
            reporter.failure("memory")
        elif error.errno in (errno.ENOSPC, errno.EDQUOT):
            reporter.failure("space")
        else:
            reporter.failure(f"{type(error).__name__}: {error}")
    except Exception as error:  # noqa: BLE001 - outermost frame of a process; the parent raises it again
        reporter.failure(f"{type(error).__name__}: {error}")
    else:
        reporter.answer(answer)
    # Leave without running the codecs' own clean-up: whatever the file did to them ends here.
    os._exit(0)


def _peak_bytes() -> int:
    """Largest resident size of this process so far."""
    if sys.platform == "linux":
        # The kernel's usage record would count the parent's size, which the child had before it became itself.
        with open("/proc/self/status", encoding="ascii") as status:  # noqa: PTH123 - no need for paths here
            for line in status:
                if line.startswith("VmHWM:"):
                    return int(line.split()[1]) * 1024
    # macOS counts in bytes.
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


# Job -> module and function that does it. Only the one that is needed is loaded: the codecs alone take a tenth of a second.
JOBS = {
    "probe": ("looking", "look"),
    "copy": ("copying", "copy"),
    "poster": ("postering", "poster"),
    "picture": ("picture", "take_picture"),
    "still": ("stilling", "take_still"),
    "frames": ("listing", "list_frames"),
    "thumbnails": ("sheeting", "make_sheet"),
    "sound": ("sounding", "decode_sound"),
    "voice": ("voicing", "voice"),
}


def _worker(name: str) -> Callable[[Job], dict[str, Any]]:
    module, function = JOBS[name]
    worker: Callable[[Job], dict[str, Any]] = getattr(import_module(f"lessons.media.inside.{module}"), function)
    return worker


def _lower_limits(limits: dict[str, Any]) -> None:
    cpu_s = max(1, round(limits["cpu_s"]))
    _lower(resource.RLIMIT_CORE, 0)
    # Soft limit: SIGXCPU, which the parent recognises. Hard limit a second later: SIGKILL.
    hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
    if hard == resource.RLIM_INFINITY or hard > cpu_s:
        resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s + 1))
    signal.signal(signal.SIGXCPU, signal.SIG_DFL)
    _lower(resource.RLIMIT_FSIZE, int(limits["file_bytes"]))
    _lower(resource.RLIMIT_NOFILE, int(limits["open_files"]))
    # macOS names RLIMIT_AS but refuses to lower it.
    if sys.platform == "linux":
        _lower(resource.RLIMIT_AS, int(limits["memory_bytes"]))


def _lower(which: int, value: int) -> None:
    hard = resource.getrlimit(which)[1]
    wanted = value if hard == resource.RLIM_INFINITY else min(value, hard)
    resource.setrlimit(which, (wanted, wanted))


def _die_with_parent(parent_pid: int) -> None:
    if sys.platform != "linux":
        return
    import ctypes

    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent_pid:
        os._exit(1)
