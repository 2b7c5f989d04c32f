"""The programs of one house, as command lines."""

import sys
from dataclasses import dataclass, field
from pathlib import Path

# Threads that answer pages. With eight, eight readers that also write were served without an error on SQLite; more threads
# only queue behind its one writer. A long upload holds one of them.
WEB_THREADS = 8
# Jobs at the same time. Copying a clip uses every core by itself, and the pages shall stay quick meanwhile.
WORKER_JOBS = 1
# Jobs until the worker's child is renewed, so that memory lost in a decoder does not add up.
WORKER_JOBS_PER_CHILD = 50
# Seconds between two rounds of the sweeper: a job whose worker died waits for its lease (30 s) and then at most this.
SWEEP_EVERY_S = 5


@dataclass(frozen=True, slots=True)
class Ports:
    """The web server's ports; `https` is used only when open to the house."""

    http: int
    https: int


@dataclass(frozen=True, slots=True)
class Program:
    """Something to keep running. A foundation is started first and stopped last."""

    name: str
    command: tuple[str, ...]
    environment: dict[str, str] = field(default_factory=dict)
    is_foundation: bool = False
    socket: Path | None = None


def queue_program(server: Path, *, socket: Path, folder: Path) -> Program:
    """The queue server: on a unix socket only its owner may open, its messages appended to a file."""
    options = {
        "--port": "0",
        "--unixsocket": str(socket),
        "--unixsocketperm": "600",
        "--dir": str(folder),
        "--appendonly": "yes",
        "--appendfsync": "everysec",
        "--maxmemory-policy": "noeviction",
        "--daemonize": "no",
        "--loglevel": "warning",
        "--logfile": str(folder / "server.log"),
        "--databases": "1",
    }
    flat = [word for option in options.items() for word in option]
    return Program("queue", (str(server), *flat, "--save", ""), is_foundation=True, socket=socket)


def web_program(
    *, host: str, ports: Ports, certificate: Path | None = None, key: Path | None = None, environment: dict[str, str]
) -> Program:
    """The web server, with TLS where a certificate is given."""
    secure = certificate is not None and key is not None
    command = [sys.executable, "-m", "granian", "--interface", "wsgi", "--no-ws", "--log-level", "error"]
    command += ["--host", host, "--port", str(ports.https if secure else ports.http)]
    command += ["--workers", "1", "--blocking-threads", str(WEB_THREADS), "--workers-kill-timeout", "3"]
    if secure:
        # TLS 1.2 is the least that browsers still speak; 1.3, the server's own least, would shut out older phones.
        command += ["--ssl-certificate", str(certificate), "--ssl-keyfile", str(key), "--ssl-protocol-min", "tls1.2"]
    return Program(
        "phone web" if secure else "web",
        (*command, "keyslip.wsgi:application"),
        {**environment, "KEYSLIP_HTTPS": "1" if secure else "0"},
    )


def worker_program(*, environment: dict[str, str]) -> Program:
    """The worker: one child for the work on clips. One house needs no talk among workers."""
    command = [
        sys.executable,
        "-m",
        "celery",
        "-q",
        "-A",
        "keyslip",
        "worker",
        "--pool",
        "prefork",
        "--loglevel",
        "WARNING",
    ]
    command += ["--concurrency", str(WORKER_JOBS), "--max-tasks-per-child", str(WORKER_JOBS_PER_CHILD)]
    return Program("worker", (*command, "--without-gossip", "--without-mingle", "--without-heartbeat"), environment)


def sweeper_program(manage: Path, *, environment: dict[str, str]) -> Program:
    """The sweeper, which rings for jobs that wait too long."""
    return Program("sweeper", (sys.executable, str(manage), "sweep", "--every", str(SWEEP_EVERY_S)), environment)
