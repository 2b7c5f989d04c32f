"""Every address: who may come in, and how."""

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Evidence, Learner, Piece, Skill, Unit
from tests.make import make_evidence

OPEN_TO_LEARNERS = [
    "home", "set-up", "set-up-week", "set-up-book", "set-up-place", "set-up-new", "settings", "book-list", "book-new",
    "book-import", "skill-list", "skill-new", "way", "piece-list", "piece-new",
]  # fmt: skip
OF_A_BOOK = ["book", "book-edit", "book-delete", "book-append", "book-export-csv", "book-export-json", "unit-new"]
OF_A_UNIT = ["unit", "unit-edit", "unit-teaches", "unit-delete", "set-up-new-unit"]
ACTIONS_ON_A_UNIT = ["unit-move", "unit-here", "unit-open-anyway"]
OF_A_SKILL = ["skill", "skill-edit", "skill-delete"]
ACTIONS_ON_A_SKILL = ["skill-hide", "skill-not-for-me", "skill-by-hand", "skill-claim"]
OF_A_PIECE = ["piece", "piece-look", "piece-edit", "piece-delete"]
ACTIONS_ON_A_PIECE = ["piece-open-anyway"]
ACTIONS = [*ACTIONS_ON_A_UNIT, *ACTIONS_ON_A_SKILL, *ACTIONS_ON_A_PIECE, "evidence-withdraw"]
ONLY_READ = [
    "home",
    "set-up",
    "book-list",
    "skill-list",
    "way",
    "piece-list",
    "book",
    "unit",
    "skill",
    "piece",
    "book-export-csv",
]


@pytest.fixture
def piece(learner: Learner) -> Piece:
    return services.add_piece(learner, title="The Night Ferry")


@pytest.fixture
def evidence(legato: Skill) -> Evidence:
    return make_evidence(legato)


@pytest.fixture
def address(book: Book, piece: Piece, legato: Skill, evidence: Evidence):
    """Return the address of a page about the learner's own rows."""
    unit = Unit.objects.get(book=book, position=2)

    def find(name: str) -> str:
        pk: dict[str, object] = {}
        if name in OF_A_BOOK:
            pk = {"pk": book.pk}
        elif name in [*OF_A_UNIT, *ACTIONS_ON_A_UNIT]:
            pk = {"pk": unit.pk}
        elif name in [*OF_A_SKILL, *ACTIONS_ON_A_SKILL]:
            pk = {"pk": legato.pk}
        elif name in [*OF_A_PIECE, *ACTIONS_ON_A_PIECE]:
            pk = {"pk": piece.pk}
        elif name == "evidence-withdraw":
            pk = {"pk": evidence.pk}
        return reverse(f"curriculum:{name}", kwargs=pk)

    return find


def test_signed_out_visitor_is_asked_to_sign_in(client: Client, address) -> None:
    names = [*OPEN_TO_LEARNERS, *OF_A_BOOK, *OF_A_UNIT, *OF_A_SKILL, *OF_A_PIECE, *ACTIONS]
    answers = {name: client.get(address(name)) for name in names}
    assert [
        name for name, answer in answers.items() if not answer.headers.get("Location", "").startswith("/sign-in/")
    ] == []


def test_own_pages_open(ada: Client, address) -> None:
    names = [*OPEN_TO_LEARNERS, *OF_A_BOOK, *OF_A_UNIT, *OF_A_SKILL, *OF_A_PIECE]
    answers = {name: ada.get(address(name)) for name in names}
    assert [name for name, answer in answers.items() if answer.status_code not in {200, 302}] == []
    assert [name for name, answer in answers.items() if "sign-in" in answer.headers.get("Location", "")] == []


def test_stranger_finds_nothing(stranger: Client, address) -> None:
    names = [*OF_A_BOOK, *OF_A_UNIT, *OF_A_SKILL, *OF_A_PIECE]
    assert [name for name in names if stranger.get(address(name)).status_code != 404] == []


def test_stranger_changes_nothing(stranger: Client, address) -> None:
    names = [*ACTIONS, "book-edit", "book-delete", "book-append", "unit-delete", "unit-teaches", "unit-edit"]
    names += ["skill-edit", "skill-delete", "piece-edit", "piece-delete", "piece-look"]
    typed = {"reason": "mine now", "passed": "True", "place": "1", "title": "Mine", "name": "Mine", "needs": "legato"}
    assert [name for name in names if stranger.post(address(name), typed).status_code != 404] == []
    assert Book.objects.filter(title="Evening Piano").count() == 1
    assert Unit.objects.filter(opened_anyway_on=None, done_on=None).count() == 5
    assert Evidence.objects.filter(withdrawn_at=None).count() == 1
    assert Piece.objects.filter(looked_at_on=None, title="The Night Ferry").count() == 1
    assert not Skill.objects.filter(name="Mine").exists()


def test_action_is_not_done_by_following_a_link(ada: Client, address) -> None:
    assert [name for name in ACTIONS if ada.get(address(name)).status_code != 405] == []


def test_page_that_only_shows_takes_no_post(ada: Client, address) -> None:
    assert [name for name in ONLY_READ if ada.post(address(name)).status_code != 405] == []


def test_row_deleted_in_another_window_answers_in_plain_words(ada: Client, book: Book) -> None:
    unit = book.units.get(position=2)
    address = reverse("curriculum:unit-here", args=[unit.pk])
    services.delete_unit(unit)
    response = ada.post(address)
    assert response.status_code == 404
    assert "it was deleted since" in response.content.decode()


def test_skill_of_somebody_else_cannot_be_chosen(ada: Client, book: Book, stranger: Client) -> None:
    other = Learner.objects.get(username="mallory")
    own = services.add_skill(other, name="Juggling")
    unit = book.units.get(position=2)
    response = ada.post(
        reverse("curriculum:unit-teaches", args=[unit.pk]), {"words": "x", "skills": own.slug, "save": "1"}
    )
    assert response.status_code == 422
    assert not unit.teaches.filter(pk=own.pk).exists()
