"""`manage.py way`: its answer, and what it says to files it cannot use."""

import io
import json
import sys

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError


def make_state(**changes):
    state = {
        "skills": [{"id": "place", "needs": []}, {"id": "legato", "needs": ["place"]}, {"id": "pedal", "needs": []}],
        "units": [make_unit("u1", teaches=["place"]), make_unit("u2", teaches=["legato"], needs=["place"], weeks=2)],
        "ticked": [],
        "done": [],
        "target": ["legato"],
    }
    return state | changes


def make_unit(name, **changes):
    return {
        "id": name,
        "book": "red",
        "position": int(name[1:]),
        "teaches": [],
        "needs": [],
        "after": [],
        "weeks": 1,
    } | changes


@pytest.fixture
def ask(tmp_path):
    def ask(state, *options, as_text=None):
        path = tmp_path / "state.json"
        path.write_bytes(as_text if as_text is not None else json.dumps(state).encode())
        out = io.StringIO()
        call_command("way", "--file", str(path), *options, stdout=out)
        return out.getvalue()

    return ask


def test_answer_has_the_agreed_keys(ask):
    assert json.loads(ask(make_state(), "--json")) == {
        "blocked_by": ["place", "legato"],
        "gaps": [],
        "way": ["u1", "u2"],
        "weeks": 3,
        "optimal": True,
        "bound": 3,
    }


def test_what_lies_below_a_ticked_skill_is_known(ask):
    answer = json.loads(ask(make_state(ticked=["legato"], target=["place", "pedal"]), "--json"))
    assert (answer["blocked_by"], answer["gaps"], answer["way"], answer["weeks"]) == (["pedal"], ["pedal"], [], 0)


def test_no_way_is_null_with_a_reason(ask):
    units = [make_unit("u1", teaches=["place"], after=["u2"]), make_unit("u2", teaches=["legato"], needs=["place"])]
    answer = json.loads(ask(make_state(units=units), "--json"))
    assert (answer["way"], answer["weeks"], answer["optimal"], answer["bound"]) == (None, None, False, None)
    assert "'place' is taught only by 'u1', 'u1' comes after 'u2', 'u2' needs 'place'" in answer["reason"]


def test_answer_in_words(ask):
    assert ask(make_state()) == "Stands in the way: place, legato\nUnits: u1, u2\nWeeks: 3; no way is shorter\n"
    assert ask(make_state(target=["pedal"])) == "Stands in the way: pedal\nNo unit teaches: pedal\n"
    assert ask(make_state(target=[])) == "Stands in the way: nothing\n"
    stuck = make_state(units=[make_unit("u1", teaches=["place"], after=["u1"])], target=["place"])
    assert "'place' cannot be reached" in ask(stuck)


def test_other_keys_are_passed_over(ask):
    state = make_state(note="of no account")
    state["skills"][0]["name"] = "The place"
    assert json.loads(ask(state, "--json"))["weeks"] == 3


def test_state_is_read_from_standard_input(monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(json.dumps(make_state()).encode())))
    out = io.StringIO()
    call_command("way", "--file", "-", "--json", stdout=out)
    assert json.loads(out.getvalue())["way"] == ["u1", "u2"]


def with_unit(**changes):
    return make_state(units=[make_unit("u1", **changes)])


@pytest.mark.parametrize(
    ("state", "place"),
    [
        ([], "the file: an object is wanted, not a list"),
        ({}, "the file: the key 'skills' is missing"),
        (make_state(skills={}), "skills: a list is wanted, not an object"),
        (make_state(skills=[5]), r"skills\[0\]: an object is wanted, not 5"),
        (make_state(skills=[{"id": "place"}]), r"skills\[0\]: the key 'needs' is missing"),
        (make_state(skills=[{"id": "", "needs": []}]), r"skills\[0\].id: text of 1 to 200"),
        (make_state(skills=[{"id": "x" * 201, "needs": []}]), r"skills\[0\].id: text of 1 to 200"),
        (make_state(skills=[{"id": None, "needs": []}]), r"skills\[0\].id: text is wanted, not null"),
        (make_state(skills=[{"id": "a", "needs": "a"}]), r"skills\[0\].needs: a list is wanted, not 'a'"),
        (make_state(skills=[{"id": "a", "needs": ["b"]}]), r"skills\[0\].needs\[0\]: 'b' is not the id of a skill"),
        (make_state(skills=[{"id": "a", "needs": []}] * 2), r"skills\[1\].id: 'a' is there already"),
        (with_unit(teaches=["nothing"]), r"units\[0\].teaches\[0\]: 'nothing' is not the id of a skill"),
        (with_unit(needs=[True]), r"units\[0\].needs\[0\]: text is wanted, not true"),
        (with_unit(after=["u7"]), r"units\[0\].after\[0\]: 'u7' is not the id of a unit"),
        (with_unit(weeks=0), r"units\[0\].weeks: a whole number from 1"),
        (with_unit(weeks=True), r"units\[0\].weeks: a whole number from 1 to 10000 is wanted, not true"),
        (with_unit(weeks=1.5), r"units\[0\].weeks: .* not 1.5"),
        (with_unit(weeks=10**400), r"units\[0\].weeks: .* not a very long number"),
        (with_unit(position="2"), r"units\[0\].position: a whole number"),
        (with_unit(book=3), r"units\[0\].book: text is wanted, not 3"),
        (make_state(units=[make_unit("u1")] * 2), r"units\[1\].id: 'u1' is there already"),
        (make_state(ticked=["u1"]), r"ticked\[0\]: 'u1' is not the id of a skill"),
        (make_state(done=["place"]), r"done\[0\]: 'place' is not the id of a unit"),
        (make_state(target=["legato", "tune"]), r"target\[1\]: 'tune' is not the id of a skill"),
        (make_state(target="legato"), "target: a list is wanted, not 'legato'"),
        (
            make_state(skills=[{"id": "place", "needs": ["legato"]}, {"id": "legato", "needs": ["place"]}]),
            "skills: these need each other in a circle: 'legato' needs 'place' needs 'legato'",
        ),
    ],
)
def test_malformed_state_is_refused_with_its_place(ask, state, place):
    with pytest.raises(CommandError, match=place) as caught:
        ask(state, "--json")
    assert caught.value.returncode == 2


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (b"", "line 1, column 1"),
        (b'{"skills": [}', "line 1, column 13: this is not JSON"),
        (b"\xff\xfe{}", "byte 0 is not UTF-8"),
        (b"[" * 100_000, "nested too deep"),
        (b'{"skills": [], "skills": []}', "the key 'skills' is there twice"),
        (b'{"skills": NaN}', "NaN is no number"),
        (b'{"skills": ' + b"9" * 5000 + b"}", "too long to read"),
    ],
)
def test_what_is_not_json_is_refused(ask, text, place):
    with pytest.raises(CommandError, match=place) as caught:
        ask(None, "--json", as_text=text)
    assert caught.value.returncode == 2


def test_file_that_is_not_there_and_a_folder_are_refused(tmp_path):
    for path in (tmp_path / "none.json", tmp_path):
        with pytest.raises(CommandError, match="cannot be read") as caught:
            call_command("way", "--file", str(path))
        assert caught.value.returncode == 2


def test_seconds_out_of_range_are_refused(ask):
    with pytest.raises(CommandError, match="wanted seconds above 0"):
        ask(make_state(), "--seconds", "0")
