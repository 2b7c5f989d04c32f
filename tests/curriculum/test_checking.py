"""The check-up of the books: what does not fit, proposals that one tap accepts, and leaving things as they are."""

import re

import pytest
from django.test import Client

from curriculum.models import Book, Learner, Skill, Unit
from tests.make import make_book, make_unit


@pytest.fixture
def muddle(learner: Learner) -> Book:
    """A book whose first unit rests on what its second one teaches."""
    made = make_book(learner, "Evening Piano")
    for title, slug in [("Joined up", "legato"), ("Five keys", "five-finger-place"), ("Names", "key-names")]:
        make_unit(made, title, teaches=[Skill.objects.get(learner=learner, slug=slug)])
    return made


def taps(client: Client) -> list[tuple[str, str, str]]:
    """Finding, number and words of every proposal on the page."""
    page = client.get("/books/check/").content.decode()
    return re.findall(
        r'name="finding" value="(\w+)"><button class="btn" type="submit" name="proposal" value="(\d)">([^<]+)<', page
    )


def test_need_that_comes_later_is_named_and_one_tap_puts_it_right(ada: Client, muddle: Book) -> None:
    page = ada.get("/books/check/").content.decode()
    assert "which only comes later" in page
    finding, number, _ = next(tap for tap in taps(ada) if tap[2] == "Move unit 2 before unit 1")
    ada.post("/books/check/accept/", {"finding": finding, "proposal": number})
    assert [unit.title for unit in muddle.units.order_by("position")][:2] == ["Five keys", "Joined up"]
    assert finding not in {tap[0] for tap in taps(ada)}


def test_every_proposal_can_be_accepted_until_nothing_is_left(ada: Client, muddle: Book) -> None:
    for _ in range(40):
        left = taps(ada)
        if not left:
            break
        ada.post("/books/check/accept/", {"finding": left[0][0], "proposal": left[0][1]})
    assert "Everything fits" in ada.get("/books/check/").content.decode()


def test_two_books_that_teach_the_same_are_named(ada: Client, learner: Learner, book: Book, legato: Skill) -> None:
    make_unit(make_book(learner, "Second"), "Singing tone", teaches=[legato])
    finding, number, words = next(tap for tap in taps(ada) if tap[2].startswith("Pass over"))
    assert "of Second" in words
    ada.post("/books/check/accept/", {"finding": finding, "proposal": number})
    assert Unit.objects.get(title="Singing tone").done_on


def test_left_as_it_is_is_remembered_and_can_be_named_again(ada: Client, muddle: Book) -> None:
    finding = taps(ada)[0][0]
    ada.post("/books/check/leave/", {"finding": finding})
    assert finding not in {tap[0] for tap in taps(ada)}
    assert "left as it is" in ada.get("/books/check/").content.decode()
    ada.post("/books/check/leave/", {"finding": finding, "again": "1"})
    assert finding in {tap[0] for tap in taps(ada)}


def test_units_that_say_nothing_are_named_a_few_at_a_time(ada: Client, learner: Learner) -> None:
    made = make_book(learner)
    for _ in range(8):
        make_unit(made)
    page = ada.get("/books/check/").content.decode()
    assert page.count("Write what is new in") == 3
    assert "5 more units do not say yet what is new" in page


@pytest.mark.parametrize("sent", [{}, {"finding": "soup", "proposal": "1"}, {"finding": "soup", "proposal": "9" * 50}])
def test_what_is_no_finding_any_more_changes_nothing(ada: Client, muddle: Book, sent: dict) -> None:
    ada.post("/books/check/accept/", sent)
    ada.post("/books/check/leave/", sent)
    assert [unit.title for unit in muddle.units.order_by("position")] == ["Joined up", "Five keys", "Names"]


def test_finding_of_somebody_else_is_none_of_ours(ada: Client, stranger: Client, muddle: Book) -> None:
    finding, number, _ = taps(ada)[0]
    stranger.post("/books/check/accept/", {"finding": finding, "proposal": number})
    assert finding in {tap[0] for tap in taps(ada)}


def test_check_up_asks_a_constant_number_of_queries(
    ada: Client, learner: Learner, book: Book, django_assert_max_num_queries
) -> None:
    with django_assert_max_num_queries(12):
        ada.get("/books/check/")


def test_check_up_wants_to_be_signed_in_and_asked_rightly(client: Client, ada: Client) -> None:
    assert ada.get("/books/check/accept/").status_code == 405
    client.logout()
    assert client.get("/books/check/").status_code == 302
