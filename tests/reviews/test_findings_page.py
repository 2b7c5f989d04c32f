"""The page of what was measured: nothing of a dimension before its own mark, in words, score or charts; and every empty state."""

from dataclasses import asdict
from pathlib import Path
from random import Random

import pytest
from django.urls import reverse

from curriculum import services as curriculum
from curriculum.models import Score
from curriculum.score import in_playing_order
from curriculum.score.patterns.spec import Pattern
from lessons.models import Clip, Job
from reviews import compare, services
from reviews.models import Hearing, Measurement
from reviews.sound.heard import VERSION, around_median
from reviews.views import drawings
from tests.make import make_assignment, make_clip, make_learner, make_lesson, make_take
from tests.reviews.compare.performing import perform

pytestmark = pytest.mark.django_db

DIMENSIONS = ["notes", "rhythm", "evenness", "dynamics-balance", "fluency"]
# What a page shows of each dimension's own drawings: on the score, and as charts.
TRACES = {
    "fluency": ["a stop of", "You went back", "a stop before this note"],
    "notes": ["fd-wrong", "fd-missing", "sv-plum-l\" stroke-width=\"52", "another key was heard", "was not heard", "heard and is not written"],
    "rhythm": ["gaps-right", "tempo-narrow", "tempo-wide", "Gaps between notes", "late (above the line)"],
    "evenness": ["keys-right", "Each key against itself", "against its own key"],
    "dynamics-balance": ["events-narrow", "events-wide", "Loud and soft"],
}  # fmt: skip


@pytest.fixture
def take(client, settings, tmp_path: Path):
    """A take of an exercise with a fault of every kind, heard already."""
    settings.KEYSLIP_DATA = tmp_path / "data"
    settings.KEYSLIP_DATA.mkdir()
    lesson = make_lesson(make_learner())
    client.force_login(lesson.learner)
    row = make_assignment(lesson, title="Five notes", dimensions=DIMENSIONS)
    row.score = curriculum.add_pattern(lesson.learner, pattern=Pattern(kind="five_finger", value="1/2", times=8))
    row.save()
    clip = make_clip(lesson, duration_s=60.0, content=b"film", facts={"audio": {"channels": 1}})
    take = make_take(row, clip=clip, end_s=60.0)
    hear(take)
    return take


def hear(take, *, version: int = VERSION, only: int | None = None, limits=()) -> Hearing:
    expected = compare.expect(in_playing_order(curriculum.written_of(take.assignment.score)))
    played = perform(expected, random=Random(3), wrong=0.06, missed=0.06, extra=0.06, jitter_s=0.015, hesitations=[20], restarts=[(40, 32)])  # fmt: skip
    notes = [[n.onset_s, n.pitch_midi, n.level_db, n.confidence, n.end_s] for n in around_median(played.heard)][:only]
    fields = {"version": version, "notes": notes, "trust": asdict(compare.Trust()), "limits": list(limits)}
    hearing, _ = Hearing.objects.update_or_create(clip=take.clip, defaults=fields)
    return hearing


def page_of(client, take, **query) -> str:
    answer = client.get(reverse("reviews:findings", kwargs={"pk": take.pk}), query)
    assert answer.status_code == 200
    return answer.content.decode()


def test_every_drawing_is_there_once_all_is_marked(client, take):
    for dimension in DIMENSIONS:
        services.write_mark(take, dimension=dimension, level=3)
    content = page_of(client, take)
    for dimension, traces in TRACES.items():
        for trace in traces:
            assert trace in content, (dimension, trace)
    assert "fd-cannot-tell" in content or "cannot_tell" not in str(services.measured(take).result["series"]["faults"])


@pytest.mark.parametrize("covered", DIMENSIONS)
def test_nothing_of_a_dimension_is_drawn_before_its_own_mark(client, take, covered):
    for dimension in DIMENSIONS:
        if dimension != covered:
            services.write_mark(take, dimension=dimension, level=3)
    content = page_of(client, take)
    found = services.measured(take).result
    others = {trace for dimension, traces in TRACES.items() if dimension != covered for trace in traces}
    for trace in set(TRACES[covered]) - others:
        assert trace not in content, trace
    for finding in found["findings"]:
        assert (finding["text"] in content.replace("&#x27;", "'")) == (finding["dimension"] != covered)
    assert content.count("Covered until your own mark is written") == 1


def test_with_no_mark_there_is_no_picture_at_all(client, take, monkeypatch):
    def fail(*_args, **_more):
        raise AssertionError("something was drawn")

    for name in ("mark_score", "draw_gaps", "draw_levels", "draw_tempo"):
        monkeypatch.setattr(drawings, name, fail)
    content = page_of(client, take)
    assert content.count("Covered until your own mark is written") == len(DIMENSIONS)
    assert "data-note" not in content
    assert "One thing first" not in content


def test_a_mark_of_cannot_tell_uncovers_as_any_other(client, take):
    services.write_mark(take, dimension="notes", level=None)
    assert "fd-wrong" in page_of(client, take)


def test_stops_leave_no_trace_in_the_tempo_while_fluency_is_covered(client, take):
    services.write_mark(take, dimension="rhythm", level=2)
    assert "after a stop" not in page_of(client, take)
    services.write_mark(take, dimension="fluency", level=2)
    assert "after a stop" in page_of(client, take)


def test_a_dimension_the_sheet_does_not_ask_is_never_drawn(client, take):
    services.write_mark(take, dimension="notes", level=2)
    take.assignment.dimensions = ["rhythm"]
    take.assignment.save()
    content = page_of(client, take)
    assert "fd-wrong" not in content
    assert "not asked on the sheet: Right notes" in content


def test_each_fault_can_be_heard_from_two_seconds_before(client, take):
    services.write_mark(take, dimension="notes", level=2)
    at_s = next(each["at_s"] for each in services.measured(take).result["series"]["faults"] if each["at_s"])
    assert f'data-hear="{at_s - 2:.2f}"' in page_of(client, take)
    assert f"#t={at_s - 2:.2f},{at_s + 2:.2f}" in page_of(client, take)


def test_a_midi_file_without_a_sound_offers_nothing_to_hear(client, take):
    Clip.objects.update(kind=Clip.Kind.MIDI, has_copy=False)
    services.write_mark(take, dimension="notes", level=2)
    assert "data-hear" not in page_of(client, take)


def test_each_number_comes_with_its_interval_and_floor(client, take):
    services.write_mark(take, dimension="rhythm", level=2)
    gaps = next(each for each in services.measured(take).result["findings"] if each["kind"] == "gaps")
    said = f"{gaps['value']:.0f} ms, surely between {gaps['low']:.0f} and {gaps['high']:.0f}. The floor of this recording is {gaps['floor']:.0f}"
    assert said in page_of(client, take)


def test_one_thing_comes_first(client, take):
    for dimension in DIMENSIONS:
        services.write_mark(take, dimension=dimension, level=3)
    content = page_of(client, take)
    assert content.index("One thing first") < content.index("On the page")


def test_a_score_without_a_picture_leaves_the_findings(client, take, monkeypatch):
    from curriculum.score.engraving.errors import EngravingCrashError

    def break_down(*_args, **_more):
        raise EngravingCrashError("no picture")

    monkeypatch.setattr(drawings.curriculum, "picture_of", break_down)
    services.write_mark(take, dimension="notes", level=2)
    content = page_of(client, take)
    assert "were right" in content
    assert "data-note" not in content


def test_a_part_that_is_not_there_is_the_nearest_that_is(client, take):
    services.write_mark(take, dimension="notes", level=2)
    for part in ("99", "-1", "x", "٣", "9" * 400):
        assert "data-note" in page_of(client, take, part=part)


def test_names_of_bars_are_escaped_wherever_they_stand(client, take):
    services.write_mark(take, dimension="notes", level=2)
    services.write_mark(take, dimension="rhythm", level=2)
    found = services.measured(take)
    for point in found.result["series"]["gaps"][0]["points"] + found.result["series"]["faults"]:
        point["bar"] = "<script>alert(1)</script>"
    Measurement.objects.filter(pk=found.pk).update(result=found.result)
    content = page_of(client, take)
    assert "<script>alert" not in content
    assert "&lt;script&gt;alert" in content


def test_a_change_of_any_setting_makes_the_measurement_anew(take, monkeypatch):
    first = services.measured(take)
    assert services.measured(take).created_at == first.created_at
    monkeypatch.setattr(compare, "FindingSettings", lambda: "other numbers")
    again = services.measured(take)
    assert again.pk == first.pk
    assert again.made_from != first.made_from
    assert again.created_at > first.created_at


@pytest.mark.parametrize("name", ["VERSION", "SERIES_VERSION"])
def test_a_newer_program_measures_anew_and_the_page_shows_it(client, take, monkeypatch, name):
    from reviews.services import measuring

    first = services.measured(take)
    Measurement.objects.update(result={"findings": []})
    assert services.measured(take).result == {"findings": []}
    monkeypatch.setattr(compare if name == "VERSION" else measuring, name, 77)
    services.write_mark(take, dimension="notes", level=2)
    assert "were right" in page_of(client, take)
    assert Measurement.objects.get().made_from != first.made_from


def test_what_an_older_version_heard_is_shown_with_the_way_to_hear_it_again(client, take):
    hear(take, version=0)
    services.write_mark(take, dimension="notes", level=2)
    content = page_of(client, take)
    assert "Heard by an older version" in content
    assert "Listen again" in content
    assert "were right" in content


def test_while_listening_the_page_asks_again_and_then_loads_anew(client, take):
    address = reverse("reviews:findings", kwargs={"pk": take.pk})
    job = Job.objects.create(clip=take.clip, kind=Job.Kind.MEASURE_CLIP, state=Job.State.RUNNING, progress_frac=0.4)
    assert "hx-trigger" in page_of(client, take)
    part = client.get(address, headers={"HX-Request": "true"})
    assert 'value="40.0"' in part.content.decode()
    assert "<html" not in part.content.decode()
    assert "HX-Request" in part["Vary"]
    job.state = Job.State.DONE
    job.save()
    done = client.get(address, headers={"HX-Request": "true"})
    assert done["HX-Refresh"] == "true"
    assert 'id="listening"' not in page_of(client, take)


def test_too_few_notes_are_said_to_be_too_few(client, take):
    hear(take, only=3, limits=["few_notes"])
    assert "Too few notes" in page_of(client, take)


def test_a_clip_that_cannot_be_used_says_why(client, take):
    Hearing.objects.all().delete()
    Clip.objects.update(state=Clip.State.REFUSED, text="This file is a picture, not a film.")
    assert "This file is a picture" in page_of(client, take)


def test_a_line_without_a_score_says_how_to_add_one(client, take):
    take.assignment.score = None
    take.assignment.save()
    Score.objects.all().delete()
    content = page_of(client, take)
    assert "Whether notes are right can only be told beside what is written" in content


def test_strangers_get_neither_page_nor_fragment(client, take):
    client.force_login(make_learner("other"))
    address = reverse("reviews:findings", kwargs={"pk": take.pk})
    assert client.get(address).status_code == 404
    assert client.get(address, headers={"HX-Request": "true"}).status_code == 404
