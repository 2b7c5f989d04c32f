"""Keeps programs running until told to stop."""

import contextlib
import fcntl
import json
import os
import secrets
import select
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import IO

from keyslip.data import private_folder, write_private
from keyslip.supervisor import guard
from keyslip.supervisor.leftovers import MARK, end_leftovers
from keyslip.supervisor.programs import Program

_HERE = Path(__file__).parent

# Seconds before a program that died is started again: at once the first time, then doubled up to the most, so that a fault
# that stays does not fill the console. A program that ran for the steady time counts as well again.
FIRST_DELAY_S, MOST_DELAY_S, STEADY_S = 0.25, 30.0, 60.0
# Seconds from asking to killing when all stops. Together they stay below ten: web, worker and sweeper first (a job in hand is
# given this long and otherwise done again at the next start), then the queue server, which writes its last second down.
STOP_S, STOP_FOUNDATION_S = 5.0, 3.0
# Seconds until the queue server listens; it took under 0.1 s on two busy cores.
FOUNDATION_S = 10.0
# Seconds between two looks at everything; a death or a signal is noticed at once.
LOOK_S = 0.2
# Seconds between two calls of `every_minute`.
MINUTE_S = 60.0


class SupervisorError(Exception):
    """The programs cannot be run."""


class AlreadyRunningError(SupervisorError):
    """Another supervisor has this data folder."""


@dataclass(slots=True)
class _Running:
    """One program and its fate so far."""

    program: Program
    process: "subprocess.Popen[bytes] | None" = None
    started_at: float = 0.0
    start_at: float = 0.0
    delay_s: float = FIRST_DELAY_S


@dataclass(slots=True)
class Supervisor:
    """Runs `programs` with their process groups written down in `folder`.

    `is_ready` is asked until it says yes; then `on_ready` is called once. `every_minute` may return programs to run in the
    place of those of the same name.
    """

    programs: Sequence[Program]
    folder: Path
    say: Callable[[str], None]
    is_ready: Callable[[], bool] = lambda: True
    on_ready: Callable[[], None] = lambda: None
    every_minute: Callable[[], Sequence[Program]] = tuple
    working_folder: Path | None = None
    _mark: str = field(default_factory=lambda: secrets.token_hex(16))
    _running: list[_Running] = field(default_factory=list)
    _stops: int = 0
    _guard: "subprocess.Popen[bytes] | None" = None
    _lock: "IO[str] | None" = None
    _bell: int = -1

    def run(self) -> None:
        """Run until SIGINT, SIGTERM or SIGHUP, then stop everything.

        Raises
        ------
        AlreadyRunningError
            If another supervisor runs with the same folder.
        """
        self._take_folder()
        bell, ring = os.pipe()
        for end in (bell, ring):
            os.set_blocking(end, False)
        self._bell = bell
        signals = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGCHLD)
        before = {name: signal.signal(name, self._on_signal) for name in signals}
        bell_before = signal.set_wakeup_fd(ring, warn_on_full_buffer=False)
        try:
            self._start_guard()
            self._running = [_Running(program) for program in self.programs]
            self._start_foundations()
            self._look_after()
        finally:
            self._stop_all()
            signal.set_wakeup_fd(bell_before)
            for name, handler in before.items():
                signal.signal(name, handler)
            os.close(bell)
            os.close(ring)
            self._leave_folder()

    # The folder: one supervisor at a time, and what the last one left is ended first.

    def _take_folder(self) -> None:
        private_folder(self.folder)
        self._lock = (self.folder / "lock").open("a")
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            self._lock.close()
            raise AlreadyRunningError("Keyslip is running already with this data folder.") from error
        try:
            last = json.loads((self.folder / "running.json").read_text(encoding="utf-8"))
            ended = end_leftovers(str(last["mark"]), [int(group) for group in last["groups"].values()])
        except (FileNotFoundError, ValueError, KeyError, AttributeError, TypeError):
            ended = 0
        if ended:
            self.say(f"Ended {ended} programs that the last run had left.")

    def _leave_folder(self) -> None:
        (self.folder / "running.json").unlink(missing_ok=True)
        if self._lock:
            self._lock.close()

    def _write_down(self) -> None:
        groups = {one.program.name: one.process.pid for one in self._running if one.process}
        state = {"supervisor": os.getpid(), "mark": self._mark, "groups": groups}
        write_private(self.folder / "running.json", json.dumps(state).encode())

    # The guard.

    def _start_guard(self) -> None:
        self._guard = subprocess.Popen(
            [sys.executable, "-I", str(_HERE / "guard.py")],
            stdin=subprocess.PIPE,
            start_new_session=True,
            env={**os.environ, MARK: self._mark},
        )
        for one in self._running:
            if one.process:
                self._tell_guard("+", one.process.pid)

    def _tell_guard(self, sign: str, group: int) -> None:
        if self._guard and self._guard.stdin:
            with contextlib.suppress(BrokenPipeError):
                self._guard.stdin.write(f"{sign}{group}\n".encode())
                self._guard.stdin.flush()

    # One program.

    def _start(self, one: _Running) -> None:
        if one.program.socket:
            # A server killed outright leaves its socket's name behind, and another program must not own the folder.
            private_folder(one.program.socket.parent)
            if one.program.socket.parent.stat().st_uid != os.getuid():
                raise SupervisorError(f"{one.program.socket.parent} belongs to somebody else.")
            one.program.socket.unlink(missing_ok=True)
        one.process = subprocess.Popen(
            [sys.executable, "-I", str(_HERE / "launch.py"), str(os.getpid()), *one.program.command],
            stdin=subprocess.DEVNULL,
            cwd=self.working_folder,
            env={**os.environ, **one.program.environment, MARK: self._mark},
            start_new_session=True,
        )
        one.started_at = time.monotonic()
        self._tell_guard("+", one.process.pid)
        self._write_down()

    def _bury(self, one: _Running) -> None:
        """Clear up after a program whose first process has ended: whatever it started ends with it."""
        if one.process:
            _signal_group(one.process.pid, signal.SIGKILL)
            self._tell_guard("-", one.process.pid)
            one.process = None

    def _start_foundations(self) -> None:
        for one in self._running:
            if not one.program.is_foundation:
                continue
            self._start(one)
            until = time.monotonic() + FOUNDATION_S
            while one.program.socket and not _answers(one.program.socket) and not self._stops:
                if time.monotonic() > until:
                    raise SupervisorError(f"The {one.program.name} server did not start within {FOUNDATION_S:.0f} s.")
                if one.process is None or one.process.poll() is not None:
                    raise SupervisorError(
                        f"The {one.program.name} server ended at once; its log in the data folder says why."
                    )
                time.sleep(0.02)

    # All programs.

    def _look_after(self) -> None:
        was_ready, minute_at = False, time.monotonic() + MINUTE_S
        while not self._stops:
            now = time.monotonic()
            for one in self._running:
                self._look_at(one, now)
            if self._guard and self._guard.poll() is not None:
                self._start_guard()
            if not was_ready and self.is_ready():
                was_ready = True
                self.on_ready()
            if now >= minute_at:
                minute_at = now + MINUTE_S
                for program in self.every_minute():
                    self._replace(program)
            self._wait(LOOK_S)

    def _look_at(self, one: _Running, now: float) -> None:
        if one.process is None:
            if now >= one.start_at:
                self._start(one)
            return
        status = one.process.poll()
        if status is None:
            return
        self._bury(one)
        if now - one.started_at > STEADY_S:
            one.delay_s = FIRST_DELAY_S
        one.start_at, wait_s = now + one.delay_s, one.delay_s
        one.delay_s = min(2 * one.delay_s, MOST_DELAY_S)
        how = f"by signal {-status}" if status < 0 else f"with status {status}"
        self.say(f"The {one.program.name} ended {how}; starting it again in {wait_s:g} s.")

    def _replace(self, program: Program) -> None:
        for one in self._running:
            if one.program.name == program.name:
                self._stop([one], STOP_S)
                one.program, one.start_at = program, 0.0

    def _stop_all(self) -> None:
        foundations = [one for one in self._running if one.program.is_foundation]
        self._stop([one for one in self._running if one not in foundations], STOP_S)
        self._stop(foundations, STOP_FOUNDATION_S)
        if self._guard and self._guard.stdin:
            self._guard.stdin.close()
            self._guard.wait(guard.GRACE_S + 1)

    def _stop(self, those: Sequence[_Running], patience_s: float) -> None:
        """Ask, wait, kill. A second Ctrl-C ends the waiting."""
        until, asked = time.monotonic() + patience_s, self._stops
        for one in those:
            if one.process:
                _signal_process(one.process, signal.SIGTERM)
        while any(one.process and one.process.poll() is None for one in those):
            if time.monotonic() > until or self._stops > max(asked, 1):
                break
            self._wait(0.05)
        for one in those:
            if one.process:
                _signal_group(one.process.pid, signal.SIGKILL)
                one.process.wait()
                self._bury(one)

    # Signals.

    def _on_signal(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        if number != signal.SIGCHLD:
            self._stops += 1

    def _wait(self, seconds: float) -> None:
        """Wait, but not past a signal."""
        if select.select([self._bell], [], [], seconds)[0]:
            with contextlib.suppress(BlockingIOError):
                os.read(self._bell, 4096)


def _signal_process(process: "subprocess.Popen[bytes]", number: signal.Signals) -> None:
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(number)


def _signal_group(group: int, number: signal.Signals) -> None:
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(group, number)


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(path))
        except OSError:
            return False
    return True
