"""A take whose line has no score: measured from its strikes alone, each dimension behind its own mark."""

import json
from dataclasses import asdict
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from django.urls import reverse

from reviews import compare, services
from reviews.models import Hearing, Measurement
from reviews.sound.heard import VERSION
from tests.make import make_assignment, make_clip, make_learner, make_lesson, make_take
from tests.reviews.test_measure_command import midi

DIMENSIONS = ["notes", "rhythm", "evenness", "dynamics-balance", "fluency"]
FIVE = [60, 62, 64, 65, 67, 65, 64, 62]
# What a page may show of each dimension, in words and drawings.
TRACES = {
    "rhythm": ["The pulse is about", "gaps-all", "tempo-narrow", "from even"],
    "evenness": ["The same key", "keys-all", "Each key sounds"],
    "dynamics-balance": ["As loud at the end", "events-narrow"],
    "fluency": ["You played the same 8 strikes", "No stop", "stops"],
}


@pytest.fixture
def take(client, db):
    lesson = make_lesson(make_learner())
    client.force_login(lesson.learner)
    row = make_assignment(lesson, title="Five notes", dimensions=DIMENSIONS, bpm=100)
    take = make_take(row, clip=make_clip(lesson, duration_s=60.0), end_s=60.0)
    notes = [[1.0 + 0.3 * place + 0.012 * (place % 3), FIVE[place % 8], 0.0, 1.0, None] for place in range(65)]
    Hearing.objects.create(clip=take.clip, version=VERSION, notes=notes, trust=asdict(compare.Trust()))
    return take


def page_of(client, take) -> str:
    return client.get(reverse("reviews:findings", kwargs={"pk": take.pk})).content.decode()


def test_nothing_measured_is_shown_before_the_own_mark(client, take):
    content = page_of(client, take)
    assert "Covered until your own mark is written" in content
    assert not [trace for traces in TRACES.values() for trace in traces if trace in content]


@pytest.mark.parametrize("dimension", [name for name in DIMENSIONS if name != "notes"])
def test_a_mark_uncovers_its_own_dimension_only(client, take, dimension):
    services.write_mark(take, dimension=dimension, level=3)
    content = page_of(client, take)
    assert any(trace in content for trace in TRACES[dimension])
    assert not [trace for name in TRACES if name != dimension for trace in TRACES[name] if trace in content]
    look = client.get(reverse("reviews:look", kwargs={"pk": take.pk, "dimension": dimension})).content.decode()
    assert "What was measured" in look


def test_right_notes_are_said_to_need_a_score(client, take):
    services.write_mark(take, dimension="notes", level=3)
    assert "Whether notes are right can only be told beside what is written" in page_of(client, take)
    assert "notes" not in {each["dimension"] for each in services.measured(take).result["findings"]}


def test_it_is_measured_once_and_anew_when_another_tempo_is_asked(take):
    first = services.measured(take)
    assert services.measured(take).created_at == first.created_at
    take.assignment.bpm = 50
    take.assignment.save()
    again = services.measured(take)
    pulses = [each["value"] for row in (first, again) for each in row.result["findings"] if each["kind"] == "pulse"]
    assert pulses[1] == pytest.approx(pulses[0] / 2, rel=1e-3)
    assert Measurement.objects.count() == 1


def test_strangers_find_nothing(client, take):
    client.force_login(make_learner("other"))
    assert client.get(reverse("reviews:findings", kwargs={"pk": take.pk})).status_code == 404


@pytest.mark.ear
def test_the_command_tells_findings_without_a_score(tmp_path: Path):
    path = tmp_path / "take.mid"
    path.write_bytes(midi([(1 + 0.5 * place, 1.4 + 0.5 * place, FIVE[place % 8], 70) for place in range(41)]))
    out, words, codes = StringIO(), StringIO(), StringIO()
    call_command("measure", str(path), "--bpm", "120", "--json", stdout=out)
    found = json.loads(out.getvalue())
    assert "notes" not in found
    assert {each["kind"] for each in found["findings"]} >= {"pulse", "gaps", "repeats", "hesitations", "asked_tempo"}
    call_command("measure", str(path), stdout=words)
    assert "can only be told beside a score" in words.getvalue()
    call_command("measure", "--codes", stdout=codes)
    known = {line.removeprefix("finding ") for line in codes.getvalue().splitlines()}
    assert {each["kind"] for each in found["findings"]} <= known
