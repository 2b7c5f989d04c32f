"""`manage.py measure`: what is heard in a clip, and what became of each written note."""

import json
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from curriculum.score import write_musicxml
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.writing import make_pattern
from curriculum.score.playing import in_playing_order

TICKS = 480


def number(value: int) -> bytes:
    found = [value & 0x7F]
    while value := value >> 7:
        found.insert(0, value & 0x7F | 0x80)
    return bytes(found)


def midi(notes: list[tuple[float, float, int, int]]) -> bytes:
    """A file at 120 a minute of (start_s, end_s, pitch, velocity)."""
    events = sorted(
        [(round(start * 2 * TICKS), bytes([0x90, pitch, velocity])) for start, _, pitch, velocity in notes]
        + [(round(end * 2 * TICKS), bytes([0x80, pitch, 0])) for _, end, pitch, _ in notes]
    )
    body, now = b"", 0
    for tick, event in events:
        body += number(tick - now) + event
        now = tick
    body += b"\x00\xff\x2f\x00"
    header = b"MThd" + (6).to_bytes(4, "big") + b"\x00\x00\x00\x01" + TICKS.to_bytes(2, "big")
    return header + b"MTrk" + len(body).to_bytes(4, "big") + body


@pytest.fixture
def exercise(tmp_path: Path):
    score = make_pattern(Pattern(kind="five_finger", value="1/2", times=4))
    (tmp_path / "score.musicxml").write_bytes(write_musicxml(score))
    due = in_playing_order(score)
    played = [
        (1 + 0.6 * float(note.onset_beat), 1.5 + 0.6 * float(note.onset_beat), note.pitch_midi, 70) for note in due
    ]
    return tmp_path, due, played


def measure(*arguments: str) -> dict:
    out = StringIO()
    call_command("measure", *arguments, "--json", stdout=out)
    return json.loads(out.getvalue())


def test_a_midi_clip_is_heard_exactly(exercise):
    folder, due, played = exercise
    (folder / "take.mid").write_bytes(midi(played))
    found = measure(str(folder / "take.mid"))
    assert found["schema"] == 1
    assert [note["pitch_midi"] for note in found["heard"]] == [note.pitch_midi for note in due]
    assert [note["onset_s"] for note in found["heard"]] == pytest.approx([start for start, *_ in played], abs=0.002)
    assert "notes" not in found


def test_each_written_note_has_its_state_and_its_heard_note(exercise):
    folder, due, played = exercise
    wrong = played[5]
    played[5] = (wrong[0], wrong[1], wrong[2] + 1, wrong[3])
    del played[9]
    (folder / "take.mid").write_bytes(midi(played))
    found = measure(str(folder / "take.mid"), "--score", str(folder / "score.musicxml"), "--bpm", "100")
    states = [note["state"] for note in found["notes"]]
    assert states[5] == "wrong_pitch"
    assert states[9] == "missing"
    assert states.count("played") == len(due) - 2
    for note in found["notes"]:
        if note["state"] == "played":
            assert found["heard"][note["heard"]]["pitch_midi"] == note["pitch_midi"]
    assert found["tempo"]["bpm"] == pytest.approx(100, abs=0.5)
    assert found["evenness"]["right"]["ioi_sd_floor_ms"] >= 1
    assert found["evenness"]["left"] is None
    assert {each["kind"] for each in found["findings"]} >= {"right_notes", "tempo_drift", "gaps", "asked_tempo"}
    assert all(each["low"] <= each["value"] <= each["high"] for each in found["findings"])


def test_a_stretch_of_the_clip_is_a_take(exercise):
    folder, _, played = exercise
    (folder / "take.mid").write_bytes(midi(played))
    found = measure(str(folder / "take.mid"), "--from", "2", "--to", "5")
    assert all(2 <= note["onset_s"] <= 5 for note in found["heard"])


def test_levels_are_those_of_the_take(exercise):
    folder, _, played = exercise
    louder = [(start, end, pitch, 30 if start < 4 else 90) for start, end, pitch, _ in played]
    (folder / "take.mid").write_bytes(midi(louder))
    found = measure(str(folder / "take.mid"), "--from", "0", "--to", "3.9")
    assert {note["level_db"] for note in found["heard"]} == {0.0}


def test_a_refusal_is_an_answer(exercise):
    folder, _, played = exercise
    (folder / "broken.mov").write_bytes(b"<html>not a film</html>")
    found = measure(str(folder / "broken.mov"))
    assert (found["limits"], found["heard"]) == (["unreadable"], [])
    assert found["text"]
    (folder / "take.mid").write_bytes(midi(played))
    (folder / "broken.musicxml").write_bytes(b"<score-partwise>")
    found = measure(str(folder / "take.mid"), "--score", str(folder / "broken.musicxml"))
    assert "score_refused" in found["limits"]
    assert found["heard"]
    assert "notes" not in found


def test_codes_are_a_closed_list():
    out = StringIO()
    call_command("measure", "--codes", stdout=out)
    assert {"state cannot_tell", "finding right_notes", "limit no_sound"} <= set(out.getvalue().splitlines())


@pytest.mark.parametrize(
    "arguments", [[], ["missing.mov"], ["{clip}", "--score", "missing.xml"], ["{clip}", "--from", "9", "--to", "3"]]
)
def test_unusable_arguments_end_with_2(exercise, arguments):
    folder, _, played = exercise
    (folder / "take.mid").write_bytes(midi(played))
    with pytest.raises(CommandError) as refused:
        call_command("measure", *(each.format(clip=folder / "take.mid") for each in arguments), "--json", stdout=StringIO())  # fmt: skip
    assert refused.value.returncode == 2
