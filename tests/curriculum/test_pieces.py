"""Pieces: the list, what holds one, naming its skills, and the way to the dream piece."""

from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Learner, Piece, Skill
from curriculum.queries import PieceState, learner_graph
from tests.make import make_book, make_evidence, make_piece, make_unit


def address(name: str, piece: Piece) -> str:
    return reverse(f"curriculum:{name}", args=[piece.pk])


def state(learner: Learner, piece: Piece) -> PieceState:
    piece.refresh_from_db()
    return learner_graph(learner).piece_state(piece)


@pytest.fixture
def ferry(learner: Learner) -> Piece:
    return make_piece(learner, "The Night Ferry", is_dream=True)


def chosen(page: str) -> set[str]:
    return {part.split('"')[0] for part in page.split('name="needs" value="')[1:] if "checked><span>" in part[:60]}


def test_piece_is_added_and_not_looked_at(ada: Client, learner: Learner) -> None:
    response = ada.post("/pieces/new/", {"title": "The Night Ferry", "composer": "I. Corviere", "is_dream": "on"})
    piece = Piece.objects.get()
    assert response.headers["Location"] == address("piece-look", piece)
    assert state(learner, piece) is PieceState.NOT_LOOKED_AT
    assert "Say what it needs" in ada.get("/way/").content.decode()


def test_adding_a_piece_twice_names_it_and_adds_it_once(ada: Client, ferry: Piece) -> None:
    response = ada.post("/pieces/new/", {"title": "The Night Ferry"})
    assert response.status_code == 422
    assert "You have the piece “The Night Ferry” already." in response.content.decode()
    assert Piece.objects.count() == 1


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"title": ""}, "Write a title."),
        ({"title": "x" * 161}, "at most 160 characters"),
        ({"title": "A", "link": "JavaScript:alert(1)"}, "is not a web address."),
    ],
)
def test_piece_that_cannot_be_saved_says_why(ada: Client, typed: dict, words: str) -> None:
    response = ada.post("/pieces/new/", typed)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Piece.objects.exists()


def test_piece_is_edited(ada: Client, ferry: Piece) -> None:
    ada.post(address("piece-edit", ferry), {"title": "The Night Boat"})
    ferry.refresh_from_db()
    assert (ferry.title, ferry.is_dream) == ("The Night Boat", False)
    assert ada.post(address("piece-edit", ferry), {"title": " "}).status_code == 422


def test_piece_is_deleted_after_being_asked(ada: Client, ferry: Piece) -> None:
    assert "Delete “The Night Ferry”?" in ada.get(address("piece-delete", ferry)).content.decode()
    ada.post(address("piece-delete", ferry))
    assert not Piece.objects.exists()


def test_grade_proposes_skills_and_writes_nothing(ada: Client, learner: Learner, ferry: Piece) -> None:
    page = ada.get(address("piece-look", ferry), {"grade": "1"}).content.decode()
    assert {"legato", "thumb-under", "scale-one-octave"} <= chosen(page)
    assert not {"legato-pedal", "scale-together", "hand-arch"} & chosen(page)
    assert state(learner, ferry) is PieceState.NOT_LOOKED_AT


def test_high_grade_asks_for_more_than_skills_can_name(ada: Client, ferry: Piece) -> None:
    page = ada.get(address("piece-look", ferry), {"grade": "8"}).content.decode()
    assert "the rest of what a piece this hard asks</textarea>" in page
    assert "the rest of what" not in ada.get(address("piece-look", ferry), {"grade": "5"}).content.decode()


def test_comparing_with_a_book_reaches_as_far_as_the_book(ada: Client, ferry: Piece, book: Book) -> None:
    place = address("piece-look", ferry)
    last = chosen(ada.get(place, {"compare": "last", "book": str(book.pk)}).content.decode())
    harder = chosen(ada.get(place, {"compare": "harder", "book": str(book.pk)}).content.decode())
    much = chosen(ada.get(place, {"compare": "much", "book": str(book.pk)}).content.decode())
    assert "thumb-under" in last
    assert last < harder < much


def test_book_that_does_not_say_what_is_new_is_called_a_guess(ada: Client, ferry: Piece, learner: Learner) -> None:
    services.add_book(learner, title="Bare")
    page = ada.get(
        address("piece-look", ferry), {"compare": "last", "book": str(learner.books.get().pk)}
    ).content.decode()
    assert "a usual first book was taken" in page


def test_words_propose_skills(ada: Client, ferry: Piece) -> None:
    page = ada.get(address("piece-look", ferry), {"words": "broken chords; pedal changes"}).content.decode()
    assert {"broken-chords", "legato-pedal"} <= chosen(page)


@pytest.mark.parametrize(
    "asked", [{"grade": "9"}, {"compare": "sideways"}, {"words": ""}, {"book": "soup", "compare": "last"}]
)
def test_proposal_that_cannot_be_made_says_so(ada: Client, ferry: Piece, book: Book, asked: dict) -> None:
    assert ada.get(address("piece-look", ferry), asked).status_code == 422


def test_naming_skills_holds_the_piece_until_they_are_ticked_or_claimed(
    ada: Client, learner: Learner, ferry: Piece, book: Book, legato: Skill
) -> None:
    ada.post(address("piece-look", ferry), {"needs": ["legato"], "beyond": ""})
    assert state(learner, ferry) is PieceState.HELD
    page = ada.get(address("piece", ferry)).content.decode()
    assert "Joined notes needs it." in page
    assert "unit 2, Five keys under the hand" in page
    make_evidence(legato, source="claim", played_on=learner.today())
    assert state(learner, ferry) is PieceState.OPEN
    assert "Everything it needs is ticked or claimed." in ada.get(address("piece", ferry)).content.decode()


def test_blocking_skills_stand_in_learnable_order_and_gaps_are_named(ada: Client, ferry: Piece, book: Book) -> None:
    ada.post(address("piece-look", ferry), {"needs": ["thumb-under", "legato-pedal"], "beyond": ""})
    page = ada.get("/way/").content.decode()
    page = page[page.index("What is in the way") :]
    names = ["Naming the keys", "Five-finger place", "Joined notes", "Even five-finger runs", "Passing the thumb"]
    places = [page.index(f">{name}</a></h3>") for name in names]
    assert places == sorted(places)
    assert "of these skills are taught by no book of yours" in page
    assert "No book of yours teaches this" in page


def test_what_no_skill_names_holds_the_piece(ada: Client, learner: Learner, ferry: Piece) -> None:
    ada.post(address("piece-look", ferry), {"beyond": "hands that cross at speed\n\n"})
    assert state(learner, ferry) is PieceState.HELD
    assert "Beyond what Keyslip can name" in ada.get(address("piece", ferry)).content.decode()


def test_naming_nothing_leaves_the_piece_not_looked_at(ada: Client, learner: Learner, ferry: Piece) -> None:
    response = ada.post(address("piece-look", ferry), {"beyond": " "})
    assert response.status_code == 422
    assert "Choose at least one skill that it needs." in response.content.decode()
    assert state(learner, ferry) is PieceState.NOT_LOOKED_AT


def test_opened_anyway_asks_for_a_reason_and_shows_it(ada: Client, learner: Learner, ferry: Piece) -> None:
    services.look_at_piece(ferry, needs=Skill.objects.filter(learner=learner, slug="legato"), today=date(2026, 1, 6))
    assert ada.post(address("piece-open-anyway", ferry), {"reason": ""}).status_code == 422
    ada.post(address("piece-open-anyway", ferry), {"reason": "a birthday"})
    assert state(learner, ferry) is PieceState.OPEN
    assert "Opened anyway: “a birthday”" in ada.get("/pieces/").content.decode()
    assert not learner.evidence.exists()


def test_begun_piece_is_flagged_after_a_failed_check_and_stays(
    ada: Client, learner: Learner, ferry: Piece, legato: Skill
) -> None:
    services.look_at_piece(ferry, needs=[legato], today=date(2026, 1, 6))
    services.begin_piece(ferry, today=date(2026, 1, 6))
    make_evidence(legato, source="hand", reason="known", played_on=date(2026, 1, 5))
    make_evidence(legato, source="check", passed=False, played_on=date(2026, 1, 7))
    assert state(learner, ferry) is PieceState.IN_WORK
    assert "A check of Joined notes was not right." in ada.get("/pieces/").content.decode()


def test_list_parts_what_can_be_played_now_from_the_rest(
    ada: Client, learner: Learner, ferry: Piece, legato: Skill, django_assert_max_num_queries
) -> None:
    make_evidence(legato, source="claim", played_on=learner.today())
    for number in range(12):
        make_piece(learner, f"Open {number}", needs=[legato])
    with django_assert_max_num_queries(12):
        page = ada.get("/pieces/").content.decode()
    assert (
        page.index("Pieces I can play now")
        < page.index("Open 11")
        < page.index("Not looked at")
        < page.index("Night Ferry")
    )


def test_way_says_what_to_do_first_without_a_dream(ada: Client, learner: Learner) -> None:
    assert "No dream yet" in ada.get("/way/").content.decode()


def test_way_shows_every_dream(ada: Client, learner: Learner, ferry: Piece) -> None:
    make_piece(learner, "The Day Ferry", is_dream=True)
    page = ada.get("/way/").content.decode()
    assert "To 2 pieces that you dream of." in page


def test_gap_says_that_units_may_teach_it_which_do_not_say_what_is_new(
    ada: Client, learner: Learner, ferry: Piece
) -> None:
    make_unit(make_book(learner))
    ada.post(address("piece-look", ferry), {"needs": ["legato"], "beyond": ""})
    assert "1 unit of your books does not say yet what is new" in ada.get("/way/").content.decode()


def test_page_of_a_dream_piece_costs_no_more_queries_after_years_of_evidence(
    ada: Client, learner: Learner, ferry: Piece, legato: Skill, django_assert_max_num_queries
) -> None:
    services.look_at_piece(ferry, needs=[legato], today=learner.today())
    for skill in learner.skills.all()[:20]:
        for years in range(10):
            make_evidence(skill, source="try", played_on=learner.today() - timedelta(days=365 * years))
    for url in (reverse("curriculum:piece", args=[ferry.pk]), reverse("curriculum:piece-way", args=[ferry.pk])):
        with django_assert_max_num_queries(12):
            assert ada.get(url).status_code == 200
