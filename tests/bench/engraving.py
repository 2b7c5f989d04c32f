"""Engraving: milliseconds a page in its box, beside the engraver alone in this process, and memory of the child."""

import resource
import sys
import time
from pathlib import Path

import verovio

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from curriculum.score.engraving.drawing import engrave
from curriculum.score.engraving.inside import OPTIONS
from curriculum.score.engraving.layout import WIDE
from curriculum.score.musicxml import write_musicxml
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.writing import make_pattern

EXERCISES = {
    "one line": Pattern(kind="five_finger", hands="both"),
    "one page": Pattern(kind="scale", key="E", hands="both", octaves=2, value="1/2", times=4),
    "four pages": Pattern(kind="scale", key="G", hands="both", octaves=4, value="1/2", times=8),
}
ROUNDS = 3


def main() -> None:
    verovio.enableLog(verovio.LOG_OFF)
    print("score        notes  pages  boxed ms  a page ms  engraver alone ms")
    for name, pattern in EXERCISES.items():
        score = make_pattern(pattern)
        boxed, alone = [], []
        for _ in range(ROUNDS):
            began_s = time.perf_counter()
            pages = len(engrave(score, layouts=(WIDE,)).pages["wide"])
            boxed.append(1000 * (time.perf_counter() - began_s))
            toolkit = verovio.toolkit()
            began_s = time.perf_counter()
            toolkit.setOptions(OPTIONS | {"pageWidth": WIDE.width, "pageHeight": WIDE.height})
            toolkit.loadData(write_musicxml(score).decode())
            for page in range(1, toolkit.getPageCount() + 1):
                toolkit.renderToSVG(page)
            alone.append(1000 * (time.perf_counter() - began_s))
        best = min(boxed)
        print(f"{name:12}{len(score.notes):6}{pages:7}{best:10.0f}{best / pages:11.0f}{min(alone):19.0f}")
    unit_bytes = 1 if sys.platform == "darwin" else 1024
    peak_bytes = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * unit_bytes
    print(f"largest child: {peak_bytes / 1e6:.0f} MB resident")


if __name__ == "__main__":
    main()
