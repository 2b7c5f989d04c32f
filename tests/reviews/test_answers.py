"""What answers to the skills' own lines are evidence for."""

from datetime import date

import pytest

from curriculum.models import Evidence
from lessons import services as lessons
from reviews import services
from reviews.queries import StepKind, review_of
from tests.make import make_assignment, make_clip, make_learner, make_lesson, make_skill, make_take

pytestmark = pytest.mark.django_db


@pytest.fixture
def row():
    learner = make_learner()
    return make_assignment(make_lesson(learner, starts_on=date(2026, 3, 9)), skills=[make_skill(learner, "pulse")])


def first_tries():
    return [each.is_first_try for each in Evidence.objects.filter(withdrawn_at=None)]


def test_of_several_takes_in_one_clip_only_the_earliest_was_the_first_try(row):
    clip = make_clip(row.lesson, was_first_today=True)
    first = make_take(row, clip=clip, start_s=2.0, end_s=9.0)
    second = make_take(row, clip=clip, start_s=11.0, end_s=20.0)
    skill = row.skills.get()
    services.answer_skill(row, skill=skill, answer="yes")
    assert first_tries() == [True]
    lessons.judge_take(second)
    services.answer_skill(row, skill=skill, answer="yes")
    assert first_tries() == [False]
    lessons.judge_take(first)
    services.answer_skill(row, skill=skill, answer="yes")
    assert first_tries() == [True]


def test_first_time_of_each_line_in_a_clip_of_the_whole_lesson_is_its_own(row):
    clip = make_clip(row.lesson, was_first_today=True)
    other = make_assignment(row.lesson, skills=row.skills.all())
    make_take(other, clip=clip, start_s=0.0, end_s=9.0)
    make_take(row, clip=clip, start_s=10.0, end_s=20.0)
    services.answer_skill(row, skill=row.skills.get(), answer="yes")
    assert first_tries() == [True]


def test_clip_that_was_not_the_first_try_is_none(row):
    make_take(row, clip=make_clip(row.lesson, was_first_today=False))
    services.answer_skill(row, skill=row.skills.get(), answer="yes")
    assert first_tries() == [False]


def test_answers_are_asked_again_once_another_take_was_marked(row):
    skill = row.skills.get()
    first = make_take(row, clip=make_clip(row.lesson, has_copy=True))
    services.write_mark(first, dimension="notes", level=1)
    services.answer_skill(row, skill=skill, answer="not_yet")
    assert review_of(row.lesson).next_step().kind is StepKind.VERDICT
    services.write_mark(first, dimension="notes", level=2)
    assert review_of(row.lesson).next_step().kind is StepKind.VERDICT
    second = make_take(row, clip=make_clip(row.lesson, has_copy=True), number=2, is_judged=False)
    lessons.judge_take(second)
    services.write_mark(second, dimension="notes", level=4)
    assert review_of(row.lesson).next_step().kind is StepKind.SKILLS
    services.answer_skill(row, skill=skill, answer="yes")
    assert review_of(row.lesson).next_step().kind is StepKind.VERDICT
    assert [each.passed for each in Evidence.objects.filter(withdrawn_at=None)] == [True]
