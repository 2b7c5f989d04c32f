"""One performance recorded over and over: how often the truth, and what another recording tells, lies in the stated interval.

    python -m tests.bench_ear.coverage [--seed N] [--renderings N] [--minutes N] --piano NAME=FOLDER ... [--json FILE]
    python -m tests.bench_ear.coverage --merge FILE FILE ...

Every rendering has a room, noise and a phone of its own, drawn anew, and the pianos take turns. The truth of a number is what the same
program makes of the strikes themselves, at their true moments and levels, by the same rules. README.md tells the columns.
"""

import argparse
import json
import os
import secrets
import tempfile
import time
import zlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from lessons.media import probe
from reviews.compare import Matching, compare, find, match
from reviews.compare.findings import Kind
from reviews.compare.measures import (
    FLOOR_BPM,
    Measure,
    Trust,
    chord_spread_ms,
    evenness_of,
    gaps_of,
    hands_apart_ms,
    proportions_of,
    strokes_of,
    tempo_of,
)
from reviews.compare.settings import CompareSettings
from reviews.sound.heard import HeardNote, around_median
from reviews.sound.listener import Listener
from reviews.sound.listening import listen
from tests.bench_ear.__main__ import piano_of
from tests.bench_ear.expecting import expected_of
from tests.tools.drawn_takes import SLIPS, Manner, drawn_tune, play
from tests.tools.render_takes import (
    SR,
    Degradation,
    Piano,
    Take,
    degrade,
    five_finger,
    minuet,
    perform,
    render_dry,
    repeated_notes,
    scale_hands_together,
    truth,
    write_mp4,
)

SETTINGS = CompareSettings()
# Noise floors are compared on one performance at these ratios of playing to noise, all else alike.
STEPS_SNR_DB = (40.0, 25.0, 15.0, 8.0)

Name: TypeAlias = tuple[str, str]  # what is measured, and of which hand, value or section


def performances(seed: int) -> Iterator[Take]:
    """What is recorded over and over: plain exercises, two hands, slips, one that gets faster, one that gets louder."""
    rng = np.random.default_rng([seed, 1])
    low, high = sorted(rng.uniform(5, 30, 2))
    yield perform("even fingers", five_finger(0.5), 84, seed, jitter_ms=low, velocity_sd=4)
    yield perform("uneven fingers", five_finger(0.5), 84, seed, jitter_ms=high, velocity_sd=14)
    yield perform("rushing", five_finger(0.5, rounds=5), 80, seed, jitter_ms=10, drift=float(rng.uniform(0.05, 0.2)))
    yield perform("minuet", minuet(), 100, seed, jitter_ms=15, velocity_sd=8, async_ms=float(rng.uniform(0, 40)))
    yield perform("scale", scale_hands_together(0.5), 88, seed, jitter_ms=12, velocity_sd=8, async_ms=float(rng.uniform(0, 30)))  # fmt: skip
    yield perform("repeated", repeated_notes(0.5), 92, seed, jitter_ms=12, velocity_sd=8)
    manner = replace(SLIPS, qpm=92.0, jitter_ms=15.0, lag_ms=float(rng.normal(0, 15)), velocity_sd=10.0)
    yield play("tune with slips", drawn_tune(rng), manner, rng=rng, family="tune")
    yield play("sixths apart", _sixths(), Manner(qpm=84.0, jitter_ms=12.0, lag_ms=float(rng.normal(0, 20))), rng=rng, family="sixths")  # fmt: skip
    louder = perform("louder", five_finger(0.5), 84, seed, jitter_ms=10, velocity_sd=5)
    first, last = louder.played[0].onset, louder.played[-1].onset
    for note in louder.played:
        note.velocity = float(np.clip(note.velocity * (0.75 + 0.6 * (note.onset - first) / (last - first)), 18, 120))
    yield louder


def _sixths() -> list[Any]:
    """The scale with the left hand a tenth below: no strike in it hides in an octave."""
    notes = scale_hands_together(0.5)
    return [replace(note, pitch=note.pitch - 3) if note.hand == "L" else note for note in notes]


def drawn_recording(rng: np.random.Generator, *, kind: str) -> Degradation:
    """A room and a phone: "good" as most are, "poor" as some are."""
    if kind == "poor":
        return Degradation(
            kind, rt60_s=rng.uniform(0.4, 0.8), direct_db=rng.uniform(-4, 2), snr_db=rng.uniform(12, 25), band_hz=(rng.uniform(80, 180), 14_000),
            agc=bool(rng.random() < 0.7), clip_db=float(rng.uniform(3, 9)) if rng.random() < 0.5 else None, aac_kbps=64,
        )  # fmt: skip
    return Degradation(
        kind, rt60_s=rng.uniform(0.2, 0.5), direct_db=rng.uniform(0, 6), snr_db=rng.uniform(28, 45), band_hz=(rng.uniform(60, 150), 14_000),
        agc=bool(rng.random() < 0.3), aac_kbps=int(rng.choice([96, 128])),
    )  # fmt: skip


def measured(matching: Matching, trust: Trust) -> dict[Name, Measure]:
    """Every number with an interval that is told of a playing."""
    found: dict[Name, Measure | None] = {}
    for hand in sorted(matching.hands):
        even = evenness_of(matching, hand=hand, trust=trust, settings=SETTINGS)
        if even is not None:
            found["gaps, SD in ms", hand] = even.ioi_sd_ms
            found["level of a key, SD in dB", hand] = even.level_sd_db
        found["spread of chords, ms", hand] = chord_spread_ms(matching, hand=hand, trust=trust)
        values = proportions_of(gaps_of(strokes_of(matching, hand=hand), settings=SETTINGS))
        for length, measure in values.items():
            found["written values, ratio", f"{hand} {length:g}"] = measure
    if len(matching.hands) == 2:
        apart = hands_apart_ms(matching, trust=trust)
        found["hands apart, ms", ""] = apart[0] if apart else None
    tempo = tempo_of(matching, trust=trust, settings=SETTINGS)
    if tempo is not None:
        found["drift, %", ""] = tempo.drift_pct
        found["tempo, bpm", ""] = Measure(tempo.bpm, tempo.bpm_low, tempo.bpm_high, FLOOR_BPM, tempo.drift_pct.count)
    for finding in find(matching, trust=trust, settings=SETTINGS):
        if finding.kind in {Kind.LEVEL_TREND, Kind.TOUCH}:
            name = "growth in level, dB" if finding.kind is Kind.LEVEL_TREND else "touch, share"
            found[name, finding.hand or ""] = Measure(finding.value, finding.low, finding.high, finding.floor, 0)
    return {name: measure for name, measure in found.items() if measure is not None}


def true_matching(take: Take, true: dict[str, Any]) -> Matching:
    """The comparison of the strikes themselves."""
    notes = [
        HeardNote(note["onset"], note["pitch"], note["level_db"], 1.0, note["onset"] + note["duration"])
        for note in true["played"]
    ]
    return match(around_median(notes), expected=expected_of(true), settings=SETTINGS, is_exact=True, is_poor=False)


@dataclass
class Sum:
    """Of one number in one kind of recording."""

    renderings: int = 0
    not_told: int = 0  # renderings in which the number is not given at all though the strikes have it
    held: int = 0
    agreeing: int = 0
    pairs: int = 0
    far: int = 0  # told to be above the floor where the truth is below it
    below: int = 0  # renderings in which the truth is below the floor
    errors: list[float] = field(default_factory=list)
    halves: list[float] = field(default_factory=list)

    def add(self, told: Sequence[Measure | None], truths: Sequence[float]) -> None:
        """Renderings of one performance."""
        for measure, value in zip(told, truths, strict=True):
            self.renderings += 1
            if measure is None:
                self.not_told += 1
                continue
            self.held += measure.low <= value <= measure.high
            self.errors.append(measure.value - value)
            self.halves.append((measure.high - measure.low) / 2)
            if abs(value) < measure.floor:
                self.below += 1
                self.far += abs(measure.value) > measure.floor
        given = [measure for measure in told if measure is not None]
        for one in given:
            for other in given:
                if one is not other:
                    self.pairs += 1
                    self.agreeing += one.low <= other.value <= one.high

    def merge(self, kept: dict[str, Any]) -> None:
        for name, value in kept.items():
            setattr(self, name, getattr(self, name) + value)


class Coverage:
    """What has been counted so far."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.listener = Listener()
        self.sums: defaultdict[tuple[str, str, str], Sum] = defaultdict(Sum)  # what, performance, kind of recording
        self.floors: defaultdict[str, list[int]] = defaultdict(lambda: [0, 0, 0])  # raised, same, lower

    def heard(self, take: Take, dry: np.ndarray, degradation: Degradation, rng: np.random.Generator) -> tuple[Matching, Trust]:  # fmt: skip
        true = truth(take, degradation, "", len(dry) / SR)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "take.mp4"
            write_mp4(path, degrade(dry, degradation, rng), degradation.aac_kbps or 128)
            listened = listen(path, probe=probe(path), folder=Path(folder), listener=self.listener)
        trust = Trust(**listened.trust_fields)
        return compare(listened.hearing.notes, expected=expected_of(true), trust=trust).matching, trust

    def performance(self, take: Take, pianos: dict[str, Piano], *, renderings: int) -> None:
        told: defaultdict[str, list[dict[Name, Measure]]] = defaultdict(list)
        truths: defaultdict[str, list[dict[Name, Measure]]] = defaultdict(list)
        dries = {name: render_dry(take, piano) for name, piano in pianos.items()}
        names = sorted(dries)
        for number in range(renderings):
            kind = "poor" if number % 3 == 2 else "good"
            rng = np.random.default_rng([self.seed, zlib.crc32(take.name.encode()), number])
            degradation = drawn_recording(rng, kind=kind)
            matching, trust = self.heard(take, dries[names[number // 3 % len(names)]], degradation, rng)
            told[kind].append(measured(matching, trust))
            # By the rules for this recording: which places count for the hands, say, depends on it.
            true = truth(take, degradation, "", 0.0)
            truths[kind].append(measured(true_matching(take, true), replace(trust, is_exact=False)))
        for kind, found in told.items():
            for what, part in sorted({name for each in truths[kind] for name in each}):
                both = [(one.get((what, part)), true[what, part].value) for one, true in zip(found, truths[kind], strict=True) if (what, part) in true]  # fmt: skip
                self.sums[what, take.name, kind].add([one for one, _ in both], [value for _, value in both])

    def floors_of(self, take: Take, piano: Piano) -> None:
        """The same performance, room and phone with more and more noise."""
        dry = render_dry(take, piano)
        before: list[dict[Name, Measure]] = []
        for snr_db in STEPS_SNR_DB:
            rng = np.random.default_rng([self.seed, zlib.crc32(take.name.encode())])
            recording = Degradation("step", rt60_s=0.35, snr_db=snr_db, band_hz=(120, 14_000), aac_kbps=128)
            matching, trust = self.heard(take, dry, recording, rng)
            before.append(measured(matching, trust))
        for one, other in pairwise(before):
            for name in one.keys() & other.keys():
                change = other[name].floor - one[name].floor
                self.floors[name[0]][0 if change > 1e-9 else 1 if change > -1e-9 else 2] += 1

    def as_json(self) -> dict[str, Any]:
        sums = [[*key, vars(one)] for key, one in sorted(self.sums.items())]
        return {"seed": self.seed, "sums": sums, "floors": self.floors}


def table(runs: Sequence[dict[str, Any]], *, by_performance: bool) -> list[str]:
    """Coverage by number and kind of recording, and by performance if asked."""
    sums: defaultdict[tuple[str, str, str], Sum] = defaultdict(Sum)
    for run in runs:
        for what, performance, kind, kept in run["sums"]:
            sums[what, kind, performance if by_performance else ""].merge(kept)
    lines = [
        "| number | recording | renderings | not told | truth held | others' values held | error, mean / rms | half-width, median | told above the floor, truth below |",
        "|" + "---|" * 9,
    ]
    for (what, kind, performance), one in sorted(sums.items()):
        told = one.renderings - one.not_told
        errors = np.array(one.errors or [0.0])
        lines.append(
            f"| {what}{', ' + performance if performance else ''} | {kind} | {one.renderings} | {one.not_told} | {_percent(one.held, told)}"
            f" | {_percent(one.agreeing, one.pairs)} | {errors.mean():+.2f} / {np.sqrt(np.mean(errors**2)):.2f}"
            f" | {np.median(one.halves or [0.0]):.2f} | {one.far} of {one.below} |"
        )
    return lines


def floors_table(runs: Sequence[dict[str, Any]]) -> list[str]:
    sums: defaultdict[str, np.ndarray] = defaultdict(lambda: np.zeros(3, int))
    for run in runs:
        for what, counts in run["floors"].items():
            sums[what] += counts
    return [
        "| floor, with more noise on the same take | raised | same | lower |",
        "|---|---|---|---|",
        *(f"| {what} | {up} | {same} | {down} |" for what, (up, same, down) in sorted(sums.items())),
    ]


def _percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "–"


def report(runs: Sequence[dict[str, Any]]) -> str:
    seeds = ", ".join(str(run["seed"]) for run in runs)
    return "\n".join([f"Seed {seeds}.", "", *table(runs, by_performance=False), "", *table(runs, by_performance=True), "", *floors_table(runs)])  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--renderings", type=int, default=36, help="of each performance, a third of them poor")
    parser.add_argument("--piano", action="append", help="NAME=FOLDER or NAME=FILE:BANK:PROGRAM")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="begin no performance later than this")
    parser.add_argument("--only", default="", help="performances, separated by commas")
    parser.add_argument("--json", type=Path, help="where to keep the counts")
    parser.add_argument("--merge", type=Path, nargs="+", help="tables of several runs together; nothing is heard")
    options = parser.parse_args()
    if options.merge:
        print(report([json.loads(path.read_text()) for path in options.merge]))
        return
    if not options.piano:
        parser.error("--piano is needed to render")
    seed = options.seed if options.seed is not None else secrets.randbelow(1_000_000)
    print(f"Seed {seed}; load {os.getloadavg()[0]:.1f}.", flush=True)
    end_s = time.monotonic() + 60 * options.minutes
    takes = [take for take in performances(seed) if not options.only or take.name in options.only.split(",")]
    pianos = {}
    for text in options.piano:
        name, source = text.split("=", 1)
        pianos[name] = piano_of(source, takes)
    coverage = Coverage(seed)
    for take in takes:
        if time.monotonic() > end_s:
            print(f"Time is up before “{take.name}”.", flush=True)
            break
        coverage.performance(take, pianos, renderings=options.renderings)
        coverage.floors_of(take, next(iter(pianos.values())))
        if options.json:
            options.json.parent.mkdir(parents=True, exist_ok=True)
            options.json.write_text(json.dumps(coverage.as_json()))
        print(f"{take.name}; load {os.getloadavg()[0]:.1f}.", flush=True)
    print(report([coverage.as_json()]))


if __name__ == "__main__":
    main()
