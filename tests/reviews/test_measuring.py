"""From a clip that comes in to findings on a page: heard first, compared when somebody looks, covered until the own mark."""

from pathlib import Path

import pytest
from django.core.files import File
from django.test import TestCase
from django.urls import reverse

from curriculum import services as curriculum
from curriculum.score import in_playing_order
from curriculum.score.patterns.spec import Pattern
from lessons import services as lessons
from lessons.models import Clip, Job
from reviews import services
from reviews.models import Hearing, Measurement
from reviews.views import findings
from tests.make import make_assignment, make_learner, make_lesson
from tests.reviews.test_measure_command import midi

pytestmark = [pytest.mark.django_db, pytest.mark.ear]


@pytest.fixture
def take(client, settings, tmp_path: Path):
    """A take of an exercise with one wrong note, heard and prepared by the jobs as they come."""
    settings.KEYSLIP_DATA = tmp_path / "data"
    settings.KEYSLIP_DATA.mkdir()
    lesson = make_lesson(make_learner())
    client.force_login(lesson.learner)
    row = make_assignment(lesson, title="Five notes", dimensions=["notes", "rhythm"])
    pattern = Pattern(kind="five_finger", value="1/2", times=4)
    row.score = curriculum.add_pattern(lesson.learner, pattern=pattern)
    row.save()
    due = in_playing_order(curriculum.written_of(row.score))
    played = [(1 + 0.6 * float(n.onset_beat), 1.4 + 0.6 * float(n.onset_beat), n.pitch_midi, 70) for n in due]
    start, end, pitch, velocity = played[7]
    played[7] = (start, end, pitch + 1, velocity)
    path = tmp_path / "take.mid"
    path.write_bytes(midi(played))
    with path.open("rb") as file:
        clip, job = lessons.record_clip(lesson, upload=File(file, name="take.mid"), played_on=lesson.starts_on, assignment=row)  # fmt: skip
    for _ in range(2):
        lessons.run_job(str(job.pk))
    clip.refresh_from_db()
    assert clip.state == Clip.State.READY
    return clip.takes.get()


def page_of(client, take) -> str:
    answer = client.get(reverse("reviews:findings", kwargs={"pk": take.pk}))
    assert answer.status_code == 200
    return answer.content.decode()


def test_a_clip_is_heard_before_it_is_prepared(take):
    hearing = Hearing.objects.get(clip=take.clip)
    assert len(hearing.notes) > 20
    assert hearing.trust["is_exact"]
    kinds = list(take.clip.jobs.order_by("finished_at").values_list("kind", flat=True))
    assert kinds == [Job.Kind.MEASURE_CLIP, Job.Kind.PREPARE_CLIP]


def test_nothing_measured_is_shown_before_the_own_mark(client, take):
    services.measured(take)
    content = page_of(client, take)
    assert "were right" not in content
    assert "differ" not in content
    assert content.count("Covered until your own mark is written") == 2
    look = client.get(reverse("reviews:look", kwargs={"pk": take.pk, "dimension": "notes"})).content.decode()
    assert "were right" not in look


def test_a_mark_uncovers_its_own_dimension_only(client, take):
    services.write_mark(take, dimension="notes", level=4)
    content = page_of(client, take)
    assert "one wrong note in bar" in content
    assert content.count("Covered until your own mark is written") == 1
    look = client.get(reverse("reviews:look", kwargs={"pk": take.pk, "dimension": "notes"})).content.decode()
    assert "one wrong note in bar" in look


def test_a_mark_far_from_what_was_measured_asks_for_another_look(client, take):
    services.write_mark(take, dimension="notes", level=1)
    assert "lie far apart" in page_of(client, take)


def test_what_was_measured_is_kept_until_what_it_rests_on_changes(take):
    first = services.measured(take)
    assert services.measured(take).created_at == first.created_at
    take.end_s = take.end_s / 2
    take.save()
    again = services.measured(take)
    assert again.made_from != first.made_from
    assert Measurement.objects.count() == 1


def test_without_a_score_the_page_says_what_to_do(client, take):
    take.assignment.score = None
    take.assignment.save()
    assert "Add a score to the piece or the unit" in page_of(client, take)


def test_what_was_never_heard_is_said_to_be_so(client, take):
    Hearing.objects.all().delete()
    assert "was not listened to" in page_of(client, take)


def test_a_clip_can_be_heard_later(client, take, monkeypatch):
    rung = []
    monkeypatch.setattr(findings, "ring", rung.append)
    assert "Listen to this clip" not in page_of(client, take)
    Hearing.objects.all().delete()
    assert "Listen to this clip" in page_of(client, take)
    address = reverse("reviews:findings-hear", kwargs={"pk": take.pk})
    with TestCase.captureOnCommitCallbacks(execute=True):
        assert client.post(address).status_code == 302
    with TestCase.captureOnCommitCallbacks(execute=True):
        client.post(address)  # pressed twice
    [job_id] = rung
    assert "Waiting to listen" in page_of(client, take)
    lessons.run_job(job_id)
    assert Hearing.objects.count() == 1
    assert "to listen" not in page_of(client, take)


def test_what_an_older_version_heard_can_be_heard_anew(client, take):
    Hearing.objects.update(version=0)
    assert "Listen again" in page_of(client, take)


def test_strangers_find_nothing(client, take):
    client.force_login(make_learner("other"))
    assert client.get(reverse("reviews:findings", kwargs={"pk": take.pk})).status_code == 404


def test_only_reading_is_allowed(client, take):
    assert client.post(reverse("reviews:findings", kwargs={"pk": take.pk})).status_code == 405
