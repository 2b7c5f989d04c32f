"""Which notes a line of the sheet is held against."""

from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services as curriculum
from curriculum.models import Learner, Score
from curriculum.score.patterns.spec import Pattern
from lessons.models import Assignment
from tests.make import make_assignment, make_book, make_learner, make_lesson, make_unit


@pytest.fixture
def learner(settings, tmp_path: Path, db: None) -> Learner:
    settings.KEYSLIP_DATA = tmp_path
    return make_learner()


@pytest.fixture
def row(learner: Learner) -> Assignment:
    return make_assignment(make_lesson(learner), unit=make_unit(make_book(learner)))


@pytest.fixture
def score(learner: Learner, row: Assignment) -> Score:
    return curriculum.add_pattern(learner, pattern=Pattern(kind="five_finger"), unit=row.unit)


def save(client: Client, row: Assignment, **changed: str):
    data = {"why": "It is time for it.", "minutes": "5", "dimensions": ["notes"]} | changed
    return client.post(reverse("lessons:line-edit", args=[row.pk]), data)


def test_a_line_takes_the_notes_of_its_unit_and_lets_them_go(
    client: Client, learner: Learner, row: Assignment, score: Score
) -> None:
    client.force_login(learner)

    assert save(client, row, score=str(score.pk)).status_code == 302
    row.refresh_from_db()
    assert row.score == score

    save(client, row, score="")
    row.refresh_from_db()
    assert row.score is None


def test_notes_of_another_unit_or_learner_are_refused(client: Client, learner: Learner, row: Assignment) -> None:
    client.force_login(learner)
    other = curriculum.add_pattern(learner, pattern=Pattern(kind="scale"), unit=make_unit(row.unit.book))
    foreign = curriculum.add_pattern(make_learner(), pattern=Pattern(kind="scale"))
    curriculum.add_pattern(learner, pattern=Pattern(kind="trill"))  # fits, so that the field is there

    for score in (other, foreign):
        assert save(client, row, score=str(score.pk)).status_code == 422
    row.refresh_from_db()
    assert row.score is None


def test_a_line_without_any_notes_to_choose_is_saved_as_before(
    client: Client, learner: Learner, row: Assignment
) -> None:
    client.force_login(learner)

    assert b"Notes" not in client.get(reverse("lessons:line-edit", args=[row.pk])).content
    assert save(client, row).status_code == 302


def test_deleting_the_score_leaves_the_line(learner: Learner, row: Assignment, score: Score) -> None:
    row.score = score
    row.save()

    curriculum.delete_score(score)

    row.refresh_from_db()
    assert row.score is None
