"""What listening costs a worker that has just been started: seconds to the first finding, and the most memory it held.

    python tests/bench/listening.py [--minutes 60]

Each row is a process of its own that loads what a worker loads, decodes a clip, hears it, and, beside a score, compares. Time counts
from the start of that process; on a busy machine the processor's seconds are a lower bound that others do not move. Memory is the largest resident set of the process or of a child of it, as the system counts it.
Wanted: 5 s and a tenth of the clip's length; 600 MB for an hour.
"""

import argparse
import os
import sys
import tempfile
import time
from fractions import Fraction
from itertools import cycle, islice
from pathlib import Path

import av
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from curriculum.score import PlannedNote, make_score, plain_bars  # noqa: E402
from curriculum.score.musicxml.writer import write_musicxml  # noqa: E402
from tests.signals import RATE_HZ, five_finger, in_room, make_noise, make_take  # noqa: E402

GAP_S = 0.375  # between strikes: quarters at 160
STEPS = "CDEFGFED"
STRIKES_A_ROUND, ROUNDS = 8, 20  # a minute, with which longer clips are filled
BEGIN = """
import os, sys, time
began = float(sys.argv.pop(1))
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "keyslip.settings")
from keyslip.celery import app
app.loader.import_default_modules()
from django.core.management import execute_from_command_line
loaded_s = time.time() - began
execute_from_command_line(["manage.py", "measure", *sys.argv[1:]])
print(f"{loaded_s:.1f}", file=sys.stderr)
"""


def clip(path: Path, *, minutes: float) -> Path:
    """A phone's sound of five fingers in a room, AAC at 48 kHz."""
    minute_s = STRIKES_A_ROUND * ROUNDS * GAP_S
    minute = make_take(five_finger(gap_s=GAP_S, rounds=ROUNDS, first_s=0.2), duration_s=minute_s)
    minute = np.repeat(in_room(minute, decay_s=0.4) + make_noise(minute_s, rms_db=-60), 48_000 // RATE_HZ)
    with av.open(str(path), "w") as out:
        sound = out.add_stream("aac", rate=48_000, layout="mono")
        sound.bit_rate = 128_000
        for number in range(round(minutes * 60 * 48_000) // 1024):
            at = (number * 1024) % (len(minute) - 1024)
            piece = av.AudioFrame.from_ndarray(np.ascontiguousarray(minute[None, at : at + 1024]), format="fltp", layout="mono")  # fmt: skip
            piece.sample_rate, piece.pts, piece.time_base = 48_000, number * 1024, Fraction(1, 48_000)
            out.mux(sound.encode(piece))
        out.mux(sound.encode(None))
    return path


def score(path: Path, *, minutes: float) -> Path:
    """What is played in such a clip, as MusicXML."""
    count = int(minutes * 60 / GAP_S) // STRIKES_A_ROUND * STRIKES_A_ROUND
    notes = [
        PlannedNote(Fraction(i), Fraction(1), step, octave=4) for i, step in enumerate(islice(cycle(STEPS), count))
    ]
    path.write_bytes(write_musicxml(make_score(notes, bars=plain_bars(count // 4))))
    return path


def measured(arguments: list[str], *, folder: Path) -> tuple[float, float, float, float]:
    """Seconds to the answer, seconds of them until everything was loaded, seconds of a processor, and megabytes."""
    began, errors = time.time(), folder / "errors"
    environment = {**os.environ, "KEYSLIP_DATA": str(folder / "data"), "PYTHONPATH": str(ROOT)}
    with errors.open("w") as said, Path(os.devnull).open("w") as nowhere:
        pid = os.posix_spawn(
            sys.executable,
            [sys.executable, "-c", BEGIN, str(began), *arguments],
            environment,
            file_actions=[(os.POSIX_SPAWN_DUP2, nowhere.fileno(), 1), (os.POSIX_SPAWN_DUP2, said.fileno(), 2)],
        )
        _, status, used = os.wait4(pid, 0)
    seconds = time.time() - began
    lines = errors.read_text().split("\n")
    if os.waitstatus_to_exitcode(status):
        raise SystemExit("\n".join(lines))
    return seconds, float(lines[-2]), used.ru_utime + used.ru_stime, used.ru_maxrss * 1024 / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the longest clip")
    options = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(
        "| clip | beside a score | seconds | of them loading | wanted | processor s | MB |\n|---|---|---|---|---|---|---|"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for minutes, with_score in ((0.5, True), (3.0, True), (options.minutes, False)):
            sound = clip(folder / "clip.m4a", minutes=minutes)
            arguments = [str(sound), "--json"]
            if with_score:
                arguments += ["--score", str(score(folder / "score.musicxml", minutes=minutes))]
            seconds, loading_s, busy_s, megabytes = measured(arguments, folder=folder)
            print(f"| {minutes:g} min | {'yes' if with_score else 'no'} | {seconds:.1f} | {loading_s:.1f} | {5 + 6 * minutes:.0f} | {busy_s:.1f} | {megabytes:.0f} |", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
