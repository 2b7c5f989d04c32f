"""What other programs read from the same score files, in a form that can be held against ours.

A sounded note is (index of the bar, offset in quarters, MIDI number, quarters, staff, whether it is a grace note).
"""

import bisect
import io
from collections import Counter
from fractions import Fraction
from functools import cache
from importlib import util
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from curriculum.score.guard import sniff
from curriculum.score.notes import WrittenScore
from curriculum.score.playing import in_printed_order

Sounded = tuple[int, Fraction, int, Fraction, int, bool]

# Every MusicXML file of the corpus in which a pianist has notes: a part with two staves, or all parts named as keyboards.
# `tests/bench/score_reading.py` looks through all 654 files and says if this list has become wrong.
PIANO_SCORES = (
    "bach/bwv846.mxl",
    "beach/prayer_of_a_tired_child.musicxml",
    "cpebach/h186.mxl",
    "demos/chord_realization_exercise.mxl",
    "demos/incorrect_time_signature_pv.mxl",
    "demos/two-parts.xml",
    "demos/two-voices.xml",
    "handel/rinaldo/Lascia_chio_pianga.mxl",
    "joplin/maple_leaf_rag.mxl",
    "leadSheet/berlinAlexandersRagtime.mxl",
    "liliuokalani/aloha_oe.mxl",
    "mozart/k545/movement1_exposition.mxl",
    "schoenberg/opus19/movement2.mxl",
    "schoenberg/opus19/movement6.mxl",
    "schubert/Lindenbaum.xml",
    "schumann_clara/opus17/movement3.xml",
    "schumann_clara/polonaise_op1n1.mxl",
    "schumann_clara/polonaise_op1n2.mxl",
    "schumann_clara/polonaise_op1n3.mxl",
    "schumann_clara/polonaise_op1n4.mxl",
    "schumann_robert/dichterliebe_no2.xml",
    "schumann_robert/opus48no2.mxl",
    "theoryExercises/TriadExercise.mxl",
    "verdi/laDonnaEMobile.mxl",
    "weber/concertino_clarinet.mxl",
)


def corpus_folder() -> Path:
    """Return where the package of scores lies; it is not imported for that."""
    found = util.find_spec("music21")
    assert found is not None
    assert found.origin is not None
    return Path(found.origin).parent / "corpus"


@cache
def corpus_score(name: str) -> bytes:
    """Return the MusicXML of one file of the corpus, unpacked."""
    return sniff((corpus_folder() / name).read_bytes())[1]


def our_notes(score: WrittenScore) -> Counter[Sounded]:
    """Return what our reader found, ties merged, as printed."""
    heads = {note.id: note for note in score.notes}
    found: Counter[Sounded] = Counter()
    for due in in_printed_order(score):
        head = heads[due.written_id]
        found[due.bar_index, head.offset_beat, due.pitch_midi, due.duration_beat, head.staff, due.grace] += 1
    return found


def partitura_parts(data: bytes) -> list[Any]:
    """Return the parts that a pianist plays, as partitura reads them."""
    from partitura.io.importmusicxml import load_musicxml

    parts = [part for part in load_musicxml(io.BytesIO(data)).parts if part.notes_tied]
    return [part for part in parts if any((note.staff or 1) > 1 for note in part.notes_tied)] or parts


def partitura_notes(parts: list[Any]) -> Counter[Sounded]:
    """Return what partitura found, ties merged, as printed."""
    from partitura.score import GraceNote, Measure

    found: Counter[Sounded] = Counter()
    for shift, part in enumerate(parts):
        starts = sorted(measure.start.t for measure in part.iter_all(Measure))
        quarters = part.quarter_map
        for note in part.notes_tied:
            bar = bisect.bisect_right(starts, note.start.t) - 1
            is_grace = isinstance(note, GraceNote)
            length = Fraction(0) if is_grace else _exact(quarters(note.end_tied.t) - quarters(note.start.t))
            offset = _exact(quarters(note.start.t) - quarters(starts[bar]))
            found[bar, offset, note.midi_pitch, length, (note.staff or 1) + shift, is_grace] += 1
    return found


def partitura_unfolded(part: Any) -> tuple[list[int], list[tuple[float, int, float]]]:
    """Return the order of bars (indices) in which partitura plays a part, and its notes (onset, pitch, quarters)."""
    from partitura.score import GraceNote, Measure, unfold_part_maximal

    played = unfold_part_maximal(part)
    measures = sorted(played.iter_all(Measure), key=lambda measure: measure.start.t)
    quarters = played.quarter_map
    began = float(quarters(measures[0].start.t))
    notes = [
        (
            round(float(quarters(note.start.t)) - began, 4),
            note.midi_pitch,
            0.0 if isinstance(note, GraceNote) else round(float(quarters(note.end_tied.t) - quarters(note.start.t)), 4),
        )
        for note in played.notes_tied
    ]
    return [measure.number - 1 for measure in measures], sorted(notes)


def music21_score(data: bytes) -> Any:
    """Return the score as music21 reads it."""
    from music21.musicxml.xmlToM21 import MusicXMLImporter

    importer = MusicXMLImporter()
    importer.xmlRoot = ET.fromstring(data)
    importer.xmlRootToScore(importer.xmlRoot, importer.stream)
    return importer.stream


def music21_heads(score: Any) -> Counter[tuple[int, Fraction, int, Fraction, bool, str]]:
    """Return the heads that music21 found: bar, offset, pitch, quarters, whether grace, and the kind of tie."""
    from music21.stream import Measure, PartStaff

    parts = [part for part in score.parts if isinstance(part, PartStaff)]
    found: Counter[tuple[int, Fraction, int, Fraction, bool, str]] = Counter()
    for part in parts or [part for part in score.parts if part.recurse().notes]:
        for bar, measure in enumerate(part.getElementsByClass(Measure)):
            for element in measure.recurse().notes:
                if "Harmony" in element.classes:
                    continue
                offset = _exact(element.getOffsetInHierarchy(measure))
                length = _exact(element.duration.quarterLength)
                for note in element.notes if element.isChord else [element]:
                    tie = note.tie.type if note.tie is not None else ""
                    found[bar, offset, note.pitch.midi, length, element.duration.isGrace, tie] += 1
    return found


def _exact(quarters: Any) -> Fraction:
    """Return a length that was worked out in floating point as the fraction it stands for."""
    return Fraction(float(quarters)).limit_denominator(5040)
