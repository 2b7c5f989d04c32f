"""States that follow from evidence: units, pieces, and where the learner says they are."""

from datetime import date, timedelta

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Evidence, Learner, Skill, Unit
from curriculum.queries import LearnerGraph, PieceState, UnitState, learner_graph
from curriculum.views.presenting import piece_sentence
from tests.make import make_book, make_evidence, make_learner, make_piece, make_skill, make_unit

pytestmark = pytest.mark.django_db

TODAY = date(2026, 3, 15)


@pytest.fixture
def learner() -> Learner:
    return make_learner()


def graph_of(learner: Learner) -> LearnerGraph:
    return learner_graph(learner, today=TODAY)


def tick(skill: Skill) -> None:
    services.set_by_hand(skill, passed=True, reason="shown to a friend", today=TODAY)


def state_of(unit: Unit) -> UnitState:
    graph = graph_of(unit.book.learner)
    return graph.unit_state(graph.units[str(unit.pk)])


def test_unit_is_done_when_all_it_teaches_is_ticked(learner: Learner) -> None:
    pulse, notes = make_skill(learner, "pulse"), make_skill(learner, "notes")
    unit = make_unit(make_book(learner), teaches=[pulse, notes])
    tick(pulse)
    assert state_of(unit) is UnitState.OPEN
    tick(notes)
    assert state_of(unit) is UnitState.DONE


def test_watched_skill_does_not_keep_a_unit_from_being_done(learner: Learner) -> None:
    pulse, bench = make_skill(learner, "pulse"), make_skill(learner, "bench", gate=Skill.Gate.WATCH)
    unit = make_unit(make_book(learner), teaches=[pulse, bench])
    tick(pulse)
    assert state_of(unit) is UnitState.DONE


def test_unit_that_teaches_only_what_is_watched_is_not_done_by_nothing(learner: Learner) -> None:
    bench = make_skill(learner, "bench", gate=Skill.Gate.WATCH)
    unit = make_unit(make_book(learner), teaches=[bench])
    assert state_of(unit) is UnitState.OPEN
    tick(bench)
    assert state_of(unit) is UnitState.DONE


def test_claim_alone_does_not_finish_a_unit(learner: Learner) -> None:
    pulse = make_skill(learner, "pulse")
    unit = make_unit(make_book(learner), teaches=[pulse])
    services.claim_skills([pulse], today=TODAY)
    assert state_of(unit) is UnitState.OPEN


def test_i_am_here_also_claims_what_was_tried_and_is_not_ticked(learner: Learner) -> None:
    pulse = make_skill(learner, "pulse")
    after = make_skill(learner, "after", needs=[pulse])
    book = make_book(learner)
    make_unit(book, teaches=[pulse])
    here = make_unit(book, teaches=[after])
    make_evidence(pulse, played_on=TODAY - timedelta(days=3), passed=False)
    services.stand_here(here, today=TODAY)
    assert graph_of(learner).standing_word("pulse") == "claimed"
    assert state_of(here) is UnitState.OPEN


def test_i_am_here_claims_nothing_that_is_ticked(learner: Learner) -> None:
    pulse = make_skill(learner, "pulse")
    book = make_book(learner)
    make_unit(book, teaches=[pulse])
    tick(pulse)
    services.stand_here(make_unit(book), today=TODAY)
    assert not Evidence.objects.filter(source=Evidence.Source.CLAIM).exists()


def test_i_am_here_claims_a_skill_of_two_units_once(learner: Learner) -> None:
    pulse = make_skill(learner, "pulse")
    book = make_book(learner)
    for _ in range(2):
        make_unit(book, teaches=[pulse])
    services.stand_here(make_unit(book), today=TODAY)
    assert Evidence.objects.filter(source=Evidence.Source.CLAIM).count() == 1


def test_i_am_here_can_be_said_again_after_a_unit_was_taken_up_anew(learner: Learner) -> None:
    pulse = make_skill(learner, "pulse")
    book = make_book(learner)
    first, second, third = make_unit(book, teaches=[pulse]), make_unit(book), make_unit(book)
    services.stand_here(third, today=TODAY - timedelta(days=60))
    second.refresh_from_db()
    services.send_back(second, proposed=first, today=TODAY - timedelta(days=5))
    services.stand_here(third, today=TODAY)
    assert graph_of(learner).standing_word("pulse") == "claimed"
    assert Evidence.objects.filter(withdrawn_at=None).count() == 1


def test_piece_without_skills_is_never_open(learner: Learner) -> None:
    piece = make_piece(learner, opened_anyway_on=TODAY, opened_anyway_reason="a wedding")
    assert graph_of(learner).piece_state(piece) is PieceState.NOT_LOOKED_AT


def test_piece_opened_anyway_shows_as_such_once_begun(learner: Learner) -> None:
    piece = make_piece(learner, needs=[make_skill(learner, "pulse")])
    services.open_piece_anyway(piece, reason="a wedding", today=TODAY)
    services.begin_piece(piece, today=TODAY)
    graph = graph_of(learner)
    assert graph.piece_state(piece) is PieceState.IN_WORK
    assert piece_sentence(graph, piece) == "Opened anyway: “a wedding”"


@pytest.mark.parametrize("was", ["ticked", "claimed"])
def test_begun_piece_is_flagged_by_a_failed_check_however_its_skill_stood(learner: Learner, was: str) -> None:
    pulse = make_skill(learner, "pulse")
    piece = make_piece(learner, needs=[pulse], begun_on=TODAY - timedelta(days=9))
    before = TODAY - timedelta(days=8)
    if was == "ticked":
        services.set_by_hand(pulse, passed=True, reason="shown to a friend", today=before)
    else:
        services.claim_skills([pulse], today=before)
    make_evidence(pulse, played_on=TODAY, passed=False, source="check")
    graph = graph_of(learner)
    assert graph.piece_state(piece) is PieceState.IN_WORK
    assert graph.failed_checks(piece) == [pulse]


def test_piece_not_looked_at_cannot_be_opened_anyway(client: Client, learner: Learner) -> None:
    piece = make_piece(learner)
    client.force_login(learner)
    assert "Open it now anyway" not in client.get(reverse("curriculum:piece", args=[piece.pk])).content.decode()
    answer = client.post(reverse("curriculum:piece-open-anyway", args=[piece.pk]), {"reason": "a wedding"})
    assert answer.status_code == 422
    assert "Say first what this piece needs." in answer.content.decode()
    piece.refresh_from_db()
    assert piece.opened_anyway_on is None


def test_i_am_here_at_a_unit_moved_on_from_takes_it_up_again_and_no_other(learner: Learner) -> None:
    book = make_book(learner)
    units = [make_unit(book) for _ in range(4)]
    for unit in units[:3]:
        services.finish_unit(unit, today=TODAY)
    services.stand_here(units[1], today=TODAY)
    graph = graph_of(learner)
    assert [graph.unit_state(graph.units[str(unit.pk)]) for unit in units[:3]] == [
        UnitState.DONE,
        UnitState.IN_WORK,
        UnitState.DONE,
    ]
    assert graph.here(book) == units[1]
