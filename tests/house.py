"""The whole program as a learner starts it: `manage.py up` in a data folder and on ports of its own."""

import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

from tests.waiting import wait_for

PROJECT = Path(__file__).resolve().parent.parent
# Seconds until the first page must answer. It took 6 s alone on two cores and 21 s beside much other work.
READY_S = 90.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def is_alive(process: int) -> bool:
    """Tell whether a process still does something: one that only waits to be buried does not."""
    try:
        state = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state not in "ZX"


def marked_processes(mark: str) -> list[int]:
    """Return the live processes of one run, whoever their parent is by now."""
    found = []
    for path in Path("/proc").glob("[0-9]*/environ"):
        try:
            variables = path.read_bytes().split(b"\0")
        except OSError:
            continue
        if mark.encode() in variables and is_alive(int(path.parent.name)):
            found.append(int(path.parent.name))
    return found


def children_of(process: int) -> list[int]:
    """Return the live processes that a process has started itself."""
    path = Path(f"/proc/{process}/task/{process}/children")
    return [child for child in map(int, path.read_text().split()) if is_alive(child)]


@dataclass
class House:
    """`with House(folder) as house:` starts it, waits for the first page, and stops it at the end."""

    data: Path
    environment: dict[str, str] = field(default_factory=dict)
    arguments: tuple[str, ...] = ()
    port: int = field(default_factory=free_port)
    https_port: int = field(default_factory=free_port)

    def __enter__(self) -> "House":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def console(self) -> str:
        return (self.data / "console.txt").read_text(encoding="utf-8")

    @property
    def variables(self) -> dict[str, str]:
        """The environment for any program of this house, `manage.py` commands too."""
        clean = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("KEYSLIP_", "DATABASE_URL", "BROKER_URL", "DJANGO_", "COV_"))
        }
        return clean | {"KEYSLIP_DATA": str(self.data), "PYTHONUNBUFFERED": "1"} | self.environment

    def start(self, *, is_awaited: bool = True) -> None:
        self.data.mkdir(parents=True, exist_ok=True)
        ports = ["--port", str(self.port), "--https-port", str(self.https_port)]
        with (self.data / "console.txt").open("w", encoding="utf-8") as console:
            self.process = subprocess.Popen(
                [sys.executable, "manage.py", "up", *ports, *self.arguments],
                cwd=PROJECT,
                env=self.variables,
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        if is_awaited:
            wait_for(self._is_ready_or_over, within_s=READY_S, what="“Keyslip is ready” on the console")
            assert "Keyslip is ready" in self.console, self.console

    def _is_ready_or_over(self) -> bool:
        return "Ctrl-C stops everything" in self.console or self.process.poll() is not None

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(20)
            finally:
                self.process.kill()

    def manage(self, *arguments: str) -> str:
        """Run a `manage.py` command in this house and return what it printed."""
        return subprocess.run(
            [sys.executable, "manage.py", *arguments],
            cwd=PROJECT,
            env=self.variables,
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        ).stdout

    @property
    def begin_url(self) -> str:
        found = re.search(r"http://\S+/begin/\S+/", self.console)
        assert found, self.console
        return found[0]

    @property
    def state(self) -> dict:
        return json.loads((self.data / "run" / "running.json").read_text())

    def process_of(self, name: str) -> int:
        """Return the process of one program: queue, web, worker or sweeper."""
        return wait_for(lambda: self.state["groups"].get(name), within_s=30, what=f"the {name} is running")

    def processes(self) -> list[int]:
        return marked_processes(f"KEYSLIP_RUN={self.state['mark']}")

    def status(self, path: str) -> int:
        """Return the status of a page, or 0 where nobody answers."""
        ask = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            ask.request("GET", path)
            return ask.getresponse().status
        except (OSError, http.client.HTTPException):
            return 0
        finally:
            ask.close()
