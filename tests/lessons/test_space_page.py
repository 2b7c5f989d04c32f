"""The page of what takes space, and letting go of clips as they came."""

import pytest
from django.urls import reverse

from lessons import services
from lessons.models import Clip
from tests.make import make_assignment, make_clip, make_learner, make_lesson

pytestmark = pytest.mark.django_db
SPACE = "/space/"


@pytest.fixture(autouse=True)
def _data(settings, tmp_path):
    settings.KEYSLIP_DATA = tmp_path


@pytest.fixture
def learner(client):
    learner = make_learner()
    client.force_login(learner)
    return learner


@pytest.fixture
def lesson(learner):
    return make_lesson(learner)


@pytest.fixture
def clip(lesson):
    return make_clip(lesson, content=b"film", size_bytes=190_000_000, made_bytes=22_000_000)


def address(clip, what):
    return reverse(f"lessons:clip-original-{what}", kwargs={"pk": clip.pk})


def test_page_before_the_first_clip_leads_to_filming(client, learner):
    text = client.get(SPACE).content.decode()
    assert "nothing of your 50.0 GB are taken" in text
    assert "No clip yet" in text
    assert reverse("lessons:film") in text


def test_page_shows_totals_and_each_clip_with_its_sizes(client, learner, lesson, clip):
    make_clip(lesson, size_bytes=10**9, made_bytes=90_000_000, original_gone_on=lesson.starts_on)
    make_clip(lesson, size_bytes=10**9, keeps_original=True, has_copy=True, made_bytes=1)
    make_clip(lesson, size_bytes=10**9, state=Clip.State.REFUSED)
    text = client.get(SPACE).content.decode()
    assert "1.3 GB of your 50.0 GB are taken" in text
    assert "190 MB as it came, until" in text
    assert "90 MB as a copy, the only one since" in text
    assert "1.0 GB as it came, kept for good" in text
    assert "Nothing is kept of it" in text


def test_largest_clip_comes_first_or_the_oldest(client, learner, lesson):
    small = make_clip(lesson, size_bytes=10, given_name="small")
    large = make_clip(lesson, size_bytes=30, given_name="large")
    gone = make_clip(lesson, size_bytes=99, made_bytes=20, original_gone_on=lesson.starts_on)

    def order(by):
        return [entry["clip"].pk for entry in client.get(f"{SPACE}?by={by}").context["entries"]]

    assert order("size") == order("nonsense") == [large.pk, gone.pk, small.pk]
    assert order("day") == [small.pk, large.pk, gone.pk]


def test_page_asks_as_often_for_many_clips_as_for_one(client, learner, lesson, django_assert_max_num_queries):
    for _ in range(30):
        make_clip(lesson, content=b"film", assignment=None)
    for _ in range(2):
        make_clip(lesson, content=b"film", assignment=make_assignment(lesson))
    with django_assert_max_num_queries(9):
        first = client.get(SPACE)
    assert len(first.context["entries"]) == 25
    with django_assert_max_num_queries(9):
        assert len(client.get(f"{SPACE}?page=2").context["entries"]) == 7


def test_page_is_closed_to_the_signed_out_and_shows_nobody_elses_clips(client, clip):
    client.force_login(make_learner())
    assert "No clip yet" in client.get(SPACE).content.decode()
    assert client.post(SPACE).status_code == 405
    client.logout()
    assert client.get(SPACE).status_code == 302


def test_file_as_it_came_goes_after_a_question_and_the_list_is_as_it_was(
    client, clip, django_capture_on_commit_callbacks
):
    asked = client.get(f"{address(clip, 'drop')}?from=space&by=day&page=2")
    assert b"Keep only the copy?" in asked.content
    assert clip.original_path.exists()
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(address(clip, "drop"), {"from": "space", "by": "day", "page": "2"}, follow=True)
    assert answer.redirect_chain[0][0] == f"{SPACE}?by=day&page=2"
    assert "The copy stays" in answer.content.decode()
    assert not clip.original_path.exists()
    assert clip.copy_path.exists()


def test_clip_without_a_copy_cannot_be_left_with_nothing(client, clip):
    clip.copy_path.unlink()
    answer = client.post(address(clip, "drop"), follow=True)
    assert "so the file as it came is kept" in answer.content.decode()
    assert clip.original_path.exists()


def test_clip_is_kept_as_it_came_and_let_go_with_the_others_again(client, clip):
    for kept in ("yes", "no"):
        answer = client.post(address(clip, "keep"), {"kept": kept})
        assert answer.headers["Location"] == f"/clips/{clip.pk}/"
        clip.refresh_from_db()
        assert clip.keeps_original == (kept == "yes")


def test_what_is_gone_cannot_be_kept(client, clip):
    services.drop_original(clip)
    answer = client.post(address(clip, "keep"), {"kept": "yes", "from": "space"}, follow=True)
    assert "gone already" in answer.content.decode()
    clip.refresh_from_db()
    assert not clip.keeps_original


@pytest.mark.parametrize("what", ["drop", "keep"])
def test_clips_of_others_are_not_found(client, clip, what):
    client.force_login(make_learner())
    assert client.post(address(clip, what), {"kept": "yes"}).status_code == 404
    client.logout()
    assert client.post(address(clip, what)).status_code == 302
    clip.refresh_from_db()
    assert (clip.keeps_original, clip.original_gone_on) == (False, None)


def test_keeping_takes_a_button_and_not_a_link(client, clip):
    assert client.get(address(clip, "keep")).status_code == 405


def test_page_of_a_clip_says_that_only_the_copy_is_left(client, clip, django_capture_on_commit_callbacks):
    page = client.get(f"/clips/{clip.pk}/").content.decode()
    assert "The file as it came: 190 MB, kept until" in page
    assert "Save the file as it came" in page
    with django_capture_on_commit_callbacks(execute=True):
        services.drop_original(clip)
    page = client.get(f"/clips/{clip.pk}/").content.decode()
    assert "Only the browser copy is left since" in page
    assert "Save the file as it came" not in page


def test_link_to_a_file_that_is_gone_is_answered_in_words(client, clip, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        services.drop_original(clip)
    answer = client.get(f"/clips/{clip.pk}/original/")
    assert answer.status_code == 404
    assert "Only the browser copy is left since" in answer.content.decode()
    assert "Save the copy" in answer.content.decode()


def test_failed_clip_without_its_file_offers_no_second_try(client, clip):
    Clip.objects.filter(pk=clip.pk).update(state=Clip.State.FAILED, text="Not ready.")
    assert "Try again" in client.get(f"/clips/{clip.pk}/").content.decode()
    clip.original_path.unlink()
    assert "Try again" not in client.get(f"/clips/{clip.pk}/").content.decode()
    assert client.post(f"/clips/{clip.pk}/retry/").status_code == 302
    clip.refresh_from_db()
    assert clip.state == Clip.State.FAILED


def test_clip_that_a_full_disk_stopped_leads_to_what_takes_space(client, clip):
    Clip.objects.filter(pk=clip.pk).update(
        state=Clip.State.FAILED, reason=services.DISK_FULL, text=services.FULL_DISK_TEXT
    )
    assert SPACE in client.get(f"/clips/{clip.pk}/").content.decode()


def test_pages_speak_of_space_only_once_it_is_short(client, learner, clip):
    assert "Space is getting short" not in client.get("/film/").content.decode()
    learner.quota_bytes = 220_000_000
    learner.save()
    text = client.get("/film/").content.decode()
    assert "212 MB of your 220 MB are taken" in text
    assert SPACE in text
    assert SPACE in client.get(reverse("curriculum:settings")).content.decode()
