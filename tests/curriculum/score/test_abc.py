"""Typed notes. Examples marked with a section are those that the ABC standard 2.1 (December 2011) prints there."""

from fractions import Fraction

import pytest

from curriculum.score import (
    Answers,
    Key,
    MarkKind,
    Metre,
    RefusalCode,
    ScoreContentError,
    ScoreTooLargeError,
    TypedScoreError,
    WarningCode,
    check_hand,
    in_playing_order,
    read_abc,
    read_musicxml,
    read_two_hands,
    write_musicxml,
)


def tune(music, *, metre="none", key="C", unit="1/8", more=""):
    return read_abc(f"X:1\nT:A tune\nM:{metre}\nL:{unit}\n{more}K:{key}\n{music}\n")


def pitches(score):
    return [note.pitch_midi for note in score.notes]


def heads(score):
    return [(note.bar, note.offset_beat, note.duration_beat, note.pitch_midi) for note in score.notes]


def codes(score):
    return {warning.code for warning in score.warnings}


# -- what the standard says -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "midi"),
    [
        ("C,", 48),
        ("C", 60),
        ("c", 72),
        ("c'", 84),
        ("C,',", 48),
        ("C'", 72),
        ("B", 71),
        ("^C", 61),
        ("__B", 69),
        ("^^F", 67),
    ],
)
def test_letters_and_octave_marks_name_keys(typed, midi):
    # 4.1: "C,'," has the meaning of "C,", and "C'" that of "c".
    assert pitches(tune(typed)) == [midi]


@pytest.mark.parametrize(
    ("typed", "sixteenths"),
    [
        ("A", 1),
        ("A1", 1),
        ("A2", 2),
        ("A3", 3),
        ("A4", 4),
        ("A6", 6),
        ("A7", 7),
        ("A8", 8),
        ("A12", 12),
        ("A14", 14),
        ("A15", 15),
    ],
)
def test_lengths_multiply_the_unit(typed, sixteenths):
    score = tune(typed, unit="1/16")  # 4.3
    [note] = in_playing_order(score)
    assert note.duration_beat == Fraction(sixteenths, 4)


@pytest.mark.parametrize(
    ("typed", "quarters"),
    [
        ("A/2", Fraction(1, 4)),
        ("A3/2", Fraction(3, 4)),
        ("A/4", Fraction(1, 8)),
        ("A/", Fraction(1, 4)),
        ("A//", Fraction(1, 8)),
    ],
)
def test_lengths_divide_the_unit(typed, quarters):
    assert [note.duration_beat for note in in_playing_order(tune(typed))] == [quarters]  # 4.3


@pytest.mark.parametrize(
    ("metre", "quarters"),
    [
        ("2/4", Fraction(1, 4)),
        ("3/4", Fraction(1, 2)),
        ("6/8", Fraction(1, 2)),
        ("C", Fraction(1, 2)),
        ("C|", Fraction(1, 2)),
        ("none", Fraction(1, 2)),
    ],
)
def test_unit_follows_the_metre_where_it_is_not_named(metre, quarters):
    score = read_abc(f"X:1\nM:{metre}\nK:C\nA|\n")  # 3.1.7
    assert score.notes[0].duration_beat == quarters


def test_three_ways_of_broken_rhythm_mean_the_same():
    # 4.4
    written = [tune("a3b cd3 a2b2c2d2", unit="1/16"), tune("a3/2b/2 c/2d3/2 abcd"), tune("a>b c<d abcd")]
    assert heads(written[0]) == heads(written[1]) == heads(written[2])
    assert [note.duration_beat for note in in_playing_order(tune("a>>b"))] == [Fraction(7, 8), Fraction(1, 8)]


def test_grace_notes_are_transparent_to_broken_rhythm():
    assert heads(tune("A<{g}A")) == heads(tune("A{g}<A")) == heads(tune("A/2{g}A3/2"))  # 4.12


def test_rests_of_bars_are_as_long_as_bars():
    assert heads(tune("Z4|CD EF|GA Bc|", metre="2/4")) == heads(tune("z4|z4|z4|z4|CD EF|GA Bc|", metre="2/4"))  # 4.5


def test_endings_written_long_and_short_are_the_same():
    # 4.9: "[1" and "|1"; the opening repeat may be missing.
    long, short = tune("fff|[1 ddd:|[2 ccc|]", metre="3/8"), tune("fff|1 ddd:|2 ccc|]", metre="3/8")
    assert long == short
    assert [note.pitch_midi for note in in_playing_order(short)][::3] == [77, 74, 77, 72]
    assert [bar.endings for bar in short.bars] == [(), (1,), (2,)]


@pytest.mark.parametrize("typed", ["::", ":|:", ":||:"])
def test_variants_of_the_double_repeat_are_equal(typed):
    first, second = tune(f"ABc {typed} def:|", metre="3/8").bars  # 4.8
    assert (first.repeat_times, second.repeat_start, second.repeat_times) == (2, True, 2)


def test_colons_count_the_times():
    score = tune("|::ABc::|", metre="3/8")  # 4.8
    assert score.bars[0].repeat_times == 3
    assert len(in_playing_order(score)) == 9


@pytest.mark.parametrize(("typed", "numbers"), [("[1,3", (1, 3)), ("[1-3", (1, 2, 3)), ("[1,3,5-7", (1, 3, 5, 6, 7))])
def test_endings_hold_lists_and_ranges(typed, numbers):
    assert tune(f"ABc|{typed} ABc:|", metre="3/8").bars[1].endings == numbers  # 4.10


def test_ties_join_within_and_between_bars():
    notes = in_playing_order(tune("abc-|cba"))  # 4.11
    assert [note.duration_beat for note in notes] == [Fraction(1, 2)] * 2 + [Fraction(1)] + [Fraction(1, 2)] * 2
    assert len(in_playing_order(tune("c4-c4"))) == 1


def test_tie_carries_its_sign_over_the_barline_and_no_further():
    assert pitches(tune("^F-|FF")) == [66, 66, 65]


@pytest.mark.parametrize("typed", ["c4 -c4", "abc|-cba"])
def test_tie_away_from_its_first_note_is_refused(typed):
    with pytest.raises(TypedScoreError, match="directly behind"):  # 4.11
        tune(typed)


def test_slurs_nest_and_meet():
    def slurs(score):
        ids = {note.id: note.pitch_midi for note in score.notes}
        return {(ids[mark.note], ids[mark.to_note]) for mark in score.marks if mark.kind is MarkKind.SLUR}

    assert slurs(tune("(DEFG)")) == {(62, 67)}
    assert slurs(tune("(c (d e f) g a)")) == {(72, 81), (74, 77)}  # 4.11
    assert slurs(tune("(c d (e) f g a)")) == {(72, 76), (76, 81)}  # 4.11


@pytest.mark.parametrize(
    ("typed", "metre", "total"),
    [
        ("(3abc", "C", 2), ("(2ab", "6/8", 3), ("(4abcd", "6/8", 3), ("(5abcde", "C", 2), ("(5abcde", "6/8", 3), ("(6abcdef", "C", 2),
        ("(7abcdefg", "9/8", 3), ("(3:2:2 G4c2", "C", 4), ("(3:2:4 G2A2Bc", "C", 4), ("(3 D2E2F2", "C", 4), ("(3 D3EF2", "C", 4),
        ("(3::2 ab(3::1c", "C", 2),
    ],
)  # fmt: skip
def test_groups_take_the_time_that_the_standard_gives_them(typed, metre, total):
    score = read_abc(f"X:1\nM:{metre}\nL:1/8\nK:C\n[M:none]{typed}\n") if metre == "C" else None  # 4.13
    if score is None:
        score = read_abc(f"X:1\nM:{metre}\nL:1/8\nK:C\n{typed}|\n")
    assert sum(note.duration_beat for note in in_playing_order(score)) == Fraction(total) / 2


def test_three_spellings_of_a_triplet_are_one():
    assert tune("(3abc") == tune("(3::abc") == tune("(3:2abc") == tune("(3:2:3abc")  # 4.13


def test_chords_multiply_lengths_and_take_fingers():
    assert heads(tune("[C2E2G2]3")) == heads(tune("[CEG]6"))  # 4.17
    assert [note.finger for note in tune("[!1!C!3!E!5!G]").notes] == [1, 3, 5]  # 4.14
    assert [note.finger for note in tune("!1!!3!!5![CEG]").notes] == [1, 3, 5]


def test_long_chord_example_of_the_standard_is_read():
    score = tune('( "^I" !f! [CEG]- > [CEG] "^IV" [F=AC]3/2"^V"[GBD]/  H[CEG]2 )')  # 4.17
    assert [note.duration_beat for note in in_playing_order(score)] == [Fraction(1)] * 3 + [Fraction(3, 4)] * 3 + [
        Fraction(1, 4)
    ] * 3 + [Fraction(1)] * 3
    assert {mark.text for mark in score.marks if mark.kind is MarkKind.WORDS} == {"I", "IV", "V"}
    assert "fermata" in score.notes[-3].articulations


def test_unison_is_one_key():
    score = tune("[DD]")  # 4.17
    assert pitches(score) == [62]
    assert WarningCode.NOTE_OVERLAP in codes(score)


@pytest.mark.parametrize(
    ("typed", "fifths"),
    [
        ("C major", 0), ("A minor", 0), ("C ionian", 0), ("A aeolian", 0), ("G mixolydian", 0), ("D dorian", 0), ("E phrygian", 0),
        ("F lydian", 0), ("B locrian", 0), ("F# mixolydian", 5), ("F#Mix", 5), ("F#MIX", 5), ("Cm", -3), ("Bb", -2), ("Ebm", -6), ("C#", 7),
        ("Cb", -7), ("A#m", 7), ("Abm", -7), ("none", 0), ("", 0), ("Dm bass", -1),
    ],
)  # fmt: skip
def test_keys_have_their_signatures(typed, fifths):
    assert tune("C", key=typed).bars[0].key.fifths == fifths  # 3.1.14


@pytest.mark.parametrize(
    ("typed", "bpm"),
    [
        ("1/2=120", 240),
        ("1/4=60", 60),
        ('"Allegro" 1/4=120', 120),
        ('3/8=50 "Slowly"', 75),
        ("1/4 3/8 1/4 3/8=40", 200),
    ],
)
def test_tempi_count_quarters(typed, bpm):
    assert tune("C", more=f"Q:{typed}\n").bpm == bpm  # 3.1.8


@pytest.mark.parametrize("typed", ['"Andante"', "120", "C=100"])
def test_tempo_without_a_sure_beat_is_asked_for(typed):
    score = tune("C", more=f"Q:{typed}\n")
    assert score.bpm is None
    assert WarningCode.TEMPO_MISSING in codes(score)


def test_metre_changes_alike_inline_and_on_its_own_line():
    inline = tune("EEE EEE|[M:9/8] AGF FEE DDD|]", metre="6/8")  # 3.2
    line = tune("EEE EEE|\\\nM:9/8\nAGF FEE DDD|]", metre="6/8")
    assert inline == line
    assert [bar.length_beat for bar in inline.bars] == [3, Fraction(9, 2)]


def test_signs_are_read_where_they_stand():
    score = tune("!p!C .D !>!E LF !trill!G TA !crescendo(!B c !crescendo)!|~d", metre="C", unit="1/8")
    by_pitch = {note.pitch_midi: note for note in score.notes}
    assert by_pitch[62].articulations == ("staccato",)
    assert by_pitch[64].articulations == by_pitch[65].articulations == ("accent",)
    assert by_pitch[67].ornaments == by_pitch[69].ornaments == ("trill-mark",)
    spans = [(m.offset_beat, m.to_offset_beat) for m in score.marks if m.kind is MarkKind.CRESCENDO]
    assert spans == [(Fraction(3), Fraction(4))]
    assert WarningCode.TYPED_LEFT_OUT in codes(score)  # the roll is not for a piano


def test_letters_can_be_given_meanings():
    assert tune("TC", more="U: T = !fermata!\n").notes[0].articulations == ("fermata",)  # 4.16
    assert tune("TC", more="U: T = !nil!\n").notes[0].ornaments == ()


def test_ways_back_are_obeyed():
    score = tune("CDE!fine!|FGA !D.C.!|]", metre="3/8")
    assert [note.pitch_midi for note in in_playing_order(score)] == [60, 62, 64, 65, 67, 69, 60, 62, 64]


def test_accidental_of_another_octave_is_named():
    score = tune("^C c")
    assert pitches(score) == [61, 72]
    assert WarningCode.ACCIDENTAL_OCTAVE in codes(score)
    told = tune("%%propagate-accidentals pitch\n^C c")
    assert pitches(told) == [61, 73]
    assert WarningCode.ACCIDENTAL_OCTAVE not in codes(told)
    assert pitches(tune("%%propagate-accidentals not\n^C C")) == [61, 60]


# -- hands ------------------------------------------------------------------------------------------------------------


def test_two_voices_are_two_hands():
    score = read_abc("X:1\nM:C\nL:1/4\nV:1\nV:2 clef=bass\nK:C\n[V:1] CDEF|\n[V:2] C,4|\n[V:1] G4|]\n[V:2] C,4|]\n")
    assert [(note.hand, note.bar) for note in score.notes if note.duration_beat == 4] == [
        ("left", 0),
        ("right", 1),
        ("left", 1),
    ]
    assert WarningCode.HAND_DOUBTFUL not in codes(score)


def test_unnamed_voices_are_a_question():
    assert WarningCode.HAND_DOUBTFUL in codes(read_abc("X:1\nK:C\nV:1\nC|\nV:2\nC,|\n"))


def test_voice_named_left_first_is_the_left_hand():
    score = read_abc("X:1\nK:C\nV:LH\nC,|\nV:RH\nC|\n")
    assert {note.hand: note.pitch_midi for note in score.notes} == {"right": 60, "left": 48}


def test_one_voice_asks_for_its_hand():
    assert WarningCode.WHICH_HAND in codes(tune("C"))
    score = read_abc("X:1\nK:C\nC|\n", answers=Answers(hand="left"))
    assert [note.hand for note in score.notes] == ["left"]
    assert WarningCode.WHICH_HAND not in codes(score)


def test_three_voices_ask_which_are_played():
    text = "X:1\nK:C\nV:S\nc|\nV:A\nG|\nV:B\nC|\n"
    with pytest.raises(ScoreContentError, match="3 voices") as caught:
        read_abc(text)
    assert caught.value.code is RefusalCode.WHICH_PART
    assert pitches(read_abc(text, answers=Answers(part="S,B"))) == [72, 60]


def test_two_boxes_make_one_score_and_come_back_from_a_file():
    score = read_two_hands(
        "|: !1!C D (3!3!EFG | [1 E4 :| [2 (c2 !p!c2) |]",
        "K:C\n|: [C,E,]4 | [1 {A,,}G,,2-G,,2 :| [2 C,4 |]",
        bpm=Fraction(72),
        title="Two hands",
    )
    assert (score.title, score.bpm, score.staves, len(score.bars)) == ("Two hands", 72, 2, 3)
    assert read_musicxml(write_musicxml(score)) == score


def test_empty_box_leaves_one_hand():
    score = read_two_hands("", "C,D,E,F,|")
    assert ({note.hand for note in score.notes}, score.staves) == ({"left"}, 1)


def test_whole_tune_pasted_into_one_box_is_two_hands():
    score = read_two_hands("X:1\nM:3/4\nL:1/4\nK:G\nV:1\nGAB|\nV:2 bass\nG,3|\n", "")
    assert {note.hand for note in score.notes} == {"right", "left"}
    assert score.bars[0].metre == Metre(3, 4)


def test_what_word_processors_put_in_is_understood():
    score = read_two_hands("“C”c’ d’ e’ f’ | g’4", "", metre=Metre(4, 4))
    assert pitches(score)[0] == 84
    assert [mark.text for mark in score.marks if mark.kind is MarkKind.CHORD_SYMBOL] == ["C"]


def test_header_of_a_box_goes_before_the_arguments():
    score = read_two_hands("M:3/4\nL:1/8\nK:F\nB2A2G2|", "K:F\nM:3/4\nF,3|", key=Key(3))
    assert (score.bars[0].key.fifths, score.notes[0].pitch_midi) == (-1, 70)


def test_pickup_and_split_bars_keep_their_numbers():
    score = read_two_hands("G|cdef|g3:|:e|dcBA|G3|]", "")
    assert [(bar.number, bar.length_beat) for bar in score.bars] == [
        ("0", 1),
        ("1", 4),
        ("2", 3),
        ("2", 1),
        ("3", 4),
        ("4", 3),
    ]


def test_repeats_written_in_one_hand_hold_for_both():
    score = read_two_hands("|:CDEF:|", "C,4|")
    assert (score.bars[0].repeat_start, score.bars[0].repeat_times) == (True, 2)


@pytest.mark.parametrize(
    ("right", "left", "where", "match"),
    [
        ("CDEF|GABc|", "C,4|", "right hand, line 1, column 6", "has 2 bars"),
        ("G|CDEF|", "C,4|", "right hand, line 1, column 3", "pickup"),
        ("CDEF|", "C,2|", "left hand, line 1, column 1", "holds 2 quarters"),
        ("[K:G]CDEF|", "C,4|", "left hand, line 1, column 1", "key signature"),
        ("CDE?|", "", "right hand, line 1, column 4", "means nothing"),
        ("CDEF|", "C,4|\nX|\nhello", "left hand, line 3, column 1", "'h' is no note|no note"),
    ],
)
def test_faults_in_boxes_name_hand_line_and_column(right, left, where, match):
    with pytest.raises(TypedScoreError, match=match) as caught:
        read_two_hands(right, left)
    assert caught.value.where == where


def test_nothing_typed_is_said():
    with pytest.raises(ScoreContentError, match="Nothing is typed"):
        read_two_hands(" \n", "")


# -- faults -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "column", "match"),
    [
        ("CDQF|", 3, "no note"),
        ("C D\u266fE", 4, "means nothing"),
        ("[CEG|", 5, "not closed"),
        ("[CEG", 1, "not closed"),
        ("[]C", 1, "empty"),
        ("[CE2]", 1, "same length"),
        ("(CD|EF|", 1, "never closed"),
        ("CD)|", 3, "not opened"),
        ("C-D|", 2, "no note of the same pitch"),
        ("C-", 2, "no note of the same pitch"),
        ("{c}|", 1, "before a barline"),
        ("{}C", 1, "no grace notes"),
        ("{c", 1, "not closed"),
        ("C>|D", 3, "no note after it"),
        (">C", 1, "between two notes"),
        ("C2>D", 4, "different lengths"),
        ("(3CD|", 5, "lacks 1"),
        ("(1C", 1, "2 to 9"),
        ("C0", 1, "length of 0"),
        ("C/0", 1, "length of 0"),
        ("C//3", 1, "is written such as"),
        ("^|", 1, "sharp"),
        ("2C", 1, "number stands behind no note"),
        ("!p C", 1, "not closed"),
        ('"C', 1, "not closed"),
        ("C&E", 2, "Two voices"),
        ("C,,,,,,", 1, "No piano"),
        (":|C", 1, "before anything"),
        ("C[1D", 2, "at a barline"),
        ("+p+C", 1, "exclamation marks"),
        ("C[M:3/5]D", 3, "no time signature|changes at a barline"),
        ("C|[M:3/5]D", 4, "no time signature"),
        ("C|[K:H]D", 4, "no key|'H'"),
        ("C|[Q:1/4=x]D", 4, "no tempo"),
        ("C[K:G]D", 3, "at a barline"),
        ("C!1!", 2, "no note after"),
    ],
)
def test_each_fault_names_its_column(typed, column, match):
    with pytest.raises(TypedScoreError, match=match) as caught:
        tune(typed)
    assert (caught.value.line, caught.value.column) == (6, column)


@pytest.mark.parametrize(
    ("header", "line", "match"),
    [
        ("M:4/5\nK:C\nC", 2, "no time signature"),
        ("L:1/3\nK:C\nC", 2, "unit length"),
        ("L:0\nK:C\nC", 2, "unit length"),
        ("Q:fast\nK:C\nC", 2, "no tempo"),
        ("K:X#\nC", 2, "no key"),
        ("K:H\nC", 2, "no key"),
        ("K:G#\nC", 2, "8 signs"),
        ("K:D exp _b\nC", 2, "signs of their own"),
        ("K:D =c\nC", 2, "signs of their own"),
        ("K:HP\nC", 2, "pipes"),
        ("P:ABA\nK:C\nC", 2, "order of parts"),
        ("m: ~G2 = {A}G\nK:C\nC", 2, "Macros"),
        ("U: 5 = !trill!\nK:C\nC", 2, "given a meaning"),
        ("CDEF|\nK:C\nC", 2, "before its key"),
        ("K:perc\nC", 2, "drums"),
    ],
)
def test_faults_in_the_header_name_their_line(header, line, match):
    with pytest.raises(TypedScoreError, match=match) as caught:
        read_abc(f"X:1\n{header}\n")
    assert caught.value.line == line


def test_bar_of_wrong_length_is_named_in_files_and_refused_in_boxes():
    score = tune("CDE|CDEF|CDEFG|", metre="C", unit="1/4")
    assert {WarningCode.BAR_LONG, WarningCode.BAR_SHORT} & codes(score) == {
        WarningCode.BAR_LONG
    }  # the first is a pickup
    assert [warning.bars for warning in score.warnings if warning.code is WarningCode.BAR_LONG] == [(2,)]
    score = tune("CDEF|CDE|CDEF|", metre="C", unit="1/4")
    assert [warning.where for warning in score.warnings if warning.code is WarningCode.BAR_SHORT] == [
        "line 6, column 6"
    ]
    with pytest.raises(TypedScoreError, match="Bar 2 holds 3 quarters") as caught:
        read_two_hands("CDEF|CDE|CDEF|", "")
    assert caught.value.code is RefusalCode.BAR_LENGTH


def test_checking_a_box_shows_every_wrong_bar():
    checked = check_hand("CDE|CDEF|CDEFG|\nCD|CDEF|")
    assert [(bar.number, bool(bar.problem)) for bar in checked.bars] == [
        ("0", False),
        ("1", False),
        ("2", True),
        ("3", True),
        ("4", False),
    ]
    assert [(bar.line, bar.column) for bar in checked.bars][3] == (2, 1)
    assert not checked.is_right
    assert check_hand("CDEF|").is_right


def test_checking_keeps_the_bars_before_a_fault():
    checked = check_hand("CDEF|GAQ", hand="left")
    assert [bar.number for bar in checked.bars] == ["1"]
    assert checked.error is not None
    assert checked.error.where == "left hand, line 1, column 8"


def test_what_is_not_music_is_left_out_and_said():
    score = read_abc("X:1\nK:C\nCDEF|\nw: la la\n!blub!G|\n\nX:2\nK:D\nD|\n")
    texts = " ".join(warning.text for warning in score.warnings)
    assert "words to sing" in texts
    assert "!blub!" in texts
    assert "further tunes" in texts
    assert len(score.notes) == 5


def test_too_long_texts_are_refused():
    with pytest.raises(ScoreTooLargeError):
        read_abc("X:1\nK:C\n" + "C" * 200_000)
    with pytest.raises(TypedScoreError, match="more than 4000 bars"):
        tune("Z9999|", metre="C")


def test_tune_without_notes_is_refused():
    with pytest.raises(ScoreContentError) as caught:
        tune("z4|")
    assert caught.value.code is RefusalCode.NO_NOTES
