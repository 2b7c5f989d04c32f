"""Render fresh takes, hear them, compare them with their scores, and print how well that went.

    python -m tests.bench_ear [--seed N] [--quick] --piano NAME=FOLDER --piano NAME=FILE:BANK:PROGRAM [--peer nmp.onnx]

`make bench-ear` fetches what it needs and calls this. README.md tells what each column means.
"""

import argparse
import os
import resource
import secrets
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import groupby, zip_longest
from pathlib import Path

import mir_eval
import numpy as np

from lessons.media import probe
from reviews.sound.listener import Listener
from reviews.sound.listening import listen
from reviews.sound.training.measure import sound_of
from reviews.sound.training.sampled import resampled
from tests.bench_ear.peers import RATE_HZ, SmallNet, flux_onsets
from tests.bench_ear.scoring import Tally, compared, score_strikes, score_take
from tests.tools.drawn_takes import FAMILIES, drawn_takes
from tests.tools.render_takes import PRESETS, SR, FolderPiano, FontPiano, Piano, Take, render_dry, truth, write_take

# Takes of each family and piano. Three going-backs a take: with three pianos over a hundred, and over 500 wrong or missed notes.
FULL = dict.fromkeys(FAMILIES, 2) | {"five-finger": 6, "minuet": 9, "scales": 8, "repeated": 3, "tune": 6, "restarts": 12}  # fmt: skip
QUICK = {"five-finger": 1, "minuet": 1, "scales": 1, "repeated": 1, "restarts": 1, "noodling": 1}
# Families whose takes are also heard in a poor recording.
POOR = {"five-finger", "minuet", "scales", "repeated"}
EVENT_S = 0.03  # s within which notes are one event for the detector of onsets


def sounds_of(family: str) -> list[str]:
    """What is done to the sound of a family's takes."""
    if family == "soft":
        return ["hushed"]
    return ["phone", "poor"] if family in POOR else ["phone"]


def in_turn(takes: Sequence[Take]) -> Iterator[Take]:
    """The takes with families taking turns: where time runs out, each family was heard about as often."""
    families = [list(group) for _, group in groupby(takes, key=lambda take: take.params["family"])]
    return (take for turn in zip_longest(*families) for take in turn if take is not None)


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
        self.tallies: defaultdict[tuple[str, str, str], Tally] = defaultdict(Tally)
        self.flux: defaultdict[str, list[float]] = defaultdict(list)
        self.heard_s = self.cpu_s = self.peer_cpu_s = 0.0

    def take(self, piano_name: str, piano: Piano, take: Take) -> None:
        dry = render_dry(take, piano)
        family = take.params["family"]
        for sound_name in sounds_of(family):
            with tempfile.TemporaryDirectory() as folder:
                path = write_take(take, PRESETS[sound_name], dry, Path(folder), self.seed)
                true = truth(take, PRESETS[sound_name], path.name, len(dry) / SR)
                found = probe(path)
                begin = time.process_time()
                listened = listen(path, probe=found, folder=Path(folder), listener=self.listener)
                comparison = compared(true, listened)
                self.cpu_s += time.process_time() - begin
                self.heard_s += len(dry) / SR
                tally = score_take(true, listened, comparison)
                self.peers(path, true, tally, family, sound_name)
            self.tallies[piano_name, family, sound_name].add(tally)
            self.tallies["all", family, sound_name].add(tally)

    def peers(self, path: Path, true: dict, tally: Tally, family: str, sound_name: str) -> None:
        sound = sound_of(path)
        begin = time.process_time()
        if self.peer:
            at_rate = resampled(sound.astype(np.float64), ratio=RATE_HZ / 16_000).astype(np.float32)
            score_strikes("peer", true, self.peer.strikes(at_rate), tally)
            self.peer_cpu_s += time.process_time() - begin
        onsets: list[float] = []
        for note in sorted(true["played"], key=lambda note: note["onset"]):
            if not onsets or note["onset"] - onsets[-1] > EVENT_S:
                onsets.append(note["onset"])
        told = flux_onsets(sound, rate_hz=16_000)
        self.flux[f"{family}, {sound_name}"].append(mir_eval.onset.f_measure(np.array(onsets), told, window=0.05)[0])

    def table(self) -> list[str]:
        lines = [
            "| piano | family | sound | notes | F1 alone | F1 answered | peer | flux | onset ms | answered | accused / 100 | wrong found | missed found | restarts | invented | extras | invented | gaps |",
            "|" + "---|" * 18,
        ]
        for (piano, family, sound), tally in sorted(self.tallies.items()):
            c, notes = tally.counts, max(tally.counts["notes"], 1)
            median, p95 = tally.onset_ms()
            flux = f"{np.mean(self.flux[f'{family}, {sound}']):.3f}" if piano == "all" else ""
            gaps = tally.ioi_share_within()
            cells = [
                piano, family, sound, str(c["notes"]), _three(tally.f1_of("alone")), _three(tally.f1_of("answered")),
                _three(tally.f1_of("peer")), flux, f"{median:.1f} / {p95:.1f}", f"{100 * c['answered'] / notes:.1f} %",
                f"{100 * c['accused'] / notes:.2f}", f"{c['wrong found']} of {c['wrong answered']} ({c['wrong']})",
                f"{c['missed found']} of {c['missed answered']} ({c['missed']})",
                f"{c['restarts found']} of {c['restarts']}", str(c["restarts invented"]),
                f"{c['extras found']} of {c['extras']}", str(c["extras invented"]), _three(gaps),
            ]  # fmt: skip
            lines.append("| " + " | ".join(cells) + " |")
        return lines


def _three(value: float | None) -> str:
    return "–" if value is None else f"{value:.3f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--piano", action="append", required=True, help="NAME=FOLDER or NAME=FILE:BANK:PROGRAM")
    parser.add_argument("--peer", type=Path)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="begin no take later than this")
    parser.add_argument("--only", default="", help="families, separated by commas")
    options = parser.parse_args()
    seed = options.seed if options.seed is not None else secrets.randbelow(1_000_000)
    print(f"Seed {seed}; load {os.getloadavg()[0]:.1f}.", flush=True)
    counts = QUICK if options.quick else FULL
    wanted = set(options.only.split(",")) if options.only else set(counts)
    counts = {family: count for family, count in counts.items() if family in wanted}
    end_s = time.monotonic() + 60 * options.minutes
    bench = Bench(peer=options.peer, seed=seed)
    for number, text in enumerate(options.piano):
        name, source = text.split("=", 1)
        takes = list(drawn_takes(seed + number, counts=counts))
        piano = piano_of(source, takes)
        for take in in_turn(takes):
            if time.monotonic() > end_s:
                print(f"{name}: time is up before {take.name}.", flush=True)
                break
            bench.take(name, piano, take)
            print(f"{name} {take.name}", flush=True)
    print("\n".join(bench.table()))
    print(
        f"\nListening and comparing: {bench.cpu_s / bench.heard_s:.3f} CPU s per second of clip, decoding included"
        f"; the peer {bench.peer_cpu_s / bench.heard_s:.3f}. {bench.heard_s / 60:.0f} minutes of sound."
        f" Peak memory of this process, samples of the pianos included: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB."
        f" Load {os.getloadavg()[0]:.1f}."
    )


if __name__ == "__main__":
    main()
