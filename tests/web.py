"""The web server alone, as `manage.py up` starts it, and lines to it that can be cut."""

import contextlib
import os
import secrets
import signal
import socket
import sqlite3
import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from django.conf import settings
from django.db import connection
from django.test import Client

from curriculum.models import Learner
from keyslip.supervisor.programs import Ports, web_program
from tests.house import PROJECT, free_port
from tests.waiting import wait_for


def copy_tables(folder: Path) -> None:
    """Put the rows of this test, as committed, into a data folder of their own."""
    with sqlite3.connect(folder / "keyslip.sqlite3") as there:
        connection.ensure_connection()
        connection.connection.backup(there)


def cookie_of(learner: Learner) -> str:
    """Sign a learner in and return the cookie; do it before the tables are copied."""
    client = Client()
    client.force_login(learner)
    return f"{settings.SESSION_COOKIE_NAME}={client.cookies[settings.SESSION_COOKIE_NAME].value}"


@dataclass
class Web:
    """One web server on a data folder. `with Web(folder) as web:` waits until it answers; several may share a folder."""

    data: Path
    environment: dict[str, str] = field(default_factory=dict)
    port: int = field(default_factory=free_port)

    def __enter__(self) -> "Web":
        self.start()
        self.wait()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        program = web_program(
            host="127.0.0.1",
            ports=Ports(http=self.port, https=0),
            environment={
                "KEYSLIP_DATA": str(self.data),
                "KEYSLIP_SECRET_KEY": settings.SECRET_KEY,
                "BROKER_URL": "memory://",
            }
            | self.environment,
        )
        clean = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("KEYSLIP_", "DATABASE_URL", "BROKER_URL", "DJANGO_", "COV_"))
        }
        with (self.data / f"web-{self.port}.txt").open("ab") as console:
            self.process = subprocess.Popen(
                program.command,
                cwd=PROJECT,
                env=clean | program.environment,
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=console,
                start_new_session=True,
            )

    def wait(self) -> None:
        wait_for(self._answers, within_s=90, what="the web server answers")

    def _answers(self) -> bool:
        assert self.process.poll() is None, (self.data / f"web-{self.port}.txt").read_text()
        try:
            return Line(self.base).ask("GET", "/healthz").status == 200
        except OSError:
            return False

    def kill(self) -> None:
        """End it and its children at once, in the middle of whatever they do."""
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


@dataclass(frozen=True)
class Said:
    """An answer."""

    status: int
    headers: dict[str, str]
    body: bytes

    def __getitem__(self, name: str) -> str:
        return self.headers[name.lower()]


class Line:
    """A connection over which requests go byte by byte, so that they can end in the middle."""

    def __init__(self, base: str, *, cookie: str = "") -> None:
        parts = urlsplit(base)
        self.host, self.cookie = parts.netloc, cookie
        self.socket = socket.create_connection((parts.hostname, parts.port), timeout=30)

    def ask(self, method: str, path: str, body: bytes = b"", **headers: str) -> Said:
        """Send a request and return its answer; the line is closed then."""
        self.begin(method, path, length=len(body), **headers)
        self.socket.sendall(body)
        return self.answer(method)

    def begin(self, method: str, path: str, *, length: int, **headers: str) -> None:
        """Send the head of a request."""
        said = {"Host": self.host, "Cookie": self.cookie, "Content-Length": str(length), "Connection": "close"}
        said |= {name.replace("_", "-"): value for name, value in headers.items()}
        lines = [f"{method} {path} HTTP/1.1", *(f"{name}: {value}" for name, value in said.items())]
        self.socket.sendall("\r\n".join([*lines, "", ""]).encode())

    def send(self, content: bytes) -> None:
        """Send bytes; a server that has answered already, because it wants none of them, may have closed the line."""
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            self.socket.sendall(content)

    def answer(self, method: str = "GET") -> Said:
        """Return the answer, with status 0 where the line was closed instead; the line is closed then."""
        with self.socket, self.socket.makefile("rb") as file:
            try:
                first = file.readline()
            except ConnectionResetError:
                first = b""
            if not first:
                return Said(0, {}, b"")
            headers = {}
            while line := file.readline().strip():
                name, _, value = line.decode("latin-1").partition(":")
                headers[name.lower()] = value.strip()
            return Said(int(first.split()[1]), headers, b"" if method == "HEAD" else file.read())

    def cut(self) -> None:
        """Close the line as a phone does that loses its network: without a word."""
        self.socket.close()


def begin_upload(base: str, *, cookie: str, lesson: object, size: int | None, name: str = "film.mov") -> str:
    """Begin an upload and return its address."""
    from lessons.uploads import write_metadata

    said = {
        "filename": name,
        "assignment": "whole",
        "was_first_today": "no",
        "played_on": str(lesson.starts_on),
        "token": "-".join(secrets.token_hex(n) for n in (4, 2, 2, 2, 6)),
    }
    length = {"Upload_Defer_Length": "1"} if size is None else {"Upload_Length": str(size)}
    answer = Line(base, cookie=cookie).ask(
        "POST",
        f"/lessons/{lesson.pk}/uploads/",
        Tus_Resumable="1.0.0",
        Upload_Metadata=write_metadata(said),
        **length,
    )
    assert answer.status == 201, answer
    return answer["Location"]
