"""The take that tells fingers from the room: one tap puts it on this week's sheet."""

import pytest
from django.urls import reverse

from curriculum import services as curriculum
from curriculum.score import in_playing_order
from lessons.models import Assignment
from reviews import services
from reviews.compare.designed import placed_of
from tests.make import make_book, make_filmed, make_learner, make_lesson, make_skill, make_take, make_unit

pytestmark = pytest.mark.django_db


@pytest.fixture
def take(client, settings, tmp_path):
    settings.KEYSLIP_DATA = tmp_path
    learner = make_learner()
    client.force_login(learner)
    lesson = make_lesson(learner)
    return make_filmed(lesson, dimensions=["evenness"])


def ask(client, take, hand: str = "left"):
    return client.post(reverse("reviews:finger-take", kwargs={"pk": take.pk, "hand": hand}))


def test_one_tap_puts_the_take_with_its_notes_on_the_sheet(client, take):
    assert ask(client, take).status_code == 302
    row = Assignment.objects.get(title="Finger or room, left hand")
    assert row.lesson == take.clip.lesson
    assert row.dimensions == ["evenness"]
    assert "do not move the phone between the starts" in row.why
    written = curriculum.written_of(row.score)
    assert len(placed_of(in_playing_order(written))) == 170


def test_a_second_tap_adds_no_second_line(client, take):
    ask(client, take)
    ask(client, take)
    assert Assignment.objects.filter(title="Finger or room, left hand").count() == 1


def test_without_a_sheet_this_week_it_says_so(client, take, monkeypatch):
    monkeypatch.setattr("reviews.services.fingers.current_lesson", lambda *_, **__: None)
    answer = client.post(reverse("reviews:finger-take", kwargs={"pk": take.pk, "hand": "right"}), follow=True)
    assert "This week has no sheet yet" in answer.content.decode()


def test_no_third_hand_and_no_other_method(client, take):
    assert ask(client, take, "third").status_code == 404
    assert client.get(reverse("reviews:finger-take", kwargs={"pk": take.pk, "hand": "left"})).status_code == 405


def test_a_stranger_gets_404(client, take):
    client.force_login(make_learner())
    assert ask(client, take).status_code == 404


def test_it_is_offered_where_evenness_is_asked_and_nowhere_else(client, take):
    page = reverse("reviews:findings", kwargs={"pk": take.pk})
    assert "Finger or room?" in client.get(page).content.decode()
    take.assignment.dimensions = ["notes"]
    take.assignment.save()
    assert "Finger or room?" not in client.get(page).content.decode()


def test_the_running_order_says_not_to_move_the_phone_until_it_is_filmed(client, take):
    ask(client, take, "right")
    order = reverse("lessons:film")
    assert "do not move the phone between the starts" in client.get(order).content.decode()
    row = Assignment.objects.get(title="Finger or room, right hand")
    make_take(row)
    assert "do not move the phone between the starts" not in client.get(order).content.decode()


def test_a_unit_in_work_that_asks_for_even_notes_offers_it_and_the_sheet_has_it_then(client, take):
    learner = take.clip.lesson.learner
    even, other = make_skill(learner, group="patterns"), make_skill(learner, group="reading")
    unit = make_unit(make_book(learner), teaches=[even], begun_on=learner.today())
    page = client.get(reverse("curriculum:unit", kwargs={"pk": unit.pk})).content.decode()
    address = reverse("reviews:finger-take-set", kwargs={"hand": "left"})
    assert address in page
    answer = client.post(address, follow=True)
    assert answer.redirect_chain[-1][0] == reverse("lessons:week")
    assert "Finger or room, left hand" in answer.content.decode()
    unit.teaches.set([other])
    assert address not in client.get(reverse("curriculum:unit", kwargs={"pk": unit.pk})).content.decode()


def test_it_is_put_on_the_sheet_by_post_for_two_hands_only(client, take):
    assert client.get(reverse("reviews:finger-take-set", kwargs={"hand": "left"})).status_code == 405
    assert client.post(reverse("reviews:finger-take-set", kwargs={"hand": "third"})).status_code == 404


def test_the_line_is_found_again_by_its_score(client, take):
    first = services.set_finger_take(take.clip.lesson.learner, hand="right", today=take.clip.lesson.starts_on)
    again = services.set_finger_take(take.clip.lesson.learner, hand="right", today=take.clip.lesson.starts_on)
    assert first == again
