"""Units: one unit, what is new in it, its place, and where the learner stands."""

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Learner, Skill, Unit
from curriculum.queries import UnitState, learner_graph
from tests.make import make_book, make_evidence, make_unit


def page_of(client: Client, name: str, unit: Unit) -> str:
    return client.get(reverse(f"curriculum:{name}", args=[unit.pk])).content.decode()


def unit_at(book: Book, position: int) -> Unit:
    return book.units.get(position=position)


def titles(book: Book) -> list[str]:
    return list(book.units.order_by("position").values_list("title", flat=True))


def teach(client: Client, unit: Unit, **typed: object):
    return client.post(reverse("curriculum:unit-teaches", args=[unit.pk]), typed)


# One unit --------------------------------------------------------------------------------------------------------------


def test_held_unit_names_the_unit_and_the_skills_that_it_waits_for(ada: Client, book: Book) -> None:
    page = page_of(ada, "unit", unit_at(book, 4))
    assert "Comes after unit 3, “A walk in step”." in page
    assert "Needs Five-finger place (untried)." in page


def test_open_unit_names_what_the_book_takes_for_granted(ada: Client, learner: Learner) -> None:
    book = make_book(learner)
    unit = make_unit(book, teaches=Skill.objects.filter(learner=learner, slug="legato"))
    page = page_of(ada, "unit", unit)
    assert "The book takes for granted: Five-finger place." in page


def test_unit_sent_back_links_to_the_unit_proposed(ada: Client, book: Book) -> None:
    services.send_back(unit_at(book, 4), proposed=unit_at(book, 2), today=date(2026, 1, 20))
    page = page_of(ada, "unit", unit_at(book, 4))
    assert "Sent back on 20 January" in page
    assert "First take up unit 2, “Five keys under the hand” again." in page


def test_unit_sent_back_to_nothing_is_not_stuck_for_ever(learner: Learner, book: Book) -> None:
    first = unit_at(book, 1)
    services.send_back(first, proposed=None, today=date(2026, 1, 20))
    assert learner_graph(learner).unit_state(first) is UnitState.OPEN


def test_demonstration_opens_outside_and_says_so(ada: Client, book: Book) -> None:
    unit = unit_at(book, 1)
    services.change_unit(unit, link="https://example.org/play?a=1&b=2")
    page = page_of(ada, "unit", unit)
    assert 'href="https://example.org/play?a=1&amp;b=2" rel="noopener noreferrer"' in page
    assert "It leaves Keyslip" in page


def test_title_with_markup_is_shown_as_text(ada: Client, book: Book) -> None:
    unit = unit_at(book, 1)
    services.change_unit(unit, title="<script>alert(1)</script>")
    assert "<script>alert" not in page_of(ada, "unit", unit)


# What is new -----------------------------------------------------------------------------------------------------------


def test_words_bring_offers_and_write_nothing(ada: Client, learner: Learner) -> None:
    unit = make_unit(make_book(learner))
    response = teach(ada, unit, words="legato; passing the thumb under", suggest="1")
    page = response.content.decode()
    assert response.status_code == 200
    assert 'value="legato"' in page
    assert 'value="thumb-under"' in page
    unit.refresh_from_db()
    assert (unit.new_words, unit.teaches.count()) == ("", 0)


def test_offers_alone_are_answered_where_htmx_asks(ada: Client, book: Book) -> None:
    address = reverse("curriculum:unit-teaches", args=[unit_at(book, 1).pk])
    response = ada.post(address, {"words": "staccato", "suggest": "1"}, headers={"HX-Request": "true"})
    page = response.content.decode()
    assert page.lstrip().startswith('<div id="offers"')
    assert 'value="staccato"' in page
    assert "HX-Request" in response.headers["Vary"]


def test_words_without_a_choice_are_answered_with_offers(ada: Client, learner: Learner) -> None:
    unit = make_unit(make_book(learner))
    response = teach(ada, unit, words="legato", save="1")
    assert response.status_code == 422
    assert "Choose which of these is new in it" in response.content.decode()
    assert teach(ada, unit, words="legato", words_only="1").status_code == 302
    unit.refresh_from_db()
    assert unit.new_words == "legato"


def test_chosen_skills_are_kept_with_the_words(ada: Client, learner: Learner) -> None:
    unit = make_unit(make_book(learner))
    response = teach(ada, unit, words="joined notes", skills=["legato"], save="1")
    assert response.headers["Location"] == reverse("curriculum:unit", args=[unit.pk])
    assert [skill.slug for skill in unit.teaches.all()] == ["legato"]


def test_skill_is_found_by_its_name_and_what_was_chosen_stays(ada: Client, learner: Learner) -> None:
    unit = make_unit(make_book(learner))
    page = teach(ada, unit, words="", find="PEDAL", skills=["legato"], search="1").content.decode()
    assert 'value="legato-pedal"' in page
    assert 'value="legato" checked' in page
    assert "No skill has “zzz” in its name." in teach(ada, unit, find="zzz", search="1").content.decode()


def test_hidden_skill_is_not_offered(ada: Client, learner: Learner, legato: Skill) -> None:
    services.hide_skill(legato)
    unit = make_unit(make_book(learner))
    assert 'value="legato"' not in teach(ada, unit, words="legato", suggest="1").content.decode()


def test_words_that_fit_nothing_become_a_skill_of_ones_own_once(ada: Client, learner: Learner) -> None:
    unit = make_unit(make_book(learner))
    assert "No skill is offered for these words" in teach(ada, unit, words="xyzzy", suggest="1").content.decode()
    teach(ada, unit, words="xyzzy", own="1")
    teach(ada, unit, words="xyzzy", own="1")
    assert [skill.slug for skill in unit.teaches.all()] == ["own-xyzzy"]
    assert Skill.objects.filter(name="xyzzy").count() == 1


def test_words_that_are_too_long_are_refused_and_stay_typed(ada: Client, learner: Learner) -> None:
    unit = make_unit(make_book(learner))
    response = teach(ada, unit, words="la " * 2000, save="1")
    assert response.status_code == 422
    assert "la la la" in response.content.decode()


def test_skill_named_late_in_a_unit_passed_over_is_claimed(ada: Client, learner: Learner, legato: Skill) -> None:
    book = make_book(learner)
    first, second = make_unit(book), make_unit(book)
    services.stand_here(second, today=learner.today())
    teach(ada, first, words="joined notes", skills=["legato"], save="1")
    assert legato.evidence.get().source == "claim"


# Writing and order -----------------------------------------------------------------------------------------------------


def form(**changes: object) -> dict[str, object]:
    return {
        "title": "New",
        "page": "",
        "chapter": "",
        "link": "",
        "place": "1",
        "follows": "before",
        "after": "",
    } | changes


def test_unit_is_inserted_at_its_place(ada: Client, book: Book) -> None:
    response = ada.post(reverse("curriculum:unit-new", args=[book.pk]), form(place="2", page="xi"))
    made = unit_at(book, 2)
    assert response.headers["Location"] == reverse("curriculum:unit-teaches", args=[made.pk])
    assert titles(book)[:3] == ["The lie of the keys", "New", "Five keys under the hand"]
    assert [unit.position for unit in book.units.order_by("position")] == [1, 2, 3, 4, 5, 6]


def test_inserting_twice_inserts_once(ada: Client, book: Book) -> None:
    for _ in range(2):
        response = ada.post(reverse("curriculum:unit-new", args=[book.pk]), form(place="2", page="xi"))
    assert response.headers["Location"] == reverse("curriculum:unit-teaches", args=[unit_at(book, 2).pk])
    assert book.units.count() == 6


def test_unit_is_edited_and_moved_in_one_go(ada: Client, book: Book) -> None:
    unit = unit_at(book, 5)
    response = ada.post(
        reverse("curriculum:unit-edit", args=[unit.pk]),
        form(title="Thumbs", place="1", link="https://example.org", extra_needs=["steady-pulse"]),
    )
    assert response.headers["Location"] == reverse("curriculum:unit", args=[unit.pk])
    assert titles(book)[:2] == ["Thumbs", "The lie of the keys"]
    assert [skill.slug for skill in unit.extra_needs.all()] == ["steady-pulse"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"title": ""}, "Write a title."),
        ({"title": "x" * 301}, "at most 300 characters"),
        ({"link": "javascript:alert(1)"}, "“javascript:alert(1)” is not a web address."),
        ({"link": "data:text/html,x"}, "is not a web address."),
        ({"link": "example.org"}, "is not a web address."),
        ({"place": "9"}, "The book has no place 9. Write a number from 1 to 5."),
        ({"place": "0"}, "Write 1 or more."),
        ({"place": "first"}, "Write a whole number, such as 3."),
        ({"follows": "named", "after": "2, nine"}, "This book has no unit nine."),
        ({"follows": "named", "after": "99"}, "This book has no unit 99."),
        ({"follows": "named", "after": "3"}, "A unit cannot come after itself."),
        ({"follows": "named", "after": "5"}, "go round in a circle"),
        ({"extra_needs": ["no-such-skill"]}, "is none of your skills any more"),
    ],
)
def test_unit_that_cannot_be_saved_says_why_and_stays(ada: Client, book: Book, change: dict, words: str) -> None:
    unit = unit_at(book, 3)
    response = ada.post(reverse("curriculum:unit-edit", args=[unit.pk]), form(title="Changed", place="3") | change)
    assert response.status_code == 422
    assert words in response.content.decode()
    unit.refresh_from_db()
    assert (unit.title, unit.link, unit.position, unit.follows) == ("A walk in step", "", 3, "before")


def test_unit_can_come_after_named_units(ada: Client, book: Book, learner: Learner) -> None:
    unit = unit_at(book, 5)
    ada.post(
        reverse("curriculum:unit-edit", args=[unit.pk]), form(title="Thumbs", place="5", follows="named", after="1; 2")
    )
    assert sorted(other.position for other in unit.after.all()) == [1, 2]
    ada.post(
        reverse("curriculum:unit-edit", args=[unit.pk]), form(title="Thumbs", place="5", follows="named", after="")
    )
    assert not learner_graph(learner).unit_gate(unit).waiting_units


def test_move_that_closes_a_loop_is_refused(ada: Client, book: Book) -> None:
    last = unit_at(book, 5)
    services.change_unit(last, follows=Unit.Follows.NAMED, after=[unit_at(book, 4)])
    response = ada.post(reverse("curriculum:unit-move", args=[last.pk]), {"place": "1"})
    assert response.status_code == 422
    assert "go round in a circle" in response.content.decode()
    assert titles(book)[-1] == "Under goes the thumb"


def test_unit_is_moved(ada: Client, book: Book) -> None:
    ada.post(reverse("curriculum:unit-move", args=[unit_at(book, 1).pk]), {"place": "5"})
    assert titles(book)[-1] == "The lie of the keys"
    response = ada.post(reverse("curriculum:unit-move", args=[unit_at(book, 1).pk]), {"place": "6"})
    assert response.status_code == 422
    assert "The book has no place 6." in response.content.decode()
    assert ada.post(reverse("curriculum:unit-move", args=[unit_at(book, 1).pk]), {"place": ""}).status_code == 422


def test_unit_is_deleted_and_the_others_close_up(ada: Client, book: Book, legato: Skill) -> None:
    make_evidence(legato)
    unit = unit_at(book, 4)
    assert "Delete “Joined up”?" in page_of(ada, "unit-delete", unit)
    ada.post(reverse("curriculum:unit-delete", args=[unit.pk]))
    assert [unit.position for unit in book.units.order_by("position")] == [1, 2, 3, 4]
    assert legato.evidence.count() == 1


# Where the learner stands ----------------------------------------------------------------------------------------------


def test_i_am_here_marks_earlier_units_and_claims_their_skills(ada: Client, book: Book, learner: Learner) -> None:
    response = ada.post(reverse("curriculum:unit-here", args=[unit_at(book, 3).pk]), follow=True)
    assert "You are at unit 3. 2 units are done before it" in response.content.decode()
    graph = learner_graph(learner)
    assert [graph.unit_state(unit).value for unit in graph.units_of(book)] == [
        "done",
        "done",
        "open",
        "to_come",
        "to_come",
    ]
    assert graph.standing_word("five-finger-place") == "claimed"


def test_i_am_here_said_twice_changes_nothing(ada: Client, book: Book, learner: Learner) -> None:
    for _ in range(2):
        ada.post(reverse("curriculum:unit-here", args=[unit_at(book, 3).pk]))
    assert learner.evidence.filter(withdrawn_at=None).count() == 3


def test_i_am_here_further_back_takes_the_rest_back(ada: Client, book: Book, learner: Learner) -> None:
    ada.post(reverse("curriculum:unit-here", args=[unit_at(book, 5).pk]))
    ada.post(reverse("curriculum:unit-here", args=[unit_at(book, 2).pk]))
    graph = learner_graph(learner)
    assert [graph.is_done(unit) for unit in graph.units_of(book)] == [True, False, False, False, False]
    assert graph.standing_word("legato") == "untried"


def test_opened_anyway_shows_its_reason_and_is_no_evidence(ada: Client, book: Book, learner: Learner) -> None:
    unit = unit_at(book, 5)
    address = reverse("curriculum:unit-open-anyway", args=[unit.pk])
    response = ada.post(address, {"reason": "  "})
    assert response.status_code == 422
    assert "Write a reason." in response.content.decode()
    ada.post(address, {"reason": "I know it from the choir"})
    assert "Opened anyway: “I know it from the choir”" in page_of(ada, "unit", unit)
    assert learner_graph(learner).unit_state(unit_at(book, 5)) is UnitState.OPEN
    assert not learner.evidence.exists()
