"""What holds and what does not, on every page that says so: across books, watched skills, skills set aside, claims."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Learner, Piece, Skill, Unit
from curriculum.queries import UnitState, learner_graph
from tests.make import make_book, make_evidence, make_piece, make_skill, make_unit


@pytest.fixture
def joined(learner: Learner) -> Skill:
    return make_skill(learner, "joined-thirds")


@pytest.fixture
def turned(learner: Learner, joined: Skill) -> Skill:
    return make_skill(learner, "turned-thirds", needs=[joined])


@pytest.fixture
def below(learner: Learner, joined: Skill) -> Unit:
    return make_unit(make_book(learner, "The lower book"), "Thirds that join", teaches=[joined])


@pytest.fixture
def above(learner: Learner, below: Unit, turned: Skill) -> Unit:
    return make_unit(make_book(learner, "The upper book"), "Thirds that turn", teaches=[turned])


@pytest.fixture
def dream(learner: Learner, turned: Skill) -> Piece:
    return make_piece(learner, "Quay Lights", is_dream=True, needs=[turned])


def pages(client: Client, above: Unit, dream: Piece) -> dict[str, str]:
    addresses = {
        "unit": reverse("curriculum:unit", args=[above.pk]),
        "piece": reverse("curriculum:piece", args=[dream.pk]),
        "way": reverse("curriculum:way"),
    }
    return {name: client.get(url).content.decode() for name, url in addresses.items()}


def unit_state(learner: Learner, unit: Unit) -> UnitState:
    return learner_graph(learner).unit_state(Unit.objects.get(pk=unit.pk))


def test_unit_of_one_book_waits_for_what_another_book_teaches(
    ada: Client, learner: Learner, joined: Skill, above: Unit, dream: Piece
) -> None:
    assert unit_state(learner, above) is UnitState.TO_COME
    shown = pages(ada, above, dream)
    for name in ("unit", "piece", "way"):
        assert joined.name in shown[name], name
    assert "Thirds that join" in shown["piece"]
    assert shown["way"].index("Thirds that join") < shown["way"].index("Thirds that turn")
    make_evidence(joined, played_on=learner.today())
    assert unit_state(learner, above) is UnitState.OPEN


def test_claimed_skill_opens_what_rests_on_it_in_another_book(learner: Learner, joined: Skill, above: Unit) -> None:
    make_evidence(joined, source="claim", played_on=learner.today() - timedelta(days=3))
    assert unit_state(learner, above) is UnitState.OPEN


def test_watched_skill_holds_neither_unit_nor_piece_on_any_page(
    ada: Client, learner: Learner, joined: Skill, turned: Skill, above: Unit, dream: Piece
) -> None:
    Skill.objects.filter(pk__in=[joined.pk, turned.pk]).update(gate=Skill.Gate.WATCH)
    assert unit_state(learner, above) is UnitState.OPEN
    assert learner_graph(learner).piece_gate(dream).is_open
    shown = pages(ada, above, dream)
    assert "Held" not in shown["piece"]
    assert "Thirds that join" not in shown["way"]


def test_skill_that_is_not_for_me_holds_nothing_on_any_page(
    ada: Client, learner: Learner, joined: Skill, turned: Skill, above: Unit, dream: Piece
) -> None:
    services.mark_not_for_me(joined, reason="my hand does not reach")
    assert unit_state(learner, above) is UnitState.OPEN
    shown = pages(ada, above, dream)
    assert "Thirds that join" not in shown["way"]
    assert "Thirds that turn" in shown["way"]
