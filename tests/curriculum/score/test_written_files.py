"""What we write is read back equal by other programs: patterns of every kind, and pieces of a corpus."""

import json
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest

from curriculum.score.musicxml import read_musicxml, write_musicxml
from curriculum.score.notes import WrittenScore
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.writing import make_pattern
from curriculum.score.playing import in_printed_order
from tests.outside_scores import corpus_score, our_notes, partitura_notes, partitura_parts, partitura_unfolded

# The other programs warn of their own doings, and on being imported of those of what they import.
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]

# Quarters. verovio takes lengths from what is printed; one file has a group of 13 whose lengths are rounded to 1/480.
ROUNDED_BEATS = 0.002
PATTERNS = {
    "scale in triplets": Pattern(kind="scale", key="Bb", hands="both", octaves=2, value="1/3"),
    "chromatic scale": Pattern(kind="scale", mode="chromatic", key="C", value="1/4"),
    "contrary scale": Pattern(kind="scale", key="D", hands="both", motion="contrary", value="1/2"),
    "arpeggio": Pattern(kind="arpeggio", key="F#", mode="harmonic_minor", hands="left", octaves=2, value="1/4"),
    "five fingers in three beats": Pattern(kind="five_finger", key="E", hands="both", metre="3/4"),
    "rocking bass": Pattern(kind="bass", hands="left", value="1/2"),
    "cadence": Pattern(kind="cadence", key="Ab", hands="both"),
    "short touch, repeated": Pattern(kind="five_finger", key="G", touch="staccato", times=2, value="1/2"),
}
PIECES = (
    "cpebach/h186.mxl",  # graces, ornaments, ties
    "liliuokalani/aloha_oe.mxl",  # a piano among voices
    "schoenberg/opus19/movement6.mxl",  # chords over both staves
    "schumann_clara/polonaise_op1n2.mxl",  # repeats, D.C.
)


@cache
def score_of(name: str) -> WrittenScore:
    return make_pattern(PATTERNS[name]) if name in PATTERNS else read_musicxml(corpus_score(name))


@pytest.mark.parametrize("name", [*PATTERNS, *PIECES])
def test_partitura_reads_back_what_we_write(name: str) -> None:
    score = score_of(name)
    assert partitura_notes(partitura_parts(write_musicxml(score))) == our_notes(score)


def verovio_toolkit() -> Any:
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    return verovio.toolkit(True)


def in_verovio(score: WrittenScore) -> Iterator[tuple[str, float, int]]:
    """Yield id, onset in quarters from the first sound of the file, and MIDI number of what verovio begins, each bar once."""
    toolkit = verovio_toolkit()
    toolkit.setOptions({"expandNever": True})
    assert toolkit.loadData(write_musicxml(score).decode())
    timemap = toolkit.renderToTimemap({})
    for moment in json.loads(timemap) if isinstance(timemap, str) else timemap:
        for name in moment.get("on", ()):
            values = toolkit.getMIDIValuesForElement(name)
            yield name, moment["qstamp"], (json.loads(values) if isinstance(values, str) else values)["pitch"]


@pytest.mark.parametrize("name", [*PATTERNS, *PIECES])
def test_verovio_begins_the_notes_that_we_write_at_their_time_under_our_ids(name: str) -> None:
    score = score_of(name)
    pickup = score.bars[0].length_beat if score.bars[0].pickup else 0
    graces = {note.id for note in score.notes if note.grace}
    ours = {
        due.id: (float(due.onset_beat + pickup), due.pitch_midi) for due in in_printed_order(score) if not due.grace
    }
    tied_to = {note.id for note in score.notes if note.tie_stops}
    theirs = {name: (onset, pitch) for name, onset, pitch in in_verovio(score) if name not in graces | tied_to}
    assert {name: pitch for name, (_, pitch) in theirs.items()} == {
        name: pitch for name, (_, pitch) in ours.items() if name not in tied_to
    }
    late = {name for name, (onset, _) in theirs.items() if abs(onset - ours[name][0]) > ROUNDED_BEATS}
    assert late <= played_out(score)


def played_out(score: WrittenScore) -> set[str]:
    """Return the notes that verovio begins late because it plays out the graces in front of them, or rolls the chord."""
    behind = {(note.bar, note.offset_beat) for note in score.notes if note.grace}
    return {note.id for note in score.notes if note.arpeggio or (note.bar, note.offset_beat) in behind}


def test_bars_of_a_written_file_are_played_in_the_order_of_the_file_that_was_read() -> None:
    data = corpus_score("schumann_clara/polonaise_op1n2.mxl")
    (original,), (written,) = partitura_parts(data), partitura_parts(write_musicxml(read_musicxml(data)))
    assert partitura_unfolded(written) == partitura_unfolded(original)
