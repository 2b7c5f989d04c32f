"""Signs and words: one key each, explained, and found where they stand."""

import csv
from dataclasses import replace
from fractions import Fraction

import pytest
import yaml

from curriculum.score.demands.errors import UnknownSignError
from curriculum.score.demands.signs import SIGNS_FILE, explain, signs, signs_in_words, signs_of
from curriculum.score.demands.vocabulary import DEMANDS_FILE, detectors
from curriculum.score.making import PlannedNote, make_score, plain_bars
from curriculum.score.notes import Key, Mark, MarkKind, Metre, WrittenScore

HALF = Fraction(1, 2)


def plain_score(**changes: object) -> WrittenScore:
    notes = [PlannedNote(Fraction(beat), Fraction(1), "C", octave=5) for beat in range(8)]
    return make_score(notes, bars=plain_bars(2), **changes)  # type: ignore[arg-type]


def keys_of(score: WrittenScore) -> dict[str, tuple[str, ...]]:
    return {found.sign.key: found.bars for found in signs_of(score)}


def test_every_skill_of_every_sign_is_a_shipped_skill() -> None:
    shipped = {skill["id"] for skill in yaml.safe_load((SIGNS_FILE.parent / "skills.yaml").read_text())["skills"]}
    assert {skill for sign in signs().values() for skill in sign.skills} <= shipped


def test_every_detector_of_every_sign_is_in_the_closed_list() -> None:
    assert {name for sign in signs().values() for name in sign.detectors} <= set(detectors())


def test_the_skill_of_each_detector_is_among_those_of_its_signs() -> None:
    for name, detector in detectors().items():
        of_signs = [sign for sign in signs().values() if name in sign.detectors]
        if of_signs and detector.skill is not None:
            assert any(detector.skill in sign.skills for sign in of_signs), name


def test_every_skill_of_a_detector_is_a_shipped_skill() -> None:
    shipped = {skill["id"] for skill in yaml.safe_load((SIGNS_FILE.parent / "skills.yaml").read_text())["skills"]}
    with DEMANDS_FILE.open(encoding="utf-8", newline="") as file:
        assert {row["skill"] for row in csv.DictReader(file)} - {""} <= shipped


def test_no_key_word_or_find_is_given_twice() -> None:
    rows = yaml.safe_load(SIGNS_FILE.read_text(encoding="utf-8"))["signs"]
    for given in (
        [row["key"] for row in rows],
        [row["name"] for row in rows],
        [word for row in rows for word in row.get("words", ())],
        [find for row in rows for find in row["finds"]],
    ):
        assert len(given) == len(set(given))


def test_every_sign_is_explained_shortly_and_plainly() -> None:
    for sign in signs().values():
        assert 4 < len(sign.text) < 200, sign.key
        assert sign.text.endswith("."), sign.key
        assert "!" not in sign.text, sign.key


def test_a_key_that_is_not_in_the_list_is_refused_by_name() -> None:
    with pytest.raises(UnknownSignError, match="'sharpp'"):
        explain("sharpp")


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("poco a poco cresc.", ["poco", "crescendo"]),
        ("D.C. al Fine", ["da-capo", "fine"]),
        ("Allegro ma non troppo", ["allegro", "ma-non-troppo"]),
        ("con brio", ["con-brio"]),
        ("Tempo I", ["a-tempo"]),
        ("Più mosso", ["more-moving"]),
        ("confused", []),
        ("rite", []),
        ("", []),
        ("♩ = 96", []),
    ],
)
def test_words_are_found_whole_and_the_longest_one_counts(text: str, keys: list[str]) -> None:
    assert [sign.key for sign in signs_in_words(text)] == keys


def test_a_plain_score_shows_only_what_is_on_it() -> None:
    assert set(keys_of(plain_score())) == {
        "treble-clef",
        "bass-clef",
        "brace",
        "simple-time",
        "quarter-note",
        "whole-bar-rest",
        "final-bar",
    }


def test_signs_name_the_bars_in_which_they_stand() -> None:
    notes = [
        PlannedNote(Fraction(0), HALF, "F", 1, octave=4, articulations=("staccato",)),
        PlannedNote(HALF, HALF, "G", octave=4),
        PlannedNote(Fraction(4), Fraction(3), "C", octave=6),
    ]
    bars = [replace(bar, key=Key(-1), metre=Metre(4, 4, (), "common")) for bar in plain_bars(2)]
    marks = [
        Mark(MarkKind.DYNAMIC, 1, Fraction(0), text="sfz"),
        Mark(MarkKind.WORDS, 0, Fraction(0), text="dolce, poco rit."),
        Mark(MarkKind.PEDAL, 0, Fraction(0), to_bar=1, to_offset_beat=Fraction(0)),
    ]
    found = keys_of(make_score(notes, bars=bars, marks=marks))
    wanted = {
        "key-of-flats": ("1", "2"),
        "common-time": ("1", "2"),
        "sharp": ("1",),
        "staccato": ("1",),
        "eighth-note": ("1",),
        "dot-after-note": ("2",),
        "ledger-line": ("2",),
        "sforzando": ("2",),
        "dolce": ("1",),
        "poco": ("1",),
        "slowing": ("1",),
        "pedal": ("1",),
    }
    assert wanted.items() <= found.items()
    assert "forte" not in found
    assert "pedal-change" not in found
    assert "simple-time" not in found


def test_a_score_without_notes_has_no_signs() -> None:
    assert signs_of(WrittenScore(bars=(), notes=())) == ()
