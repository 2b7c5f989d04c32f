"""Which lesson is now."""

from datetime import UTC, date, datetime, timedelta

import pytest

from lessons.queries import current_lesson, film_lesson, week_start
from tests.make import make_learner, make_lesson

pytestmark = pytest.mark.django_db

MONDAY = date(2026, 11, 23)


@pytest.mark.parametrize("first_weekday", range(7))
def test_every_day_belongs_to_one_week_that_begins_on_the_learners_first_weekday(first_weekday):
    learner = make_learner(first_weekday=first_weekday)
    for number in range(30):
        day = MONDAY + timedelta(days=number)
        start = week_start(learner, day)
        assert start.weekday() == first_weekday
        assert 0 <= (day - start).days < 7


@pytest.mark.parametrize(
    ("zone", "today"),
    [
        ("UTC", date(2026, 11, 22)),
        ("Pacific/Kiritimati", date(2026, 11, 23)),
        ("Pacific/Pago_Pago", date(2026, 11, 22)),
        ("Europe/Helsinki", date(2026, 11, 23)),
    ],
)
def test_week_turns_at_the_learners_own_midnight(zone, today):
    learner = make_learner(time_zone=zone)
    now = datetime(2026, 11, 22, 23, 30, tzinfo=UTC)
    assert learner.today(now) == today
    this_week = make_lesson(learner, starts_on=MONDAY)
    assert (current_lesson(learner, today=learner.today(now)) == this_week) == (today == MONDAY)


def test_day_with_a_change_of_clocks_is_one_day():
    learner = make_learner(time_zone="Europe/Lisbon")
    # Clocks went from 1:00 to 2:00 on 29 March 2026, and from 2:00 to 1:00 on 25 October.
    for before, after in [
        (datetime(2026, 3, 28, 23, 59, tzinfo=UTC), datetime(2026, 3, 29, 0, 0, tzinfo=UTC)),
        (datetime(2026, 10, 24, 22, 59, tzinfo=UTC), datetime(2026, 10, 24, 23, 0, tzinfo=UTC)),
    ]:
        assert learner.today(after) - learner.today(before) == timedelta(days=1)


def test_sheet_lasts_its_week_although_the_first_weekday_is_changed():
    learner = make_learner()
    lesson = make_lesson(learner, starts_on=MONDAY)
    learner.first_weekday = 3
    friday, next_monday = MONDAY + timedelta(days=4), MONDAY + timedelta(days=7)
    assert current_lesson(learner, today=friday) == lesson
    assert film_lesson(learner, today=friday) == lesson
    assert current_lesson(learner, today=next_monday) is None
    newer = make_lesson(learner, starts_on=week_start(learner, next_monday))
    assert current_lesson(learner, today=next_monday) == newer
