"""Each detector finds what it is for, and lets go by what only looks like it."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from curriculum.score.demands.finding import demands_of
from curriculum.score.demands.vocabulary import Demand, Instrument, detectors
from curriculum.score.errors import WarningCode
from curriculum.score.making import PlannedNote, make_score, plain_bars
from curriculum.score.notes import (
    Bar,
    Clef,
    Hand,
    Key,
    Mark,
    MarkKind,
    Metre,
    ScoreWarning,
    Tempo,
    Tuplet,
    WrittenRest,
    WrittenScore,
)

QUARTER, EIGHTH, SIXTEENTH = Fraction(1), Fraction(1, 2), Fraction(1, 4)
THIRD = Fraction(1, 3)
ALTERS = {"#": 1, "b": -1}


def line(
    text: str, *, value: Fraction = QUARTER, hand: Hand = "right", start: Fraction = Fraction(0), **more: Any
) -> list[PlannedNote]:
    """Return notes one after another: ``C4 F#4 -`` with ``-`` a rest, and ``C4+E4`` struck together; ``C4*2`` is twice as long."""
    found: list[PlannedNote] = []
    at = start
    for word in text.split():
        name, _, times = word.partition("*")
        length = value * Fraction(times or 1)
        if name != "-":
            for pitch in name.split("+"):
                alter = ALTERS.get(pitch[1], 0)
                found.append(PlannedNote(at, length, pitch[0], alter=alter, octave=int(pitch[-1]), hand=hand, **more))
        at += length
    return found


def right(text: str, **more: Any) -> list[PlannedNote]:
    return line(text, **more)


def left(text: str, **more: Any) -> list[PlannedNote]:
    return line(text, hand="left", **more)


def made(
    notes: Sequence[PlannedNote],
    *,
    bars: int = 0,
    metre: Metre | None = None,
    bpm: int | None = 60,
    change: Callable[[Bar], Bar] | None = None,
    **more: Any,
) -> WrittenScore:
    metre = metre or Metre(4, 4)
    last = max((note.onset_beat + note.duration_beat for note in notes), default=Fraction(4))
    count = bars or max(1, -(-last // metre.length_beat))
    found = [replace(bar, metre=metre, length_beat=metre.length_beat) for bar in plain_bars(int(count))]
    if change is not None:
        found = [change(bar) for bar in found]
    tempi = (Tempo(0, Fraction(0), Fraction(bpm)),) if bpm is not None else ()
    return make_score(notes, bars=found, tempi=tempi, **more)


def demand(score: WrittenScore, name: str, **more: Any) -> Demand | None:
    return next((found for found in demands_of(score, **more) if found.detector == name), None)


def mark(kind: MarkKind, text: str = "", *, bar: int = 0, offset: int = 0, to: tuple[int, int] | None = None) -> Mark:
    ends = (None, None) if to is None else (to[0], Fraction(to[1]))
    return Mark(kind, bar, Fraction(offset), 1, text, *ends)


def marked(*marks: Mark, notes: str = "C5 D5 E5 F5 G5 F5 E5 D5") -> WrittenScore:
    return made(right(notes), marks=marks)


def signed(**changes: Any) -> WrittenScore:
    return made(right("C5*4 C5*4"), change=lambda bar: replace(bar, **changes) if bar.index == 0 else bar)


def articulated(*names: str) -> WrittenScore:
    return made(right("C5 D5 E5 F5", articulations=names))


def slurred(first: int, last: int, notes: str = "C5 D5 E5 F5") -> WrittenScore:
    planned = right(notes)
    planned[first] = replace(planned[first], slur_starts=True)
    planned[last] = replace(planned[last], slur_stops=True)
    return made(planned)


def dynamics(*levels: str) -> WrittenScore:
    return marked(*(mark(MarkKind.DYNAMIC, level, offset=place) for place, level in enumerate(levels)))


def graced() -> WrittenScore:
    return made([PlannedNote(Fraction(0), EIGHTH, "B", octave=4, grace=1), *right("C5*4")])


ALL_EIGHTHS = "C5 D5 E5 F5 G5 F5 E5 D5"
WALTZ = left("C2 E4+G4 E4+G4 C2 E4+G4 E4+G4")
NEAR_WALTZ = left("C3 E3+G3 E3+G3 C3 E3+G3 E3+G3")
THREE_FOUR = Metre(3, 4)
OCTAVES = "C4+C5 D4+D5 E4+E5 F4+F5"
THIRDS = "C5+E5 D5+F5 E5+G5 F5+A5"
UPBEAT = make_score(
    [*right("G4", start=Fraction(-1)), *right("C5*4")],
    bars=[
        replace(plain_bars(2)[0], number="0", pickup=True, length_beat=Fraction(1)),
        replace(plain_bars(2)[1], number="1"),
    ],
)

# detector: (a score that has it, the bars, a score that nearly has it)
CASES: dict[str, tuple[WrittenScore, tuple[str, ...], WrittenScore]] = {
    "key_signature": (signed(key=Key(-2)), ("1",), signed(key=Key(0, "minor"))),
    "accidental": (
        made(right("C5 F#5 G5 C5")), ("1",),
        made(right("C5 F#5 G5 C5"), change=lambda bar: replace(bar, key=Key(1))),
    ),
    "treble_staff": (made(right("C5*4")), ("1",), made(left("C3*4"))),
    "bass_staff": (made(left("C3*4")), ("1",), made(right("C5*4"))),
    "both_staves": (made(right("C5*4") + left("C3*4")), ("1",), made(right("C5*4 -*4") + left("-*4 C3*4"))),
    "ledger": (made(right("C6*4")), ("1",), made(right("A5*4"))),
    "clef_change": (
        made(right("C5*4 C5*4"), clefs=(Clef(0, Fraction(0), 1, "G", 2), Clef(1, Fraction(0), 1, "F", 4))), ("2",),
        made(right("C5*4 C5*4"), clefs=(Clef(0, Fraction(0), 1, "G", 2), Clef(1, Fraction(0), 1, "G", 2))),
    ),
    "position_shift": (made(right("C5 D5 E5 A5")), ("1",), made(right("C5 D5 E5 G5"))),
    "beyond_five_fingers": (made(right("C5 A5 C5 -")), ("1",), made(right("C5 G5 C5 -"))),
    "black_keys_in_position": (made(right("C5 D5 F#5 G5")), ("1",), made(right("C5 D5 F5 G5"))),
    "scale_run": (made(right("C5 D5 E5 F5 G5 A5", value=EIGHTH)), ("1",), made(right("C5 D5 E5 F5 G5", value=EIGHTH))),
    "five_finger_run": (
        made(right("C5 D5 E5 F5 G5", value=EIGHTH)), ("1",), made(right("C5 D5 E5*2 F5 G5", value=EIGHTH)),
    ),
    "scale_both_hands": (
        made(right("C5 D5 E5 F5 G5 A5", value=EIGHTH) + left("C4 D4 E4 F4 G4 A4", value=EIGHTH)), ("1",),
        made(right("C5 D5 E5 F5 G5 A5", value=EIGHTH) + left("C4 D4 E4 F4 G4", value=EIGHTH)),
    ),
    "scale_contrary": (
        made(right("C5 D5 E5 F5 G5 A5", value=EIGHTH) + left("C4 B3 A3 G3 F3 E3", value=EIGHTH)), ("1",),
        made(right("C5 D5 E5 F5 G5 A5", value=EIGHTH) + left("C4 D4 E4 F4 G4 A4", value=EIGHTH)),
    ),
    "chromatic_run": (
        made(right("C5 C#5 D5 D#5 E5", value=EIGHTH)), ("1",), made(right("C5 C#5 D5 E5 F5", value=EIGHTH)),
    ),
    "arpeggio": (made(right("C4 E4 G4 C5")), ("1",), made(right("C4 E4 G4 B4"))),
    "arpeggio_both_hands": (
        made(right("C4 E4 G4 C5") + left("C3 E3 G3 C4")), ("1",), made(right("C4 E4 G4 C5") + left("C3 E3 G3*2")),
    ),
    "broken_chord": (made(right("C4 E4 G4 -")), ("1",), made(right("C4 E4 F4 -"))),
    "alberti": (made(left("C3 G3 E3 G3", value=EIGHTH)), ("1",), made(left("C3 E3 G3 E3", value=EIGHTH))),
    "waltz_bass": (
        made(WALTZ, metre=THREE_FOUR), ("1", "2"), made(NEAR_WALTZ, metre=THREE_FOUR),
    ),
    "triad": (made(right("C4+E4+G4*4")), ("1",), made(right("E4+G4+C5*4"))),
    "chord_inversion": (made(right("E4+G4+C5*4")), ("1",), made(right("C4+E4+G4*4"))),
    "chord_four": (made(right("C4+E4+G4+C5*4")), ("1",), made(right("C4+E4+G4*4"))),
    "chord_rolled": (made(right("C4+E4+G4*4", arpeggio=True)), ("1",), made(right("C4+E4+G4*4"))),
    "octave": (made(right("C4+C5*4")), ("1",), made(right("C4+B4*4"))),
    "double_third_sixth": (made(right(THIRDS)), ("1",), made(right("C5+E5 D5+F5 E5 F5+A5"))),
    "stretch_over_octave": (made(right("C4+E5*4")), ("1",), made(right("C4+C5*4"))),
    "leap_right": (made(right("C4 D5 C5 -")), ("1",), made(right("C4 C5 B4 -"))),
    "leap_left": (made(left("C3 D4 C4 -")), ("1",), made(left("C3*1 -*2 D4"))),
    "hand_crossing": (made(right("C4*4") + left("- E4 - -")), ("1",), made(right("C4*4") + left("- B3 - -"))),
    "repeated_note": (made(right("C5 C5 C5 -", value=SIXTEENTH)), ("1",), made(right("C5 C5 C5 -", value=EIGHTH))),
    "hands_alternate": (
        made(right("C5 - E5 -") + left("- C3 - E3")), ("1",), made(right("C5 - - -") + left("- - C3 -")),
    ),
    "hands_parallel": (
        made(right("C5 D5 E5 F5") + left("C4 D4 E4 F4")), ("1",), made(right("C5 D5 E5 F5") + left("C4 D4 E4 D4")),
    ),
    "hands_contrary": (
        made(right("C5 D5 E5 F5") + left("C4 B3 A3 G3")), ("1",), made(right("C5 D5 E5 F5") + left("C4 B3 A3 B3")),
    ),
    "hands_together_simple": (
        made(right("C5 D5 E5 F5") + left("C3*4")), ("1",), made(right("C5 D5 E5 F5") + left("C3 D3 E3 F3")),
    ),
    "hands_strike_together": (
        made(right("C5 D5 E5 F5") + left("C4 E4 D4 E4")), ("1",), made(right("C5*4") + left("C4*4")),
    ),
    "hands_independent": (
        made(right("C5*1.5 D5*0.5 E5 F5") + left("C4 D4 E4*1.5 F4*0.5")), ("1",), made(right("C5 D5 E5 F5") + left("C4*2 D4*2")),
    ),
    "two_voices_in_hand": (
        made(right("C5*2 D5*2", voice=1) + right("A4*4", voice=2)), ("1",), made(right("C5*2 D5*2") + left("A3*4")),
    ),
    "eighths": (
        made(right(ALL_EIGHTHS, value=EIGHTH)), ("1",), made(right("C5 D5 E5 F5 G5 F5", value=EIGHTH), metre=Metre(6, 8)),
    ),
    "sixteenths": (made(right("C5 D5 E5 F5", value=SIXTEENTH)), ("1",), made(right("C5 D5 E5 F5", value=EIGHTH))),
    "dotted_quarter": (made(right("C5*1.5 D5*0.5 E5*2")), ("1",), made(right("C5*1.5 D5*1.5"), metre=Metre(6, 8))),
    "dotted_eighth": (made(right("C5*1.5 D5*0.5 E5*2", value=EIGHTH)), ("1",), made(right("C5*1.5 D5*0.5 E5*2"))),
    "triplet": (
        made(right("C5 D5 E5", value=THIRD)), ("1",),
        made(right("C5 D5 E5", value=EIGHTH), metre=Metre(6, 8)),
    ),
    "tie": (made(right("C5*6")), ("1",), made(right("C5*4 C5*2"))),
    "upbeat": (UPBEAT, ("0",), made(right("- - - G4 C5*4"))),
    "rest": (made(right("C5 D5 - F5")), ("1",), made(right("C5*4"))),
    "offbeat_entry": (
        made(right("- C5 D5*3 E5*3", value=EIGHTH)), ("1",), made(right("- - D5*3 E5*3", value=EIGHTH)),
    ),
    "syncopation": (made(right("C5*0.5 D5 E5*0.5 F5*2")), ("1",), made(right("C5 D5*0.5 E5*0.5 F5*2"))),
    "compound_metre": (
        made(right("C5*3"), metre=Metre(6, 8)), ("1",), made(right("C5*3"), metre=Metre(3, 4)),
    ),
    "uneven_metre": (made(right("C5*5"), metre=Metre(5, 4)), ("1",), made(right("C5*4"), metre=Metre(4, 4))),
    "polyrhythm_2_3": (
        made(right("C5 D5 E5", value=THIRD) + left("C3 D3", value=EIGHTH)), ("1",),
        made(right("C5 D5 E5", value=THIRD) + left("C3")),
    ),
    "polyrhythm_3_4": (
        made(right("C5 D5 E5", value=THIRD) + left("C3 D3 E3 F3", value=SIXTEENTH)), ("1",),
        made(right("C5 D5 E5", value=THIRD) + left("C3 D3 E3", value=THIRD)),
    ),
    "swing_word": (marked(mark(MarkKind.WORDS, "Swing")), ("1",), marked(mark(MarkKind.WORDS, "Swinging low"))),
    "speed": (
        made(right("C5 D5 E5 F5 G5 F5 E5 D5", value=SIXTEENTH), bpm=100), ("1",),
        made(right("C5 D5 E5 F5 G5 F5 E5 D5", value=SIXTEENTH), bpm=80),
    ),
    "staccato": (articulated("staccato"), ("1",), articulated("tenuto")),
    "portato": (articulated("detached-legato"), ("1",), articulated("staccato")),
    "slur_two": (slurred(0, 1), ("1",), slurred(0, 2)),
    "slur_long": (slurred(0, 3), ("1",), slurred(0, 1)),
    "dynamic_contrast": (dynamics("p", "f"), ("1",), dynamics("p", "p")),
    "dynamic_levels": (dynamics("p", "mf", "f"), ("1",), dynamics("p", "f", "p")),
    "hairpin": (
        marked(mark(MarkKind.CRESCENDO, to=(1, 0))), ("1", "2"), marked(mark(MarkKind.WORDS, "crescent moon")),
    ),
    "tune_and_accompaniment": (
        made(right("C5 D5 E5 F5") + left("C3+E3+G3*2 C3+E3+G3*2")), ("1",), made(right("C5 D5 E5 F5") + left("C3 D3 E3 F3")),
    ),
    "grace": (graced(), ("1",), made(right("B4*0.5 C5*3.5"))),
    "ornament": (made(right("C5*4", ornaments=("trill-mark",))), ("1",), made(right("C5*4", articulations=("accent",)))),
    "pedal_mark": (
        marked(mark(MarkKind.PEDAL, to=(1, 0))), ("1", "2"), marked(mark(MarkKind.WORDS, "pedestrian")),
    ),
    "pedal_change": (
        marked(mark(MarkKind.PEDAL, to=(0, 2)), mark(MarkKind.PEDAL, offset=2, to=(1, 0))), ("1",),
        marked(mark(MarkKind.PEDAL, to=(0, 2)), mark(MarkKind.PEDAL, offset=3, to=(1, 0))),
    ),
    "rubato_word": (marked(mark(MarkKind.WORDS, "poco rit.")), ("1",), marked(mark(MarkKind.WORDS, "ritual"))),
    "chord_symbol": (marked(mark(MarkKind.CHORD_SYMBOL, "Am")), ("1",), marked(mark(MarkKind.REHEARSAL, "A"))),
    "repeat_sign": (signed(repeat_times=2), ("1",), signed(barline="light-light")),
    "fermata": (articulated("fermata"), ("1",), articulated("tenuto")),
    "octave_plus_fast": (
        made(right(OCTAVES, value=SIXTEENTH)), ("1",), made(right(OCTAVES, value=EIGHTH)),
    ),
    "double_thirds_fast": (
        made(right(THIRDS, value=SIXTEENTH)), ("1",), made(right(THIRDS, value=EIGHTH)),
    ),
}  # fmt: skip

ELSEWHERE = {"range_beyond_instrument", "pedal_beyond_instrument", "articulation_split", "tuplet_other"}


def test_every_detector_of_the_closed_list_is_tried() -> None:
    assert set(CASES) | ELSEWHERE == set(detectors())


@pytest.mark.parametrize("name", CASES)
def test_detector_finds_what_it_is_for_in_its_bars(name: str) -> None:
    score, bars, _ = CASES[name]
    found = demand(score, name)
    assert found is not None
    assert found.bars == bars
    assert found.skill == detectors()[name].skill


@pytest.mark.parametrize("name", CASES)
def test_detector_lets_a_near_miss_go_by(name: str) -> None:
    assert demand(CASES[name][2], name) is None


def test_groups_of_five_are_beyond_what_skills_name() -> None:
    planned = right("C5 D5 E5 F5 G5", value=Fraction(1, 5))
    score = made(planned)
    assert {note.tuplet.actual for note in score.notes if note.tuplet is not None} <= {5}
    notes = tuple(replace(note, tuplet=Tuplet(5, 4)) for note in score.notes)
    found = demand(replace(score, notes=notes), "tuplet_other")
    assert found is not None
    assert found.skill is None


def test_touch_is_split_where_one_hand_is_joined_and_the_other_short() -> None:
    upper = right("C5 D5 E5 F5")
    upper[0], upper[3] = replace(upper[0], slur_starts=True), replace(upper[3], slur_stops=True)
    short = left("C3 D3 E3 F3", articulations=("staccato",))
    assert demand(made(upper + short), "articulation_split") is not None
    assert demand(made(upper + left("C3 D3 E3 F3")), "articulation_split") is None


@pytest.mark.parametrize(
    ("lowest", "highest", "beyond"), [(21, 108, None), (36, 96, ("1", "2")), (36, 97, ("1",)), (35, 96, ("2",))]
)
def test_range_is_held_against_the_keys_of_the_instrument(
    lowest: int, highest: int, beyond: tuple[str, ...] | None
) -> None:
    score = made(right("- - - - C#7*4") + left("B1*4"))
    found = demand(score, "range_beyond_instrument", instrument=Instrument(lowest, highest))
    assert (found.bars if found is not None else None) == beyond


def test_pedal_marks_are_held_against_an_instrument_without_pedal() -> None:
    score = CASES["pedal_mark"][0]
    assert demand(score, "pedal_beyond_instrument") is None
    found = demand(score, "pedal_beyond_instrument", instrument=Instrument(has_pedal=False))
    assert found is not None
    assert found.bars == ("1", "2")
    assert demand(made(right("C5*4")), "pedal_beyond_instrument", instrument=Instrument(has_pedal=False)) is None


def test_what_rests_on_a_tempo_that_is_not_named_is_a_question() -> None:
    fast = right("C5 D5 E5 F5 G5 F5 E5 D5", value=SIXTEENTH)
    told, asked = demand(made(fast, bpm=100), "speed"), demand(made(fast, bpm=None), "speed")
    assert told is not None
    assert asked is not None
    assert not told.is_question
    assert asked.is_question


def test_what_rests_on_doubtful_hands_is_a_question() -> None:
    score = CASES["scale_run"][0]
    doubt = ScoreWarning(WarningCode.WHICH_HAND, "", "Which hand plays it?")
    told, asked = demand(score, "scale_run"), demand(replace(score, warnings=(doubt,)), "scale_run")
    assert told is not None
    assert asked is not None
    assert not told.is_question
    assert asked.is_question


def test_a_stretch_that_no_hand_has_is_a_question() -> None:
    found = demand(made(right("C4+G5*4")), "stretch_over_octave")
    assert found is not None
    assert found.is_question
    assert "19 semitones" in found.detail


def test_rests_that_are_not_printed_ask_nothing() -> None:
    score = made(right("C5*4"))
    hidden = WrittenRest(0, Fraction(0), Fraction(1), hidden=True)
    assert demand(replace(score, rests=(*score.rests, hidden)), "rest") is None


@pytest.mark.parametrize("name", CASES)
def test_an_octave_lower_nothing_that_is_counted_in_time_changes(name: str) -> None:
    of_time = {"eighths", "sixteenths", "dotted_quarter", "dotted_eighth", "triplet", "tie", "rest", "offbeat_entry"}
    of_time |= {"syncopation", "compound_metre", "uneven_metre", "polyrhythm_2_3", "polyrhythm_3_4", "speed", "upbeat"}
    score = CASES[name][0]
    lower = replace(
        score,
        notes=tuple(replace(note, octave=note.octave - 1, pitch_midi=note.pitch_midi - 12) for note in score.notes),
    )
    before = [found for found in demands_of(score) if found.detector in of_time]
    assert [found for found in demands_of(lower) if found.detector in of_time] == before
