"""The piano scores of a public corpus, note for note as two other programs read them; each kind of difference is a rule.

Two thirds of them are read here; `make bench` reads all, by the same rules.

The rules, and how many notes or bars each explains:

1. *Hidden small notes.* Notes of the file that are small (cue) and not printed are left out here, and that is said. 8 notes.
2. *Ties side by side.* Where one pitch is tied on in two voices at once, partitura joins one of the two ties; music21 reads
   the same ties as we do. 6 notes.
3. *Coming back.* After *D.C.* repeats are not taken again here; partitura takes them again. 4 pieces.
4. *A first ending without a second.* We go back at it; partitura plays on, and the repeat sign is never obeyed. 1 piece.
"""

from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from typing import NamedTuple
from xml.etree import ElementTree as ET

import pytest

from curriculum.score.errors import WarningCode
from curriculum.score.musicxml import read_musicxml
from curriculum.score.notes import STEP_SEMITONES, WrittenScore
from curriculum.score.playing import bar_order, in_playing_order, in_printed_order
from tests.outside_scores import (
    PIANO_SCORES,
    Sounded,
    corpus_score,
    music21_heads,
    music21_score,
    our_notes,
    partitura_notes,
    partitura_parts,
    partitura_unfolded,
)

# The other programs warn of their own doings, and on being imported of those of what they import.
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]

# These take longest in the other programs, or say the same as another one; `tests/bench/score_reading.py` reads them too.
ONLY_IN_BENCH = frozenset({
    "beach/prayer_of_a_tired_child.musicxml",
    "handel/rinaldo/Lascia_chio_pianga.mxl",
    "joplin/maple_leaf_rag.mxl",
    "schubert/Lindenbaum.xml",
    "schumann_clara/opus17/movement3.xml",
    "schumann_clara/polonaise_op1n1.mxl",
    "schumann_clara/polonaise_op1n3.mxl",
    "schumann_robert/dichterliebe_no2.xml",
    "weber/concertino_clarinet.mxl",
})  # fmt: skip
WITH_HIDDEN_SMALL_NOTES = {"schumann_robert/dichterliebe_no2.xml": 4, "schumann_robert/opus48no2.mxl": 4}
WITH_TIES_SIDE_BY_SIDE = {"schumann_robert/dichterliebe_no2.xml": 3, "schumann_robert/opus48no2.mxl": 3}
WITH_REPEATS = {
    "joplin/maple_leaf_rag.mxl": "first ending alone",
    "leadSheet/berlinAlexandersRagtime.mxl": "",
    "schumann_clara/polonaise_op1n1.mxl": "coming back",
    "schumann_clara/polonaise_op1n2.mxl": "coming back",
    "schumann_clara/polonaise_op1n3.mxl": "coming back",
    "schumann_clara/polonaise_op1n4.mxl": "coming back",
    "verdi/laDonnaEMobile.mxl": "",
}


class Differences(NamedTuple):
    """What is left on both sides when the rules have been taken away, and how often each rule was needed."""

    only_ours: Counter[Sounded]
    only_theirs: Counter[Sounded]
    hidden: int
    ties: int


def differences(data: bytes, score: WrittenScore) -> Differences:
    """Hold our notes against those of partitura, and take away what the rules explain."""
    ours, theirs = our_notes(score), partitura_notes(partitura_parts(data))
    only_ours, only_theirs = ours - theirs, theirs - ours
    hidden = ties = 0
    for bar, pitch_midi in hidden_small_notes(data):
        key = next((key for key in only_theirs if key[0] == bar and key[2] == pitch_midi), None)
        if key is not None:
            only_theirs[key] -= 1
            only_theirs = +only_theirs
            hidden += 1
    heads = {note.id: note for note in score.notes}
    for due in in_printed_order(score):
        head = heads[due.written_id]
        key = (due.bar_index, head.offset_beat, due.pitch_midi, due.duration_beat, head.staff, due.grace)
        if key in only_ours and len(due.heads) > 1 and has_tie_beside_it(score, due.heads):
            parts = chain_apart(score, due.heads, only_theirs)
            if parts:
                only_ours -= Counter([key])
                only_theirs -= parts
                ties += 1
    return Differences(only_ours, only_theirs, hidden, ties)


def hidden_small_notes(data: bytes) -> Iterator[tuple[int, int]]:
    """Yield bar and pitch of what the file marks as small and not printed."""
    for part in ET.fromstring(data).findall("part"):
        for bar, measure in enumerate(part.findall("measure")):
            for note in measure.findall("note"):
                if note.find("cue") is not None and note.get("print-object") == "no":
                    step, octave = note.findtext("pitch/step", ""), int(note.findtext("pitch/octave", ""))
                    alter = int(note.findtext("pitch/alter", "0"))
                    yield bar, 12 * (octave + 1) + STEP_SEMITONES[step] + alter


def has_tie_beside_it(score: WrittenScore, chain: tuple[str, ...]) -> bool:
    """Whether another head of the same pitch, in another voice, is tied on at the same moment as one of the chain."""
    heads = {note.id: note for note in score.notes}
    return any(
        other.tie_starts
        and other.id not in chain
        and (other.bar, other.end_beat, other.pitch_midi)
        == (heads[one].bar, heads[one].end_beat, heads[one].pitch_midi)
        for one in chain
        for other in score.notes
    )


def chain_apart(score: WrittenScore, chain: tuple[str, ...], wanted: Counter[Sounded]) -> Counter[Sounded]:
    """Return the chain cut into two, if both pieces are what the other program has."""
    heads = [note for name in chain for note in score.notes if note.id == name]
    for cut in range(1, len(heads)):
        pieces: Counter[Sounded] = Counter()
        for piece in (heads[:cut], heads[cut:]):
            first, length = piece[0], sum((head.duration_beat for head in piece), Fraction(0))
            pieces[first.bar, first.offset_beat, first.pitch_midi, length, first.staff, False] += 1
        if not pieces - wanted:
            return pieces
    return Counter()


@pytest.mark.parametrize("name", [name for name in PIANO_SCORES if name not in ONLY_IN_BENCH])
def test_every_piano_score_of_the_corpus_is_read_note_for_note_as_partitura_reads_it(name: str) -> None:
    data = corpus_score(name)
    found = differences(data, read_musicxml(data))
    assert not found.only_ours
    assert not found.only_theirs
    assert found.hidden == WITH_HIDDEN_SMALL_NOTES.get(name, 0)
    assert found.ties == WITH_TIES_SIDE_BY_SIDE.get(name, 0)


@pytest.mark.parametrize("name", sorted(WITH_HIDDEN_SMALL_NOTES.keys() - ONLY_IN_BENCH))
def test_hidden_small_notes_are_named_in_a_warning_with_their_bars(name: str) -> None:
    (warning,) = [
        found for found in read_musicxml(corpus_score(name)).warnings if found.code is WarningCode.CUE_LEFT_OUT
    ]
    assert warning.where == "bars 5, 9"


@pytest.mark.parametrize("name", sorted(WITH_TIES_SIDE_BY_SIDE.keys() - ONLY_IN_BENCH))
def test_ties_side_by_side_are_those_that_music21_reads(name: str) -> None:
    data = corpus_score(name)
    score = read_musicxml(data)
    kinds = {(True, False): "start", (False, True): "stop", (True, True): "continue", (False, False): ""}
    ours = Counter(
        (
            note.bar,
            note.offset_beat,
            note.pitch_midi,
            note.duration_beat,
            note.grace > 0,
            kinds[note.tie_starts, note.tie_stops],
        )
        for note in score.notes
    )
    theirs = music21_heads(music21_score(data))
    assert not ours - theirs
    assert sum((theirs - ours).values()) == WITH_HIDDEN_SMALL_NOTES[name]


@pytest.mark.parametrize("name", [name for name in WITH_REPEATS if name not in ONLY_IN_BENCH])
def test_bars_are_played_in_the_order_of_partitura_but_for_the_two_rules(name: str) -> None:
    check_order(corpus_score(name), rule=WITH_REPEATS[name])


def check_order(data: bytes, *, rule: str) -> None:
    score = read_musicxml(data)
    (part,) = partitura_parts(data)
    ours = list(bar_order(score.bars))
    theirs, notes = partitura_unfolded(part)
    if not rule:
        pickup = score.bars[0].length_beat if score.bars[0].pickup else 0
        assert ours == theirs
        assert notes == sorted(
            (round(float(due.onset_beat + pickup), 4), due.pitch_midi, round(float(due.duration_beat), 4))
            for due in in_playing_order(score)
        )
    elif rule == "coming back":
        back = last_leap(ours)
        assert ours[:back] == theirs[:back]
        assert ours[back:] == list(dict.fromkeys(theirs[back:]))
    else:
        (ending,) = [
            bar.index
            for bar in score.bars
            if bar.endings == (1,) and bar.ending_stops and not score.bars[bar.index + 1].endings
        ]
        played_again = ours[ending + 1 : ours.index(ending + 1)]
        assert played_again == list(range(1, ending))
        assert ours[: ending + 1] + ours[ours.index(ending + 1) :] == theirs


def last_leap(order: list[int]) -> int:
    """Return the place in the order of bars at which one has gone back to the first bar for the last time."""
    return max(place for place, bar in enumerate(order) if bar == 0)
