"""The command that says what a file is."""

import json
from collections.abc import Callable
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from lessons.media import ReasonCode
from tests.lessons.media.conftest import Case

KEYS = ["kind", "verdict", "reason", "text", "duration_s", "video", "audio", "audio_start_s", "video_start_s"]


def run(*args: str) -> str:
    out = StringIO()
    call_command("probe_clip", *args, stdout=out)
    return out.getvalue()


def test_answer_is_one_json_object_with_the_agreed_keys(case: Callable[[str], Case]) -> None:
    answer = json.loads(run(str(case("rot_90").path), "--json"))
    assert list(answer) == KEYS
    assert answer["video"] == {"width": 240, "height": 320, "rotation_deg": 90, "codec": "h264"}
    assert answer["audio"] == {"channels": 2, "rate_hz": 48000, "codec": "aac"}
    assert (answer["kind"], answer["verdict"], answer["reason"]) == ("video", "accept", "ok")


def test_refusal_is_an_answer_too(case: Callable[[str], Case]) -> None:
    answer = json.loads(run(str(case("text").path), "--json"))
    assert list(answer) == KEYS
    assert (answer["kind"], answer["verdict"], answer["video"], answer["duration_s"]) == (
        "unknown",
        "reject",
        None,
        None,
    )


def test_answer_in_words_shows_the_same(case: Callable[[str], Case]) -> None:
    words = run(str(case("rot_90").path))
    assert "video: accept (ok)" in words
    assert "240 x 320" in words
    assert "turned 90 degrees" in words


def test_codes_are_the_closed_list() -> None:
    lines = run("--codes").splitlines()
    assert [line.split()[0] for line in lines] == list(ReasonCode)
    assert "cut_short partial" in lines


@pytest.mark.parametrize("args", [[], ["no such file"]])
def test_unusable_arguments_end_with_status_two(args: list[str], folder: Path) -> None:
    with pytest.raises(CommandError) as caught:
        run(*(str(folder / arg) for arg in args))
    assert caught.value.returncode == 2
