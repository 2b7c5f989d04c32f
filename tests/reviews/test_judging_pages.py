"""Pages of the review: what each shows, refuses, writes, and where it leads."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse

from curriculum.models import Evidence, Learner, Skill, Unit
from lessons.models import Assignment, Correction, Lesson, Take
from reviews.models import Mark, MomentNote, SkillAnswer
from tests.make import (
    make_answer,
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
    make_unit,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def learner() -> Learner:
    return make_learner()


@pytest.fixture
def lesson(learner: Learner) -> Lesson:
    return make_lesson(learner)


@pytest.fixture
def signed_in(client: Client, learner: Learner) -> Client:
    client.force_login(learner)
    return client


@pytest.fixture
def stranger() -> Client:
    client = Client()
    client.force_login(make_learner())
    return client


@pytest.fixture
def skill(learner: Learner) -> Skill:
    return make_skill(learner, "steady-pulse", see_or_hear=["Somebody could clap along."])


@pytest.fixture
def take(lesson: Lesson, skill: Skill, learner: Learner) -> Take:
    """A filmed unit with one dimension for the eye, one for the ear, and one skill."""
    book = make_book(learner)
    make_unit(book, "The step before")
    unit = make_unit(book, "Evening bell", teaches=[skill])
    return make_filmed(lesson, title="Evening bell", unit=unit, dimensions=["rhythm", "posture"], skills=[skill])


def look_url(take: Take, dimension: str = "rhythm") -> str:
    return reverse("reviews:look", args=[take.pk, dimension])


def verdict_url(assignment: Assignment) -> str:
    return reverse("reviews:verdict", args=[assignment.pk])


def skills_url(assignment: Assignment) -> str:
    return reverse("reviews:skills", args=[assignment.pk])


def finish_marks(take: Take, level: int | None = 3) -> None:
    for dimension in take.assignment.dimensions:
        make_mark(take, dimension, level=level)


# Where judging leads --------------------------------------------------------------------------------------------------


def test_judging_begins_with_the_picture_and_goes_on_to_the_sound(signed_in: Client, take: Take) -> None:
    assert signed_in.get(reverse("reviews:judge")).url == look_url(take, "posture")
    make_mark(take, "posture")
    assert signed_in.get(reverse("reviews:judge")).url == look_url(take, "rhythm")


def test_after_the_marks_come_the_skills_then_the_verdict_then_the_one_thing(
    signed_in: Client, take: Take, skill: Skill
) -> None:
    finish_marks(take)
    assert signed_in.get(reverse("reviews:judge")).url == skills_url(take.assignment)
    make_answer(take.assignment, skill)
    assert signed_in.get(reverse("reviews:judge")).url == verdict_url(take.assignment)
    Assignment.objects.update(verdict=Assignment.Verdict.ANOTHER_WEEK)
    assert signed_in.get(reverse("reviews:judge")).url == reverse("reviews:last", args=[take.assignment.lesson_id])


def test_filmed_lines_are_judged_before_lines_decided_from_memory(signed_in: Client, lesson: Lesson) -> None:
    unfilmed = make_assignment(lesson)
    filmed = make_filmed(lesson)
    assert signed_in.get(reverse("reviews:judge")).url == look_url(filmed, "notes")
    make_mark(filmed)
    Assignment.objects.filter(pk=filmed.assignment.pk).update(verdict=Assignment.Verdict.MOVE_ON)
    assert signed_in.get(reverse("reviews:judge")).url == verdict_url(unfilmed)


def test_last_weeks_film_is_still_judged_when_the_new_sheet_is_set(signed_in: Client, learner: Learner) -> None:
    this_week = make_lesson(learner)
    make_assignment(this_week)
    before = make_lesson(learner, starts_on=this_week.starts_on - timedelta(days=7))
    filmed = make_filmed(before)
    assert signed_in.get(reverse("reviews:judge")).url == look_url(filmed, "notes")


def test_a_lesson_of_a_month_ago_no_longer_stands_in_front_of_this_week(signed_in: Client, learner: Learner) -> None:
    this_week = make_lesson(learner)
    make_filmed(make_lesson(learner, starts_on=this_week.starts_on - timedelta(days=28)))
    assert signed_in.get(reverse("reviews:judge")).url == reverse("reviews:lesson", args=[this_week.pk])


def test_before_the_first_sheet_the_page_says_what_comes_first(signed_in: Client) -> None:
    response = signed_in.get(reverse("reviews:judge"))
    assert "Nothing to judge, and nothing lost" in response.text
    assert reverse("lessons:week") in response.text


def test_without_a_clip_the_overview_asks_for_one_minute_of_film(signed_in: Client, lesson: Lesson) -> None:
    make_assignment(lesson)
    assert signed_in.get(reverse("reviews:judge")).url == reverse("reviews:lesson", args=[lesson.pk])
    page = signed_in.get(reverse("reviews:lesson", args=[lesson.pk])).text
    assert "One minute filmed badly" in page


def test_a_clip_under_way_is_named_instead_of_asked_for(signed_in: Client, lesson: Lesson) -> None:
    make_assignment(lesson)
    clip = make_clip(lesson, state="preparing")
    page = signed_in.get(reverse("reviews:lesson", args=[lesson.pk])).text
    assert "Your clip is on its way" in page
    assert reverse("lessons:clip", args=[clip.pk]) in page


def test_a_clip_without_takes_leads_to_setting_them(signed_in: Client, lesson: Lesson) -> None:
    make_assignment(lesson)
    clip = make_clip(lesson, has_copy=True)
    page = signed_in.get(reverse("reviews:lesson", args=[lesson.pk])).text
    assert "no takes are set" in page
    assert reverse("lessons:clip", args=[clip.pk]) in page


def test_overview_shows_every_line_with_its_marks_answers_and_verdict(
    signed_in: Client, take: Take, skill: Skill
) -> None:
    finish_marks(take, level=2)
    make_answer(take.assignment, skill, "not_yet")
    Assignment.objects.update(verdict=Assignment.Verdict.ANOTHER_WEEK)
    page = signed_in.get(reverse("reviews:lesson", args=[take.assignment.lesson_id])).text
    for words in ("Evening bell", "comes and goes", "not yet", "another week", "Steady pulse"):
        assert words in page


def test_overview_asks_the_database_as_often_for_many_lines_as_for_one(
    signed_in: Client, lesson: Lesson, take: Take, django_assert_max_num_queries
) -> None:
    for _ in range(5):
        make_mark(make_filmed(lesson))
    with django_assert_max_num_queries(14):
        signed_in.get(reverse("reviews:lesson", args=[lesson.pk]))


# A look ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dimension", ["posture", "rhythm"])
def test_nothing_is_chosen_and_no_mark_is_in_the_page_before_the_own_mark(
    signed_in: Client, take: Take, dimension: str
) -> None:
    other = {"posture": "rhythm", "rhythm": "posture"}[dimension]
    make_mark(take, other, level=2, bars="7")
    make_mark(make_take(take.assignment, clip=take.clip), dimension, level=1)
    page = signed_in.get(look_url(take, dimension)).text
    assert "checked" not in page
    assert "Your mark is written" not in page
    assert "Earlier:" not in page
    assert 'class="pencil ring"' not in page


def test_look_for_the_eye_is_mute_and_look_for_the_ear_has_no_picture(signed_in: Client, take: Take) -> None:
    for_eye = signed_in.get(look_url(take, "posture")).text
    assert "<video" in for_eye
    assert " muted " in for_eye
    for_ear = signed_in.get(look_url(take, "rhythm")).text
    assert "<audio" in for_ear
    assert "<video" not in for_ear
    assert reverse("lessons:clip-poster", args=[take.clip.pk]) not in for_ear


def test_the_take_alone_is_played_not_the_whole_clip(signed_in: Client, lesson: Lesson) -> None:
    row = make_assignment(lesson)
    take = make_take(row, clip=make_clip(lesson, has_copy=True), start_s=3.5, end_s=12.25)
    assert (
        f"{reverse('lessons:clip-copy', args=[take.clip.pk])}#t=3.50,12.25"
        in signed_in.get(look_url(take, "notes")).text
    )


@pytest.mark.parametrize("dimension", ["posture", "notes", "evenness", "articulation", "dynamics-balance"])
def test_no_page_speaks_of_measures_that_are_not_there(signed_in: Client, lesson: Lesson, dimension: str) -> None:
    take = make_filmed(lesson, dimensions=[dimension])
    page = signed_in.get(look_url(take, dimension)).text.lower()
    for word in ("measure and", "measured", "transcription", "plot", "auto-gain"):
        assert word not in page


def test_a_film_without_sound_says_that_it_cannot_be_heard(signed_in: Client, lesson: Lesson) -> None:
    clip = make_clip(lesson, has_copy=True, facts={"audio": None})
    take = make_take(make_assignment(lesson), clip=clip)
    page = signed_in.get(look_url(take, "notes")).text
    assert "This clip has no sound" in page
    assert "<audio" not in page


def test_a_mark_is_written_and_shown_with_the_next_thing_to_do(signed_in: Client, take: Take) -> None:
    response = signed_in.post(look_url(take, "posture"), {"level": "2", "bars": "bars 3 to 4"})
    assert response.url == look_url(take, "posture")
    mark = Mark.objects.get()
    assert (mark.level, mark.bars, mark.dimension) == (2, "3-4", "posture")
    page = signed_in.get(response.url).text
    assert "Your mark is written" in page
    assert "comes and goes" in page
    assert look_url(take, "rhythm") in page


def test_cannot_tell_is_a_mark_without_a_level(signed_in: Client, take: Take) -> None:
    signed_in.post(look_url(take), {"level": "cannot_tell"})
    assert Mark.objects.get().level is None
    assert "cannot tell" in signed_in.get(look_url(take)).text


@pytest.mark.parametrize("level", ["", "0", "5", "dependable"])
def test_a_mark_without_one_of_the_four_is_refused_and_the_bars_are_kept(
    signed_in: Client, take: Take, level: str
) -> None:
    response = signed_in.post(look_url(take), {"level": level, "bars": "3, 7"})
    assert response.status_code == 422
    assert "Choose one of the four, or cannot tell." in response.text
    assert "3, 7" in response.text
    assert not Mark.objects.exists()


def test_a_mark_sent_twice_is_one_mark_and_may_be_changed(signed_in: Client, take: Take) -> None:
    for level in ("1", "1", "4"):
        signed_in.post(look_url(take), {"level": level})
    assert [mark.level for mark in Mark.objects.all()] == [4]
    assert 'value="4" checked' in signed_in.get(look_url(take) + "?change=1").text


def test_earlier_marks_of_the_same_unit_are_told_after_the_own_mark(
    signed_in: Client, take: Take, learner: Learner
) -> None:
    before = make_lesson(learner, starts_on=take.assignment.lesson.starts_on - timedelta(days=7))
    make_mark(make_filmed(before, unit=take.assignment.unit, dimensions=["rhythm"]), "rhythm", level=1)
    assert "Earlier:" not in signed_in.get(look_url(take)).text
    make_mark(take, "rhythm", level=2)
    page = signed_in.get(look_url(take)).text
    assert "Earlier:" in page
    assert "not yet" in page


def test_a_dimension_that_the_sheet_does_not_ask_for_is_not_found(signed_in: Client, take: Take) -> None:
    for dimension in ("evenness", "nonsense"):
        assert signed_in.get(look_url(take, dimension)).status_code == 404
        assert signed_in.post(look_url(take, dimension), {"level": "2"}).status_code == 404
    assert not Mark.objects.exists()


def test_a_take_that_is_not_judged_takes_no_mark(signed_in: Client, take: Take) -> None:
    other = make_take(take.assignment, clip=take.clip)
    assert signed_in.post(look_url(other), {"level": "2"}).status_code == 404
    assert not Mark.objects.exists()


# Notes at a moment ----------------------------------------------------------------------------------------------------


def pin(client: Client, take: Take, **extra: str):
    return client.post(
        reverse("reviews:note-pin", args=[take.pk, "rhythm"]),
        {"at_s": "0:07.5", "text": "late after the shift"},
        headers=extra,
    )


def test_a_note_is_pinned_once_shown_and_taken_away(signed_in: Client, take: Take) -> None:
    for _ in range(2):
        assert pin(signed_in, take).url == look_url(take) + "#moments"
    note = MomentNote.objects.get()
    assert note.at_s == 7.5
    page = signed_in.get(look_url(take)).text
    assert "0:07.5" in page
    assert "late after the shift" in page
    assert "late after the shift" not in signed_in.get(look_url(take, "posture")).text
    assert signed_in.post(reverse("reviews:note-unpin", args=[note.pk])).status_code == 302
    assert not MomentNote.objects.exists()


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"at_s": "soon", "text": "late"}, "is no moment of a clip"),
        ({"at_s": "", "text": "late"}, "Write minutes and seconds"),
        ({"at_s": "0:31.5", "text": "late"}, "This take runs from 0:00.0 to 0:30.0"),
        ({"at_s": "0:07", "text": " "}, "Write what you noticed"),
    ],
)
def test_a_note_without_moment_or_words_is_refused_and_kept(
    signed_in: Client, take: Take, fields: dict[str, str], words: str
) -> None:
    response = signed_in.post(reverse("reviews:note-pin", args=[take.pk, "rhythm"]), fields)
    assert response.status_code == 422
    assert words in response.text
    assert not MomentNote.objects.exists()


def test_htmx_gets_the_notes_alone(signed_in: Client, take: Take) -> None:
    response = pin(signed_in, take, HX_Request="true")
    assert response.status_code == 200
    assert "late after the shift" in response.text
    assert "<html" not in response.text
    assert "HX-Request" in response.headers["Vary"]
    gone = signed_in.post(
        reverse("reviews:note-unpin", args=[MomentNote.objects.get().pk]), headers={"HX-Request": "true"}
    )
    assert "late after the shift" not in gone.text
    assert "<html" not in gone.text


def test_a_note_about_pain_leads_to_the_care_page(signed_in: Client, take: Take) -> None:
    signed_in.post(reverse("reviews:note-pin", args=[take.pk, "rhythm"]), {"at_s": "0:07", "text": "wrist hurts here"})
    page = signed_in.get(look_url(take)).text
    assert "You wrote of pain, numbness or lost control" in page
    assert reverse("care") in page


# Skills ---------------------------------------------------------------------------------------------------------------


def answer(client: Client, take: Take, skill: Skill, value: str):
    return client.post(skills_url(take.assignment), {f"skill-{skill.pk}": value})


def test_skills_are_not_asked_before_the_marks_are_written(signed_in: Client, take: Take, skill: Skill) -> None:
    assert signed_in.get(skills_url(take.assignment)).url == look_url(take, "posture")
    assert answer(signed_in, take, skill, "yes").url == look_url(take, "posture")
    assert not Evidence.objects.exists()


@pytest.mark.parametrize(("level", "is_chosen"), [(3, True), (2, False), (None, False)])
def test_yes_is_chosen_beforehand_only_if_all_is_mostly_there(
    signed_in: Client, take: Take, level: int | None, is_chosen: bool
) -> None:
    make_mark(take, "posture", level=4)
    make_mark(take, "rhythm", level=level)
    page = signed_in.get(skills_url(take.assignment)).text
    assert "Somebody could clap along." in page
    assert ("checked" in page) is is_chosen


def test_an_answer_becomes_evidence_exactly_once(signed_in: Client, take: Take, skill: Skill) -> None:
    finish_marks(take)
    for _ in range(2):
        assert answer(signed_in, take, skill, "yes").url == verdict_url(take.assignment)
    row = Evidence.objects.get()
    assert (row.source, row.passed, row.played_on) == ("review", True, take.clip.played_on)
    assert row.reference == f"review:{take.assignment.pk}"


def test_another_answer_replaces_the_evidence_and_cannot_tell_takes_it_back(
    signed_in: Client, take: Take, skill: Skill
) -> None:
    finish_marks(take)
    answer(signed_in, take, skill, "yes")
    answer(signed_in, take, skill, "not_yet")
    assert [row.passed for row in Evidence.objects.filter(withdrawn_at=None)] == [False]
    answer(signed_in, take, skill, "cannot_tell")
    assert not Evidence.objects.filter(withdrawn_at=None).exists()
    assert SkillAnswer.objects.get().answer == "cannot_tell"


def test_a_check_is_evidence_of_a_check_and_only_of_the_first_try(
    signed_in: Client, lesson: Lesson, skill: Skill
) -> None:
    row = make_assignment(lesson, kind=Assignment.Kind.CHECK, skills=[skill])
    take = make_take(row, clip=make_clip(lesson, has_copy=True, was_first_today=True))
    finish_marks(take)
    answer(signed_in, take, skill, "not_yet")
    evidence = Evidence.objects.get()
    assert (evidence.source, evidence.passed, evidence.is_first_try) == ("check", False, True)


@pytest.mark.parametrize("value", ["", "perhaps"])
def test_a_skill_without_an_answer_is_refused_and_nothing_half_written(
    signed_in: Client, take: Take, skill: Skill, learner: Learner, value: str
) -> None:
    other = make_skill(learner, "two-hands")
    take.assignment.skills.add(other)
    finish_marks(take)
    response = signed_in.post(skills_url(take.assignment), {f"skill-{skill.pk}": value, f"skill-{other.pk}": "yes"})
    assert response.status_code == 422
    assert "Say yes, not yet, or cannot tell." in response.text
    assert not SkillAnswer.objects.exists()
    assert not Evidence.objects.exists()


def test_watched_skills_are_shown_with_every_review(signed_in: Client, take: Take, learner: Learner) -> None:
    make_skill(learner, "free-shoulders", gate=Skill.Gate.WATCH, see_or_hear=["The neck looks long."])
    finish_marks(take)
    assert "The neck looks long." in signed_in.get(skills_url(take.assignment)).text


def test_hidden_skills_and_skills_not_for_the_learner_are_not_asked(
    signed_in: Client, take: Take, skill: Skill
) -> None:
    Skill.objects.filter(pk=skill.pk).update(not_for_me=True, not_for_me_reason="an old injury")
    finish_marks(take)
    assert signed_in.get(skills_url(take.assignment)).url == verdict_url(take.assignment)


# Verdicts -------------------------------------------------------------------------------------------------------------


def judged(take: Take, skill: Skill) -> Assignment:
    finish_marks(take)
    make_answer(take.assignment, skill)
    Unit.objects.filter(pk=take.assignment.unit_id).update(begun_on=take.assignment.lesson.starts_on)
    return take.assignment


def test_verdict_waits_for_the_marks_of_what_was_filmed(signed_in: Client, take: Take) -> None:
    response = signed_in.post(verdict_url(take.assignment), {"verdict": "move_on"})
    assert response.url == look_url(take, "posture")
    assert not Assignment.objects.get().verdict


def test_move_on_finishes_the_unit_and_leads_to_the_one_thing(signed_in: Client, take: Take, skill: Skill) -> None:
    row = judged(take, skill)
    for _ in range(2):
        response = signed_in.post(verdict_url(row), {"verdict": "move_on"})
        assert response.url == reverse("reviews:last", args=[row.lesson_id])
    row.refresh_from_db()
    assert row.verdict == "move_on"
    assert row.unit.done_by == Unit.DoneBy.VERDICT


def test_another_week_writes_the_correction_once_and_deciding_again_replaces_it(
    signed_in: Client, take: Take, skill: Skill
) -> None:
    row = judged(take, skill)
    fields = {"verdict": "another_week", "dimension": "rhythm", "text": "Hold the half notes.", "bars": "3-4"}
    for _ in range(2):
        signed_in.post(verdict_url(row), fields)
    correction = Correction.objects.get()
    assert (correction.dimension, correction.text, correction.bars) == ("rhythm", "Hold the half notes.", "3-4")
    assert "Hold the half notes." in signed_in.get(verdict_url(row)).text
    signed_in.post(verdict_url(row), fields | {"text": "Count aloud."})
    assert [each.text for each in Correction.objects.all()] == ["Count aloud."]
    signed_in.post(verdict_url(row), {"verdict": "move_on"})
    assert not Correction.objects.exists()


def test_go_back_says_where_and_why_and_is_pressed_twice(signed_in: Client, take: Take, skill: Skill) -> None:
    row = judged(take, skill)
    first = signed_in.post(verdict_url(row), {"verdict": "go_back"})
    assert first.status_code == 422
    assert "Go back to “The step before”?" in first.text
    assert not Assignment.objects.get(pk=row.pk).verdict
    second = signed_in.post(verdict_url(row), {"verdict": "go_back", "is_sure": "on"}, follow=True)
    assert "comes first" in second.text
    unit = Unit.objects.get(pk=row.unit_id)
    assert unit.waits_for.title == "The step before"


def test_the_first_unit_of_the_only_book_cannot_go_back(signed_in: Client, lesson: Lesson, learner: Learner) -> None:
    unit = make_unit(make_book(learner))
    row = make_assignment(lesson, unit=unit)
    assert 'value="go_back"' not in signed_in.get(verdict_url(row)).text
    response = signed_in.post(verdict_url(row), {"verdict": "go_back", "is_sure": "on"})
    assert response.status_code == 422
    assert not Assignment.objects.get().verdict


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({}, "Choose what comes next."),
        ({"verdict": "perhaps"}, "Choose what comes next."),
        ({"verdict": "another_week", "text": "Count aloud."}, "Say what the correction is about."),
        ({"verdict": "another_week", "dimension": "rhythm"}, "Say in a few words what to change"),
        ({"verdict": "move_on", "text": "Count aloud.", "dimension": "rhythm"}, "You move on"),
        ({"verdict": "another_week", "text": "Count.", "dimension": "rhythm", "bars": "the end"}, "names no bars"),
    ],
)
def test_a_verdict_that_cannot_be_is_refused_and_typed_words_are_kept(
    signed_in: Client, take: Take, skill: Skill, fields: dict[str, str], words: str
) -> None:
    row = judged(take, skill)
    response = signed_in.post(verdict_url(row), fields)
    assert response.status_code == 422
    assert words in response.text
    assert fields.get("text", "") in response.text
    assert not Assignment.objects.get().verdict
    assert not Correction.objects.exists()


@pytest.mark.parametrize(
    "text",
    [
        "My wrist hurts in bar 5",
        "play through the pain",
        "Fingers go numb",
        "tingling in finger 4",
        "hand will not obey",
    ],
)
def test_pain_is_never_put_on_a_sheet(signed_in: Client, take: Take, skill: Skill, text: str) -> None:
    row = judged(take, skill)
    fields = {"verdict": "another_week", "dimension": "rhythm", "text": text}
    response = signed_in.post(verdict_url(row), fields)
    assert response.status_code == 422
    assert reverse("care") in response.text
    assert not Correction.objects.exists()
    Assignment.objects.update(verdict="another_week")
    last = signed_in.post(reverse("reviews:last", args=[row.lesson_id]), {"work_on": "rhythm", "text": text})
    assert last.status_code == 422
    assert Lesson.objects.get().decided_at is None


def test_faults_that_are_symptoms_lead_to_care_and_carry_no_exercise(
    signed_in: Client, take: Take, skill: Skill
) -> None:
    skill.faults = [
        {"fault": "Rushes", "correction": "Count aloud"},
        {"fault": "Forearm burns", "correction": "Stop and rest. Then: halve the tempo", "care": True},
    ]
    skill.save()
    page = signed_in.get(verdict_url(judged(take, skill))).text
    assert "Count aloud" in page
    assert "halve the tempo" not in page
    assert f'Stop and rest. <a href="{reverse("care")}">' in page


def test_a_line_that_was_not_filmed_is_decided_from_memory_or_left_open(signed_in: Client, lesson: Lesson) -> None:
    row = make_assignment(lesson)
    page = signed_in.get(verdict_url(row)).text
    assert "Not filmed" in page
    assert reverse("lessons:film") in page
    assert reverse("reviews:last", args=[lesson.pk]) in page
    assert signed_in.post(verdict_url(row), {"verdict": "another_week"}).status_code == 302


def test_a_piece_moved_on_is_learnt(signed_in: Client, lesson: Lesson, learner: Learner) -> None:
    piece = make_piece(learner, begun_on=lesson.starts_on)
    row = make_assignment(lesson, kind=Assignment.Kind.PIECE, piece=piece)
    signed_in.post(verdict_url(row), {"verdict": "move_on"})
    piece.refresh_from_db()
    assert piece.learnt_on == learner.today()


def test_an_older_piece_is_not_decided_on(signed_in: Client, lesson: Lesson) -> None:
    row = make_assignment(lesson, kind=Assignment.Kind.OLDER, dimensions=[])
    assert signed_in.get(verdict_url(row)).status_code == 302
    assert "not judged" in signed_in.get(reverse("reviews:lesson", args=[lesson.pk])).text


# The one thing, and the end -------------------------------------------------------------------------------------------


def closed(client: Client, take: Take, skill: Skill, **fields: str):
    row = judged(take, skill)
    Assignment.objects.filter(pk=row.pk).update(verdict="move_on")
    return client.post(reverse("reviews:last", args=[row.lesson_id]), fields)


def test_the_lesson_closes_only_when_one_thing_is_chosen(signed_in: Client, take: Take, skill: Skill) -> None:
    response = closed(signed_in, take, skill, work_on="", text="slowly")
    assert response.status_code == 422
    assert "Choose one thing to work on." in response.text
    assert "slowly" in response.text
    lesson = Lesson.objects.get()
    assert lesson.decided_at is None
    assert signed_in.get(reverse("reviews:summary", args=[lesson.pk])).url == reverse(
        "reviews:lesson", args=[lesson.pk]
    )
    done = signed_in.post(reverse("reviews:last", args=[lesson.pk]), {"work_on": "rhythm", "text": "Count aloud."})
    assert done.url == reverse("reviews:summary", args=[lesson.pk])
    lesson.refresh_from_db()
    assert (lesson.work_on, lesson.work_on_text) == ("rhythm", "Count aloud.")
    assert lesson.decided_at is not None


def test_the_one_thing_waits_for_what_was_filmed(signed_in: Client, take: Take) -> None:
    url = reverse("reviews:last", args=[take.assignment.lesson_id])
    assert signed_in.get(url).url == look_url(take, "posture")
    assert signed_in.post(url, {"work_on": "rhythm"}).url == look_url(take, "posture")
    assert Lesson.objects.get().decided_at is None


def test_a_lesson_without_a_clip_can_be_closed_and_names_what_is_open(signed_in: Client, lesson: Lesson) -> None:
    make_assignment(lesson, title="Evening bell")
    url = reverse("reviews:last", args=[lesson.pk])
    page = signed_in.get(url).text
    assert "Still open" in page
    assert "Evening bell" in page
    assert signed_in.post(url, {"work_on": "shape"}).url == reverse("reviews:summary", args=[lesson.pk])


def test_the_summary_says_what_follows_and_ends_with_something_to_hear(
    signed_in: Client, take: Take, skill: Skill, learner: Learner
) -> None:
    make_unit(take.assignment.unit.book, "The next step")
    before = make_lesson(learner, starts_on=take.assignment.lesson.starts_on - timedelta(days=28))
    old = make_filmed(before, unit=take.assignment.unit)
    Unit.objects.update(done_on=before.starts_on, done_by=Unit.DoneBy.VERDICT)
    Unit.objects.filter(title="The next step").update(done_on=None, done_by="")
    page = signed_in.get(closed(signed_in, take, skill, work_on="rhythm").url).text
    assert "Evening bell is done." in page
    assert "The next step" in page
    assert "Then and now" in page
    assert page.index(str(old.clip.pk)) < page.index(str(take.clip.pk))
    assert page.index("Nothing to mark here.") > page.index("Comes back next week")


def test_a_closed_lesson_leads_to_its_overview_and_can_be_decided_again(
    signed_in: Client, take: Take, skill: Skill
) -> None:
    closed(signed_in, take, skill, work_on="rhythm")
    lesson = take.assignment.lesson
    overview = reverse("reviews:lesson", args=[lesson.pk])
    assert signed_in.get(reverse("reviews:judge")).url == overview
    assert signed_in.post(verdict_url(take.assignment), {"verdict": "another_week"}).url == overview


# Whose it is, and how it is asked -------------------------------------------------------------------------------------


def every_address(take: Take) -> list[tuple[str, str, bool]]:
    """Name, address, and whether a page can be read there."""
    note = MomentNote.objects.create(take=take, at_s=1.0, text="a bump", dimension="rhythm")
    row = take.assignment
    return [
        ("lesson", reverse("reviews:lesson", args=[row.lesson_id]), True),
        ("look", look_url(take), True),
        ("note-pin", reverse("reviews:note-pin", args=[take.pk, "rhythm"]), False),
        ("note-unpin", reverse("reviews:note-unpin", args=[note.pk]), False),
        ("skills", skills_url(row), True),
        ("verdict", verdict_url(row), True),
        ("last", reverse("reviews:last", args=[row.lesson_id]), True),
        ("summary", reverse("reviews:summary", args=[row.lesson_id]), True),
    ]


def test_strangers_find_nothing_and_change_nothing(stranger: Client, take: Take) -> None:
    for name, url, is_readable in every_address(take):
        if is_readable:
            assert stranger.get(url).status_code == 404, name
        if name not in {"lesson", "summary"}:
            assert stranger.post(url, {"level": "3", "verdict": "move_on", "work_on": "notes"}).status_code == 404, name
    assert MomentNote.objects.exists()
    assert not Mark.objects.exists()


def test_whoever_is_signed_out_is_asked_to_sign_in(client: Client, take: Take) -> None:
    for name, url, _ in [*every_address(take), ("judge", reverse("reviews:judge"), True)]:
        assert client.get(url).url.startswith(reverse("login")), name


def test_wrong_methods_are_refused(signed_in: Client, take: Take) -> None:
    for name, url, is_readable in [*every_address(take), ("judge", reverse("reviews:judge"), True)]:
        if not is_readable:
            assert signed_in.get(url).status_code == 405, name
        if name in {"judge", "lesson", "summary"}:
            assert signed_in.post(url).status_code == 405, name
        assert signed_in.delete(url).status_code == 405, name


def test_what_does_not_exist_is_not_found(signed_in: Client) -> None:
    for name in ("lesson", "last", "summary", "skills", "verdict"):
        assert signed_in.get(reverse(f"reviews:{name}", args=[uuid4()])).status_code == 404
    assert signed_in.get(reverse("reviews:look", args=[uuid4(), "notes"])).status_code == 404


@pytest.mark.parametrize("page", ["look", "skills", "verdict", "last"])
def test_every_page_of_the_flow_has_a_way_out_and_a_way_to_care(
    signed_in: Client, take: Take, skill: Skill, page: str
) -> None:
    if page != "look":
        finish_marks(take)
    if page in {"verdict", "last"}:
        make_answer(take.assignment, skill)
    if page == "last":
        Assignment.objects.update(verdict="move_on")
    urls = {
        "look": look_url(take),
        "skills": skills_url(take.assignment),
        "verdict": verdict_url(take.assignment),
        "last": reverse("reviews:last", args=[take.assignment.lesson_id]),
    }
    text = signed_in.get(urls[page]).text
    assert "Enough for tonight" in text
    assert f'href="{reverse("care")}"' in text
    assert 'aria-label="Main"' not in text
