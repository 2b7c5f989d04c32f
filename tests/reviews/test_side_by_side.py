"""A still beside a reference picture, and one thing to look for."""

import pytest
from django.test import Client
from django.urls import reverse

from curriculum.models import Learner, Skill, Unit
from lessons.models import Assignment, Clip, Take
from tests.make import (
    make_assignment,
    make_book,
    make_clip,
    make_learner,
    make_lesson,
    make_mark,
    make_picture,
    make_skill,
    make_still,
    make_take,
    make_unit,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _data(settings, tmp_path) -> None:
    settings.KEYSLIP_DATA = tmp_path


@pytest.fixture
def learner() -> Learner:
    return make_learner()


@pytest.fixture
def signed_in(client: Client, learner: Learner) -> Client:
    client.force_login(learner)
    return client


@pytest.fixture
def unit(learner: Learner) -> Unit:
    return make_unit(make_book(learner), "The lantern")


@pytest.fixture
def arch(learner: Learner) -> Skill:
    return make_skill(
        learner, "hand-arch", gate="watch", group="hand", stage=1, see_or_hear=["A small ball would fit under the palm"]
    )


@pytest.fixture
def seat(learner: Learner) -> Skill:
    return make_skill(learner, "seat", gate="watch", group="body", stage=1, see_or_hear=["Both feet rest flat"])


@pytest.fixture
def line(learner: Learner, unit: Unit) -> Assignment:
    return make_assignment(make_lesson(learner), unit=unit, dimensions=["posture"])


@pytest.fixture
def take(line: Assignment) -> Take:
    return make_take(line, clip=make_clip(line.lesson, has_copy=True))


def page_of(client: Client, line: Assignment, **asked: object) -> str:
    response = client.get(reverse("reviews:side-by-side", args=[line.pk]), asked)
    assert response.status_code == 200
    return response.content.decode()


def places(page: str, *addresses: str) -> list[int]:
    return [page.index(address) for address in addresses]


def test_still_stands_beside_the_picture_of_the_unit(signed_in, line, take, unit, learner):
    still, picture = make_still(take, at_s=4.28), make_picture(learner, unit=unit, words="page 12")
    page = page_of(signed_in, line)
    assert "Yours, 0:04.28" in page
    assert "page 12" in page
    large = [
        reverse(f"lessons:{name}-large", args=[row.pk]) for name, row in (("take-still", still), ("picture", picture))
    ]
    first, second = places(page, *large)
    assert first < second
    assert "Both from the side" in page


def test_picture_seen_from_the_same_place_comes_first(signed_in, line, take, unit, learner):
    make_still(take, view="side")
    make_picture(learner, unit=unit, view="top", words="from up there")
    alike = make_picture(learner, unit=unit, view="side", words="from over here")
    page = page_of(signed_in, line)
    assert f'src="{reverse("lessons:picture-large", args=[alike.pk])}"' in page
    assert page.index("From over here") < page.index("From up there")


def test_other_still_and_other_picture_can_be_chosen(signed_in, line, take, unit, learner):
    stills = [make_still(take, at_s=at_s) for at_s in (1.0, 2.0)]
    pictures = [make_picture(learner, unit=unit) for _ in range(2)]
    page = page_of(signed_in, line, still=stills[1].pk, picture=pictures[1].pk)
    assert f'src="{reverse("lessons:take-still-large", args=[stills[1].pk])}"' in page
    assert f'src="{reverse("lessons:picture-large", args=[pictures[1].pk])}"' in page
    # Each choice keeps the other.
    assert f"still={stills[0].pk}&amp;picture={pictures[1].pk}" in page
    assert f"still={stills[1].pk}&amp;picture={pictures[0].pk}" in page


def test_pictures_seen_from_elsewhere_are_called_so(signed_in, line, take, unit, learner):
    make_still(take, view="side")
    make_picture(learner, unit=unit, view="front")
    assert "Not known to be seen from the same place" in page_of(signed_in, line)


def test_pictures_of_exercised_and_of_watched_skills_are_offered_and_no_others(
    signed_in, line, take, learner, arch, unit
):
    exercised, other = make_skill(learner), make_skill(learner)
    line.skills.set([exercised])
    make_still(take)
    for skill, words in ((exercised, "exercised"), (arch, "watched"), (other, "of no concern")):
        make_picture(learner, skill=skill, words=words)
    make_picture(learner, unit=make_unit(unit.book), words="of another unit")
    page = page_of(signed_in, line)
    assert page.index("“exercised”") < page.index("Watched</b>")
    assert "of no concern" not in page
    assert "of another unit" not in page


def test_one_thing_to_look_for_is_that_of_the_reference_picture(signed_in, line, take, learner, arch, seat):
    make_still(take)
    assert "Both feet rest flat" in page_of(signed_in, line) or "A small ball" in page_of(signed_in, line)
    make_picture(learner, skill=arch)
    page = page_of(signed_in, line)
    assert "A small ball would fit under the palm" in page
    assert "Both feet rest flat" not in page
    assert "Both feet rest flat" in page_of(signed_in, line, skill=seat.pk)


def test_hand_is_looked_for_where_the_sheet_asks_for_the_hand(signed_in, line, take, arch, seat):
    Assignment.objects.update(dimensions=["hand-shape"])
    assert "One thing to look for: hand arch." in page_of(signed_in, line)
    Assignment.objects.update(dimensions=["posture", "hand-shape"])
    assert "One thing to look for: " in page_of(signed_in, line)


def test_hand_is_looked_for_in_a_still_from_above(signed_in, line, take, arch, seat):
    make_still(take, view="top")
    assert "One thing to look for: hand arch." in page_of(signed_in, line)


def test_page_says_how_to_get_a_still_and_a_picture_where_there_is_none(signed_in, line, take, unit, arch):
    page = page_of(signed_in, line)
    assert "No still yet" in page
    assert reverse("lessons:take-stills", args=[take.pk]) in page
    assert "No reference picture yet" in page
    assert reverse("lessons:unit-pictures", args=[unit.pk]) in page
    assert reverse("lessons:skill-pictures", args=[arch.pk]) in page


def test_line_without_a_film_leads_to_filming(signed_in, line, take):
    Clip.objects.update(kind=Clip.Kind.SOUND)
    page = page_of(signed_in, line)
    assert "No film yet" in page
    assert reverse("lessons:film") in page


def test_no_mark_and_no_level_stand_beside_the_pictures(signed_in, line, take, unit, learner):
    make_still(take)
    make_picture(learner, unit=unit)
    make_mark(take, "posture", level=2)
    page = page_of(signed_in, line)
    assert "comes and goes" not in page
    assert "°" not in page


def test_health_comes_before_likeness(signed_in, line, take):
    make_still(take, words="my wrist hurts here")
    page = page_of(signed_in, line)
    assert "You wrote of pain" in page
    assert page.count(reverse("care")) >= 2
    assert "no medical device" in page


def test_stills_of_another_line_or_learner_are_never_shown(signed_in, line, take, learner):
    other = make_still(make_take(make_assignment(line.lesson)))
    foreign = make_still(make_take(make_assignment(make_lesson(make_learner()))))
    for still in (other, foreign):
        page = page_of(signed_in, line, still=still.pk, picture="x", skill="y")
        assert str(still.pk) not in page


def test_cost_of_the_page_does_not_grow(signed_in, line, take, learner, unit, arch, django_assert_max_num_queries):
    for number in range(6):
        make_still(take, at_s=float(number))
        make_picture(learner, unit=unit)
    with django_assert_max_num_queries(16):
        page_of(signed_in, line)


def test_look_for_the_eye_takes_stills_and_leads_here(signed_in, line, take):
    address = reverse("reviews:look", args=[take.pk, "posture"])
    page = signed_in.get(address).content.decode()
    assert "Take a still here" in page
    assert f'value="{address}#look-stills"' in page
    make_still(take)
    assert reverse("reviews:side-by-side", args=[line.pk]) in signed_in.get(address).content.decode()


def test_look_for_the_ear_offers_no_still(signed_in, line, take):
    Assignment.objects.update(dimensions=["notes"])
    page = signed_in.get(reverse("reviews:look", args=[take.pk, "notes"])).content.decode()
    assert "Take a still here" not in page


def test_overview_leads_to_comparing_where_there_is_a_picture(signed_in, line, take):
    address = reverse("reviews:lesson", args=[line.lesson_id])
    assert reverse("reviews:side-by-side", args=[line.pk]) in signed_in.get(address).content.decode()
    Clip.objects.update(kind=Clip.Kind.SOUND)
    assert reverse("reviews:side-by-side", args=[line.pk]) not in signed_in.get(address).content.decode()


def test_page_is_its_owners_alone(client, signed_in, line):
    theirs = make_assignment(make_lesson(make_learner()))
    assert signed_in.get(reverse("reviews:side-by-side", args=[theirs.pk])).status_code == 404
    assert signed_in.post(reverse("reviews:side-by-side", args=[line.pk])).status_code == 405
    client.logout()
    assert client.get(reverse("reviews:side-by-side", args=[line.pk])).status_code == 302
