"""Skills: the list, one skill with its evidence, and the learner's own word."""

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Evidence, Learner, Skill
from curriculum.queries import learner_graph
from tests.make import make_evidence, make_piece


def address(name: str, skill: Skill) -> str:
    return reverse(f"curriculum:{name}", args=[skill.pk])


def page_of(client: Client, skill: Skill) -> str:
    return client.get(address("skill", skill)).content.decode()


def form(**changes: object) -> dict[str, object]:
    return {"name": "Juggling", "group": "own", "definition": "", "see_or_hear": "", "gate": "tick"} | changes


def test_list_asks_few_questions_however_many_skills(ada: Client, book: Book, django_assert_max_num_queries) -> None:
    with django_assert_max_num_queries(10):
        page = ada.get("/skills/").content.decode()
    assert "110 skills." in page
    assert "Pulse and rhythm" in page
    assert "No book of yours teaches it." in page


def test_page_shows_everything_about_a_skill(ada: Client, book: Book, learner: Learner, legato: Skill) -> None:
    make_evidence(legato, played_on=date(2026, 1, 8))
    make_evidence(legato, played_on=date(2026, 1, 9), passed=False)
    make_piece(learner, "The Night Ferry", needs=[legato])
    page = page_of(ada, legato)
    for words in [
        "In work",
        "No silent gap between slurred notes",
        "Notes overlap and smear",
        "Five-finger place",
        "Even five-finger runs",
        "Joined up",
        "The Night Ferry",
        "8 Jan 2026",
        "not yet",
    ]:
        assert words in page


def test_fault_that_is_a_symptom_points_to_the_care_page(ada: Client, learner: Learner) -> None:
    skill = Skill.objects.get(learner=learner, slug="forearm-rotation")
    page = page_of(ada, skill)
    assert "Stop and rest" in page
    assert 'href="/care/">If something hurts</a></div>' in page


def test_skill_that_no_book_teaches_is_named_a_gap(ada: Client, legato: Skill) -> None:
    assert "No book of yours teaches this." in page_of(ada, legato)


def test_own_skill_is_added_with_what_it_needs(ada: Client, learner: Learner) -> None:
    typed = form(see_or_hear="One ball\n\n  Two   balls ", needs=["legato", "steady-pulse"])
    response = ada.post("/skills/new/", typed)
    made = Skill.objects.get(learner=learner, name="Juggling")
    assert response.headers["Location"] == address("skill", made)
    assert made.slug == "own-juggling"
    assert made.see_or_hear == ["One ball", "Two balls"]
    assert {need.slug for need in made.needs.all()} == {"legato", "steady-pulse"}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"name": ""}, "Write a name."),
        ({"name": "joined NOTES"}, "You have a skill called “joined NOTES” already."),
        ({"name": "x" * 81}, "at most 80 characters"),
        ({"see_or_hear": "\n".join("abcdefghijklm")}, "13 lines are more than can be judged. Write at most 12."),
        ({"see_or_hear": "y" * 201}, "has 201 characters; a line has at most 200."),
        ({"needs": ["nothing-such"]}, "is none of your skills any more"),
        ({"group": "circus"}, "“circus” is none of these."),
    ],
)
def test_skill_that_cannot_be_saved_says_why(ada: Client, learner: Learner, change: dict, words: str) -> None:
    response = ada.post("/skills/new/", form() | change)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert learner.skills.count() == 110


def test_need_that_closes_a_loop_is_refused_naming_it(ada: Client, learner: Learner) -> None:
    skill = Skill.objects.get(learner=learner, slug="five-finger-place")
    response = ada.post(address("skill-edit", skill), form(name="Renamed", group="keyboard", needs=["thumb-under"]))
    assert response.status_code == 422
    page = response.content.decode()
    assert (
        "circle: “Renamed” needs “Passing the thumb” needs “Even five-finger runs” needs “Joined notes” needs “Renamed”"
        in page
    )
    skill.refresh_from_db()
    assert skill.name == "Five-finger place"
    assert {need.slug for need in skill.needs.all()} == {"key-names", "finger-numbers", "hand-arch"}


def test_shipped_skill_keeps_its_slug_and_its_faults_when_edited(ada: Client, legato: Skill) -> None:
    ada.post(address("skill-edit", legato), form(name="Legato", group="touch", needs=["five-finger-place"]))
    before = legato.faults
    legato.refresh_from_db()
    assert (legato.name, legato.slug, legato.faults) == ("Legato", "legato", before)


def test_skill_is_hidden_and_shown_again(ada: Client, legato: Skill) -> None:
    assert "is hidden. It keeps what it has." in ada.post(address("skill-hide", legato), follow=True).content.decode()
    assert "Joined notes" not in ada.get("/skills/").content.decode()
    assert "Joined notes" in ada.get("/skills/?hidden").content.decode()
    ada.post(address("skill-hide", legato), {"show": "1"})
    assert "Joined notes" in ada.get("/skills/").content.decode()


def test_skill_not_for_me_holds_nothing_and_shows_its_reason(ada: Client, learner: Learner, legato: Skill) -> None:
    response = ada.post(address("skill-not-for-me", legato), {"not-for-me-reason": " "})
    assert response.status_code == 422
    ada.post(address("skill-not-for-me", legato), {"not-for-me-reason": "a stiff finger"})
    assert "You wrote: “a stiff finger”" in page_of(ada, legato)
    assert "legato" in learner_graph(learner).known
    ada.post(address("skill-not-for-me", legato), {"again": "1"})
    assert "legato" not in learner_graph(learner).known


def test_standing_set_by_hand_shows_the_reason(ada: Client, learner: Learner, legato: Skill) -> None:
    response = ada.post(address("skill-by-hand", legato), {"passed": "True", "reason": ""})
    assert response.status_code == 422
    assert not Evidence.objects.exists()
    for _ in range(2):
        ada.post(address("skill-by-hand", legato), {"passed": "True", "reason": "years of singing"})
    assert Evidence.objects.count() == 1
    assert learner_graph(learner).standing_word("legato") == "ticked by hand"
    assert "years of singing" in page_of(ada, legato)
    ada.post(address("skill-by-hand", legato), {"passed": "False", "reason": "not true"})
    assert learner_graph(learner).standing_word("legato") == "in work"


def test_claim_is_made_once_and_only_without_evidence(ada: Client, learner: Learner, legato: Skill) -> None:
    for _ in range(2):
        response = ada.post(address("skill-claim", legato), follow=True)
    assert learner.evidence.count() == 1
    assert "it was not claimed" in response.content.decode()
    assert learner_graph(learner).standing_word("legato") == "claimed"


def test_evidence_is_withdrawn_and_stays_in_the_history(ada: Client, learner: Learner, legato: Skill) -> None:
    row = make_evidence(legato)
    place = reverse("curriculum:evidence-withdraw", args=[row.pk])
    assert ada.post(place).headers["Location"] == address("skill", legato)
    row.refresh_from_db()
    first = row.withdrawn_at
    ada.post(place)
    row.refresh_from_db()
    assert row.withdrawn_at == first
    assert "withdrawn on" in page_of(ada, legato)
    assert learner_graph(learner).standing_word("legato") == "untried"


def test_shipped_skill_is_never_deleted(ada: Client, legato: Skill) -> None:
    assert "You can hide it instead." in ada.get(address("skill-delete", legato)).content.decode()
    response = ada.post(address("skill-delete", legato), follow=True)
    assert "Hide it instead." in response.content.decode()
    assert Skill.objects.filter(pk=legato.pk).exists()


def test_own_skill_is_deleted(ada: Client, learner: Learner) -> None:
    own = services.add_skill(learner, name="Juggling")
    assert ada.post(address("skill-delete", own)).headers["Location"] == "/skills/"
    assert not Skill.objects.filter(pk=own.pk).exists()
