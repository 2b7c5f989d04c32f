"""Hold a net to rendered takes whose truth is known: a table by piano, family and what was done to the sound.

    python -m tests.tools.render_takes --font FILE.sf2:0:0 --out build/takes/NAME --degradations clean,phone,poor
    python -m reviews.sound.training.measure build/takes/NAME ... [--model listener.onnx] [--threshold 0.4]

A strike is right when its key was struck within 50 ms. Error: distance to the true strike, each take's median taken
out. Ghosts: strikes that nobody played, per 100 notes; in brackets those an octave, a twelfth or two octaves from a note
played at that moment. Octaves: notes struck together with their octave, heard of played.
"""

import argparse
import json
import re
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from reviews.sound.listener import MODEL, RATE_HZ, Listener, Strike, strikes

FAMILIES = {"five-finger": r"ff_|st_quiet", "minuet and errors": r"mi_|er_|st_dynamic", "scales together": r"sc_", "repeated": r"st_repeat"}  # fmt: skip
NEAR_S = 0.05  # s from a true strike within which one is right
TOGETHER_S = 0.03  # s within which two notes are struck together
GHOST_S = 0.06  # s from a played note within which a ghost is taken for part of it
OCTAVES = (12, 19, 24)


@dataclass(slots=True)
class Tally:
    """Sums over the takes of one row."""

    takes: int = 0
    played: int = 0
    heard: int = 0
    right: int = 0
    ghosts: int = 0
    octave_ghosts: int = 0
    octaves: int = 0
    octaves_heard: int = 0
    errors_ms: list[float] = field(default_factory=list)

    def add(self, found: list[Strike], truth: list[dict[str, Any]]) -> None:
        """Take in one take."""
        at_s, pitch = (np.array([note[key] for note in truth], float) for key in ("onset", "pitch"))
        used, errors_ms, right = set(), [], set()
        for number, (strike_s, key) in enumerate(zip(at_s, pitch, strict=True)):
            near = [
                (abs(s.onset_s - strike_s), i)
                for i, s in enumerate(found)
                if s.pitch_midi == key and i not in used and abs(s.onset_s - strike_s) < NEAR_S
            ]
            if near:
                _, best = min(near)
                used.add(best)
                right.add(number)
                errors_ms.append(1000 * (found[best].onset_s - strike_s))
        partner = (abs(at_s[:, None] - at_s) < TOGETHER_S) & (abs(pitch[:, None] - pitch) == OCTAVES[0])
        doubled = np.flatnonzero(partner.any(axis=1))
        ghosts = [s for i, s in enumerate(found) if i not in used]
        self.takes += 1
        self.played += len(truth)
        self.heard += len(found)
        self.right += len(right)
        self.ghosts += len(ghosts)
        self.octave_ghosts += sum(
            bool(np.any((abs(at_s - s.onset_s) < GHOST_S) & np.isin(abs(pitch - s.pitch_midi), OCTAVES)))
            for s in ghosts
        )
        self.octaves += len(doubled)
        self.octaves_heard += sum(int(number) in right for number in doubled)
        self.errors_ms += [error - float(np.median(errors_ms)) for error in errors_ms]

    def row(self) -> str:
        """Cells of the table."""
        errors_ms = np.abs(self.errors_ms) if self.errors_ms else np.zeros(1)
        f1 = 2 * self.right / max(self.played + self.heard, 1)
        octaves = f"{self.octaves_heard} of {self.octaves}" if self.octaves else "-"
        each = 100 / max(self.played, 1)
        return (
            f"{self.played} | {f1:.3f} | {np.median(errors_ms):.1f} / {np.percentile(errors_ms, 95):.1f} | "
            f"{each * self.ghosts:.1f} ({each * self.octave_ghosts:.1f}) | {octaves}"
        )


def sound_of(path: Path) -> NDArray[np.float32]:
    """One channel at 16 kHz, from the file's time zero."""
    with av.open(str(path)) as box:
        stream = box.streams.audio[0]
        resampler = av.AudioResampler(format="flt", layout="mono", rate=RATE_HZ)
        parts, first_s = [], None
        for frame in box.decode(stream):
            first_s = float(frame.time or 0.0) if first_s is None else first_s
            parts += [part.to_ndarray().reshape(-1) for part in resampler.resample(frame)]
        parts += [part.to_ndarray().reshape(-1) for part in resampler.resample(None)]
    lead = np.zeros(round(max(first_s or 0.0, 0.0) * RATE_HZ), np.float32)
    return np.concatenate([lead, *parts]).astype(np.float32)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--model", type=Path, default=MODEL)
    parser.add_argument("--threshold", type=float, default=0.4)
    parser.add_argument("--takes", default="", help="regular expression that begins the names of takes")
    options = parser.parse_args()
    listener, seconds = Listener(options.model), 0.0
    tallies: defaultdict[tuple[str, str, str], Tally] = defaultdict(Tally)
    begin = time.process_time()
    for folder in options.folders:
        for path in sorted(folder.glob("*.json")):
            take = json.loads(path.read_text())
            family = next((name for name, start in FAMILIES.items() if re.match(start, take["take"])), "other")
            if not re.match(options.takes, take["take"]):
                continue
            sound = sound_of(path.with_name(take["audio"]))
            found = strikes(listener.activations(sound), threshold=options.threshold)
            tallies[folder.name, family, take["degradation"]["name"]].add(found, take["played"])
            seconds += len(sound) / RATE_HZ
    lines = [
        "| piano | family | sound | notes | F1 | error ms, median / 95 % | ghosts (octave) | octaves |",
        "|" + "---|" * 8,
    ]
    lines += [f"| {' | '.join(key)} | {tally.row()} |" for key, tally in sorted(tallies.items())]
    cost = (time.process_time() - begin) / max(seconds, 1.0)
    print("\n".join([*lines, "", f"{cost:.3f} CPU seconds per second of sound, decoding included."]))  # noqa: T201


if __name__ == "__main__":
    main()
