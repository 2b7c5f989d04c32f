"""Render fresh takes, hear them, compare them with their scores, and print how well that went.

    python -m tests.bench_ear [--seed N] [--size quick|targets|full] --piano NAME=FOLDER --piano NAME=FILE:BANK:PROGRAM
                              [--peer nmp.onnx] [--minutes N] [--json FILE]
    python -m tests.bench_ear --merge FILE FILE ...

`make bench-ear` fetches what it needs and calls this. README.md tells what each column means.
"""

import argparse
import json
import os
import resource
import secrets
import subprocess
import sys
import tempfile
import time
import zlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import groupby
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np

from lessons.media import probe
from reviews.sound.listener import Listener
from reviews.sound.listening import listen
from reviews.sound.training.measure import sound_of
from reviews.sound.training.sampled import resampled
from tests.bench_ear.expecting import compared
from tests.bench_ear.peers import RATE_HZ, SmallNet, flux_onsets
from tests.bench_ear.scoring import ALONE_FROM, Tally, score_strikes, score_take
from tests.bench_ear.tables import Key, families_table, targets_table
from tests.tools.drawn_takes import FAMILIES, drawn_takes
from tests.tools.render_takes import PRESETS, SR, FolderPiano, FontPiano, Piano, Take, render_dry, truth, write_take

# Takes of each family and piano. Full: every situation. Targets: on two pianos over a hundred goings-back and over 500 wrong or missed
# notes, 85 minutes of sound.
SIZES = {
    "full": dict.fromkeys(FAMILIES, 2) | {"five-finger": 6, "minuet": 9, "scales": 8, "repeated": 3, "tune": 6, "restarts": 12},
    "targets": {"five-finger": 12, "minuet": 13, "scales": 14, "repeated": 8, "restarts": 20},
    "quick": {"five-finger": 1, "minuet": 1, "scales": 1, "repeated": 1, "restarts": 1, "noodling": 1},
}  # fmt: skip
# Families of which every third take is also heard in a poor recording.
POOR = {"five-finger", "minuet", "scales", "repeated"}
POOR_EVERY = 3
# So many takes of each family, piano and sound are given to the peers too: they are known, and the time is for our own.
PEER_TAKES = 2
EVENT_S = 0.03  # s within which notes are one event for the detector of onsets


def sounds_of(take: Take) -> list[str]:
    """What is done to the sound of a take."""
    family = take.params["family"]
    if family == "soft":
        return ["hushed"]
    number = int(take.name.rsplit("_", 1)[1])
    return ["phone", "poor"] if family in POOR and number % POOR_EVERY == 0 else ["phone"]


def in_turn(takes: Sequence[Take]) -> Iterator[Take]:
    """The takes with families taking turns by their sizes: where time runs out, of each about the same share was heard."""
    order = []
    for _, group in groupby(takes, key=lambda take: take.params["family"]):
        family = list(group)
        order += [((place + 0.5) / len(family), take) for place, take in enumerate(family)]
    return (take for _, take in sorted(order, key=lambda each: each[0]))


def piano_of(text: str, takes: list[Take]) -> Piano:
    """The piano that an argument names."""
    if ":" not in text:
        return FolderPiano(Path(text))
    path, bank, program = text.rsplit(":", 2)
    pitches = sorted({note.pitch for take in takes for note in take.played})
    return FontPiano(Path(path).resolve(), int(bank), int(program), pitches)


class Bench:
    """What has been counted so far."""

    def __init__(self, *, peer: Path | None, seed: int) -> None:
        self.listener, self.seed = Listener(), seed
        self.peer = SmallNet(peer) if peer else None
        self.tallies: defaultdict[Key, Tally] = defaultdict(Tally)
        self.sums = dict.fromkeys(("heard_s", "cpu_s", "peer_heard_s", "peer_cpu_s"), 0.0)
        self.fresh: list[dict[str, Any]] = []

    def take(self, piano_name: str, piano: Piano, take: Take) -> None:
        dry = render_dry(take, piano)
        for sound_name in sounds_of(take):
            with tempfile.TemporaryDirectory() as folder:
                path = write_take(take, PRESETS[sound_name], dry, Path(folder), self.seed)
                true = truth(take, PRESETS[sound_name], path.name, len(dry) / SR)
                found = probe(path)
                begin = time.process_time()
                listened = listen(path, probe=found, folder=Path(folder), listener=self.listener)
                comparison = compared(true, listened)
                self.sums["cpu_s"] += time.process_time() - begin
                self.sums["heard_s"] += len(dry) / SR
                tally = score_take(true, listened, comparison)
                held = self.tallies[piano_name, take.params["family"], sound_name]
                if held.counts["takes"] < PEER_TAKES:
                    heard = [(n.onset_s, n.pitch_midi) for n in listened.hearing.notes if n.confidence >= ALONE_FROM]
                    score_strikes("ours", true, heard, tally)
                    self.peers(path, true, tally)
            held.add(tally)

    def peers(self, path: Path, true: dict[str, Any], tally: Tally) -> None:
        """Let the other listeners hear the same file."""
        sound = sound_of(path)
        if self.peer:
            begin = time.process_time()
            at_rate = resampled(sound.astype(np.float64), ratio=RATE_HZ / 16_000).astype(np.float32)
            score_strikes("peer", true, self.peer.strikes(at_rate), tally)
            tally.counts["peer takes"] += 1
            self.sums["peer_cpu_s"] += time.process_time() - begin
            self.sums["peer_heard_s"] += len(sound) / 16_000
        onsets: list[float] = []
        for note in sorted(true["played"], key=lambda note: note["onset"]):
            if not onsets or note["onset"] - onsets[-1] > EVENT_S:
                onsets.append(note["onset"])
        told = flux_onsets(sound, rate_hz=16_000)
        tally.flux.append(mir_eval.onset.f_measure(np.array(onsets), told, window=0.05)[0])

    def in_fresh_process(self, piano: Piano, take: Take) -> None:
        """Hear one take in a process that has loaded nothing yet."""
        dry = render_dry(take, piano)
        with tempfile.TemporaryDirectory() as folder:
            path = write_take(take, PRESETS["phone"], dry, Path(folder), self.seed)
            command = [sys.executable, "-m", "tests.bench_ear.fresh", str(path), str(path.with_suffix(".json"))]
            begin = time.monotonic()
            told = json.loads(subprocess.run(command, capture_output=True, check=True, text=True, timeout=300).stdout)
            self.fresh.append(told | {"clip_s": len(dry) / SR, "wall_s": time.monotonic() - begin, "load": os.getloadavg()[0]})  # fmt: skip

    def as_json(self) -> dict[str, Any]:
        """Everything that was counted."""
        tallies = [[*key, tally.as_json()] for key, tally in sorted(self.tallies.items())]
        return {"seed": self.seed, "sums": self.sums, "fresh": self.fresh, "tallies": tallies}


def merged(files: Sequence[Path]) -> tuple[dict[Key, Tally], list[dict[str, Any]]]:
    """Tallies of several runs together, and the runs. The same takes on the same piano may not count twice."""
    tallies: defaultdict[Key, Tally] = defaultdict(Tally)
    runs = [json.loads(path.read_text()) for path in files]
    counted: set[tuple[int, str]] = set()
    for run in runs:
        heard = {(run["seed"], piano) for piano, *_ in run["tallies"]}
        if heard & counted:
            raise SystemExit(f"counted twice: {sorted(heard & counted)}")
        counted |= heard
        for piano, family, sound, kept in run["tallies"]:
            tallies[piano, family, sound].add(Tally.from_json(kept))
    return tallies, runs


def report(tallies: dict[Key, Tally], runs: Sequence[dict[str, Any]]) -> str:
    """The tables and what it cost."""
    sums = {name: sum(run["sums"][name] for run in runs) for name in runs[0]["sums"]}
    lines = ["Seed " + ", ".join(str(run["seed"]) for run in runs) + ".", "", *families_table(tallies), "", *targets_table(tallies), ""]  # fmt: skip
    lines.append(
        f"Listening and comparing: {sums['cpu_s'] / max(sums['heard_s'], 1):.3f} CPU s per second of clip, decoding included (wanted: 0.10);"
        f" the peer {sums['peer_cpu_s'] / max(sums['peer_heard_s'], 1):.3f}. {sums['heard_s'] / 60:.0f} minutes of sound."
    )
    lines += [
        f"A fresh process: clip of {each['clip_s']:.0f} s, first finding after {each['wall_s']:.1f} s (wanted: {5 + 0.1 * each['clip_s']:.1f}), of them"
        f" {each['cpu_s']:.1f} CPU s; peak memory {each['peak_mb']:.0f} MB (wanted: 600); load {each['load']:.1f}."
        for run in runs
        for each in run["fresh"]
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--size", choices=SIZES, default="full")
    parser.add_argument("--piano", action="append", help="NAME=FOLDER or NAME=FILE:BANK:PROGRAM")
    parser.add_argument("--peer", type=Path)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="begin no take later than this")
    parser.add_argument("--only", default="", help="families, separated by commas")
    parser.add_argument("--json", type=Path, help="where to keep the counts, written after every take")
    parser.add_argument("--merge", type=Path, nargs="+", help="tables of several runs together; nothing is heard")
    options = parser.parse_args()
    if options.merge:
        print(report(*merged(options.merge)))
        return
    if not options.piano:
        parser.error("--piano is needed to render")
    seed = options.seed if options.seed is not None else secrets.randbelow(1_000_000)
    print(f"Seed {seed}; load {os.getloadavg()[0]:.1f}.", flush=True)
    counts = SIZES[options.size]
    wanted = set(options.only.split(",")) if options.only else set(counts)
    if wanted - set(FAMILIES):
        parser.error(f"no such families: {', '.join(sorted(wanted - set(FAMILIES)))}")
    counts = {family: count for family, count in counts.items() if family in wanted}
    end_s = time.monotonic() + 60 * options.minutes
    bench = Bench(peer=options.peer, seed=seed)
    for number, text in enumerate(options.piano):
        name, source = text.split("=", 1)
        # Its share of the time that is left, so that no piano goes unheard.
        stop_s = time.monotonic() + (end_s - time.monotonic()) / (len(options.piano) - number)
        takes = list(drawn_takes((seed << 32) + zlib.crc32(name.encode()), counts=counts))
        piano = piano_of(source, takes)
        done = 0
        for take in in_turn(takes):
            if time.monotonic() > stop_s:
                break
            bench.take(name, piano, take)
            done += 1
            if options.json:
                options.json.parent.mkdir(parents=True, exist_ok=True)
                options.json.write_text(json.dumps(bench.as_json()))
        print(f"{name}: {done} of {len(takes)} takes; load {os.getloadavg()[0]:.1f}.", flush=True)
        bench.in_fresh_process(piano, max(takes, key=lambda take: take.played[-1].onset))
        if options.json:
            options.json.write_text(json.dumps(bench.as_json()))
    print(report(bench.tallies, [bench.as_json()]))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"Peak memory of this process, samples of the pianos included: {peak_mb:.0f} MB. Load {os.getloadavg()[0]:.1f}."
    )


if __name__ == "__main__":
    main()
