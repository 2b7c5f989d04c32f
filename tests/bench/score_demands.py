"""What a score asks: the whole, reading included, beside the nearest that partitura and music21 offer on the same files in one run.

Neither of them looks for demands. The nearest is that partitura works out its features of notes (fingering, slurs, loudness,
touch, ornaments, metre) and that music21 joins ties and puts all that sounds together into chords; both are needed before
anything could be said of hands, and both are less than what is found here.
"""

import sys
import warnings
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from curriculum.score.demands.finding import demands_of
from curriculum.score.musicxml import read_musicxml
from tests.bench.score_reading import best_s
from tests.outside_scores import corpus_score, music21_score, partitura_parts

# Files with a piano alone, small to large.
FILES = (
    "mozart/k545/movement1_exposition.mxl",
    "schoenberg/opus19/movement2.mxl",
    "schumann_clara/polonaise_op1n1.mxl",
    "schumann_clara/polonaise_op1n2.mxl",
    "schumann_clara/polonaise_op1n3.mxl",
    "cpebach/h186.mxl",
    "joplin/maple_leaf_rag.mxl",
)


def by_partitura(data: bytes) -> object:
    from partitura.musicanalysis import make_note_features

    (part,) = partitura_parts(data)
    for place, note in enumerate(part.notes):
        note.id = f"n{place}"  # its features look notes up by ids, which files need not have
    return make_note_features(part, "all")


def by_music21(data: bytes) -> object:
    score = music21_score(data)
    return score.stripTies().chordify()


def main() -> None:
    warnings.simplefilter("ignore")
    # What is imported at the first call is not to be counted.
    by_partitura(corpus_score(FILES[0]))
    by_music21(corpus_score(FILES[0]))
    sums = [0.0, 0.0, 0.0]
    demands_s = notes = 0.0
    print(
        f"{'file':<40} {'notes':>6} {'demands':>8} {'ours ms':>8} {'of it demands':>14} {'partitura':>10} {'music21':>8}"
    )
    for name in FILES:
        data = corpus_score(name)
        score = read_musicxml(data)
        spent = [
            best_s(lambda data=data: demands_of(read_musicxml(data))),
            best_s(lambda data=data: by_partitura(data), rounds=1),
            best_s(lambda data=data: by_music21(data), rounds=1),
        ]
        alone_s = best_s(lambda score=score: demands_of(score))
        sums = [one + more for one, more in zip(sums, spent, strict=True)]
        demands_s, notes = demands_s + alone_s, notes + len(score.notes)
        ours_ms, partitura_ms, music21_ms = (one * 1000 for one in spent)
        print(
            f"{name:<40} {len(score.notes):>6} {len(demands_of(score)):>8} {ours_ms:>8.0f} {alone_s * 1000:>14.0f}"
            f" {partitura_ms:>10.0f} {music21_ms:>8.0f}"
        )
    ours, partitura, music21 = sums
    print(f"demands alone: {demands_s * 1e6 / notes:.1f} ms for 1,000 notes")
    print(f"partitura with features takes {partitura / ours:.1f} times as long (wanted 5 or more)")
    print(f"music21 with chords takes {music21 / ours:.1f} times as long (wanted 5 or more)")


if __name__ == "__main__":
    main()
