"""The supervisor with small programs that write down that they run; the real ones are in test_up.py."""

import json
import os
import signal
import subprocess
import sys
import textwrap

import pytest

from tests.house import PROJECT, is_alive, marked_processes
from tests.waiting import wait_for

# A program with a child of its own, as web server and worker have; `deaf` ones ignore being asked to stop.
PROGRAM = """
import os, signal, subprocess, sys, time
folder, name, deaf = sys.argv[1], sys.argv[2], sys.argv[3] == "deaf"
if deaf:
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
if name != "child":
    subprocess.Popen([sys.executable, "-I", "-c", open(folder + "/program.py").read(), folder, "child", sys.argv[3]])
with open(f"{folder}/{name}.starts", "a") as starts:
    starts.write(f"{os.getpid()}\\n")
while True:
    time.sleep(60)
"""
SUPERVISOR = """
import sys
from pathlib import Path
from keyslip.supervisor import Program, Supervisor, SupervisorError
folder = Path(sys.argv[1])
def program(name, *, is_foundation=False):
    return Program(name, (sys.executable, "-I", str(folder / "program.py"), str(folder), name, sys.argv[2]), is_foundation=is_foundation)
def say(text):
    print(text, flush=True)
try:
    Supervisor([program("base", is_foundation=True), program("top")], folder / "run", say, on_ready=lambda: say("ready")).run()
except SupervisorError as error:
    sys.exit(str(error))
say("stopped")
"""
SETTLE_S = 20.0


class Small:
    """A supervisor over two small programs."""

    def __init__(self, folder, *, manner="polite"):
        self.folder = folder
        self.mark = ""
        self.before = {name: len(self.starts(name)) for name in ("top", "child")}
        (folder / "program.py").write_text(PROGRAM)
        self.process = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(SUPERVISOR), str(folder), manner],
            cwd=PROJECT,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )

    def starts(self, name):
        path = self.folder / f"{name}.starts"
        return [int(line) for line in path.read_text().split()] if path.exists() else []

    def wait_until_running(self):
        wait_for(
            lambda: (
                self.process.poll() is not None
                or (
                    len(self.starts("child")) >= self.before["child"] + 2
                    and len(self.starts("top")) > self.before["top"]
                )
            ),
            within_s=SETTLE_S,
            what="both programs and their children run",
        )
        assert self.process.poll() is None, self.process.stdout.read()
        self.mark = f"KEYSLIP_RUN={json.loads((self.folder / 'run/running.json').read_text())['mark']}"
        return self

    def wait_until_nothing_is_left(self):
        wait_for(lambda: not marked_processes(self.mark), within_s=SETTLE_S, what="every program has ended")


@pytest.fixture
def small(tmp_path):
    started = []

    def start(**options):
        started.append(Small(tmp_path, **options))
        return started[-1]

    yield start
    for one in started:
        one.process.kill()
        one.process.wait()
        one.process.stdout.close()
        if one.mark:
            one.wait_until_nothing_is_left()


def test_program_that_is_killed_starts_again_and_its_children_end(small):
    house = small().wait_until_running()
    top, children = house.starts("top")[0], house.starts("child")
    os.kill(top, signal.SIGKILL)
    wait_for(lambda: len(house.starts("top")) == 2, within_s=SETTLE_S, what="the program runs again")
    assert house.starts("top")[1] != top
    wait_for(lambda: sum(is_alive(child) for child in children) == 1, within_s=SETTLE_S, what="its old child has ended")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_signal_stops_everything_within_ten_seconds(small, number):
    house = small().wait_until_running()
    house.process.send_signal(number)
    assert house.process.wait(10) == 0
    assert marked_processes(house.mark) == []
    assert "stopped" in house.process.stdout.read()
    assert not (house.folder / "run/running.json").exists()


@pytest.mark.slow
def test_programs_that_do_not_listen_are_stopped_within_ten_seconds_all_the_same(small):
    house = small(manner="deaf").wait_until_running()
    house.process.send_signal(signal.SIGTERM)
    assert house.process.wait(10) == 0
    assert marked_processes(house.mark) == []


@pytest.mark.parametrize("manner", ["polite", "deaf"])
def test_killed_supervisor_leaves_nothing_behind(small, manner):
    house = small(manner=manner).wait_until_running()
    house.process.kill()
    house.process.wait()
    house.wait_until_nothing_is_left()


def test_killed_guard_is_replaced_and_still_guards(small):
    house = small().wait_until_running()
    programs = set(house.starts("top") + house.starts("base") + house.starts("child"))

    def guards():
        return [process for process in marked_processes(house.mark) if process not in programs]

    (guard,) = guards()
    os.kill(guard, signal.SIGKILL)
    wait_for(lambda: guards() not in ([], [guard]), within_s=SETTLE_S, what="there is another guard")
    house.process.kill()
    house.process.wait()
    house.wait_until_nothing_is_left()


def test_next_start_ends_what_the_last_one_left_when_even_the_guard_was_killed(small):
    house = small(manner="deaf").wait_until_running()
    programs = set(house.starts("top") + house.starts("base") + house.starts("child"))
    (guard,) = [process for process in marked_processes(house.mark) if process not in programs]
    os.kill(house.process.pid, signal.SIGSTOP)  # so that it cannot replace the guard
    os.kill(guard, signal.SIGKILL)
    house.process.kill()
    house.process.wait()
    old = house.mark
    wait_for(lambda: len(marked_processes(old)) == 4, within_s=SETTLE_S, what="the guard is gone")
    small().wait_until_running()
    assert marked_processes(old) == []


def test_second_supervisor_of_a_folder_is_refused_and_the_first_goes_on(small):
    house = small().wait_until_running()
    second = small()
    assert second.process.wait(SETTLE_S) == 1
    assert "running already" in second.process.stdout.read()
    assert house.process.poll() is None
    house.process.send_signal(signal.SIGTERM)
    assert house.process.wait(10) == 0


def test_program_that_keeps_dying_is_started_more_and_more_patiently(tmp_path, monkeypatch):
    from keyslip.supervisor import Program, Supervisor
    from keyslip.supervisor import supervisor as module

    said = []
    running = Supervisor([Program("short", ("/bin/false",))], tmp_path / "run", said.append)
    monkeypatch.setattr(module, "FIRST_DELAY_S", 0.01)
    running.every_minute = tuple

    def say(text):
        said.append(text)
        if len(said) == 4:
            os.kill(os.getpid(), signal.SIGTERM)

    running.say = say
    running.run()
    waits = [float(text.rsplit(" in ", 1)[1].split()[0]) for text in said]
    assert waits == sorted(waits)
    assert waits[-1] >= 4 * waits[0]


def test_program_is_replaced_where_the_house_has_moved(tmp_path, monkeypatch):
    from keyslip.supervisor import Program, Supervisor
    from keyslip.supervisor import supervisor as module

    monkeypatch.setattr(module, "MINUTE_S", 0.1)
    old, new = (Program("web", ("/bin/sleep", seconds)) for seconds in ("600", "601"))
    running = Supervisor([old], tmp_path / "run", lambda _: None)
    moves, seen = [[new]], []

    def every_minute():
        if moves:
            return moves.pop()
        process = running._running[0].process
        if process:
            seen.append(process.args[-1])
            os.kill(os.getpid(), signal.SIGTERM)
        return []

    running.every_minute = every_minute
    running.run()
    assert seen[0] == "601"
