"""`manage.py read_score`: the agreed keys, refusals as answers, and its closed lists."""

import io
import json
import sys

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from curriculum.score import QUESTIONS, RefusalCode, WarningCode, read_two_hands, write_musicxml
from curriculum.score.demands.vocabulary import detectors


@pytest.fixture
def ask(tmp_path):
    def ask(content, *options):
        path = tmp_path / "score.bin"
        path.write_bytes(content)
        out = io.StringIO()
        call_command("read_score", str(path), *options, stdout=out)
        return out.getvalue()

    return ask


@pytest.fixture
def answer(ask):
    return lambda content, *options: json.loads(ask(content, "--json", *options))


def two_hands():
    return write_musicxml(read_two_hands("Q:1/4=66\nG|:!1!c2 {e}d2-|d4:|", "z|:[C,E,]4|(3C,D,E,z2:|"))


def test_answer_has_the_agreed_keys(answer):
    found = answer(two_hands())
    assert list(found) == ["verdict", "notes", "bars", "bpm", "range_midi", "demands", "warnings"]
    assert (found["verdict"], found["bars"], found["bpm"], found["range_midi"]) == ("read", 3, 66.0, [48, 76])
    assert found["notes"][0] == {
        "id": "b0n1",
        "written_id": "b0n1",
        "bar": "0",
        "beat": 1.0,
        "onset_beat": -1.0,
        "duration_beat": 1.0,
        "pitch_midi": 67,
        "hand": "right",
        "finger": None,
        "grace": False,
    }


def test_repeats_are_unfolded_ties_merged_and_beats_rounded(answer):
    notes = answer(two_hands())["notes"]
    assert len({note["id"] for note in notes}) == len(notes)
    again = [note for note in notes if note["id"].endswith(".2")]
    assert {note["written_id"] for note in again} == {
        note["id"] for note in notes if note["bar"] != "0" and not note["id"].endswith(".2")
    }
    assert [note["duration_beat"] for note in notes if note["pitch_midi"] == 74] == [6.0, 6.0]
    assert [note["onset_beat"] for note in notes if note["pitch_midi"] == 50] == [4.666667, 12.666667]
    assert [(note["grace"], note["duration_beat"]) for note in notes if note["pitch_midi"] == 76] == [(True, 0.0)] * 2
    assert [note["finger"] for note in notes if note["pitch_midi"] == 72] == [1, 1]


def test_demands_name_shipped_skills_bars_and_how_sure_they_are(answer):
    demands = answer(two_hands())["demands"]
    assert {"detector", "skill", "bars", "detail", "sure"} == set(demands[0])
    assert {demand["detector"] for demand in demands} <= set(detectors())
    assert all(0 <= demand["sure"] <= 1 and all(isinstance(bar, str) for bar in demand["bars"]) for demand in demands)


def test_refusal_is_an_answer_with_its_place(answer):
    assert answer(b"X:1\nM:C\nK:C\nCQ|\n") == {
        "verdict": "refused",
        "reason": "typed_wrong",
        "where": "line 4, column 2",
        "text": "'Q' is no note. Notes are the letters A to G, a rest is z.",
    }
    assert answer(b"")["reason"] == "empty"
    assert answer(b"%PDF-1.7")["reason"] == "not_a_score"


def test_doubts_are_told_with_their_place(answer):
    warnings = answer(b"X:1\nM:C\nL:1/4\nK:C\nCDEF|CDE|CDEF|\n")["warnings"]
    assert {"where", "text"} <= set(warnings[0])
    assert [warning["where"] for warning in warnings if warning["code"] == "bar_short"] == ["line 5, column 6"]
    assert {warning["code"] for warning in warnings if warning["question"]} == {"which_hand", "tempo_missing"}


def test_questions_can_be_answered(answer):
    tune = b"X:1\nK:C\nC|\n"
    assert answer(tune)["notes"][0]["hand"] is None
    assert answer(tune, "--hand", "left")["notes"][0]["hand"] == "left"


def test_words_say_the_same(ask):
    assert "Read: 3 bars" in ask(two_hands())
    assert "Refused: typed_wrong (line 4, column 2)" in ask(b"X:1\nM:C\nK:C\nCQ|\n")


def test_closed_lists_are_printed():
    out = io.StringIO()
    call_command("read_score", "--codes", stdout=out)
    printed = out.getvalue().split("\n")
    assert {f"reason {code}" for code in RefusalCode} <= set(printed)
    assert {f"question {code}" for code in QUESTIONS} <= set(printed)
    assert {f"warning {code}" for code in set(WarningCode) - QUESTIONS} <= set(printed)
    assert {f"detector {key}" for key in detectors()} <= set(printed)


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["nowhere.xml"],
        ["x", "--hand", "both"],
        ["x", "--split", "200"],
        ["x", "--finest", "0"],
        ["x", "--finest", "a/b"],
    ],
)
def test_unusable_arguments_end_with_status_two(arguments):
    with pytest.raises(CommandError) as caught:
        call_command("read_score", *arguments)
    # Inside the program the parser's own complaints carry no status; from a shell it ends with 2 by itself.
    assert arguments[1:] or caught.value.returncode == 2


def test_score_can_come_from_standard_input(monkeypatch):
    class Piped:
        buffer = io.BytesIO(two_hands())

    monkeypatch.setattr(sys, "stdin", Piped())
    out = io.StringIO()
    call_command("read_score", "-", "--json", stdout=out)
    assert json.loads(out.getvalue())["verdict"] == "read"
