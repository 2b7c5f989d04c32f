"""An outline of somebody else's, taken into a book of one's own: nothing before it is asked for, all of it or nothing."""

import json
from datetime import date

import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from curriculum import services
from curriculum.models import Book, Evidence, Learner, Skill, Unit
from curriculum.outline import BookOutline, SkillOutline, UnitOutline, read_json, write_json
from curriculum.outline.merging import Choice
from tests.make import make_evidence, make_learner

OTHERS = BookOutline(
    "Evening Piano",
    (
        UnitOutline(1, "The lie of the keys", page="3", teaches=("key-names", "own-hum")),
        UnitOutline(2, "Humming along", teaches=("own-hum",)),
        UnitOutline(3, "Five keys under the hand", teaches=("five-finger-place",)),
    ),
    (SkillOutline("own-hum", "Humming", see_or_hear=("You hear yourself.",), needs=("steady-pulse",)),),
)


def look(client: Client, outline: BookOutline):
    return client.post("/books/import/", {"file": SimpleUploadedFile("book.json", write_json(outline).encode())})


def answers(response, **more: str) -> dict[str, str]:
    """What the form holds as it was shown."""
    offer = response.context["offer"]
    chosen = {f"choose-{key}": choice.value for key, choice in offer.choices.items()}
    into = str(offer.into.pk) if offer.into else ""
    return {"documents": response.context["documents"], "seen": offer.seen, "into": into} | chosen | more


def test_outline_of_a_book_one_has_is_offered_into_it_and_writes_nothing_yet(ada: Client, book: Book) -> None:
    response = look(ada, OTHERS)
    page = response.content.decode()
    assert response.context["offer"].into == book
    assert "1 new unit." in page
    assert "A skill you do not have: Humming" in page
    assert "Keep mine: 2" in page
    assert "Take theirs: 3" in page
    assert book.units.count() == 5
    assert not Skill.objects.filter(slug="own-hum").exists()


def test_import_keeps_own_words_states_and_evidence(ada: Client, book: Book, learner: Learner, legato: Skill) -> None:
    first, second, *_ = book.units.order_by("position")
    services.finish_unit(first, today=date(2026, 1, 9))
    services.begin_unit(second, today=date(2026, 1, 10))
    make_evidence(legato)
    before = {unit.pk: (unit.done_on, unit.done_by, unit.begun_on) for unit in book.units.all()}
    rows = list(Evidence.objects.values())
    response = ada.post("/books/import/", answers(look(ada, OTHERS)))
    assert response.status_code == 302
    assert list(book.units.order_by("position").values_list("title", "page"))[:3] == [
        ("The lie of the keys", "2"),
        ("Humming along", ""),
        ("Five keys under the hand", "4"),
    ]
    after = {unit.pk: (unit.done_on, unit.done_by, unit.begun_on) for unit in book.units.all() if unit.pk in before}
    assert after == before
    assert list(Evidence.objects.values()) == rows
    humming = Skill.objects.get(learner=learner, slug="own-hum")
    assert [need.slug for need in humming.needs.all()] == ["steady-pulse"]
    assert Book.objects.count() == 1


def test_theirs_is_taken_where_chosen(ada: Client, book: Book) -> None:
    ada.post("/books/import/", answers(look(ada, OTHERS), **{"choose-1:page": "theirs", "choose-1:teaches": "both"}))
    first = book.units.get(position=1)
    assert first.page == "3"
    assert {skill.slug for skill in first.teaches.all()} == {"key-names", "finger-numbers", "own-hum"}


def test_theirs_everywhere_is_shown_first(ada: Client, book: Book) -> None:
    response = ada.post("/books/import/", answers(look(ada, OTHERS), theirs="1"))
    assert response.context["offer"].choices["1:page"] is Choice.THEIRS
    assert book.units.get(position=1).page == "2"


def test_book_of_its_own_can_be_chosen_instead(ada: Client, book: Book) -> None:
    typed = answers(look(ada, OTHERS), into="", **{"title-1": "Theirs"})
    shown = ada.post("/books/import/", typed)
    assert "Changed since the last look" in shown.content.decode()
    ada.post("/books/import/", answers(shown, **{"title-1": "Theirs"}))
    assert Book.objects.get(title="Theirs").units.count() == 3
    assert book.units.count() == 5


def test_book_that_changed_since_the_preview_is_shown_again(ada: Client, book: Book) -> None:
    typed = answers(look(ada, OTHERS))
    book.units.filter(position=1).update(page="8")
    response = ada.post("/books/import/", typed)
    assert response.status_code == 200
    assert "Changed since the last look" in response.content.decode()
    assert book.units.count() == 5


def test_choices_that_go_round_in_a_circle_are_refused_and_nothing_is_written(ada: Client, book: Book) -> None:
    theirs = BookOutline(
        "Evening Piano",
        (
            UnitOutline(1, "The lie of the keys", after=(2,)),
            UnitOutline(2, "Five keys under the hand", page="77", after=()),
        ),
    )
    typed = answers(look(ada, theirs), **{"choose-1:after": "theirs", "choose-2:page": "theirs"})
    response = ada.post("/books/import/", typed)
    assert response.status_code == 422
    assert "go round in a circle" in response.content.decode()
    assert not book.units.filter(page="77").exists()


def test_skill_that_would_need_itself_in_the_end_is_offered_as_it_is_only(ada: Client, learner: Learner) -> None:
    low = services.add_skill(learner, name="Low")
    high = services.add_skill(learner, name="High", needs=[low])
    skills = (SkillOutline(low.slug, "Low", needs=(high.slug,)),)
    page = look(ada, BookOutline("New", (UnitOutline(1, "One", teaches=(low.slug,)),), skills))
    (row,) = page.context["offer"].rows
    assert "Theirs would go round in a circle: “Low” needs “High” needs “Low”." in page.content.decode()
    assert [choice.value for choice in row.choices] == ["mine"]


def test_name_of_another_skill_is_refused(learner: Learner) -> None:
    outline = BookOutline("New", (), (SkillOutline("own-x", "Joined Notes"),))
    Skill.objects.filter(learner=learner, slug="legato").update(name="Joined notes")
    with pytest.raises(ValidationError, match="another skill called"):
        services.import_outline(learner, outline, into=None)
    assert not Book.objects.exists()


def test_nobody_imports_into_somebody_elses_book(stranger: Client, ada: Client, book: Book) -> None:
    typed = answers(look(ada, OTHERS))
    assert stranger.post("/books/import/", typed).status_code == 404
    assert stranger.post("/books/import/", typed | {"into": "soup"}).status_code in {200, 422}
    assert book.units.count() == 5


SLUGS = ["key-names", "steady-pulse", "legato", "own-hum", "own-nod"]
SKILLS = st.lists(st.sampled_from(SLUGS), unique=True, max_size=3).map(lambda slugs: tuple(sorted(slugs)))


@st.composite
def own_books(draw: st.DrawFn) -> BookOutline:
    """A book in which own skills are taught and needed, one of them resting on the other."""
    titles = draw(st.lists(st.sampled_from(["Steps", "Skips", "Echo"]), min_size=1, max_size=5))
    units = []
    for position, title in enumerate(titles, start=1):
        before = st.sets(st.integers(1, position - 1), max_size=2) if position > 1 else st.just(set())
        after = draw(st.none() | before.map(lambda found: tuple(sorted(found))))
        units.append(UnitOutline(position, title, teaches=draw(SKILLS), needs=draw(SKILLS), after=after))
    lines = draw(st.lists(st.sampled_from(["Even.", "Soft."]), unique=True, max_size=2))
    nod = SkillOutline("own-nod", "Nodding", draw(st.sampled_from(["", "a\nb"])), tuple(lines), "rhythm", 3, "watch")
    hum = SkillOutline("own-hum", "Humming", needs=tuple(sorted(draw(st.sets(st.sampled_from(["legato", "own-nod"]))))))
    named = {slug for unit in units for slug in (*unit.teaches, *unit.needs)}
    named |= set(hum.needs) if "own-hum" in named else set()
    return BookOutline("A", tuple(units), tuple(skill for skill in (hum, nod) if skill.slug in named))


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(outline=own_books())
def test_outline_given_to_another_learner_and_given_on_is_the_same(learner: Learner, outline: BookOutline) -> None:
    with transaction.atomic():
        given_away = write_json(services.outline_of(services.import_outline(learner, outline, into=None)))
        assert read_json(given_away) == outline
        other = make_learner()
        services.seed_skills(other)
        taken = services.import_outline(other, read_json(given_away), into=None)
        assert write_json(services.outline_of(taken)) == given_away
        rows = set(Unit.objects.filter(book=taken).values_list("pk", flat=True))
        services.import_outline(other, read_json(given_away), into=taken)
        assert write_json(services.outline_of(taken)) == given_away
        assert set(Unit.objects.filter(book=taken).values_list("pk", flat=True)) == rows
        transaction.set_rollback(True)


def test_file_with_more_than_can_be_chosen_still_answers(ada: Client, book: Book) -> None:
    units = tuple(UnitOutline(number, f"Other {number}", page="x", teaches=("legato",)) for number in range(1, 600))
    book.units.all().delete()
    services.append_units(book, [UnitOutline(number, f"Unit {number}", page="y") for number in range(1, 600)])
    response = look(ada, BookOutline("Evening Piano", units))
    assert "Too much differs" in response.content.decode()
    assert json.loads(response.context["documents"])
