"""MusicXML in and out: what stands in a file, what is doubtful in it, and that nothing is lost on the way."""

import math
from dataclasses import replace
from fractions import Fraction
from random import Random

import pytest

from curriculum.score import (
    Answers,
    Key,
    MarkKind,
    Metre,
    RefusalCode,
    ScoreContentError,
    ScoreError,
    WarningCode,
    check_hand,
    in_playing_order,
    pitch_of,
    read_musicxml,
    read_two_hands,
    write_musicxml,
)

FOUR = "<attributes><divisions>4</divisions><key><fifths>0</fifths></key><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"
TWO_STAVES = FOUR.replace("</attributes>", "<staves>2</staves></attributes>")
TEMPO = '<direction><direction-type/><sound tempo="90"/></direction>'


def note(step="C", octave=4, duration=16, *, alter=None, kind="whole", before="", after="", staff=None, voice=None):
    """Return one note; ``duration`` in quarters of a quarter."""
    return (
        f"<note>{before}<pitch><step>{step}</step>"
        + (f"<alter>{alter}</alter>" if alter is not None else "")
        + f"<octave>{octave}</octave></pitch><duration>{duration}</duration>"
        + (f"<voice>{voice}</voice>" if voice else "")
        + f"<type>{kind}</type>"
        + (f"<staff>{staff}</staff>" if staff else "")
        + f"{after}</note>"
    )


def part(*bars, part_id="P1", first=1):
    measures = "".join(f'<measure number="{number}">{bar}</measure>' for number, bar in enumerate(bars, start=first))
    return f'<part id="{part_id}">{measures}</part>'


def document(*parts, names=("Piano",)):
    listed = "".join(
        f'<score-part id="P{number}"><part-name>{name}</part-name></score-part>'
        for number, name in enumerate(names, start=1)
    )
    return f'<score-partwise version="4.0"><part-list>{listed}</part-list>{"".join(parts)}</score-partwise>'.encode()


def read(*bars, **options):
    return read_musicxml(document(part(*bars), names=("Right hand",)), **options)


def codes(score):
    return {warning.code for warning in score.warnings}


def where(score, code):
    return [warning.where for warning in score.warnings if warning.code is code]


# -- pitch ------------------------------------------------------------------------------------------------------------


@pytest.mark.slow  # the other program takes its time to be imported
def test_keys_of_the_piano_are_numbered_as_another_program_numbers_them():
    pitch = pytest.importorskip("music21.pitch")
    for octave in range(9):
        for step in "CDEFGAB":
            for alter in (-2, -1, 0, 1, 2):
                theirs = pitch.Pitch(step=step, octave=octave, accidental=alter)
                ours = pitch_of(step, alter=alter, octave=octave)
                assert ours == theirs.midi
                # In equal temperament on A4 = 440 Hz a key is 440 * 2 ** ((n - 69) / 12).
                assert theirs.frequency == pytest.approx(440 * math.exp2((ours - 69) / 12), rel=1e-9)


# -- reading ----------------------------------------------------------------------------------------------------------


def test_notes_stand_where_the_file_puts_them():
    score = read(
        FOUR + TEMPO + note("D", 5, 8, kind="half") + note("F", 4, 8, alter=1, kind="half"), note("B", 3, alter=-1)
    )
    assert [(n.bar, n.offset_beat, n.duration_beat, n.pitch_midi) for n in score.notes] == [
        (0, 0, 2, 74),
        (0, 2, 2, 66),
        (1, 0, 4, 58),
    ]
    assert (score.bpm, score.bars[0].metre, score.bars[0].key) == (90, Metre(4, 4), Key(0))
    assert not score.warnings


def test_chords_share_their_onset():
    score = read(FOUR + TEMPO + note("G") + note("C", before="<chord/>") + note("E", before="<chord/>"))
    assert [(n.pitch_midi, n.offset_beat, n.chord) for n in score.notes] == [
        (60, 0, False),
        (64, 0, True),
        (67, 0, True),
    ]


def test_backup_puts_two_staves_together():
    score = read_musicxml(
        document(
            part(
                TWO_STAVES
                + TEMPO
                + note("E", 5, staff=1, voice=1)
                + "<backup><duration>16</duration></backup>"
                + note("C", 3, staff=2, voice=5)
            )
        )
    )
    assert [(n.hand, n.pitch_midi, n.offset_beat) for n in score.notes] == [("right", 76, 0), ("left", 48, 0)]


def test_triplets_are_exact_thirds():
    ratio = "<time-modification><actual-notes>3</actual-notes><normal-notes>2</normal-notes></time-modification>"
    attributes = FOUR.replace("<divisions>4", "<divisions>3")
    triplet = "".join(note("C", 4, 1, kind="eighth", after=ratio) for _ in range(3))
    score = read(attributes + TEMPO + triplet + note("D", 4, 9, kind="half", before=""))
    assert [n.offset_beat for n in score.notes][:3] == [0, Fraction(1, 3), Fraction(2, 3)]


def test_ties_merge_into_one_key():
    tied = note("C", after='<notations><tied type="start"/></notations>').replace("<type>", '<tie type="start"/><type>')
    stop = note("C", after='<notations><tied type="stop"/></notations>').replace("<type>", '<tie type="stop"/><type>')
    [key] = in_playing_order(read(FOUR + TEMPO + tied, stop))
    assert (key.duration_beat, key.heads) == (8, ("b0n1", "b1n1"))


def test_fingers_and_articulations_are_kept():
    after = "<notations><technical><fingering>3</fingering></technical><articulations><staccato/></articulations><fermata/></notations>"
    [found] = read(FOUR + TEMPO + note(after=after)).notes
    assert (found.finger, found.articulations) == (3, ("fermata", "staccato"))


def test_metronome_counts_quarters():
    mark = "<direction><direction-type><metronome><beat-unit>quarter</beat-unit><beat-unit-dot/><per-minute>60</per-minute></metronome></direction-type></direction>"
    assert read(FOUR + mark + note()).bpm == 90


def test_timewise_files_are_turned_round():
    text = (
        '<score-timewise><part-list><score-part id="P1"><part-name>Left hand</part-name></score-part></part-list>'
        f'<measure number="1"><part id="P1">{FOUR}{TEMPO}{note()}</part></measure></score-timewise>'
    )
    assert [n.hand for n in read_musicxml(text.encode()).notes] == ["left"]


def test_pickup_bar_is_nought_and_the_rest_keep_their_numbers():
    short = FOUR + TEMPO + note("G", 4, 4, kind="quarter")
    score = read_musicxml(document(part(short, note(), first=0), names=("Right hand",)))
    assert [(bar.number, bar.pickup) for bar in score.bars] == [("0", True), ("1", False)]


# -- doubts -----------------------------------------------------------------------------------------------------------


def test_missing_tempo_is_asked_for():
    assert WarningCode.TEMPO_MISSING in codes(read(FOUR + note()))
    assert WarningCode.TEMPO_MISSING in codes(read(FOUR + note(), TEMPO + note()))


def test_short_and_long_bars_are_named():
    score = read(FOUR + TEMPO + note(), note(duration=8, kind="half"), note(), note(duration=20), note())
    assert where(score, WarningCode.BAR_SHORT) == ["bar 2"]
    assert where(score, WarningCode.BAR_LONG) == ["bar 4"]
    assert [bar.length_beat for bar in score.bars] == [4, 4, 4, 5, 4]


def test_hand_of_one_staff_is_asked_for_and_answered():
    unnamed = document(part(FOUR + TEMPO + note()), names=("Piano",))
    assert WarningCode.WHICH_HAND in codes(read_musicxml(unnamed))
    answered = read_musicxml(unnamed, answers=Answers(hand="left"))
    assert [n.hand for n in answered.notes] == ["left"]
    assert WarningCode.WHICH_HAND not in codes(answered)


def test_two_parts_are_two_hands():
    two = document(
        part(FOUR + TEMPO + note("C", 5)), part(FOUR + note("C", 3), part_id="P2"), names=("Right hand", "Left hand")
    )
    score = read_musicxml(two)
    assert {n.hand: n.pitch_midi for n in score.notes} == {"right": 72, "left": 48}
    doubtful = two.replace(b"Right hand", b"Flute").replace(b"Left hand", b"Oboe")
    assert WarningCode.HAND_DOUBTFUL in codes(read_musicxml(doubtful))


def test_other_parts_are_left_out_and_named():
    voice = part(FOUR + note("C", 5))
    piano = part(TWO_STAVES + TEMPO + note("E", 5, staff=1, voice=1), part_id="P2")
    score = read_musicxml(document(voice, piano, names=("Voice", "Piano")))
    assert [w.text for w in score.warnings if w.code is WarningCode.PART_LEFT_OUT] == [
        "Read for the piano; left out: Voice."
    ]


def test_transposing_part_is_asked_about():
    transposed = FOUR.replace("</attributes>", "<transpose><chromatic>-2</chromatic></transpose></attributes>")
    assert WarningCode.TRANSPOSING in codes(read(transposed + TEMPO + note()))


def test_notes_too_far_apart_for_a_hand_are_asked_about():
    score = read(FOUR + TEMPO + note("C", 3) + note("C", 5, before="<chord/>"))
    assert where(score, WarningCode.HAND_DOUBTFUL) == ["bar 1"]


def test_repeat_that_is_never_closed_is_asked_about():
    opened = '<barline location="left"><repeat direction="forward"/></barline>'
    score = read(FOUR + TEMPO + note(), opened + note(), note())
    assert where(score, WarningCode.REPEAT_UNMATCHED) == ["bar 2"]
    assert len(in_playing_order(score)) == 3


def test_way_back_without_an_end_is_asked_about():
    back = '<sound dacapo="yes"/>'
    assert WarningCode.JUMP_UNMATCHED in codes(read(FOUR + TEMPO + note() + back, note()))


def test_tie_from_nowhere_is_named():
    stop = note("C").replace("<type>", '<tie type="stop"/><type>')
    assert where(read(FOUR + TEMPO + note("D"), stop), WarningCode.TIE_UNMATCHED) == ["bar 2"]


@pytest.mark.parametrize(
    ("bars", "code", "place"),
    [
        ([FOUR + note(), note("H")], RefusalCode.BAD_PITCH, "2"),
        ([FOUR + note(), note("C", 99)], RefusalCode.BAD_PITCH, "2"),
        ([FOUR + note(), note(alter="x")], RefusalCode.BAD_PITCH, "2"),
        ([FOUR + note().replace("<duration>16</duration>", "")], RefusalCode.NO_DURATION, "1"),
        ([note()], RefusalCode.NO_DIVISIONS, "1"),
        ([FOUR.replace(">4</div", ">0</div") + note()], RefusalCode.BAD_NUMBER, "1"),
        ([FOUR + "<note><rest/><duration>16</duration></note>"], RefusalCode.NO_NOTES, ""),
    ],
)
def test_contradictions_are_refused_with_their_bar(bars, code, place):
    with pytest.raises(ScoreError) as caught:
        read(*bars)
    assert (caught.value.code, caught.value.bar) == (code, place)


def test_parts_with_different_numbers_of_bars_are_refused():
    with pytest.raises(ScoreContentError, match="different numbers of bars") as caught:
        read_musicxml(document(part(FOUR + note(), note()), part(FOUR + note(), part_id="P2"), names=("a", "b")))
    assert caught.value.bar == "2"


# -- writing ----------------------------------------------------------------------------------------------------------


def test_ids_written_are_ours_and_text_is_escaped():
    score = read_two_hands("CDEF|", "", title='<script> & "quotes"')
    written = write_musicxml(score)
    assert b'<note id="b0n1">' in written
    assert b"<script>" not in written
    assert read_musicxml(written).title == '<script> & "quotes"'


def typed(chance, *, low):
    """Return a few bars of four quarters, typed at random: everything that a box can hold."""
    bars = []
    octave = "," if low else ""
    for number in range(chance.randint(2, 5)):
        left, strokes = 8, []
        while left:
            letter = chance.choice(["C", "D", "E", "F", "G", "A", "B", "^F", "_B", "=B", "__E"]) + octave
            length = chance.choice([size for size in (1, 1, 2, 2, 3, 4, 6, 8) if size <= left])
            kind = chance.random()
            sign = chance.choice(
                [
                    "",
                    "",
                    "",
                    "!1!",
                    "!5!",
                    ".",
                    "!>!",
                    "T",
                    "!p!",
                    "!ff!",
                    '"^dolce"',
                    '"Am"',
                    "{d}",
                    "{/ef}",
                    "!fermata!",
                    "!tenuto!",
                ]
            )
            if kind < 0.15:
                strokes.append(f"z{length}")
            elif kind < 0.3:
                strokes.append(f"{sign}[{'E' + octave}{'G' + octave}{'c' + octave}]{length}")
            elif kind < 0.4 and length == 2:
                strokes.append(f"(3C{octave}D{octave}E{octave}")
            elif kind < 0.5 and length == 2:
                strokes.append(f"(C{octave}>D{octave})")
            elif kind < 0.55 and length == 2:
                strokes.append(f"G{octave}-G{octave}")
            else:
                strokes.append(f"{sign}{letter}{length}")
            left -= length
        if number == 1:
            strokes.insert(0, "|:" if chance.random() < 0.5 else "")
        bars.append(" ".join(strokes))
    return "|".join(bars).replace("||:", "|:").replace("| |:", "|:") + "|]"


@pytest.mark.parametrize("seed", range(150))
def test_random_typed_scores_go_to_a_file_and_come_back_unchanged(seed):
    chance = Random(seed)
    right, left = typed(chance, low=False), ""
    if check_hand(right, unit_beat=Fraction(1, 2)).error is None and chance.random() < 0.7:
        count = len(check_hand(right, unit_beat=Fraction(1, 2)).bars)
        left = "|".join(chance.choice(["C,4E,4", "[C,G,]8", "C,2z2(3E,2F,2G,2", "z8"]) for _ in range(count)) + "|"
    score = read_two_hands(
        right,
        left,
        unit_beat=Fraction(1, 2),
        key=Key(chance.randint(-5, 5), "major"),
        bpm=Fraction(chance.randint(40, 160)),
    )
    again = read_musicxml(write_musicxml(score))
    assert again == replace(score, warnings=again.warnings)
    assert write_musicxml(again) == write_musicxml(score)
    assert [mark for mark in again.marks if mark.kind is MarkKind.SLUR] == [
        mark for mark in score.marks if mark.kind is MarkKind.SLUR
    ]


def test_a_first_part_in_the_bass_clef_is_the_left_hand_also_when_written_and_read_again():
    parts = "".join(
        f'<part id="{part}"><measure number="1"><attributes><divisions>1</divisions><time><beats>4</beats>'
        f"<beat-type>4</beat-type></time><clef><sign>{clef}</sign></clef></attributes><note><pitch><step>C</step>"
        f"<octave>{octave}</octave></pitch><duration>4</duration><type>whole</type></note></measure></part>"
        for part, clef, octave in (("P1", "F", 3), ("P2", "G", 5))
    )
    listed = '<part-list><score-part id="P1"/><score-part id="P2"/></part-list>'
    found = read_musicxml(f"<score-partwise>{listed}{parts}</score-partwise>".encode())
    assert sorted((note.pitch_midi, note.staff, note.hand) for note in found.notes) == [
        (48, 2, "left"),
        (72, 1, "right"),
    ]
    assert WarningCode.HAND_DOUBTFUL in {warning.code for warning in found.warnings}
    assert read_musicxml(write_musicxml(found)) == found
