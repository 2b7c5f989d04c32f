"""The whole program, started as a learner starts it, and killed as computers kill."""

import http.cookiejar
import os
import re
import signal
import socket
import sqlite3
import ssl
import subprocess
import urllib.parse
import urllib.request
from pathlib import Path

import pytest

from tests.house import House, children_of, is_alive, marked_processes
from tests.tools.phone_clip import make_phone_clip
from tests.waiting import wait_for

pytestmark = [pytest.mark.e2e, pytest.mark.slow]

# Seconds until a job that was killed must be done: its lease (30 s), one round of the sweeper, a worker's start, the work
# itself, all on two cores that may be busy with other tests.
DONE_S = 150.0
LEARNER = "from curriculum.services import create_learner; create_learner('ada', password='not-a-real-one-7')"
CLIP = """
import datetime, sys
from django.core.files import File
from django.core.files.uploadedfile import SimpleUploadedFile
from curriculum.models import Learner
from curriculum.services import create_learner
from lessons.models import Lesson
from lessons.services import record_clip
from lessons.tasks import ring
ada = Learner.objects.filter(username="ada").first() or create_learner("ada", password="not-a-real-one-7")
today = datetime.date(2026, 3, 2)
lesson, _ = Lesson.objects.get_or_create(learner=ada, starts_on=today)
for name in {names!r}:
    # Each its own bytes, so that none counts as here already: a trailing box that players skip.
    content = open({path!r}, "rb").read() + (8 + len(name)).to_bytes(4, "big") + b"free" + name.encode()
    clip, job = record_clip(lesson, upload=SimpleUploadedFile(name, content), played_on=today)
    ring(str(job.pk))
"""


@pytest.fixture(scope="module")
def long_clip(tmp_path_factory) -> Path:
    """Half a minute of film, so that its job can be caught in the middle; made of two seconds again and again."""
    folder = tmp_path_factory.mktemp("clips")
    short = make_phone_clip(folder / "short.mov", seconds=2)
    subprocess.run(
        ["ffmpeg", "-v", "error", "-stream_loop", "14", "-i", short, "-c", "copy", folder / "long.mov"],
        check=True,
        timeout=60,
    )
    return folder / "long.mov"


class Jobs:
    """The rows of a house's jobs that prepare clips, read from outside."""

    def __init__(self, house: House) -> None:
        self.path = house.data / "keyslip.sqlite3"

    def rows(self) -> dict[str, tuple[str, int, float]]:
        """Return state, attempt and progress by the name of the clip."""
        connection = sqlite3.connect(f"file:{self.path}?mode=ro", uri=True, timeout=20)
        try:
            found = connection.execute(
                "SELECT given_name, lessons_job.state, attempt, progress_frac "
                "FROM lessons_job JOIN lessons_clip ON lessons_clip.id = clip_id "
                "WHERE lessons_job.kind = 'prepare_clip'"
            ).fetchall()
        finally:
            connection.close()
        return {name: (state, attempt, progress) for name, state, attempt, progress in found}

    def wait_for_work(self, name: str) -> None:
        """Wait until a job is well under way."""
        wait_for(
            lambda: self.rows()[name][0] == "running" and self.rows()[name][2] > 0,
            within_s=DONE_S,
            what=f"{name} is being worked on",
        )

    def wait_until_done(self, *names: str) -> None:
        def states() -> set[str]:
            return {self.rows()[name][0] for name in names}

        wait_for(lambda: states() <= {"done", "failed"}, within_s=DONE_S, what=f"{names} are done: {self.rows()}")
        assert states() == {"done"}, self.rows()

    def takes(self) -> int:
        connection = sqlite3.connect(f"file:{self.path}?mode=ro", uri=True, timeout=20)
        try:
            return connection.execute("SELECT count(*) FROM lessons_clip WHERE state = 'ready'").fetchone()[0]
        finally:
            connection.close()


def test_house_runs_answers_survives_kills_and_stops(tmp_path):
    with House(tmp_path / "data") as house:
        assert house.status("/healthz") == 200
        assert house.status("/sign-in/") == 200
        assert house.status("/static/css/tokens.css") == 200
        assert house.status("/nowhere/") in {302, 404}
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/begin/[\w-]{24}/", house.begin_url)
        for path in house.data.rglob("*"):
            assert not path.lstat().st_mode & 0o077 or path.is_socket() or path.name == "console.txt", path
        mark = f"KEYSLIP_RUN={house.state['mark']}"
        for name in ("web", "worker", "queue", "sweeper"):
            before = house.process_of(name)
            os.kill(before, signal.SIGKILL)
            wait_for(
                lambda name=name, before=before: house.process_of(name) != before, within_s=30, what=f"{name} is back"
            )
        wait_for(lambda: house.status("/healthz") == 200, within_s=60, what="pages are back")
        # What answers pages is a child of the web server; it alone may die as well.
        (answering,) = children_of(house.process_of("web"))
        os.kill(answering, signal.SIGKILL)
        wait_for(lambda: not is_alive(answering), within_s=10, what="it is dead")
        wait_for(lambda: house.status("/healthz") == 200, within_s=60, what="pages are back again")
        house.process.send_signal(signal.SIGINT)
        assert house.process.wait(10) == 0
        assert marked_processes(mark) == []
        assert house.console.rstrip().endswith("Stopped.")
        assert "Traceback" not in house.console


def test_busy_port_is_said_in_one_sentence(tmp_path):
    with socket.socket() as busy:
        busy.bind(("127.0.0.1", 0))
        busy.listen()
        house = House(tmp_path / "data", port=busy.getsockname()[1])
        house.start(is_awaited=False)
        assert house.process.wait(60) == 1
    assert f"Port {house.port} is in use" in house.console
    assert "Traceback" not in house.console


def test_unusable_database_is_said_in_one_sentence(tmp_path):
    house = House(tmp_path / "data", environment={"DATABASE_URL": "postgres://nobody@127.0.0.1:1/nothing"})
    house.start(is_awaited=False)
    assert house.process.wait(60) == 1
    assert "The database nothing cannot be used" in house.console
    assert "Traceback" not in house.console


def test_house_for_phones_answers_https_and_http_and_signs_in_on_both(tmp_path):
    with House(tmp_path / "data", arguments=("--lan",), environment={"KEYSLIP_LAN_ADDRESSES": "127.0.0.1"}) as house:
        assert "▀" in house.console
        assert f"https://127.0.0.1:{house.https_port}/" in house.console
        house.manage("shell", "-v", "0", "-c", LEARNER)
        trusting = ssl.create_default_context(cafile=house.data / "authority" / "authority.pem")
        # One jar, as one browser has: cookies know no ports, and neither sign-in may disturb the other.
        jar = http.cookiejar.CookieJar()
        opener = urllib.request.build_opener(
            urllib.request.HTTPCookieProcessor(jar), urllib.request.HTTPSHandler(context=trusting)
        )
        secure = f"https://127.0.0.1:{house.https_port}"
        wait_for(lambda: _answers(opener, f"{secure}/healthz"), within_s=30, what="https answers")
        for base in (secure, house.base):
            _sign_in(opener, base)
        for base in (secure, house.base):
            assert "/sign-in/" not in opener.open(f"{base}/password/", timeout=20).geturl()
        assert {cookie.name: cookie.secure for cookie in jar if "session" in cookie.name} == {
            "keyslip_session": False,
            "keyslip_tls_session": True,
        }
        with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
            urllib.request.urlopen(f"{secure}/healthz", timeout=20)
        answer = opener.open(f"{house.base}/phone/authority.crt", timeout=20)
        assert ssl.DER_cert_to_PEM_cert(answer.read()) == (house.data / "authority/authority.pem").read_text()


def _answers(opener: urllib.request.OpenerDirector, url: str) -> bool:
    try:
        return opener.open(url, timeout=5).status == 200
    except OSError:
        return False


def _sign_in(opener: urllib.request.OpenerDirector, base: str) -> None:
    page = opener.open(f"{base}/sign-in/", timeout=20).read().decode()
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)[1]
    form = {"csrfmiddlewaretoken": token, "username": "ada", "password": "not-a-real-one-7", "next": "/password/"}
    sent = urllib.request.Request(f"{base}/sign-in/", urllib.parse.urlencode(form).encode(), {"Referer": base + "/"})
    assert opener.open(sent, timeout=20).geturl() == f"{base}/password/"


def test_no_job_is_lost_and_each_is_finished_once_whatever_is_killed(tmp_path, long_clip):
    with House(tmp_path / "data") as house:
        jobs = Jobs(house)

        def upload(*names: str) -> None:
            house.manage("shell", "-v", "0", "-c", CLIP.format(names=names, path=str(long_clip)))

        # The queue server, in the middle of a job: the job goes on.
        upload("queue.mov")
        jobs.wait_for_work("queue.mov")
        os.kill(house.process_of("queue"), signal.SIGKILL)
        jobs.wait_until_done("queue.mov")
        assert jobs.rows()["queue.mov"][1] == 1

        # The worker, in the middle of a job: another attempt once the lease has run out.
        upload("worker.mov")
        jobs.wait_for_work("worker.mov")
        os.kill(house.process_of("worker"), signal.SIGKILL)
        jobs.wait_until_done("worker.mov")
        assert jobs.rows()["worker.mov"][1] == 2

        # Everything at once, with a job in hand and another waiting.
        upload("hand.mov", "waiting.mov")
        jobs.wait_for_work("hand.mov")
        everything = [house.process.pid, *house.processes()]
        for process in everything:
            os.kill(process, signal.SIGKILL)
        house.process.wait()
        wait_for(lambda: not any(map(is_alive, everything)), within_s=20, what="all are dead")
        house.start()
        jobs.wait_until_done("hand.mov", "waiting.mov")
        assert jobs.rows()["hand.mov"][1] == 2
        assert jobs.takes() == 4


@pytest.mark.postgres
def test_house_runs_on_another_database_and_queue_by_environment_only(tmp_path, long_clip):
    database, broker = os.environ.get("KEYSLIP_TEST_DATABASE_URL"), os.environ.get("KEYSLIP_TEST_BROKER_URL")
    environment = {"DATABASE_URL": _own_database(database), "BROKER_URL": broker} if database and broker else {}
    with House(tmp_path / "data", environment=environment) as house:
        assert ("queue" in house.state["groups"]) is not bool(environment)
        assert (house.data / "keyslip.sqlite3").exists() is not bool(environment)
        house.manage("shell", "-v", "0", "-c", CLIP.format(names=("clip.mov",), path=str(long_clip)))
        ask = "from lessons.models import Job; print(*sorted(set(Job.objects.values_list('state', flat=True))))"
        wait_for(
            lambda: house.manage("shell", "-v", "0", "-c", ask).strip() == "done",
            within_s=DONE_S,
            what="the clip is heard and prepared",
        )


def _own_database(url: str) -> str:
    """Make a database for this run alone and return its address."""
    import psycopg

    name = f"keyslip_house_{os.getpid()}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE IF EXISTS {name}")
        connection.execute(f"CREATE DATABASE {name}")
    return url.rpartition("/")[0] + f"/{name}"
