"""A second corpus of difficult files, made without looking at the first: verdicts, times, what was touched.

    python tests/bench/second_corpus.py [--only GLOB ...] [--folder DIR]

Each file is looked at; what is taken has its sound decoded and its copy made, and the claps and flashes in both are held against where
they were made. A port listens for anything that asks for an address, and the tone of the planted secret is listened for.
"""

import argparse
import fnmatch
import socket
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from lessons.media import (
    Kind,
    Probe,
    ReasonCode,
    Verdict,
    box,
    copying,
    decode_sound,
    make_copy,
    making,
    pictures,
    probe,
    probing,
    take_picture,
)
from lessons.media.samples import open_samples
from tests.lessons.media.signs import clicks_s, decode
from tests.tools import make_clips, make_more_clips

MOST_MB, MOST_CPU_S = 400, 30

# How far a click may lie from its place, seconds; Opus moves a click of one millisecond by up to one and a half. A flash: one picture.
SLACK_S, OPUS_SLACK_S, FLASH_SLACK_S = 0.001, 0.002, 1 / 30 + 0.001


@dataclass(slots=True)
class Worst:
    """The most that one child process used, and for which file."""

    cpu_s: float = 0.0
    peak_mb: float = 0.0
    slow: str = ""
    large: str = ""
    case_id: str = ""
    faults: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        run = box.run_boxed

        def watched(job: str, *args: Any, **options: Any) -> Any:
            report = run(job, *args, **options)
            self.take(job, report)
            return report

        for module in (copying, making, pictures, probing):
            if hasattr(module, "run_boxed"):
                module.run_boxed = watched

    def take(self, job: str, report: box.BoxReport) -> None:
        name, peak_mb = f"{self.case_id}, {job}", report.peak_bytes / 1e6
        if report.cpu_s > self.cpu_s:
            self.cpu_s, self.slow = report.cpu_s, name
        if peak_mb > self.peak_mb:
            self.peak_mb, self.large = peak_mb, name
        if peak_mb > MOST_MB or report.cpu_s > MOST_CPU_S:
            self.faults.append(f"{name}: {peak_mb:.0f} MB, {report.cpu_s:.1f} s")


def listen(calls: list[str]) -> int:
    """Note every connection to a free loopback port."""
    server = socket.create_server(("127.0.0.1", 0))

    def take() -> None:
        while True:
            connection, address = server.accept()
            calls.append(str(address))
            connection.close()

    threading.Thread(target=take, daemon=True).start()
    return server.getsockname()[1]


def faults_of(path: Path, truth: dict, found: Probe, folder: Path) -> list[str]:
    """What is wrong in the answer, and in what would be stored."""
    faults = []
    if found.verdict != truth["expect"] != "any":
        faults.append(f"{found.verdict} ({found.reason}) instead of {truth['expect']}")
    if found.reason is ReasonCode.READER_BROKE:
        faults.append("the reader broke")
    if found.kind is Kind.PICTURE and found.verdict is Verdict.ACCEPT:
        faults += picture_faults(path, truth, found, folder)
    elif found.kind in (Kind.VIDEO, Kind.SOUND) and found.verdict in (Verdict.ACCEPT, Verdict.PARTIAL):
        faults += clip_faults(path, truth, found, folder)
    return faults


def picture_faults(path: Path, truth: dict, found: Probe, folder: Path) -> list[str]:
    wanted = truth["width"], truth["height"]
    taken = take_picture(path, folder / "picture.jpg")
    if not taken.is_taken or found.video is None:
        return [f"looked at as {found.reason}, taken as {taken.reason}"]
    sizes = {"seen": (found.video.width, found.video.height), "kept": (taken.saved[0].width, taken.saved[0].height)}
    largest = max(*wanted, 1600)
    return [
        f"{name} {width} x {height} instead of {wanted}"
        for name, (width, height) in sizes.items()
        if (name == "seen" and (width, height) != wanted)
        or (name == "kept" and abs(width * wanted[1] - height * wanted[0]) > largest * 2)
    ]


def clip_faults(path: Path, truth: dict, found: Probe, folder: Path) -> list[str]:
    clicks, flashes = wanted(truth, found)
    slack_s = OPUS_SLACK_S if "opus" in str(truth.get("audio", {}).get("codec")) else SLACK_S
    is_judged = truth["expect"] != "any" and bool(truth.get("claps"))
    faults = []
    if found.audio is not None:
        facts = decode_sound(path, folder / "sound.npy", probe=found)
        samples = open_samples(folder / "sound.npy")
        if "canary_hz" in truth and tone_level(samples, facts.rate_hz, truth["canary_hz"]) > 0.1:
            faults.append("the secret is heard")
        if is_judged:
            faults += apart("clicks", clicks_s(samples, facts.rate_hz), clicks, slack_s)
    copy = make_copy(path, folder / "copy.mp4", probe=found)
    stored = decode(folder / "copy.mp4")
    if truth["expect"] != "any" and abs(copy.duration_s - (found.duration_s or 0)) > 0.15:
        faults.append(f"the copy lasts {copy.duration_s:.3f} s, the clip {found.duration_s} s")
    if is_judged and copy.has_sound:
        faults += apart("copy's clicks", stored.clicks_s, clicks, slack_s)
    if is_judged and found.video is not None:
        faults += apart("copy's flashes", stored.flashes_s, flashes, FLASH_SLACK_S)
    return faults


def wanted(truth: dict, found: Probe) -> tuple[list[float], list[float]]:
    """Claps that are to be heard and seen, seconds from the common zero."""
    video = truth.get("video") or {}
    zero_s = min((truth[track]["start"] for track in ("video", "audio") if truth.get(track)), default=0.0)
    claps = [clap - zero_s for clap in truth.get("claps", [])]
    end_s = (found.duration_s or 0.0) - 0.05
    clicks = [clap + truth.get("audio_shift", 0.0) for clap in claps]
    times = video.get("pts")
    # A flash shows in the first picture at or after its clap.
    flashes = claps if not times else [min(at_s for at_s in times if at_s >= clap) for clap in claps]
    return [at_s for at_s in clicks if at_s < end_s], [at_s for at_s in flashes if at_s < end_s]


def apart(what: str, heard: list[float], truth: list[float], slack_s: float) -> list[str]:
    if len(heard) == len(truth) and all(abs(one - other) <= slack_s for one, other in zip(heard, truth, strict=True)):
        return []
    return [f"{what} at {[round(at_s, 4) for at_s in heard]} instead of {[round(at_s, 4) for at_s in truth]}"]


def tone_level(samples: Any, rate_hz: int, tone_hz: float) -> float:
    part = np.asarray(samples[:, : 2 * rate_hz])
    turn = np.exp(-2j * np.pi * tone_hz * np.arange(part.shape[1]) / rate_hz)
    return float(np.abs(part @ turn).max() * 2 / max(1, part.shape[1]))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="*", default=["*"], metavar="GLOB", help="ids of files")
    parser.add_argument(
        "--folder", type=Path, help="where the files are made and left; default: a folder that is removed"
    )
    options = parser.parse_args()
    av.logging.set_level(None)
    calls: list[str] = []
    make_clips.CANARY_PORT = listen(calls)
    ids = [name for name in make_more_clips.REGISTRY if any(fnmatch.fnmatch(name, glob) for glob in options.only)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        corpus = options.folder or folder / "corpus"
        index, failed = make_more_clips.build(corpus, ids)
        worst, bad, decided, right, slowest = Worst(), 0, 0, 0, (0.0, "")
        for case_id in [case_id for case_id in ids if case_id in index]:
            truth = index[case_id]
            worst.case_id = case_id
            began = time.perf_counter()
            found = probe(corpus / truth["file"])
            slowest = max(slowest, (time.perf_counter() - began, case_id))
            decided += truth["expect"] != "any"
            right += found.verdict == truth["expect"]
            faults = faults_of(corpus / truth["file"], truth, found, folder)
            bad += bool(faults)
            for fault in faults:
                print(f"  {case_id}: {fault}")
    for fault in [*worst.faults, *(f"not made: {one}" for one in failed)]:
        print(f"  {fault}")
    print(f"second corpus: {len(ids)} files, {right} of {decided} decided verdicts right, {bad} files with a fault")
    print(f"  worst: {worst.cpu_s:.1f} s of processor ({worst.slow}), {worst.peak_mb:.0f} MB ({worst.large}), looking {slowest[0]:.1f} s by the clock ({slowest[1]})")  # fmt: skip
    print(f"  addresses asked for: {len(calls)}")


if __name__ == "__main__":
    main()
