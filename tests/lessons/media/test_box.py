"""The box holds: limits end the child, the parent believes nothing, and nobody is left behind."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from lessons.media import (
    BoxCrashError,
    BoxError,
    BoxLimitError,
    BoxLimits,
    ProbeLimits,
    ReasonCode,
    UnopenableFileError,
    Verdict,
    box,
    probe,
)
from lessons.media.box import run_boxed
from lessons.media.inside import door
from tests.lessons.media.conftest import Case


def stand_in(monkeypatch: pytest.MonkeyPatch, code: str) -> None:
    """Let the child run other code; ``say(bytes)`` writes to the parent."""
    boot = (
        "import json, os, sys, time, signal; order = json.loads(sys.argv[2])\n"
        "def say(data): os.write(order['report_fd'], data)\n"
    )
    monkeypatch.setattr(box, "_BOOT", boot + code)


@pytest.fixture
def source(folder: Path) -> Path:
    path = folder / "file"
    path.write_bytes(b"something")
    return path


def run(source: Path, **kwargs):
    return run_boxed("probe", source=source, options={}, limits=BoxLimits(**kwargs))


def test_child_gets_no_environment_and_no_other_descriptors(monkeypatch: pytest.MonkeyPatch, source: Path) -> None:
    monkeypatch.setenv("SOME_SECRET", "x")
    leaky = os.open("/dev/null", os.O_RDONLY)
    os.set_inheritable(leaky, True)
    stand_in(
        monkeypatch,
        "fds = []\n"
        "for fd in range(64):\n"
        "    try: os.fstat(fd); fds.append(fd)\n"
        "    except OSError: pass\n"
        "say(json.dumps({'answer': {'env': dict(os.environ), 'fds': fds, 'cwd': os.getcwd(),"
        " 'leader': os.getsid(0) == os.getpid(), 'isolated': sys.flags.isolated}}).encode() + b'\\n')",
    )
    answer = run(source).answer
    os.close(leaky)
    assert "SOME_SECRET" not in answer["env"]
    assert set(answer["env"]) <= {"LC_CTYPE"}  # the interpreter's own
    assert len(answer["fds"]) == 5  # three standard ones, the file, the report
    assert (answer["cwd"], answer["leader"], answer["isolated"]) == ("/", True, 1)


def test_child_that_hangs_is_killed_at_the_clocks_end(monkeypatch: pytest.MonkeyPatch, source: Path) -> None:
    note = source.with_name("pid")
    stand_in(monkeypatch, f"open({str(note)!r}, 'w').write(str(os.getpid())); time.sleep(600)")
    with pytest.raises(BoxLimitError, match="in time") as caught:
        run_boxed("probe", source=source, options={}, limits=BoxLimits(wall_s=2.0))
    assert caught.value.spent == "time"
    assert not _is_alive(int(note.read_text()))


def test_child_that_closes_its_report_and_stays_is_killed(monkeypatch: pytest.MonkeyPatch, source: Path) -> None:
    monkeypatch.setattr(box, "EXIT_GRACE_S", 0.2)
    stand_in(monkeypatch, "say(b'{\"answer\": {}}\\n'); os.close(order['report_fd']); time.sleep(600)")
    began = time.monotonic()
    with pytest.raises(BoxError):
        run(source)
    assert time.monotonic() - began < 30


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("say(b'not json\\n')", "not JSON"),
        ("say(b'[1]\\n')", "not an object"),
        ("say(b'[' * 200000 + b'\\n')", "not JSON"),
        ("while True: say(b' ' * 60000)", "far too much"),
        ("pass", "no word from it"),
        ("os.kill(os.getpid(), signal.SIGSEGV)", "status -11"),
        ('say(b\'{"failure": "ValueError: x"}\\n\')', "ValueError: x"),
        ("say(b'{\"answer\": {}}\\n'); os._exit(3)", "status 3"),
    ],
)
def test_nonsense_from_the_child_is_not_believed(
    code: str, words: str, monkeypatch: pytest.MonkeyPatch, source: Path
) -> None:
    stand_in(monkeypatch, code)
    with pytest.raises(BoxCrashError, match=words) as caught:
        run(source)
    assert caught.value.permanent


@pytest.mark.parametrize(
    "answer",
    [
        '{"kind": "video"}',
        '{"kind": "film", "reason": "ok"}',
        '{"kind": "video", "reason": "fine"}',
        '{"kind": "video", "reason": "ok", "duration_s": -1}',
        '{"kind": "video", "reason": "ok", "duration_s": NaN}',
        '{"kind": "video", "reason": "ok", "video": {"width": 1, "height": 1, "rotation_deg": 0, "codec": "<script>\u00e9"}}',
        '{"kind": "video", "reason": "ok", "video": {"width": -1, "height": 1, "rotation_deg": 0, "codec": "h264"}}',
        '{"kind": "sound", "reason": "ok", "audio": 7}',
    ],
)
def test_answers_that_make_no_sense_count_as_a_broken_reader(
    answer: str, monkeypatch: pytest.MonkeyPatch, source: Path
) -> None:
    said = b'{"answer": ' + answer.encode() + b"}\n"
    stand_in(monkeypatch, f"say({said!r})")
    found = probe(source)
    assert (found.verdict, found.reason) == (Verdict.REJECT, ReasonCode.READER_BROKE)


def test_child_killed_from_outside_may_be_tried_again(monkeypatch: pytest.MonkeyPatch, source: Path) -> None:
    stand_in(monkeypatch, "os.kill(os.getpid(), signal.SIGKILL)")
    with pytest.raises(BoxError, match="from outside") as caught:
        probe(source)
    assert not caught.value.permanent


def test_full_disk_may_be_tried_again(monkeypatch: pytest.MonkeyPatch, source: Path) -> None:
    stand_in(monkeypatch, 'say(b\'{"failure": "space"}\\n\')')
    with pytest.raises(BoxError, match="no room") as caught:
        run(source)
    assert not caught.value.permanent


def test_processor_time_is_limited(case: Callable[[str], Case]) -> None:
    limits = ProbeLimits(max_duration_s=1e9, box=BoxLimits(cpu_s=1))
    found = probe(case("mp4_bomb_reuse").path, limits=limits)
    assert (found.verdict, found.reason) == (Verdict.LIMIT, ReasonCode.TOOK_TOO_LONG)


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux lets a process lower its own address space")
def test_memory_is_limited(case: Callable[[str], Case]) -> None:
    limits = ProbeLimits(max_image_px=10**9, box=BoxLimits(memory_bytes=400_000_000))
    found = probe(case("near_bomb_png").path, limits=limits)
    assert (found.verdict, found.reason) == (Verdict.LIMIT, ReasonCode.TOOK_TOO_MUCH_MEMORY)


def test_size_is_limited_before_anything_is_started(monkeypatch: pytest.MonkeyPatch, source: Path) -> None:
    stand_in(monkeypatch, "pass")
    found = probe(source, limits=ProbeLimits(max_bytes=8))
    assert (found.verdict, found.reason) == (Verdict.LIMIT, ReasonCode.TOO_LARGE)


def test_length_limit_is_the_callers(case: Callable[[str], Case]) -> None:
    found = probe(case("mp4_h264_aac").path, limits=ProbeLimits(max_duration_s=2))
    assert (found.reason, found.text[:38]) == (ReasonCode.TOO_LONG, "The clip is longer than 0.0333333 minut"[:38])


def test_pictures_beyond_the_budget_are_sampled_and_times_still_read(case: Callable[[str], Case]) -> None:
    whole = probe(case("mp4_h264_aac").path)
    sampled = probe(case("mp4_h264_aac").path, limits=ProbeLimits(full_decode_px=320 * 240 * 10, sample_every_s=1))
    assert sampled == whole


@pytest.mark.parametrize("make", ["missing", "folder", "pipe"])
def test_only_plain_files_are_opened(make: str, folder: Path) -> None:
    path = folder / "thing"
    if make == "folder":
        path.mkdir()
    elif make == "pipe":
        os.mkfifo(path)
    with pytest.raises(UnopenableFileError, match="thing"):
        probe(path)


def test_target_that_exists_is_not_written_over(source: Path, folder: Path) -> None:
    (folder / "out").write_bytes(b"old")
    with pytest.raises(UnopenableFileError, match="out"):
        run_boxed("copy", source=source, targets=[folder / "out"], options={}, limits=BoxLimits())
    assert (folder / "out").read_bytes() == b"old"


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux can tie a child's life to its parent's")
def test_child_dies_with_its_parent(case: Callable[[str], Case]) -> None:
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from pathlib import Path\n"
        "from lessons.media import ProbeLimits, probe\n"
        "probe(Path(sys.argv[2]), limits=ProbeLimits(max_duration_s=1e9))\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code, str(box.SOURCE_ROOT), str(case("mp4_bomb_reuse").path)])
    children = Path(f"/proc/{parent.pid}/task/{parent.pid}/children")
    _wait_until(lambda: bool(children.read_text().strip()))
    (child,) = map(int, children.read_text().split())
    _wait_until(lambda: b"lessons.media" in Path(f"/proc/{child}/cmdline").read_bytes())
    # Past its first steps: the codecs are loaded after it asked to die with its parent.
    _wait_until(lambda: "libav" in Path(f"/proc/{child}/maps").read_text())
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    _wait_until(lambda: not _is_alive(child))


def _is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def _wait_until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + 30
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)


def test_long_job_says_that_it_lives_while_its_share_hardly_grows(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[dict] = []
    monkeypatch.setattr(door.Reporter, "_say", lambda self, thing: said.append(thing))
    reporter = door.Reporter(-1)
    now = time.monotonic()
    monkeypatch.setattr(door.time, "monotonic", lambda: now)
    for _ in range(6):
        now += 1.0
        reporter.progress(0.001)
    assert said == [{"progress": 0.001}] * 3
