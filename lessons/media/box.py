"""Running one job on one unknown file inside a child process that can do little harm.

The child is a fresh isolated interpreter with an empty environment and its own session. It gets open file descriptors, never names;
before it imports any codec it lowers its own limits for memory, processor time, file size and open files, and asks to be killed
when its parent dies. It reports JSON, one object a line, over a pipe. The parent believes none of it without checking, kills the
child at the wall clock's end, and always reaps it.
"""

import json
import os
import selectors
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from lessons.media.errors import BoxCrashError, BoxError, BoxLimitError, BoxSpaceError, UnopenableFileError
from lessons.media.limits import BoxLimits

# Folder that holds the `lessons` package. The child's interpreter is isolated and would not find it by itself.
SOURCE_ROOT = Path(__file__).resolve().parents[2]

# Most bytes read from the child. A report is under 1 kB and progress 40 kB an hour; more is nonsense.
MAX_REPORT_BYTES = 1_000_000

# How long a child may live on after closing its report, seconds, and how often we look. An interpreter with codecs loaded
# ends in a few hundredths of a second; ten seconds is for a machine under heavy load.
EXIT_GRACE_S = 10.0
EXIT_LOOK_S = 0.01

_BOOT = "import sys; sys.path.insert(0, sys.argv[1]); from lessons.media.inside.door import enter; enter()"


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxReport:
    """What came out of the box.

    Attributes
    ----------
    answer
        The child's result object, unchecked.
    peak_bytes
        Largest resident size of the child by its own word, bytes; 0 if it gave none.
    cpu_s
        Processor seconds the child used.
    """

    answer: dict[str, Any]
    peak_bytes: int
    cpu_s: float


def run_boxed(
    job: str,
    *,
    source: Path,
    targets: Sequence[Path] = (),
    others: Sequence[Path] = (),
    options: Mapping[str, Any],
    limits: BoxLimits,
    on_progress: Callable[[float], None] | None = None,
) -> BoxReport:
    """Run a job on a file in a boxed child and return what it reports.

    Parameters
    ----------
    job
        Name of a job that the child knows, see `lessons.media.inside.door`.
    source
        File to read. Opened here; the child never learns its name.
    targets
        Files to write, each made new with mode 600 and removed again unless the child answers. None may exist yet.
    others
        Further files to read, our own; opened here like ``source``.
    options
        JSON values for the job.
    limits
        What the child may use.
    on_progress
        Called with a fraction, 0 to 1, never falling. An exception from it ends the child and is passed on.

    Returns
    -------
    BoxReport
        The child's answer and what it used.

    Raises
    ------
    UnopenableFileError
        If ``source`` or one of ``others`` cannot be opened as a plain file, or one of ``targets`` cannot be made.
    BoxLimitError
        If the child used up its time, memory or file size.
    BoxCrashError
        If the child was broken by the file, or answered nonsense.
    BoxError
        If the child was ended from outside, or the disk is full.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.NamedTemporaryFile() as file:
    ...     _ = file.write(b"MThd") and file.flush()
    ...     report = run_boxed("probe", source=Path(file.name), options={}, limits=BoxLimits())
    >>> report.answer["reason"]
    'midi_broken'
    """
    source_fd = _open_plain(source)
    target_fds: list[int] = []
    other_fds: list[int] = []
    answered = False
    try:
        other_fds.extend(_open_plain(other) for other in others)
        for target in targets:
            try:
                target_fds.append(os.open(target, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
            except OSError as error:
                raise UnopenableFileError(f"cannot make {target.name}: {error.strerror}") from error
        report = _run(job, (source_fd, target_fds, other_fds), options, limits, on_progress)
        answered = True
        return report
    finally:
        for fd in (source_fd, *target_fds, *other_fds):
            os.close(fd)
        if not answered:
            for target, _ in zip(targets, target_fds, strict=False):  # only those we made
                target.unlink(missing_ok=True)


def _open_plain(path: Path) -> int:
    try:
        # O_NONBLOCK: opening a named pipe would otherwise wait for a writer.
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        raise UnopenableFileError(f"cannot open {path.name}: {error.strerror}") from error
    if not stat.S_ISREG(os.fstat(fd).st_mode):
        os.close(fd)
        raise UnopenableFileError(f"{path.name} is not a plain file")
    os.set_blocking(fd, True)
    return fd


def _run(
    job: str,
    fds: tuple[int, Sequence[int], Sequence[int]],
    options: Mapping[str, Any],
    limits: BoxLimits,
    on_progress: Callable[[float], None] | None,
) -> BoxReport:
    source_fd, target_fds, other_fds = fds
    reader_fd, writer_fd = os.pipe()
    order = json.dumps(
        {
            "job": job,
            "source_fd": source_fd,
            "target_fds": list(target_fds),
            "other_fds": list(other_fds),
            "report_fd": writer_fd,
            "parent_pid": os.getpid(),
            "limits": asdict(limits),
            "options": dict(options),
        }
    )
    deadline = time.monotonic() + limits.wall_s
    try:
        child = subprocess.Popen(
            [sys.executable, "-I", "-B", "-X", "utf8", "-c", _BOOT, str(SOURCE_ROOT), order],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={},
            cwd="/",
            pass_fds=(source_fd, *target_fds, *other_fds, writer_fd),
            start_new_session=True,
        )
    except OSError as error:
        os.close(reader_fd)
        raise BoxError(f"cannot start a child process: {error}") from error
    finally:
        os.close(writer_fd)
    usage = None
    try:
        heard = _listen(reader_fd, deadline, on_progress)
        usage = _reap(child, min(deadline, time.monotonic() + EXIT_GRACE_S))
    finally:
        os.close(reader_fd)
        if child.returncode is None:
            _kill(child)
            child.wait()
    if child.returncode != 0 or heard.answer is None or heard.failure is not None:
        raise _what_happened(child.returncode, heard.failure, limits)
    return BoxReport(
        answer=heard.answer,
        peak_bytes=heard.peak_bytes,
        cpu_s=usage.ru_utime + usage.ru_stime if usage else 0.0,
    )


@dataclass(slots=True)
class _Heard:
    """What the child said: its answer, its own word for a failure, and its size."""

    answer: dict[str, Any] | None = None
    failure: str | None = None
    peak_bytes: int = 0


def _listen(reader_fd: int, deadline: float, on_progress: Callable[[float], None] | None) -> _Heard:
    """Read lines until the child closes the pipe."""
    heard = _Heard()
    reached = 0.0
    pending = b""
    total = 0
    os.set_blocking(reader_fd, False)
    with selectors.DefaultSelector() as selector:
        selector.register(reader_fd, selectors.EVENT_READ)
        while True:
            left_s = deadline - time.monotonic()
            if left_s <= 0 or not selector.select(left_s):
                raise BoxLimitError("the child did not finish in time", spent="time")
            chunk = os.read(reader_fd, 65536)
            if not chunk:
                return heard
            total += len(chunk)
            if total > MAX_REPORT_BYTES:
                raise BoxCrashError("the child reported far too much")
            *lines, pending = (pending + chunk).split(b"\n")
            for line in lines:
                said = _parse(line)
                if isinstance(said.get("answer"), dict):
                    heard.answer = said["answer"]
                    size = said.get("peak_bytes")
                    heard.peak_bytes = size if isinstance(size, int) else 0
                elif isinstance(said.get("failure"), str):
                    heard.failure = said["failure"][:500]
                elif isinstance(said.get("progress"), int | float) and on_progress is not None:
                    reached = min(1.0, max(reached, float(said["progress"])))
                    on_progress(reached)


def _parse(line: bytes) -> dict[str, Any]:
    try:
        said = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise BoxCrashError("the child reported something that is not JSON") from error
    if not isinstance(said, dict):
        raise BoxCrashError("the child reported something that is not an object")
    return said


def _reap(child: "subprocess.Popen[bytes]", deadline: float) -> Any:
    """Wait for the child's end, keeping what it used; None if it does not end or was reaped by somebody else."""
    while True:
        try:
            pid, status, usage = os.wait4(child.pid, os.WNOHANG)
        except ChildProcessError:
            child.returncode = 0
            return None
        if pid:
            child.returncode = os.waitstatus_to_exitcode(status)
            return usage
        if time.monotonic() > deadline:
            return None
        time.sleep(EXIT_LOOK_S)


def _kill(child: "subprocess.Popen[bytes]") -> None:
    try:
        os.killpg(child.pid, signal.SIGKILL)
    except (ProcessLookupError, PermissionError):
        child.kill()


def _what_happened(returncode: int, failure: str | None, limits: BoxLimits) -> BoxError:
    """Return the error that tells how the child ended."""
    if returncode == -signal.SIGXCPU:
        return BoxLimitError(f"the child used its {limits.cpu_s:g} s of processor time", spent="time")
    if returncode == -signal.SIGXFSZ or failure == "bytes":
        return BoxLimitError(f"the child wanted to write more than {limits.file_bytes} bytes", spent="bytes")
    if failure == "memory":
        return BoxLimitError(f"the child wanted more than {limits.memory_bytes} bytes of memory", spent="memory")
    if failure == "space":
        return BoxSpaceError("there is no room left on the disk")
    if returncode in (-signal.SIGKILL, -signal.SIGTERM, -signal.SIGINT, -signal.SIGHUP):
        return BoxError(f"the child was ended from outside by signal {-returncode}")
    return BoxCrashError(f"the child ended with status {returncode} ({failure or 'no word from it'})")
