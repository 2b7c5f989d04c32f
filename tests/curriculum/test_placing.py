"""Placement: one question a page, back, stop and go on, and nothing written before the result is taken over."""

import re

from django.test import Client
from django.urls import reverse

from curriculum.models import Book, Evidence, Learner, Placement
from curriculum.queries import learner_graph


def begin(client: Client) -> str:
    return client.post("/placement/").headers["Location"]


def answer(client: Client, url: str, said: str = "yes") -> str:
    """Answer the question that stands; return its heading."""
    page = client.get(url).content.decode()
    kind, about = re.search(
        r'name="kind" value="(\w+)"><input type="hidden" name="about" value="([^"]+)"', page
    ).groups()
    client.post(url, {"kind": kind, "about": about, "said": said})
    return re.search("<h1>(.*?)</h1>", page)[1]


def test_book_is_halved_first_and_then_skills_are_asked(ada: Client, learner: Learner, book: Book) -> None:
    url = begin(ada)
    asked = [answer(ada, url) for _ in range(4)]
    assert asked[0].startswith("Could you play page")
    assert any("can you do this today?" in heading for heading in asked)
    assert not Evidence.objects.exists()
    assert len(Placement.objects.get().answers) == 4


def test_result_is_shown_before_anything_is_written_and_taken_over_once(
    ada: Client, learner: Learner, book: Book
) -> None:
    url = begin(ada)
    for _ in range(2):
        answer(ada, url)
    page = ada.get(f"{url}?result").content.decode()
    assert "would be claimed" in page
    assert "Nothing is written yet" in page
    assert not Evidence.objects.exists()
    accept = reverse("curriculum:placement-accept", args=[Placement.objects.get().pk])
    ada.post(accept)
    count = Evidence.objects.count()
    assert count
    assert set(Evidence.objects.values_list("source", flat=True)) == {"claim"}
    ada.post(accept)
    assert Evidence.objects.count() == count
    assert learner_graph(learner).report("key-names").standing == "claimed"
    assert ada.get(url).status_code == 302


def test_nobody_is_placed_without_an_answer(ada: Client, learner: Learner, book: Book) -> None:
    url = begin(ada)
    assert "would be claimed" not in ada.get(f"{url}?result").content.decode()
    ada.post(reverse("curriculum:placement-accept", args=[Placement.objects.get().pk]))
    assert not Evidence.objects.exists()
    assert Placement.objects.get().finished_at is None


def test_back_takes_one_answer_back_and_stopping_keeps_the_rest(ada: Client, learner: Learner, book: Book) -> None:
    url = begin(ada)
    first = answer(ada, url, "no")
    ada.post(url, {"back": "1"})
    assert answer(ada, url, "cannot_tell") == first
    assert "Go on where you stopped" in ada.get("/placement/").content.decode()
    assert begin(ada) == url


def test_answer_to_another_question_or_of_no_kind_changes_nothing(ada: Client, learner: Learner, book: Book) -> None:
    url = begin(ada)
    ada.post(url, {"kind": "skill", "about": "soup", "said": "yes"})
    ada.post(url, {"said": "yes"})
    ada.post(url, {})
    assert Placement.objects.get().answers == []


def test_all_not_yet_stands_at_the_beginning(ada: Client, learner: Learner, book: Book) -> None:
    url = begin(ada)
    for _ in range(4):
        answer(ada, url, "no")
    assert "You are about at unit 1" in ada.get(f"{url}?result").content.decode()


def test_placement_without_a_book_asks_about_skills_alone(ada: Client, learner: Learner) -> None:
    assert "can you do this today?" in answer(ada, begin(ada))


def test_skill_that_went_since_is_passed_over(ada: Client, learner: Learner, book: Book) -> None:
    url = begin(ada)
    answer(ada, url)
    Placement.objects.update(answers=[{"kind": "skill", "id": "own-gone", "said": "yes"}])
    assert ada.get(url).status_code == 200


def test_answers_can_be_thrown_away(ada: Client, learner: Learner) -> None:
    begin(ada)
    ada.post(reverse("curriculum:placement-drop", args=[Placement.objects.get().pk]))
    assert not Placement.objects.exists()


def test_placement_is_nobody_elses(ada: Client, stranger: Client, client: Client, learner: Learner) -> None:
    url = begin(ada)
    pk = Placement.objects.get().pk
    assert stranger.get(url).status_code == 404
    assert stranger.post(url, {"back": "1"}).status_code == 404
    for name in ("placement-accept", "placement-drop"):
        assert stranger.post(reverse(f"curriculum:{name}", args=[pk])).status_code == 404
        assert stranger.get(reverse(f"curriculum:{name}", args=[pk])).status_code == 405
    client.logout()
    assert client.get("/placement/").status_code == 302
