"""Tries and what they are evidence for."""

import uuid
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from curriculum.models import Evidence
from lessons import services
from lessons.models import Try
from lessons.queries import REST_MINUTES, minutes_at_a_stretch
from tests.make import make_assignment, make_learner, make_lesson, make_skill, make_try

pytestmark = pytest.mark.django_db

DAY = date(2026, 11, 24)


@pytest.fixture
def row():
    learner = make_learner()
    lesson = make_lesson(learner, starts_on=date(2026, 11, 23))
    return make_assignment(lesson, skills=[make_skill(learner, "legato")], bars="1-4", hands="left", bpm=60)


def in_force():
    return [(each.passed, each.source) for each in Evidence.objects.filter(withdrawn_at=None)]


def test_first_try_of_a_day_is_evidence_and_later_ones_are_not(row):
    first = services.write_try(row, was_right=False, played_on=DAY)
    later = services.write_try(row, was_right=True, played_on=DAY)
    assert (first.is_first_of_day, later.is_first_of_day) == (True, False)
    assert in_force() == [(False, "try")]


def test_try_takes_the_stretch_of_the_line_unless_it_names_its_own(row):
    assert services.write_try(row, was_right=True, played_on=DAY).plain == "bars 1 to 4, left hand, at 60"
    own = services.write_try(row, was_right=True, played_on=DAY, bars="2", hands="right", bpm=48)
    assert own.plain == "bar 2, right hand, at 48"


def test_one_tap_twice_the_same_way_is_one_try(row):
    first = services.write_first_try(row, was_right=True, played_on=DAY)
    assert services.write_first_try(row, was_right=True, played_on=DAY) == first
    assert in_force() == [(True, "try")]


def test_one_tap_the_other_way_corrects_the_first(row):
    services.write_first_try(row, was_right=True, played_on=DAY)
    services.write_first_try(row, was_right=False, played_on=DAY)
    assert Try.objects.count() == 1
    assert in_force() == [(False, "try")]


def test_form_sent_twice_is_one_try(row):
    token = uuid.uuid4()
    for _ in range(2):
        services.write_try(row, was_right=True, played_on=DAY, pk=token)
    assert Try.objects.count() == 1


def test_try_taken_back_takes_its_evidence_along(row):
    services.take_back_try(services.write_try(row, was_right=True, played_on=DAY))
    assert in_force() == []
    assert services.write_try(row, was_right=False, played_on=DAY).is_first_of_day
    assert in_force() == [(False, "try")]


def test_first_try_goes_only_with_the_rest_of_its_day(row):
    first = services.write_try(row, was_right=True, played_on=DAY)
    services.write_try(row, was_right=True, played_on=DAY)
    with pytest.raises(ValidationError, match="later tries"):
        services.take_back_try(first)


def at(row, *minutes_ago):
    now = timezone.now()
    for minutes in minutes_ago:
        each = make_try(row, is_first_of_day=False)
        Try.objects.filter(pk=each.pk).update(created_at=now - timedelta(minutes=minutes))
    return minutes_at_a_stretch(row.lesson.learner, now=now)


def test_stretch_counts_back_to_the_last_rest(row):
    assert at(row, 2, 8, 14, 20, 26, 40) == 26


def test_rest_ends_a_stretch(row):
    assert at(row, REST_MINUTES + 1, REST_MINUTES + 5) == 0


def test_tries_of_others_are_no_stretch_of_mine(row):
    at(row, 1, 5)
    assert minutes_at_a_stretch(make_learner()) == 0


def test_day_is_the_learners_own(row):
    learner = row.lesson.learner
    learner.time_zone = "Pacific/Auckland"
    late = datetime(2026, 11, 23, 12, 30, tzinfo=ZoneInfo("UTC"))
    assert learner.today(late) == date(2026, 11, 24)


def test_corrected_first_try_no_longer_speaks_for_a_skill_that_left_the_line(row):
    services.write_first_try(row, was_right=True, played_on=DAY)
    row.skills.set([make_skill(row.lesson.learner, "pulse")])
    services.write_first_try(row, was_right=False, played_on=DAY)
    assert [(each.skill.slug, each.passed) for each in Evidence.objects.filter(withdrawn_at=None)] == [("pulse", False)]
