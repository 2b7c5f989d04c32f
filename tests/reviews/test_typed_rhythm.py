"""The rhythm of a line without a score: typed on the page of what was measured, and held against what was heard."""

import json
from dataclasses import asdict
from datetime import timedelta
from io import StringIO
from pathlib import Path

import pytest
from django.core.exceptions import ValidationError
from django.core.management import CommandError, call_command
from django.urls import reverse

from curriculum import services as curriculum
from curriculum.score.patterns.spec import Pattern
from reviews import compare, services
from reviews.models import Hearing, TypedRhythm
from reviews.queries import rhythm_of
from reviews.sound.heard import VERSION
from tests.make import make_assignment, make_book, make_clip, make_learner, make_lesson, make_take, make_unit
from tests.reviews.test_measure_command import midi

TYPED = "2 quarters, half | 4 eighths, half"
BEATS = [1.0, 1.0, 2.0, 0.5, 0.5, 0.5, 0.5, 2.0]
TRACES = ["strikes were heard", "keep their proportions", "from their length", "rhythm that was typed"]


@pytest.fixture
def take(client, db):
    lesson = make_lesson(make_learner())
    client.force_login(lesson.learner)
    row = make_assignment(lesson, title="A phrase", dimensions=["rhythm", "fluency"])
    take = make_take(row, clip=make_clip(lesson, duration_s=60.0), end_s=60.0)
    notes, at_s = [], 1.0
    for place, beats in enumerate([*BEATS * 5, 0.0]):
        notes.append([at_s + 0.012 * (place % 3), 60 + place % 5, 0.0, 1.0, None])
        at_s += 0.5 * beats
    Hearing.objects.create(clip=take.clip, version=VERSION, notes=notes, trust=asdict(compare.Trust()))
    return take


def page_of(client, take) -> str:
    return client.get(reverse("reviews:findings", args=[take.pk])).content.decode()


def send(client, take, text: str):
    return client.post(reverse("reviews:take-rhythm", args=[take.pk]), {"rhythm": text})


def test_a_typed_rhythm_is_held_against_what_was_heard(client, take):
    services.write_mark(take, dimension="rhythm", level=3)
    assert "strikes were heard" not in page_of(client, take)
    assert send(client, take, TYPED).status_code == 302
    content = page_of(client, take)
    assert "It is held against that rhythm now. What that tells belongs to “Pulse and rhythm”." in content
    assert "than the rhythm that was typed each note came" in content
    assert "cannot be told from one without a score" not in content
    assert (
        "41 strikes were heard; the rhythm that was typed has eight notes. That is five times through and one more."
        in content
    )
    assert "keep their proportions" in content
    assert "from their length" in content
    assert TYPED in content


def test_nothing_of_it_is_shown_before_the_own_mark(client, take):
    send(client, take, TYPED)
    services.write_mark(take, dimension="fluency", level=3)
    content = page_of(client, take)
    assert not [trace for trace in TRACES if trace in content]
    refused = send(client, take, "quater").content.decode()
    assert not [trace for trace in TRACES if trace in refused]


def test_what_is_no_rhythm_is_refused_with_its_place_and_keeps_what_was_typed(client, take):
    answer = send(client, take, "quarter, quater")
    assert answer.status_code == 422
    content = answer.content.decode()
    assert "“quater”, word 2, is no note value" in content
    assert "quarter, quater</textarea>" in content
    assert not TypedRhythm.objects.exists()
    with pytest.raises(ValidationError, match="quater"):
        services.type_rhythm(take.assignment, text="quater")


def test_blank_takes_it_back(client, take):
    send(client, take, TYPED)
    services.write_mark(take, dimension="rhythm", level=3)
    send(client, take, "")
    assert "The rhythm is taken back." in page_of(client, take)
    assert not [trace for trace in TRACES if trace in page_of(client, take)]


def test_the_same_unit_a_week_later_has_it_already(take):
    learner = take.assignment.lesson.learner
    unit = make_unit(make_book(learner))
    take.assignment.unit = unit
    take.assignment.save()
    services.type_rhythm(take.assignment, text=TYPED)
    later = make_assignment(
        make_lesson(learner, starts_on=take.assignment.lesson.starts_on + timedelta(days=7)), unit=unit
    )
    other = make_assignment(later.lesson, unit=unit, bars="5-8")
    assert rhythm_of(later) == TYPED
    assert rhythm_of(other) == ""
    services.type_rhythm(later, text="")
    assert rhythm_of(later) == ""
    assert rhythm_of(take.assignment) == TYPED


def test_a_line_with_a_score_asks_for_no_rhythm(client, take):
    assert "Type its rhythm alone" in page_of(client, take)
    take.assignment.score = curriculum.add_pattern(take.assignment.lesson.learner, pattern=Pattern(kind="five_finger"))
    take.assignment.save()
    assert "Type its rhythm alone" not in page_of(client, take)


def test_strangers_find_nothing_and_it_is_never_asked_for_by_get(client, take):
    assert client.get(reverse("reviews:take-rhythm", args=[take.pk])).status_code == 405
    client.force_login(make_learner("other"))
    assert send(client, take, TYPED).status_code == 404
    client.logout()
    assert send(client, take, TYPED).status_code == 302
    assert not TypedRhythm.objects.exists()


def test_the_command_takes_a_rhythm(tmp_path: Path):
    path, at_s, notes = tmp_path / "take.mid", 1.0, []
    for beats in [*BEATS * 4, 0.0]:
        notes.append((at_s, at_s + 0.2, 60, 70))
        at_s += 0.5 * beats
    path.write_bytes(midi(notes))
    out = StringIO()
    call_command("measure", str(path), "--rhythm", TYPED, "--bpm", "120", "--json", stdout=out)
    found = {each["kind"]: each for each in json.loads(out.getvalue())["findings"]}
    assert found["strikes"]["value"] == 33
    assert found["values"]["value"] == pytest.approx(1.0, abs=0.01)
    assert found["hesitations"]["high"] == 0
    with pytest.raises(CommandError, match="“quater”, word 1"):
        call_command("measure", str(path), "--rhythm", "quater")
