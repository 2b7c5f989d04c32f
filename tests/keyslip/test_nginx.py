"""The shipped configuration of nginx, in a real nginx before the real web server."""

import os
import random
import re
import shutil
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from lessons.models import Lesson
from lessons.uploads import SLICE_TYPE
from tests.house import PROJECT, free_port
from tests.make import make_clip, make_learner, make_lesson
from tests.waiting import wait_for
from tests.web import Line, Web, begin_upload, cookie_of, copy_tables

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

SAMPLE = PROJECT / "keyslip" / "nginx" / "keyslip.conf.example"
FILM = random.Random(7).randbytes(300_000)


def changed_sample(*, front: int, web: int, data: Path) -> str:
    """Return the sample with every line changed that says so, for one computer without certificates."""
    here = {
        r"server 127\.0\.0\.1:8000;": f"server 127.0.0.1:{web};",
        r"listen 443 ssl;": f"listen 127.0.0.1:{front};",
        r"server_name .*?;": "server_name 127.0.0.1;",
        r"ssl_certificate .*?;": "",
        r"ssl_certificate_key .*?;": "",
        r"alias .*?;": f"alias {data}/;",
    }
    lines = []
    for line in SAMPLE.read_text(encoding="utf-8").splitlines():
        if "CHANGE" in line and not line.startswith("#"):
            (pattern,) = [pattern for pattern in here if re.search(pattern, line)]
            lines.append(re.sub(pattern, here.pop(pattern), line))
        else:
            lines.append(line)
    assert not here, f"The sample no longer has {list(here)}."
    return "\n".join(lines)


class Front:
    """nginx on a folder of its own."""

    def __init__(self, folder: Path, *, web: int, data: Path) -> None:
        program = shutil.which("nginx", path=f"{os.environ['PATH']}:/usr/sbin")
        assert program, "These tests start nginx, which is not installed."
        self.port = free_port()
        folder.mkdir()
        (folder / "keyslip.conf").write_text(changed_sample(front=self.port, web=web, data=data), encoding="utf-8")
        owner = "user root;" if os.getuid() == 0 else ""  # the data folder is for its owner alone
        temporary = "\n".join(
            f"{name}_temp_path {folder}/{name};" for name in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        (folder / "nginx.conf").write_text(
            f"{owner} daemon off; pid {folder}/pid; error_log {folder}/error.txt; worker_processes 1;\n"
            f"events {{}}\nhttp {{ access_log off; {temporary}\ninclude {folder}/keyslip.conf; }}\n",
            encoding="utf-8",
        )
        self.process = subprocess.Popen(
            [program, "-p", str(folder), "-c", str(folder / "nginx.conf"), "-e", str(folder / "error.txt")],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self.errors = folder / "error.txt"
        wait_for(self._answers, within_s=20, what="nginx answers")

    def _answers(self) -> bool:
        assert self.process.poll() is None, self.errors.read_text()
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
        except OSError:
            return False
        return True

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)


@pytest.fixture
def lesson() -> Lesson:
    return make_lesson(make_learner())


@pytest.fixture
def clip_path(lesson: Lesson, settings: object, tmp_path: Path) -> str:
    """The address of a clip's copy, whose files lie in the data folder of the server."""
    settings.KEYSLIP_DATA = tmp_path / "data"
    clip = make_clip(lesson, content=FILM, kind="video", has_copy=True)
    return f"/clips/{clip.pk}/copy/"


@pytest.fixture
def house(lesson: Lesson, clip_path: str, tmp_path: Path) -> Iterator[tuple[Web, str]]:
    """The web server, and the cookie of the learner."""
    data = tmp_path / "data"
    cookie = cookie_of(lesson.learner)
    copy_tables(data)
    # As the sample asks for; without certificates there are no cookies for https alone.
    with Web(data, environment={"KEYSLIP_ACCEL_PREFIX": "/kept/", "KEYSLIP_BEHIND_PROXY": "1"}) as web:
        yield web, cookie


@pytest.fixture
def front(house: tuple[Web, str], tmp_path: Path) -> Iterator[Front]:
    running = Front(tmp_path / "nginx", web=house[0].port, data=house[0].data)
    yield running
    running.stop()


def test_slice_that_was_cut_keeps_its_bytes_through_nginx(front: Front, house: tuple[Web, str], lesson: Lesson) -> None:
    web, cookie = house
    place = begin_upload(front.base, cookie=cookie, lesson=lesson, size=2_000_000)
    line = Line(front.base, cookie=cookie)
    line.begin("PATCH", place, length=2_000_000, Tus_Resumable="1.0.0", Upload_Offset="0", Content_Type=SLICE_TYPE)
    line.send(bytes(1_200_000))
    part = web.data / "incoming" / f"{place.split('/')[2]}.part"
    wait_for(lambda: part.stat().st_size >= 1_100_000, within_s=20, what="bytes pass through")
    line.cut()

    def arrived() -> int:
        return int(Line(front.base, cookie=cookie).ask("HEAD", place, Tus_Resumable="1.0.0")["Upload-Offset"])

    assert wait_for(arrived, within_s=20, what="the broken line is noticed") == 1_200_000


def test_whole_clip_passes_through_nginx_in_slices_and_in_one_form(
    front: Front, house: tuple[Web, str], lesson: Lesson
) -> None:
    web, cookie = house
    content = random.Random(8).randbytes(9_000_000)
    place = begin_upload(front.base, cookie=cookie, lesson=lesson, size=len(content))
    answer = None
    for at in range(0, len(content), 8_000_000):
        answer = Line(front.base, cookie=cookie).ask(
            "PATCH",
            place,
            content[at : at + 8_000_000],
            Tus_Resumable="1.0.0",
            Upload_Offset=str(at),
            Content_Type=SLICE_TYPE,
            Origin=front.base,
        )
        assert answer.status == 204, answer
    pk = answer["Keyslip-Clip"].split("/")[2]
    assert (web.data / "clips" / pk[:2] / pk / "original").read_bytes() == content
    # As one form it is turned away for want of a form's token, not for its size: nginx takes 1 MB unless it is told.
    form = Line(front.base, cookie=cookie).ask(
        "POST", f"/lessons/{lesson.pk}/clips/upload/", content, Content_Type="multipart/form-data; boundary=x"
    )
    assert form.status == 403, form.status


def test_nginx_sends_the_clip_in_ranges_once_we_have_said_whose_it_is(
    front: Front, house: tuple[Web, str], clip_path: str
) -> None:
    for asked, status, range_, wanted in (
        ("", 200, None, FILM),
        ("bytes=0-1", 206, "bytes 0-1/300000", FILM[:2]),
        ("bytes=-100", 206, "bytes 299900-299999/300000", FILM[-100:]),
        ("bytes=290000-", 206, "bytes 290000-299999/300000", FILM[290000:]),
        ("bytes=300000-", 416, "bytes */300000", None),
    ):
        headers = {"Range": asked} if asked else {}
        answer = Line(front.base, cookie=house[1]).ask("GET", clip_path, **headers)
        assert answer.status == status, asked
        assert answer.headers.get("content-range") == range_
        if wanted is not None:
            assert answer.body == wanted
            assert answer["Content-Type"] == "video/mp4"
            assert "sandbox" in answer["Content-Security-Policy"]
            assert answer["X-Content-Type-Options"] == "nosniff"
            assert "private" in answer["Cache-Control"]
        assert "x-accel-redirect" not in answer.headers


def test_clip_is_its_owners_alone_before_nginx_too(front: Front, house: tuple[Web, str], clip_path: str) -> None:
    assert Line(front.base).ask("GET", clip_path).status == 302
    pk = clip_path.split("/")[2]
    for path in (f"/kept/clips/{pk[:2]}/{pk}/original", "/kept/keyslip.sqlite3"):
        assert Line(front.base, cookie=house[1]).ask("GET", path).status == 404, path
