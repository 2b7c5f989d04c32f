"""Reading scores beside partitura and music21 in one run, every note compared; and what the largest files take.

Processor time, the best of a few rounds, with everything imported before. Where a file holds other parts than the piano, the
other programs read those too, so the sums that count are those of the files with a piano alone.
"""

import gc
import re
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from curriculum.score.errors import ScoreError
from curriculum.score.guard import parse_xml, sniff
from curriculum.score.musicxml import read_musicxml
from curriculum.score.musicxml.parts import parts_of
from curriculum.score.reading import read_score
from tests.curriculum.score.test_corpus import WITH_REPEATS, check_order, differences
from tests.outside_scores import PIANO_SCORES, corpus_folder, corpus_score, music21_score, partitura_parts

ROUNDS = 3
KEYBOARD = re.compile(r"piano|harpsichord|keyboard", re.IGNORECASE)
# A part of three staves that are three singers, and an organ that is silent throughout.
NO_PIANO = {"trecento/PMFC_12_9-Gloria Clementiae Pax.xml", "demos/layoutTestMore.xml"}
MEMORY = """
import sys, warnings
warnings.simplefilter("ignore")
sys.path.insert(0, {root!r})
from pathlib import Path
from tests import outside_scores as outside
{setup}

def kilobytes(name):
    return int(Path("/proc/self/status").read_text().split(name + ":")[1].split()[0])

data = outside.corpus_score({name!r})
before = kilobytes("VmRSS")
kept = {work}
print(round(kilobytes("VmHWM") / 1000), round((kilobytes("VmHWM") - before) / 1000), round((kilobytes("VmRSS") - before) / 1000))
"""


def best_s(work: Callable[[], object], *, rounds: int = ROUNDS) -> float:
    """Return the shortest processor time of a few rounds, in seconds."""
    spent = []
    for _ in range(rounds):
        gc.collect()
        began_s = time.process_time()
        work()
        spent.append(time.process_time() - began_s)
    return min(spent)


def compare() -> None:
    sums = [0.0, 0.0, 0.0]
    left_over = 0
    print(f"{'file':<42} {'parts':>5} {'notes':>6} {'ours ms':>8} {'partitura':>10} {'music21':>8}")
    for name in PIANO_SCORES:
        data = corpus_score(name)
        score = read_musicxml(data)
        found = differences(data, score)
        left_over += sum(found.only_ours.values()) + sum(found.only_theirs.values())
        if name in WITH_REPEATS:
            check_order(data, rule=WITH_REPEATS[name])
        spent = [
            best_s(lambda data=data: read_musicxml(data)),
            best_s(lambda data=data: partitura_parts(data)),
            best_s(lambda data=data: music21_score(data), rounds=1),
        ]
        parts = data.count(b"<score-part ")
        if parts == 1:
            sums = [one + more for one, more in zip(sums, spent, strict=True)]
        print(
            f"{name:<42} {parts:>5} {len(score.notes):>6} {spent[0] * 1000:>8.0f} {spent[1] * 1000:>10.0f} {spent[2] * 1000:>8.0f}"
        )
    ours, partitura, music21 = sums
    print(f"notes that the rules leave over: {left_over} (wanted 0)")
    print(f"piano alone, all files: ours {ours * 1000:.0f} ms")
    print(f"  partitura takes {partitura / ours:.1f} times as long (wanted 3 or more)")
    print(f"  music21 takes {music21 / ours:.1f} times as long (wanted 3 or more)")


def look_through() -> None:
    """Hold the list of piano scores against every MusicXML file of the corpus."""
    found, looked_at, refused = set(), 0, []
    root = corpus_folder()
    for path in sorted(root.rglob("*")):
        if path.suffix.lower() not in (".mxl", ".xml", ".musicxml"):
            continue
        looked_at += 1
        name = path.relative_to(root).as_posix()
        try:
            parts = [part for part in parts_of(parse_xml(sniff(path.read_bytes())[1])) if part.notes]
        except ScoreError as error:
            refused.append(f"{name} ({error.code})")
            continue
        if any(part.staves > 1 for part in parts) or (parts and all(KEYBOARD.search(part.name) for part in parts)):
            found.add(name)
    wrong = (found - NO_PIANO) ^ set(PIANO_SCORES)
    print(
        f"{looked_at} files looked through, {len(found - NO_PIANO)} with a piano; not as listed: {sorted(wrong) or 'none'}"
    )
    print(f"refused on the way: {', '.join(refused) or 'none'}")


def large() -> dict[str, bytes]:
    """Return files of up to 8 MB that are wrong in the last place, or at every limit."""
    head = (
        b'<score-partwise><part-list><score-part id="P1"/></part-list><part id="P1"><measure number="1"><attributes>'
        b"<divisions>2</divisions><time><beats>4</beats><beat-type>4</beat-type></time><staves>2</staves></attributes>"
    )
    note = (
        b"<note><pitch><step>%s</step><octave>4</octave></pitch><duration>1</duration><voice>1</voice>"
        b"<type>eighth</type><staff>1</staff></note>"
    )
    tail = b"</measure></part></score-partwise>"
    bars = b'</measure><measure number="2">'.join([(note % b"C") * 10] * 3_990)
    comment = b"<!--" + b"x" * (7_990_000 - len(head + bars + tail) - len(note)) + b"-->"
    sound = head + bars + comment + tail
    return {
        "39,900 notes, the last one wrong": head + bars + comment + note % b"H" + tail,
        "39,900 notes, cut off": sound[:-20],
        "39,900 notes, sound": sound,
        "39,900 notes, repeated for ever": head
        + bars
        + comment
        + b'<barline><repeat direction="backward" times="99999"/></barline>'
        + tail,
        "690,000 empty elements": head + b"<b/>" * 690_000 + b" " * 5_000_000 + tail,
        "two million elements": b"<a>" + b"<b/>" * 1_990_000 + b"</a>",
        "300,000 deep": b"<a>" * 300_000 + b"x" * 5_000_000 + b"</a>" * 300_000,
        "8 MB of spaces": b" " * 8_000_000,
        "8 MB of one comment": b"<!--" + b"x" * 7_990_000,
        "8 MB of MIDI notes": midi_file(b"\1\x3c\0\1\x3c\x40" * 1_330_000),
        "390,000 tempi": midi_file(b"\1\x3c\0" + b"\1\xff\x51\3\7\xa1\x20" * 390_000),
        "11,900 MIDI notes, sound": midi_file(b"\x60\x3c\0\0\x3c\x40" * 11_900),
        "8 MB of typed notes": b"X:1\nK:C\n" + b"CDEF|" * 1_590_000,
        "200,000 typed letters": b"X:1\nL:1/8\nK:C\n" + b"C" * 199_000,
    }


def midi_file(events: bytes) -> bytes:
    """Return a file of one track, which begins by pressing middle C."""
    track = b"\0\x90\x3c\x40" + events + b"\0\xff\x2f\0"
    return b"MThd\0\0\0\6\0\0\0\1\1\xe0" + b"MTrk" + len(track).to_bytes(4, "big") + track


def refuse(data: bytes) -> str:
    try:
        read_score(data)
    except ScoreError as error:
        return f"refused: {error.code}" + (f", {error.where}" if error.where else "")
    return "read"


def measure_large() -> None:
    for name, data in large().items():
        answer = refuse(data)
        spent_s = best_s(lambda data=data: refuse(data))
        print(f"{name:<34} {len(data) / 1e6:>5.1f} MB {spent_s * 1000:>6.0f} ms  {answer}")


def measure_memory(name: str) -> None:
    root = str(Path(__file__).resolve().parents[2])
    for reader, setup, work in (
        ("ours", "from curriculum.score.musicxml import read_musicxml", "read_musicxml(data)"),
        ("partitura", "import partitura.io.importmusicxml", "outside.partitura_parts(data)"),
        ("music21", "import music21.musicxml.xmlToM21", "outside.music21_score(data)"),
    ):
        code = MEMORY.format(root=root, setup=setup, name=name, work=work)
        # The kernel's own high-water mark of the child: what the usual call tells is that of the parent at the fork, if larger.
        child = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        peak_mb, grown_mb, kept_mb = child.stdout.split()
        print(
            f"{name:<42} {reader:<10} {peak_mb:>4} MB at most, of which {grown_mb:>3} for reading; {kept_mb:>3} MB kept"
        )


def main() -> None:
    warnings.simplefilter("ignore")
    compare()
    look_through()
    measure_large()
    print("memory of a process that reads one file")
    if Path("/proc/self/status").exists():
        for name in ("joplin/maple_leaf_rag.mxl", "weber/concertino_clarinet.mxl"):
            measure_memory(name)
    else:
        print("not measured: this system does not tell the most that a process has held")


if __name__ == "__main__":
    main()
