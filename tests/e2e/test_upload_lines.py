"""Uploads over real lines to the real web server: an outside client, lines that break, a server that is killed."""

import base64
import hashlib
import io
import random
import sqlite3
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from tusclient import client as tus

from lessons.models import Lesson
from lessons.uploads import SLICE_TYPE
from tests.make import make_learner, make_lesson
from tests.waiting import wait_for
from tests.web import Line, Said, Web, begin_upload, cookie_of, copy_tables

pytestmark = [pytest.mark.e2e, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

MB = 1_000_000


@dataclass
class Sender:
    """A phone of one learner."""

    base: str
    cookie: str
    lesson: Lesson
    data: Path

    def begin(self, size: int | None, **options: Any) -> str:
        return begin_upload(self.base, cookie=self.cookie, lesson=self.lesson, size=size, **options)

    def head(self, place: str) -> Said:
        return Line(self.base, cookie=self.cookie).ask("HEAD", place, Tus_Resumable="1.0.0")

    def arrived(self, place: str) -> int:
        answer = self.head(place)
        assert answer.status == 200, answer
        return int(answer["Upload-Offset"])

    def patch(self, place: str, at: int, length: int, **headers: str) -> Line:
        """Begin a slice; the bytes are the caller's to send."""
        line = Line(self.base, cookie=self.cookie)
        line.begin(
            "PATCH",
            place,
            length=length,
            Tus_Resumable="1.0.0",
            Upload_Offset=str(at),
            Content_Type=SLICE_TYPE,
            **headers,
        )
        return line

    def clip_content(self, answer: Said) -> bytes:
        pk = answer["Keyslip-Clip"].strip("/").split("/")[1]
        return (self.data / "clips" / pk[:2] / pk / "original").read_bytes()

    def rows(self, question: str) -> list[tuple]:
        with sqlite3.connect(self.data / "keyslip.sqlite3") as there:
            return there.execute(question).fetchall()


@pytest.fixture
def phone_of(tmp_path: Path) -> Iterator[Any]:
    """Make the phone of a learner with a lesson; every server of its data folder ends with the test."""
    learner = make_learner()
    lesson = make_lesson(learner)
    cookie = cookie_of(learner)
    copy_tables(tmp_path)
    return lambda web: Sender(web.base, cookie, lesson, tmp_path)


@pytest.fixture
def sender(phone_of: Any, tmp_path: Path) -> Iterator[Sender]:
    with Web(tmp_path) as web:
        yield phone_of(web)


def test_outside_client_sends_in_chunks_goes_on_from_half_and_checks_sums(sender: Sender) -> None:
    content = random.Random(1).randbytes(3 * MB + 17)
    name = "Übung für Oma – Nº 1.mov"
    my = tus.TusClient(f"{sender.base}/lessons/{sender.lesson.pk}/uploads/", headers={"Cookie": sender.cookie})
    said = {
        "filename": name,
        "filetype": "video/quicktime",
        "assignment": "whole",
        "was_first_today": "yes",
        "played_on": str(sender.lesson.starts_on),
    }
    stream = io.BytesIO(content)
    first = my.uploader(file_stream=stream, chunk_size=400_000, metadata=said, upload_checksum=True)
    first.upload(stop_at=1_500_000)
    assert first.offset == sender.arrived(first.url.removeprefix(sender.base)) >= 1_500_000
    assert first.offset < len(content)
    second = my.uploader(file_stream=stream, chunk_size=700_000, url=first.url)
    assert second.offset == first.offset
    second.upload()
    answer = sender.head(second.url.removeprefix(sender.base))
    assert sender.clip_content(answer) == content
    assert sender.rows("SELECT given_name, size_bytes, sha256 FROM lessons_clip") == [
        (name, len(content), hashlib.sha256(content).hexdigest())
    ]
    assert {"creation", "termination", "checksum", "expiration"} <= set(my_extensions(sender))


def my_extensions(sender: Sender) -> list[str]:
    return Line(sender.base).ask("OPTIONS", f"/uploads/{uuid.uuid4()}/")["Tus-Extension"].split(",")


def test_what_came_before_the_line_broke_is_kept(sender: Sender) -> None:
    content = random.Random(2).randbytes(2 * MB)
    place = sender.begin(len(content))
    line = sender.patch(place, 0, len(content))
    line.send(content[:1_200_000])
    wait_for(lambda: part_of(sender, place).stat().st_size >= 1_100_000, within_s=20, what="bytes arrive")
    line.cut()
    arrived = wait_for(lambda: sender.arrived(place), within_s=20, what="the server notices")
    assert arrived == 1_200_000
    rest = sender.patch(place, arrived, len(content) - arrived)
    rest.send(content[arrived:])
    assert sender.clip_content(rest.answer()) == content


def test_slice_with_a_checksum_that_breaks_off_counts_for_nothing(sender: Sender) -> None:
    content = random.Random(3).randbytes(MB)
    checksum = f"sha1 {base64.b64encode(hashlib.sha1(content).digest()).decode()}"
    place = sender.begin(len(content))
    line = sender.patch(place, 0, len(content), Upload_Checksum=checksum)
    line.send(content[:600_000])
    wait_for(lambda: part_of(sender, place).stat().st_size >= 500_000, within_s=20, what="bytes arrive")
    line.cut()
    wait_for(lambda: part_of(sender, place).stat().st_size == 0, within_s=20, what="the half is dropped")
    assert sender.arrived(place) == 0
    again = sender.patch(place, 0, len(content), Upload_Checksum=checksum)
    again.send(content)
    assert sender.clip_content(again.answer()) == content


def test_second_connection_waits_while_the_first_one_sends(sender: Sender) -> None:
    place = sender.begin(MB)
    first = sender.patch(place, 0, MB)
    first.send(bytes(200_000))
    wait_for(lambda: part_of(sender, place).stat().st_size, within_s=20, what="bytes arrive")
    second = sender.patch(place, 0, 10)
    second.send(bytes(10))
    assert second.answer().status == 423
    assert Line(sender.base, cookie=sender.cookie).ask("DELETE", place, Tus_Resumable="1.0.0").status == 423
    first.cut()


def part_of(sender: Sender, place: str) -> Path:
    return sender.data / "incoming" / f"{place.strip('/').split('/')[1]}.part"


# Killed at 20 points at the client's end and at 20 at the server's, drawn once and for all, in mixed order.
POINTS = 40
SIZE = 12 * MB


def test_upload_killed_at_twenty_points_of_either_end_is_the_same_byte_for_byte(phone_of: Any, tmp_path: Path) -> None:
    chance = random.Random(20261125)
    content = chance.randbytes(SIZE)
    webs = [Web(tmp_path) for _ in range(POINTS // 2 + 1)]
    points = [("client", "server")[number % 2] for number in range(POINTS)]
    chance.shuffle(points)
    left = iter(webs)
    web = next(left)
    web.start()
    web.wait()
    following = next(left)
    following.start()  # while this one is used, so that nobody waits long for it
    try:
        sender = phone_of(web)
        place = sender.begin(SIZE)
        for number, end in enumerate(points):
            at = sender.arrived(place)
            length = min(chance.randrange(1, 2 * SIZE // POINTS), SIZE - at - (POINTS - number))
            is_last = number == POINTS - 1
            piece = content[at:] if is_last else content[at : at + length]
            headers = {}
            if chance.random() < 0.3:
                digest = base64.b64encode(hashlib.sha256(piece).digest()).decode()
                headers["Upload_Checksum"] = f"sha256 {digest}"
            line = sender.patch(place, at, len(piece), **headers)
            # The last one ends when all bytes are out, and before anybody knows what became of them.
            line.send(piece if is_last else piece[: chance.randrange(len(piece) + 1)])
            if end == "client":
                line.cut()
                continue
            web.kill()
            line.cut()
            web, following = following, next(left, following)
            web.wait()
            if following is not web:
                following.start()
            sender = phone_of(web)
        finish(sender, place, content)
        assert sender.rows("SELECT count(*) FROM lessons_clip") == [(1,)]
        assert sender.rows("SELECT count(*) FROM lessons_job") == [(1,)]
    finally:
        for one in webs:
            if hasattr(one, "process"):
                one.kill()


def finish(sender: Sender, place: str, content: bytes) -> None:
    """Send what is missing, and hold what is there against what was sent."""

    def answered() -> Said | None:
        answer = sender.head(place)
        at = int(answer["Upload-Offset"])
        if at < len(content):
            line = sender.patch(place, at, len(content) - at)
            line.send(content[at:])
            answer = line.answer()
        return answer if "keyslip-clip" in answer.headers else None

    answer = wait_for(answered, within_s=30, what="the clip is there")
    assert sender.clip_content(answer) == content
