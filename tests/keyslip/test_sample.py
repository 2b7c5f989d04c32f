"""The sample learner: made by one click, looked at, removed without a trace."""

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse

from curriculum.models import Evidence, Learner, Score, Skill
from keyslip import tasks
from keyslip.sample.clips import TUNE
from lessons.models import Assignment, Clip, Job, Lesson, ReferencePicture, Still
from tests.make import make_learner

pytestmark = pytest.mark.django_db


@pytest.fixture
def rung(monkeypatch):
    """Do what the worker would do, at once."""
    calls = []

    def ring(**options):
        calls.append(options)

    monkeypatch.setattr(tasks.make_sample, "apply_async", ring)
    return calls


@pytest.mark.slow
def test_demo_has_eight_weeks_and_three_clips_and_goes_without_a_trace(
    settings, tmp_path, django_capture_on_commit_callbacks
):
    settings.KEYSLIP_DATA = tmp_path
    somebody = make_learner()
    call_command("load_demo", verbosity=0)
    sample = Learner.objects.get(username="sample")
    assert sample.is_sample
    assert not sample.has_usable_password()
    assert not sample.is_superuser
    assert Lesson.objects.filter(learner=sample).count() == 8
    assert list(Clip.objects.filter(lesson__learner=sample).values_list("state", flat=True)) == ["ready"] * 3
    assert len(list((tmp_path / "clips").glob("*/*/copy.mp4"))) == 3
    filmed = Assignment.objects.filter(lesson__learner=sample, takes__isnull=False)
    assert [(row.score.right_text, row.hands) for row in filmed] == [(TUNE, "right")] * 3
    assert Still.objects.count() == 3
    assert len(list((tmp_path / "pictures").glob("*/*/large.jpg"))) == 3 + ReferencePicture.objects.count() > 3
    with django_capture_on_commit_callbacks(execute=True):
        sample.delete()
    assert list(Learner.objects.all()) == [somebody]
    for table in (Lesson, Clip, Job, Evidence, Score, Skill, ReferencePicture, Still):
        assert not table.objects.exists()
    for folder in ("clips", "pictures"):
        assert [path for path in (tmp_path / folder).rglob("*") if path.is_file()] == []
    assert list((tmp_path / "work").iterdir()) == []


def test_page_offers_to_make_the_sample_and_asks_the_worker_once_clicked(client, rung):
    client.force_login(make_learner())
    assert b"Make the sample" in client.get(reverse("sample")).content
    response = client.post(reverse("sample-make"), follow=True)
    assert len(rung) == 1
    assert b"Writing an invented book" in response.content


def test_fragment_is_the_state_alone(client):
    client.force_login(make_learner())
    response = client.get(reverse("sample"), headers={"HX-Request": "true"})
    assert response.content.strip().startswith(b"<div")
    assert "HX-Request" in response["Vary"]


def test_whoever_looks_at_the_sample_is_signed_in_as_it(client):
    client.force_login(make_learner())
    sample = make_learner("sample", is_sample=True)
    response = client.post(reverse("sample-enter"))
    assert response.url == reverse("lessons:week")
    assert client.session["_auth_user_id"] == str(sample.pk)


def test_a_learner_who_only_calls_themselves_sample_cannot_be_entered_or_removed(client):
    me = make_learner()
    make_learner("sample")
    client.force_login(me)
    assert client.post(reverse("sample-enter")).url == reverse("sample")
    client.post(reverse("sample-remove"))
    client.post(reverse("sample-make"))
    with pytest.raises(CommandError, match="nothing was made"):
        call_command("load_demo", verbosity=0)
    assert Learner.objects.filter(username="sample").exists()
    assert client.session["_auth_user_id"] == str(me.pk)


def test_removing_takes_the_sample_alone(client):
    me = make_learner()
    make_learner("sample", is_sample=True)
    client.force_login(me)
    client.post(reverse("sample-remove"))
    assert list(Learner.objects.all()) == [me]


@pytest.mark.parametrize("name", ["sample-make", "sample-enter", "sample-remove"])
def test_actions_are_post_only(client, name):
    client.force_login(make_learner())
    assert client.get(reverse(name)).status_code == 405


@pytest.mark.parametrize("name", ["sample", "sample-make", "sample-enter", "sample-remove"])
def test_signed_out_visitors_are_sent_to_sign_in(client, name):
    assert reverse("login") in client.post(reverse(name)).url
