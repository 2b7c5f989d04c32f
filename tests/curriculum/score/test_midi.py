"""MIDI files made byte by byte: what they say is read, what they do not say is guessed aloud."""

from fractions import Fraction
from random import Random

import pytest

from curriculum.score import (
    Answers,
    Metre,
    RefusalCode,
    ScoreContentError,
    ScoreFileError,
    ScoreTooLargeError,
    WarningCode,
    in_printed_order,
    read_midi,
    read_musicxml,
    read_score,
    write_musicxml,
)
from curriculum.score.guard import ScoreLimits
from curriculum.score.midi.spelling import spell
from curriculum.score.patterns.errors import PatternError
from curriculum.score.patterns.spec import CLOSED_LISTS, FIGURES, Pattern
from curriculum.score.patterns.writing import make_pattern
from tests.curriculum.score import midi_files as smf

SCALE = [60, 62, 64, 65, 67, 69, 71, 72]


def steady(pitches, *, each=480, held=1.0, start=0):
    return [(start + i * each, start + round((i + held) * each), pitch) for i, pitch in enumerate(pitches)]


def one_track(played, *more, **options):
    return smf.file(smf.track([smf.metre(4, 2), smf.key(0), smf.tempo(500_000), *more, *smf.notes(played)]), **options)


def codes(score):
    return {warning.code for warning in score.warnings}


def played(score):
    return sorted((note.onset_beat, note.duration_beat, note.pitch_midi, note.hand) for note in in_printed_order(score))


def lengths(score):
    return [note.duration_beat for note in in_printed_order(score)]


# -- what the file says -----------------------------------------------------------------------------------------------


def test_written_notes_of_an_export_come_back_exactly():
    chance = Random(4)
    tried = 0
    while tried < 30:
        kind = chance.choice(list(FIGURES))
        try:
            score = make_pattern(
                Pattern(
                    kind=kind,
                    key=chance.choice(["C", "D", "Eb", "F#"]),
                    hands=chance.choice(CLOSED_LISTS["hands"]),
                    figure=chance.choice(FIGURES[kind]),
                    metre=chance.choice(CLOSED_LISTS["metre"]),
                    value=chance.choice(CLOSED_LISTS["value"]),
                )
            )
        except PatternError:
            continue
        tried += 1
        for division in (96, 480, 960):
            read = read_midi(smf.from_score(score, division=division))
            assert played(read) == played(score), (kind, division)
            assert WarningCode.QUANTISED not in codes(read)
        assert read_musicxml(write_musicxml(read)) == read


def test_metres_keys_and_tempi_are_taken():
    data = one_track(
        steady(SCALE[:7] * 2),
        smf.metre(3, 2, tick=1920),
        smf.key(-2, minor=True, tick=1920),
        smf.tempo(461_538, tick=1920),
    )
    score = read_midi(data)
    assert [bar.metre for bar in score.bars[:2]] == [Metre(4, 4), Metre(3, 4)]
    assert [(bar.key.fifths, bar.key.mode) for bar in score.bars[:2]] == [(0, "major"), (-2, "minor")]
    assert [(tempo.bar, tempo.bpm) for tempo in score.tempi] == [(0, 120), (1, 130)]


def test_short_first_bar_is_a_pickup():
    data = smf.file(
        smf.track([smf.metre(1, 2), smf.metre(4, 2, tick=480), smf.key(0), *smf.notes(steady([67, *SCALE[:4]]))])
    )
    score = read_midi(data)
    assert [(bar.number, bar.pickup, bar.length_beat) for bar in score.bars] == [("0", True, 1), ("1", False, 4)]
    assert [note.onset_beat for note in in_printed_order(score)] == [-1, 0, 1, 2, 3]


def test_metre_that_changes_inside_a_bar_cuts_it_and_says_so():
    score = read_midi(one_track(steady(SCALE), smf.metre(3, 2, tick=960)))
    assert [bar.length_beat for bar in score.bars] == [2, 3, 3]
    assert WarningCode.BAR_SHORT in codes(score)


def test_pedal_is_taken_from_press_to_release():
    pedal = [(0, b"\xb0\x40\x7f"), (960, b"\xb0\x40\x00")]
    [mark] = read_midi(one_track(steady(SCALE[:4]), *pedal)).marks
    assert (mark.kind, mark.offset_beat, mark.to_offset_beat) == ("pedal", 0, 2)


def test_running_status_and_silent_note_ons_are_understood():
    body = b"\x00\x90\x3c\x40" + b"\x83\x60\x3c\x00" + b"\x00\x3e\x40" + b"\x83\x60\x3e\x00" + b"\x00\xff\x2f\x00"
    data = smf.file(b"MTrk" + len(body).to_bytes(4, "big") + body)
    assert [(note.pitch_midi, note.duration_beat) for note in in_printed_order(read_midi(data))] == [(60, 1), (62, 1)]


def test_rests_and_held_notes_are_written():
    score = read_midi(one_track([(0, 480, 72), (960, 1440, 74), (1920, 3840, 76)], smf.key(0)))
    assert lengths(score) == [1, 1, 4]
    assert [rest.offset_beat for rest in score.rests if rest.bar == 0] == [1, 3]


def test_held_bass_under_moving_notes_becomes_two_voices():
    score = read_midi(one_track([(0, 1920, 60), *steady([64, 65, 67, 69])]), answers=Answers(hand="left"))
    assert {(note.pitch_midi, note.duration_beat) for note in in_printed_order(score)} == {
        (60, 4),
        (64, 1),
        (65, 1),
        (67, 1),
        (69, 1),
    }
    assert len({note.voice for note in score.notes}) == 2
    assert WarningCode.NOTE_OVERLAP not in codes(score)


def test_more_than_two_voices_are_shortened_and_named():
    held = [(0, 1920, 48), (480, 1920, 52), (960, 1920, 55)]
    score = read_midi(one_track(held), answers=Answers(hand="left"))
    assert WarningCode.NOTE_OVERLAP in codes(score)
    assert [note.pitch_midi for note in in_printed_order(score)] == [48, 52, 55]


# -- what it does not say ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("held", [0.8, 0.9, 0.95, 1.0, 1.1])
def test_quarters_played_shorter_or_longer_are_quarters(held):
    assert lengths(read_midi(one_track(steady(SCALE, held=held)))) == [1] * 8


def test_short_notes_stay_short():
    assert lengths(read_midi(one_track(steady(SCALE, held=0.5)))) == [Fraction(1, 2)] * 8


@pytest.mark.parametrize("spread_ticks", [5, 15, 25])
def test_unsteady_playing_is_put_in_its_places_and_that_is_said(spread_ticks):
    # 25 ticks of 480 are 26 ms at 120 quarters a minute: plain amateur playing.
    chance = Random(7)
    truth = [(place, pitch) for place, pitch in zip([0, 1, 2, 2.5, 3, 4, 4.5, 5, 6, 7], SCALE + SCALE[:2], strict=True)]
    ends = [place for place, _ in truth[1:]] + [8]
    data = one_track(
        [
            (max(0, round(480 * place + chance.gauss(0, spread_ticks))), round(480 * end) - 40, pitch)
            for (place, pitch), end in zip(truth, ends, strict=True)
        ]
    )
    score = read_midi(data)
    assert [(note.onset_beat, note.pitch_midi) for note in in_printed_order(score)] == truth
    assert lengths(score) == [end - place for (place, _), end in zip(truth, ends, strict=True)]
    assert WarningCode.QUANTISED in codes(score)
    assert WarningCode.QUANTISED_COARSELY not in codes(score)


def test_unsteady_triplets_are_triplets():
    chance = Random(3)
    data = one_track(
        [(round(160 * i + chance.uniform(-12, 12)) if i else 0, 160 * i + 140, 60 + i % 5) for i in range(12)]
    )
    assert [note.onset_beat for note in in_printed_order(read_midi(data))] == [Fraction(i, 3) for i in range(12)]


def test_free_playing_is_called_a_guess():
    chance = Random(5)
    data = one_track([(round(480 * i + chance.uniform(0, 240)), 480 * i + 400, 60 + i % 5) for i in range(16)])
    assert WarningCode.QUANTISED_COARSELY in codes(read_midi(data))


def test_finest_value_can_be_chosen():
    data = one_track([(0, 230, 60), (250, 480, 62), (480, 960, 64)])
    assert [note.onset_beat for note in in_printed_order(read_midi(data))] == [0, Fraction(1, 2), 1]
    read = read_midi(data, answers=Answers(finest_beat=Fraction(1)))
    assert {note.onset_beat for note in in_printed_order(read)} == {0, 1}


def test_missing_metre_key_and_tempo_are_named():
    score = read_midi(smf.file(smf.track(smf.notes(steady([67, 69, 71, 72, 74, 76, 78, 79])))))
    assert {WarningCode.METRE_MISSING, WarningCode.KEY_GUESSED, WarningCode.TEMPO_MISSING} <= codes(score)
    assert score.bars[0].key.fifths == 1
    assert [note.step for note in score.notes][-2:] == ["F", "G"]


def test_two_tracks_are_the_two_hands():
    data = smf.file(
        smf.track([smf.metre(4, 2)]), smf.track(smf.notes(steady(SCALE))), smf.track(smf.notes(steady([48] * 8)))
    )
    score = read_midi(data)
    assert {note.pitch_midi for note in score.notes if note.hand == "left"} == {48}
    assert not {WarningCode.HAND_DOUBTFUL, WarningCode.HANDS_FROM_PITCH} & codes(score)


def test_lower_track_first_is_asked_about_unless_it_is_named():
    low, high = smf.notes(steady([48] * 4)), smf.notes(steady(SCALE[:4]))
    doubtful = read_midi(smf.file(smf.track(low), smf.track(high), kind=1))
    named = read_midi(smf.file(smf.track([smf.name("Left hand"), *low]), smf.track([smf.name("Right hand"), *high])))
    assert {note.pitch_midi for note in doubtful.notes if note.hand == "left"} == {48}
    assert WarningCode.HAND_DOUBTFUL in codes(doubtful)
    assert WarningCode.HAND_DOUBTFUL not in codes(named)


def test_one_line_of_notes_asks_for_its_hand():
    score = read_midi(one_track(steady(SCALE)))
    assert {note.hand for note in score.notes} == {None}
    assert WarningCode.WHICH_HAND in codes(score)
    assert {note.hand for note in read_midi(one_track(steady(SCALE)), answers=Answers(hand="left")).notes} == {"left"}


def test_one_track_for_two_hands_is_parted_where_told():
    data = one_track([*steady(SCALE), *steady([48, 50, 52, 53, 55, 57, 59, 60])])
    guessed = read_midi(data)
    assert WarningCode.HANDS_FROM_PITCH in codes(guessed)
    told = read_midi(data, answers=Answers(split_midi=65))
    assert min(note.pitch_midi for note in told.notes if note.hand == "right") == 65
    assert WarningCode.HANDS_FROM_PITCH not in codes(told)


def test_spelling_follows_the_key():
    assert [spell(61, fifths=fifths)[:2] for fifths in (-5, 0, 2, 7)] == [("D", -1), ("C", 1), ("C", 1), ("C", 1)]
    assert spell(68, fifths=0)[:2] == ("G", 1)  # the raised seventh of A minor
    assert spell(59, fifths=-7) == ("C", -1, 4)
    assert WarningCode.SPELLING_GUESSED in codes(read_midi(one_track(steady(SCALE))))


def test_loudness_is_not_turned_into_dynamics():
    loud = smf.notes(steady(SCALE[:2]), velocity=100)
    soft = smf.notes(steady(SCALE[:2], start=960), velocity=30)
    score = read_midi(smf.file(smf.track([*loud, *soft])))
    assert WarningCode.VOLUME_ONLY in codes(score)
    assert not [mark for mark in score.marks if mark.kind == "dynamic"]


# -- faults -----------------------------------------------------------------------------------------------------------


def test_drums_and_keys_beyond_the_piano_are_left_out():
    data = smf.file(
        smf.track([*smf.notes(steady(SCALE)), *smf.notes(steady([36] * 4), channel=9), *smf.notes([(0, 480, 120)])])
    )
    score = read_midi(data)
    assert {WarningCode.DRUMS_LEFT_OUT, WarningCode.BEYOND_PIANO} <= codes(score)
    assert len(score.notes) == 8


@pytest.mark.parametrize("cut", range(30, 110, 7))
def test_file_that_breaks_off_is_read_as_far_as_it_goes_or_refused(cut):
    data = one_track(steady(SCALE))[:cut]
    try:
        found = codes(read_midi(data))
    except (ScoreFileError, ScoreContentError) as error:
        found = {error.code}
    assert found & {WarningCode.MIDI_CUT_SHORT, RefusalCode.BROKEN_MIDI, RefusalCode.NO_NOTES}


def test_note_that_never_ends_is_named():
    track = smf.track([(0, b"\x90\x3c\x40"), (480, b"\x80\x3c\x00"), (480, b"\x90\x3e\x40"), (960, b"\xb0\x07\x40")])
    score = read_midi(smf.file(track))
    assert WarningCode.NOTE_UNENDED in codes(score)
    assert [note.pitch_midi for note in score.notes] == [60, 62]


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"MThd\x00\x00\x00\x06\x00\x00", RefusalCode.BROKEN_MIDI),
        (smf.file(smf.track(smf.notes(steady(SCALE))), kind=2), RefusalCode.BROKEN_MIDI),
        (smf.file(smf.track(smf.notes(steady(SCALE))), division=0xE728), RefusalCode.MIDI_CLOCK),
        (smf.file(smf.track(smf.notes(steady(SCALE))), division=0), RefusalCode.MIDI_CLOCK),
        (smf.file(), RefusalCode.BROKEN_MIDI),
        (smf.file(smf.track([smf.metre(4, 2)])), RefusalCode.NO_NOTES),
        (smf.file(smf.track(smf.notes(steady(SCALE), channel=9))), RefusalCode.UNPITCHED),
        (smf.file(b"MTrk\x00\x00\x00\x04\x00\x3c\x40\x00"), RefusalCode.BROKEN_MIDI),
        (smf.file(b"MTrk\x00\x00\x00\x04\x00\x90\xbc\x40"), RefusalCode.BROKEN_MIDI),
        (smf.file(b"MTrk\x00\x00\x00\x04\x00\xf4\x40\x00"), RefusalCode.BROKEN_MIDI),
        (smf.file(b"MTrk\x00\x00\x00\x06\xff\xff\xff\xff\xff\x00"), RefusalCode.BROKEN_MIDI),
        (smf.file(*[smf.track(smf.notes(steady(SCALE)))] * 3), RefusalCode.WHICH_PART),
    ],
)
def test_files_that_cannot_be_read_are_refused_with_their_cause(data, code):
    with pytest.raises((ScoreFileError, ScoreContentError)) as caught:
        read_score(data)
    assert caught.value.code is code


def test_damage_names_track_and_byte():
    with pytest.raises(ScoreFileError, match="track 1 makes no sense at byte 23"):
        read_midi(smf.file(b"MTrk\x00\x00\x00\x04\x00\xf4\x40\x00"))


def test_amounts_are_limited():
    with pytest.raises(ScoreTooLargeError, match="more than 4 notes"):
        read_midi(one_track(steady(SCALE)), limits=ScoreLimits(most_notes=4))
    with pytest.raises(ScoreTooLargeError, match="has 8 notes; at most 7 are fitted into bars"):
        read_midi(one_track(steady(SCALE)), limits=ScoreLimits(most_midi_notes=7))
    turns = [smf.tempo(500_000 + tick, tick=tick) for tick in range(10_001)]  # and the one that is there
    with pytest.raises(ScoreTooLargeError, match="has 10002 tempi"):
        read_midi(one_track(steady(SCALE), *turns))
    far = smf.notes([(0, 480, 60), (480 * 4 * 5000, 480 * 4 * 5001, 60)])
    with pytest.raises(ScoreTooLargeError, match="longer than 4000 bars"):
        read_midi(smf.file(smf.track(far)))


@pytest.mark.parametrize("seed", range(60))
def test_random_damage_is_refused_or_read_and_never_anything_else(seed):
    chance = Random(seed)
    data = bytearray(one_track(steady(SCALE * 3), smf.metre(3, 2, tick=1920), smf.key(2, tick=1920)))
    for _ in range(chance.randint(1, 6)):
        data[chance.randrange(len(data))] = chance.randrange(256)
    if chance.random() < 0.3:
        del data[chance.randrange(len(data)) :]
    try:
        score = read_midi(bytes(data))
    except (ScoreFileError, ScoreContentError, ScoreTooLargeError):
        return
    assert read_musicxml(write_musicxml(score)).bars == score.bars
