"""What it costs to send clips and to get them back, from the real web server.

    python tests/bench/upload.py [--megabytes 400] [--large 2000]

Sending is held against a bare copy over the same loopback in the same run, in turns: the same slices from one process into
a file of another, which is told to the disk slice by slice as ours is, and nothing else. Memory is the most that the
processes of the web server ever held. Ranges are asked for over lines that stay open, as a player does.
"""

import argparse
import base64
import hashlib
import http.client
import multiprocessing
import os
import random
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

# Bytes of a slice, as the browser's client sends them.
SLICE_BYTES = 8_000_000
# Bytes written to the line, and read from it by the bare copy, at a time.
PIECE_BYTES = 65_536
ROUNDS = 3
RANGES = 300
MB = 1_000_000


def receive_bare(listener: socket.socket, path: str) -> None:
    line, _ = listener.accept()
    with line, Path(path).open("wb", buffering=0) as file:
        arrived = told = 0
        while piece := line.recv(PIECE_BYTES):
            file.write(piece)
            arrived += len(piece)
            if arrived - told >= SLICE_BYTES:
                os.fdatasync(file.fileno())
                told = arrived
        os.fdatasync(file.fileno())
        line.sendall(b".")


def send_bare(block: bytes, *, count: int, folder: Path) -> float:
    """Seconds of the bare copy."""
    path = folder / "bare"
    with socket.create_server(("127.0.0.1", 0)) as listener:
        receiver = multiprocessing.Process(target=receive_bare, args=(listener, str(path)))
        receiver.start()
        began = time.perf_counter()
        with socket.create_connection(listener.getsockname()) as line:
            for _ in range(count):
                line.sendall(block)
            line.shutdown(socket.SHUT_WR)
            line.recv(1)
        seconds = time.perf_counter() - began
        receiver.join()
    assert path.stat().st_size == count * len(block)
    path.unlink()
    return seconds


class Sender:
    """A learner who sends clips in slices over one line that stays open."""

    def __init__(self, base: str, *, cookie: str, lesson: object) -> None:
        self.base, self.cookie, self.lesson = base, cookie, lesson

    def send(self, block: bytes, *, count: int, checksum: str = "") -> float:
        """Seconds until the clip is put away, its sum over the whole taken."""
        from lessons.uploads import SLICE_TYPE
        from tests.web import begin_upload

        began = time.perf_counter()
        # The first bytes differ, or it would be the same clip as the last one and not be kept.
        blocks = [random.randbytes(16) + block[16:], *[block] * (count - 1)]
        place = begin_upload(self.base, cookie=self.cookie, lesson=self.lesson, size=count * len(block))
        line = http.client.HTTPConnection(self.base.removeprefix("http://"))
        for number, piece in enumerate(blocks):
            said = {
                "Cookie": self.cookie,
                "Tus-Resumable": "1.0.0",
                "Upload-Offset": str(number * len(block)),
                "Content-Type": SLICE_TYPE,
            }
            if checksum:
                said["Upload-Checksum"] = (
                    f"{checksum} {base64.b64encode(hashlib.new(checksum, piece).digest()).decode()}"
                )
            line.request("PATCH", place, piece, said)
            answer = line.getresponse()
            answer.read()
            assert answer.status == 204, answer.status
        assert answer.headers["Keyslip-Clip"]
        line.close()
        return time.perf_counter() - began


def most_held(group: int) -> float:
    """The most memory in MB that the processes of a group have held, each at its worst."""
    total = 0
    for path in Path("/proc").glob("[0-9]*/status"):
        try:
            if os.getpgid(int(path.parent.name)) != group:
                continue
            text = path.read_text()
        except (ProcessLookupError, FileNotFoundError):
            continue
        total += int(text.split("VmHWM:")[1].split()[0]) if "VmHWM:" in text else 0
    return total * 1024 / MB


def ranges(base: str, path: str, *, cookie: str, size: int, length: int, lines: int) -> tuple[float, float]:
    """Ranges a second, and MB a second; of length 0, whatever lies at the path."""

    def ask(number: int) -> None:
        chance = random.Random(number)
        line = http.client.HTTPConnection(base.removeprefix("http://"))
        for _ in range(RANGES // lines):
            said = {"Cookie": cookie}
            if length:
                start = chance.randrange(size - length)
                said["Range"] = f"bytes={start}-{start + length - 1}"
            line.request("GET", path, headers=said)
            answer = line.getresponse()
            content = answer.read()
            assert answer.status == (206 if length else 200)
            assert not length or len(content) == length
        line.close()

    askers = [threading.Thread(target=ask, args=(number,)) for number in range(lines)]
    began = time.perf_counter()
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    rate = RANGES // lines * lines / (time.perf_counter() - began)
    return rate, rate * length / MB


def in_turns(ways: dict[str, Callable[[], float]]) -> dict[str, float]:
    """The best of some rounds of each way."""
    took: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(ROUNDS):
        for name, way in ways.items():
            took[name].append(way())
    return {name: min(each) for name, each in took.items()}


def measure(folder: Path, *, megabytes: int, large: int) -> None:
    from django.core.management import call_command

    from lessons.models import Clip
    from tests.make import make_clip, make_learner, make_lesson
    from tests.web import Web, cookie_of

    call_command("migrate", verbosity=0)
    learner = make_learner()
    lesson = make_lesson(learner)
    cookie = cookie_of(learner)
    block = random.Random(1).randbytes(SLICE_BYTES)
    count = max(1, megabytes * MB // SLICE_BYTES)
    with Web(folder) as web:
        sender = Sender(web.base, cookie=cookie, lesson=lesson)

        def ours(checksum: str) -> float:
            seconds = sender.send(block, count=count, checksum=checksum)
            for clip in Clip.objects.all():
                clip.original_path.unlink()
            Clip.objects.all().delete()
            return seconds

        sender.send(block, count=1)
        best = in_turns(
            {
                "bare copy": lambda: send_bare(block, count=count, folder=folder),
                "ours, no sums": lambda: ours(""),
                "ours, sha1 of each slice": lambda: ours("sha1"),
                "ours, sha256 of each slice": lambda: ours("sha256"),
            }
        )
        size_mb = count * SLICE_BYTES / MB
        print(f"sending {size_mb:.0f} MB in slices of {SLICE_BYTES / MB:.0f} MB, best of {ROUNDS}")
        for name, seconds in best.items():
            print(f"  {name:28} {size_mb / seconds:7.0f} MB/s   {best['bare copy'] / seconds:5.2f} of the bare copy")

        before = most_held(web.process.pid)
        seconds = sender.send(block, count=large * MB // SLICE_BYTES)
        after = most_held(web.process.pid)
        print(f"{large} MB in {seconds:.0f} s: web server {before:.0f} MB at most before, {after:.0f} MB after")

        size = 200 * MB
        clip = make_clip(lesson, content=b"film")
        with clip.copy_path.open("wb") as file:
            for _ in range(size // SLICE_BYTES):
                file.write(block)
        print(f"ranges of a copy of {size / MB:.0f} MB, owner asked for each")
        for lines in (1, 8):
            rate, _ = ranges(web.base, "/healthz", cookie=cookie, size=0, length=0, lines=lines)
            print(f"  for scale, /healthz, {lines} lines: {rate:6.0f} a second")
        for length in (2, 64 * 1024, 1024 * 1024):
            for lines in (1, 8):
                rate, megabytes_s = ranges(
                    web.base, f"/clips/{clip.pk}/copy/", cookie=cookie, size=size, length=length, lines=lines
                )
                print(f"  {length:8} bytes, {lines} lines:    {rate:6.0f} a second, {megabytes_s:6.0f} MB/s")
        print(f"web server {most_held(web.process.pid):.0f} MB at most in the end")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megabytes", type=int, default=400, help="size of the clips whose speed is measured")
    parser.add_argument("--large", type=int, default=2000, help="size in MB of the clip during which memory is watched")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        os.environ |= {
            "KEYSLIP_DATA": name,
            "KEYSLIP_SECRET_KEY": "a key for one run of the benchmarks",
            "DJANGO_SETTINGS_MODULE": "keyslip.settings",
        }
        import django

        django.setup()
        measure(Path(name), megabytes=options.megabytes, large=options.large)


if __name__ == "__main__":
    main()
