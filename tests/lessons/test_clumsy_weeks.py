"""Weeks as they go in a house: old tabs, another first weekday, other time zones, buttons pressed twice."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db import models
from django.test import Client
from django.urls import reverse

from curriculum.models import Evidence, Learner, Skill
from curriculum.services import mark_not_for_me, seed_skills
from lessons import services
from lessons.models import Assignment, Clip, Correction, Lesson, Take, Try
from lessons.queries import current_lesson, following_week
from reviews.models import Mark, MomentNote, SkillAnswer
from tests.make import (
    make_assignment,
    make_book,
    make_clip,
    make_filmed,
    make_learner,
    make_lesson,
    make_mark,
    make_piece,
    make_skill,
    make_take,
    make_try,
    make_unit,
)

MONDAY = date(2026, 6, 8)
WEEK = timedelta(days=7)


def noon(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC)


@pytest.fixture
def learner(db: None, settings: Any, tmp_path: Any) -> Learner:
    settings.KEYSLIP_DATA = tmp_path
    return make_learner("ada")


@pytest.fixture
def ada(client: Client, learner: Learner) -> Client:
    client.force_login(learner)
    return client


# Old tabs


@pytest.mark.parametrize("htmx", [{}, {"hx-request": "true"}])
def test_last_weeks_sheet_left_open_takes_no_try_once_the_new_one_has_begun(
    ada: Client, learner: Learner, htmx: dict[str, str]
) -> None:
    skill = make_skill(learner)
    old = make_assignment(make_lesson(learner, starts_on=MONDAY), skills=[skill])
    make_assignment(make_lesson(learner, starts_on=MONDAY + WEEK), skills=[skill])
    with time_machine.travel(noon(MONDAY + WEEK), tick=False):
        tapped = ada.post(reverse("lessons:first-try", args=[old.pk]), {"was_right": "yes"}, headers=htmx)
        assert (tapped.get("HX-Redirect") or tapped.get("Location")) == "/week/"
        assert "A newer sheet has begun" in ada.get("/week/").content.decode()
        typed = ada.post(reverse("lessons:try-new", args=[old.pk]), {"was_right": "yes"}, headers=htmx)
        assert typed.status_code == 422
    assert not Try.objects.exists()
    assert not Evidence.objects.exists()


def test_sheet_set_ahead_takes_no_try_before_it_begins(ada: Client, learner: Learner) -> None:
    ahead = make_assignment(make_lesson(learner, starts_on=MONDAY + WEEK))
    with time_machine.travel(noon(MONDAY), tick=False):
        ada.post(reverse("lessons:first-try", args=[ahead.pk]), {"was_right": "yes"})
        assert "This sheet begins on 15 June" in ada.get("/week/").content.decode()
    assert not Try.objects.exists()


def test_old_sheet_is_practised_on_while_no_newer_one_is_set(ada: Client, learner: Learner) -> None:
    row = make_assignment(make_lesson(learner, starts_on=MONDAY))
    with time_machine.travel(noon(MONDAY + 3 * WEEK), tick=False):
        ada.post(reverse("lessons:try-new", args=[row.pk]), {"was_right": "yes"})
    assert row.tries.get().played_on == MONDAY + 3 * WEEK


# Another first weekday


@pytest.mark.parametrize("first_weekday", range(7))
@pytest.mark.parametrize("changed_on", [0, 6])
def test_changing_the_first_weekday_loses_no_day_and_sets_no_week_twice(
    ada: Client, learner: Learner, first_weekday: int, changed_on: int
) -> None:
    unit = make_unit(make_book(learner), teaches=[make_skill(learner)])
    services.set_sheet(learner, starts_on=MONDAY, lines=[], today=MONDAY)
    for number in range(changed_on, 22):
        today = MONDAY + timedelta(days=number)
        learner.first_weekday = first_weekday
        learner.save()
        with time_machine.travel(noon(today), tick=False):
            page = ada.get("/week/")
            assert page.status_code == 200
            starts_on = page.context.get("starts_on")
            if starts_on is not None:  # a proposal: it is set as it stands
                line = f"unit-{unit.pk}-"
                sheet = {"starts_on": starts_on.isoformat(), f"{line}keep": "on", f"{line}minutes": "5"}
                assert ada.post("/week/propose/", sheet).status_code == 302
    starts = sorted(Lesson.objects.values_list("starts_on", flat=True))
    assert all(start.weekday() == first_weekday for start in starts[1:])
    steps = [(later - earlier).days for earlier, later in pairwise(starts)]
    assert 4 <= steps[0] <= 10
    assert set(steps[1:]) <= {7}


def test_sheet_says_on_which_day_the_next_one_begins(learner: Learner) -> None:
    lesson = make_lesson(learner, starts_on=MONDAY)
    assert following_week(lesson) == MONDAY + WEEK
    lesson.learner.first_weekday = 6
    assert following_week(lesson) == date(2026, 6, 14)
    lesson.learner.first_weekday = 1
    assert following_week(lesson) == date(2026, 6, 16)


# Time zones


@pytest.mark.parametrize(
    ("zone", "sunday_end"),
    [
        ("Pacific/Auckland", datetime(2026, 4, 5, 23, 59)),  # the day on which clocks go back
        ("America/Los_Angeles", datetime(2026, 3, 8, 23, 59)),  # the day on which they go forward
        ("America/Los_Angeles", datetime(2026, 11, 1, 23, 59)),
        ("Asia/Kathmandu", datetime(2026, 6, 14, 23, 59)),
        ("UTC", datetime(2026, 12, 27, 23, 59)),
    ],
)
@pytest.mark.parametrize("first_weekday", [0, 6])
def test_week_and_day_end_at_the_learners_own_midnight(
    ada: Client, learner: Learner, zone: str, sunday_end: datetime, first_weekday: int
) -> None:
    learner.time_zone, learner.first_weekday = zone, first_weekday
    learner.save()
    moment = sunday_end.replace(tzinfo=ZoneInfo(zone))
    sunday = sunday_end.date()
    lesson = make_lesson(learner, starts_on=sunday - timedelta(days=6 if first_weekday == 0 else 0))
    row = make_assignment(lesson)
    tap = reverse("lessons:first-try", args=[row.pk])
    with time_machine.travel(moment, tick=False):
        assert ada.post(tap, {"was_right": "no"}).status_code == 302
        assert current_lesson(learner) == lesson
    with time_machine.travel(moment.astimezone(UTC) + timedelta(minutes=2), tick=False):
        assert ada.post(tap, {"was_right": "yes"}).status_code == 302
        is_new_week = first_weekday == 0
        assert (current_lesson(learner) is None) == is_new_week
        assert (ada.get("/week/").context.get("starts_on") is not None) == is_new_week
    assert list(row.tries.values_list("played_on", "was_right")) == [
        (sunday, False),
        (sunday + timedelta(days=1), True),
    ]


# Odd weeks


@pytest.mark.parametrize(("minutes", "days"), [(5, [0]), (5, []), (120, list(range(7))), (30, [])])
def test_any_week_that_can_be_chosen_gives_a_sheet_within_its_minutes(
    ada: Client, learner: Learner, minutes: int, days: list[int]
) -> None:
    learner.minutes_per_day, learner.practice_days = minutes, days
    learner.save()
    seed_skills(learner)
    slugs = ["key-names", "finger-numbers", "five-finger-place", "steady-pulse", "legato", "thumb-under"]
    skills = {skill.slug: skill for skill in learner.skills.all()}
    book = make_book(learner)
    for slug in slugs:
        make_unit(book, slug, teaches=[skills[slug]])
    make_piece(learner, needs=[], begun_on=MONDAY, looked_at_on=MONDAY)
    with time_machine.travel(noon(MONDAY), tick=False):
        page = ada.get("/week/")
        assert page.status_code == 200
        assert page.context["minutes"] <= minutes
        if not days:  # no form lets this through; a row that says so opens all the same
            return
        sheet = {"starts_on": page.context["starts_on"].isoformat()}
        for entry in page.context["forms"]:
            prefix = entry["form"].prefix
            sheet |= {f"{prefix}-keep": "on", f"{prefix}-minutes": str(entry["line"].minutes)}
        assert ada.post("/week/propose/", sheet).status_code == 302
        assert ada.get("/week/").status_code == 200


def test_skill_set_aside_while_it_stands_on_the_sheet_is_not_asked_about(ada: Client, learner: Learner) -> None:
    kept, aside = make_skill(learner, name="Kept tune"), make_skill(learner, name="Wide stretch")
    take = make_filmed(make_lesson(learner), skills=[kept, aside])
    make_mark(take)
    mark_not_for_me(aside, reason="small hand")
    page = ada.get(reverse("reviews:skills", args=[take.assignment_id])).content.decode()
    assert "Kept tune" in page
    assert "Wide stretch" not in page
    assert (
        ada.post(reverse("reviews:skills", args=[take.assignment_id]), {f"skill-{kept.pk}": "yes"}).status_code == 302
    )
    assert ada.get(reverse("reviews:verdict", args=[take.assignment_id])).status_code == 200


# Pressed twice

COUNTED: list[type[models.Model]] = [
    Assignment,
    Clip,
    Correction,
    Evidence,
    Lesson,
    Mark,
    MomentNote,
    Skill,
    SkillAnswer,
    Take,
    Try,
]


def counts() -> list[int]:
    return [model._default_manager.count() for model in COUNTED]


def _first_try(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("lessons:first-try", args=[take.assignment_id]), {"was_right": "yes"}


def _try_new(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    token = "0b8e6b1e-9c53-4b0e-8c8f-0d2a3a3f6f10"
    return reverse("lessons:try-new", args=[take.assignment_id]), {"was_right": "no", "token": token}


def _try_delete(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("lessons:try-delete", args=[make_try(take.assignment).pk]), {}


def _line_new(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    token = "0b8e6b1e-9c53-4b0e-8c8f-0d2a3a3f6f11"
    typed = {"what": f"skill:{make_skill(learner).pk}", "minutes": "3", "token": token}
    return reverse("lessons:line-new", args=[take.clip.lesson_id]), typed


def _line_remove(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("lessons:line-remove", args=[make_assignment(take.clip.lesson, title="Other").pk]), {}


def _take_new(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    typed = {"assignment": str(take.assignment_id), "start_s": "0:02", "end_s": "0:09"}
    return reverse("lessons:take-new", args=[take.clip_id]), typed


def _take_delete(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("lessons:take-delete", args=[make_take(take.assignment, clip=take.clip).pk]), {}


def _clip_delete(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("lessons:clip-delete", args=[make_clip(take.clip.lesson).pk]), {}


def _look(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("reviews:look", args=[take.pk, "notes"]), {"level": "3"}


def _pin(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("reviews:note-pin", args=[take.pk, "notes"]), {"at_s": "0:05", "text": "late"}


def _unpin(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    note = MomentNote.objects.create(take=take, dimension="notes", at_s=1.0, text="late")
    return reverse("reviews:note-unpin", args=[note.pk]), {}


def _skills(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    make_mark(take)
    skill = take.assignment.skills.get()
    return reverse("reviews:skills", args=[take.assignment_id]), {f"skill-{skill.pk}": "yes"}


def _verdict(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    make_mark(take)
    SkillAnswer.objects.create(assignment=take.assignment, skill=take.assignment.skills.get(), answer="yes")
    typed = {"verdict": "another_week", "dimension": "notes", "text": "Slower", "bars": "3"}
    return reverse("reviews:verdict", args=[take.assignment_id]), typed


def _by_hand(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    skill = take.assignment.skills.get()
    return reverse("curriculum:skill-by-hand", args=[skill.pk]), {"passed": "True", "reason": "played for years"}


def _claim(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("curriculum:skill-claim", args=[take.assignment.skills.get().pk]), {}


def _skill_new(learner: Learner, take: Take) -> tuple[str, dict[str, Any]]:
    return reverse("curriculum:skill-new"), {"name": "Left foot", "group": "own", "gate": "tick"}


@pytest.mark.parametrize(
    "press",
    [
        _first_try,
        _try_new,
        _try_delete,
        _line_new,
        _line_remove,
        _take_new,
        _take_delete,
        _clip_delete,
        _look,
        _pin,
        _unpin,
        _skills,
        _verdict,
        _by_hand,
        _claim,
        _skill_new,
    ],
)
def test_button_pressed_twice_does_it_once(
    ada: Client, learner: Learner, press: Callable[[Learner, Take], tuple[str, dict[str, Any]]]
) -> None:
    address, typed = press(learner, make_filmed(make_lesson(learner), skills=[make_skill(learner)]))
    before = counts()
    first = ada.post(address, typed)
    assert first.status_code == 302
    once = counts()
    assert once != before
    second = ada.post(address, typed)
    assert second.status_code in {302, 404, 422}
    assert counts() == once
