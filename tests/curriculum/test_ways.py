"""The way to a piece: drawn and as a list, its bars, stand-ins, and what opens along it."""

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Demand, Learner, Piece, Skill
from tests.make import make_book, make_evidence, make_piece, make_unit


@pytest.fixture
def ferry(learner: Learner, book: Book, legato: Skill) -> Piece:
    return make_piece(learner, "The Night Ferry", is_dream=True, needs=[legato])


def page_of(client: Client, piece: Piece) -> str:
    return client.get(reverse("curriculum:piece-way", args=[piece.pk])).content.decode()


def test_way_to_the_dream_is_drawn_and_told_with_its_pages(ada: Client, ferry: Piece) -> None:
    page = ada.get("/way/").content.decode()
    assert "units of your books lead to it" in page
    assert page.count('<svg class="way-drawing"') == 2
    assert "No shorter way leads through your books." in page
    assert page.index(">Five keys under the hand</a>") < page.index(">Joined up</a>")
    assert "Under goes the thumb</a></span>" not in page
    assert "style=" not in page


def test_unit_is_left_out_where_all_it_teaches_is_known(ada: Client, learner: Learner, ferry: Piece) -> None:
    make_evidence(Skill.objects.get(slug="five-finger-place"), source="claim", played_on=learner.today())
    page = page_of(ada, ferry)
    assert ">Five keys under the hand</a></span>" not in page
    assert ">Joined up</a></span>" in page


def test_competing_book_is_offered_instead(ada: Client, learner: Learner, ferry: Piece, legato: Skill) -> None:
    make_unit(make_book(learner, "Second Book"), "Singing tone", teaches=[legato])
    page = page_of(ada, ferry)
    assert "Where your books compete" in page
    assert "Singing tone" in page
    assert "1 unit more" in page


def test_held_piece_of_ones_own_that_the_way_opens_is_named(ada: Client, learner: Learner, ferry: Piece) -> None:
    make_piece(learner, "The Mill", needs=[Skill.objects.get(learner=learner, slug="five-finger-place")])
    assert "The Mill</a> opens once what is taught up to unit 2" in page_of(ada, ferry)


def test_gap_stands_on_the_way(ada: Client, learner: Learner, ferry: Piece) -> None:
    ferry.needs.add(Skill.objects.get(learner=learner, slug="legato-pedal"))
    assert "No unit of yours teaches it." in page_of(ada, ferry)


def test_bars_typed_by_hand_are_drawn_and_taken_out_again(
    ada: Client, learner: Learner, ferry: Piece, legato: Skill
) -> None:
    place = Skill.objects.get(learner=learner, slug="five-finger-place")
    make_evidence(place, source="claim", played_on=learner.today())
    url = reverse("curriculum:piece-bars", args=[ferry.pk])
    ada.post(url, {"bars": "1 to 2", "skill": "five-finger-place"})
    ada.post(url, {"bars": "3, 4", "skill": "legato"})
    ada.post(url, {"bars": "3, 4", "skill": "legato"})
    page = page_of(ada, ferry)
    assert "2 of its 4 bars are within reach today" in page
    assert "Bars 3-4: Joined notes" in page
    assert "2 more bars come within reach" in page
    assert Demand.objects.count() == 2
    for row in Demand.objects.all():
        ada.post(reverse("curriculum:bars-delete", args=[row.pk]))
    assert 'class="barmap"' not in page_of(ada, ferry)


def test_bars_found_in_the_score_count_unless_the_answer_was_no(ada: Client, ferry: Piece, legato: Skill) -> None:
    Demand.objects.create(piece=ferry, detector="slur", skill=legato, bars="1; 2; 12a", answer="no")
    assert 'class="barmap"' not in page_of(ada, ferry)
    Demand.objects.update(answer="asked")
    page = page_of(ada, ferry)
    assert "12a" in page
    assert "No bar is within reach yet" in page


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"bars": "soup", "skill": "legato"}, "names no bars"),
        ({"bars": "9-4", "skill": "legato"}, "runs backwards"),
        ({"bars": "", "skill": "legato"}, "Write"),
        ({"bars": "4", "skill": ""}, "Choose"),
    ],
)
def test_bars_that_cannot_be_read_say_why(ada: Client, ferry: Piece, typed: dict, words: str) -> None:
    response = ada.post(reverse("curriculum:piece-bars", args=[ferry.pk]), typed)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Demand.objects.exists()


def test_way_costs_at_most_twelve_queries(
    ada: Client, learner: Learner, ferry: Piece, legato: Skill, django_assert_max_num_queries
) -> None:
    for number in range(6):
        make_piece(learner, f"Piece {number}", needs=[legato])
        Demand.objects.create(piece=ferry, skill=legato, bars=str(number), answer="yes")
    with django_assert_max_num_queries(12):
        assert ada.get("/way/").status_code == 200


def test_ways_are_nobody_elses(stranger: Client, client: Client, ferry: Piece, legato: Skill) -> None:
    row = Demand.objects.create(piece=ferry, skill=legato, bars="1", answer="yes")
    way = reverse("curriculum:piece-way", args=[ferry.pk])
    bars = reverse("curriculum:piece-bars", args=[ferry.pk])
    gone = reverse("curriculum:bars-delete", args=[row.pk])
    assert stranger.get(way).status_code == 404
    assert stranger.post(bars, {"bars": "1", "skill": "legato"}).status_code == 404
    assert stranger.post(gone).status_code == 404
    assert client.get(way).status_code == 302
    assert stranger.get(gone).status_code == 405
    assert stranger.post(way).status_code == 405


def test_history_tells_every_change_with_what_was_shown(ada: Client, learner: Learner, legato: Skill) -> None:
    for day in (1, 8, 14):
        make_evidence(legato, source="try", played_on=date(2025, 3, day))
    url = reverse("curriculum:skill-history", args=[legato.pk])
    page = ada.get(url).content.decode()
    assert page.index("Due a check") < page.index("14 March 2025") < page.index("1 March 2025")
    assert "only time went by" in page
    services.withdraw_row(legato.evidence.get(played_on=date(2025, 3, 8)))
    page = ada.get(url).content.decode()
    assert "14 March 2025</span>" not in page
    assert "1 withdrawn row is left out" in page


def test_history_is_nobody_elses(stranger: Client, legato: Skill) -> None:
    assert stranger.get(reverse("curriculum:skill-history", args=[legato.pk])).status_code == 404


def test_what_opened_this_week_is_told_with_its_cause(
    ada: Client, learner: Learner, book: Book, ferry: Piece, legato: Skill, django_assert_max_num_queries
) -> None:
    assert "Nothing that was held has opened." in ada.get("/way/opened/").content.decode()
    services.set_by_hand(legato, passed=True, reason="played it for years", today=learner.today())
    with django_assert_max_num_queries(12):
        page = ada.get("/way/opened/").content.decode()
    assert "The Night Ferry</a></h3><p><b>Open.</b>" in page
    assert "held it, and do no longer" in page
