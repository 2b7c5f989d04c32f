"""One clip heard and compared in a process of its own: what that takes from nothing, in seconds and memory.

    python -m tests.bench_ear.fresh CLIP TRUTH.json

Prints one line of JSON. The process loads what a worker loads for this job, without Django and the database.
"""

import json
import sys
import tempfile
import time
from pathlib import Path

from lessons.media import probe
from reviews.sound.listening import listen
from tests.bench_ear.expecting import compared


def main() -> None:
    path, truth = Path(sys.argv[1]), json.loads(Path(sys.argv[2]).read_text())
    with tempfile.TemporaryDirectory() as folder:
        listened = listen(path, probe=probe(path), folder=Path(folder))
        found = compared(truth, listened)
    # The kernel's own count for this program; what `resource` tells begins with the memory of the process that started it.
    kept = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    peak_mb = int(kept["VmHWM"].split()[0]) / 1024
    print(json.dumps({"findings": len(found.findings), "cpu_s": time.process_time(), "peak_mb": peak_mb}))


if __name__ == "__main__":
    main()
