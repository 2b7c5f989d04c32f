"""The first account, setting up, and the settings."""

import hashlib
from datetime import date
from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Learner, Unit
from tests.make import make_book, make_learner, make_unit

WEEK = {
    "practice_days": ["1", "3"],
    "minutes_per_day": "30",
    "film_day": "6",
    "instrument": "digital",
    "has_played_before": "False",
}
ACCOUNT = {"username": "ada", "password": "quiet-keys-88", "again": "quiet-keys-88", "time_zone": "Europe/Lisbon"}


@pytest.fixture
def link(settings: object, tmp_path: Path) -> str:
    """The one-time link, as the supervisor writes it."""
    settings.KEYSLIP_DATA = tmp_path
    (tmp_path / "first_account_token").write_text(hashlib.sha256(b"open-sesame").hexdigest())
    return "/begin/open-sesame/"


def test_first_account_is_made_and_signed_in(client: Client, db: None, link: str, tmp_path: Path) -> None:
    assert client.get(link).status_code == 200
    response = client.post(link, ACCOUNT)
    assert response.headers["Location"] == reverse("curriculum:set-up")
    learner = Learner.objects.get()
    assert learner.is_superuser
    assert learner.time_zone == "Europe/Lisbon"
    assert learner.skills.count() == 110
    assert not (tmp_path / "first_account_token").exists()
    assert client.get("/").headers["Location"] == reverse("curriculum:set-up")


def test_link_pressed_twice_leads_on(client: Client, db: None, link: str) -> None:
    client.post(link, ACCOUNT)
    assert client.post(link, ACCOUNT).headers["Location"] == "/"
    assert Learner.objects.count() == 1


def test_door_is_shut_once_there_is_an_account(client: Client, db: None, link: str) -> None:
    make_learner()
    assert client.get(link).status_code == 404
    assert client.post(link, ACCOUNT).status_code == 404


def test_two_at_the_door_at_the_same_moment_make_one_account(
    client: Client, db: None, link: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second has found the door open before the first was through."""
    monkeypatch.setattr("curriculum.views.arriving._opens", lambda _: True)
    assert client.post(link, ACCOUNT).status_code == 302
    assert Client().post(link, ACCOUNT | {"username": "mallory"}).status_code == 404
    assert [learner.username for learner in Learner.objects.all()] == ["ada"]


@pytest.mark.parametrize("token", ["open-sesame ", "OPEN-SESAME", "x" * 5000, "%00", "😀", "..%2f..%2fsecret_key"])
def test_nearly_right_or_odd_token_opens_nothing(client: Client, db: None, link: str, token: str) -> None:
    assert client.get(f"/begin/{token}/").status_code == 404
    assert client.post(f"/begin/{token}/", ACCOUNT).status_code == 404
    assert not Learner.objects.exists()


def test_door_stays_open_beside_the_sample_learner(client: Client, db: None, link: str) -> None:
    make_learner("sample", is_sample=True)
    client.post(link, ACCOUNT)
    assert Learner.objects.get(username="ada").is_superuser


def test_wrong_token_opens_nothing(client: Client, db: None, link: str) -> None:
    assert client.get("/begin/guess/").status_code == 404
    assert client.get("/begin/%ED%A0%80/").status_code == 404


def test_link_opens_nothing_without_its_file(client: Client, db: None, link: str, tmp_path: Path) -> None:
    (tmp_path / "first_account_token").unlink()
    assert client.get(link).status_code == 404


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"username": "ada lovelace"}, "letters, digits"),
        ({"again": "quiet-keys-99"}, "two passwords differ"),
        ({"password": "short", "again": "short"}, "This is shorter than eight characters."),
        ({"time_zone": "Mars/Olympus"}, "is none of these."),
    ],
)
def test_account_that_cannot_be_made_says_why(client: Client, db: None, link: str, change: dict, words: str) -> None:
    response = client.post(link, ACCOUNT | change)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Learner.objects.exists()


def test_guessed_time_zone_is_one_that_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Lisbon")
    assert services.guess_time_zone() == "Europe/Lisbon"
    monkeypatch.setenv("TZ", "nonsense")
    assert services.guess_time_zone() != "nonsense"


def test_home_leads_to_the_week_after_setting_up(ada: Client) -> None:
    assert ada.get("/").headers["Location"] == reverse("lessons:week")


def test_set_up_week_keeps_the_week(client: Client, db: None) -> None:
    learner = make_learner(set_up_on=None)
    client.force_login(learner)
    response = client.post(reverse("curriculum:set-up-week"), WEEK)
    assert response.headers["Location"] == reverse("curriculum:set-up-book")
    learner.refresh_from_db()
    assert (learner.practice_days, learner.minutes_per_day, learner.instrument) == ([1, 3], 30, "digital")
    assert learner.set_up_on == learner.today()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"minutes_per_day": "300"}, "300 is more than a day’s practice. Write minutes, such as 30."),
        ({"minutes_per_day": "2"}, "2 is too short"),
        ({"minutes_per_day": "half an hour"}, "Write a whole number of minutes"),
        ({"practice_days": []}, "Choose at least one day."),
        ({"practice_days": ["9"]}, "“9” is none of these."),
    ],
)
def test_week_that_cannot_be_kept_says_why(client: Client, db: None, change: dict, words: str) -> None:
    learner = make_learner(set_up_on=None)
    client.force_login(learner)
    response = client.post(reverse("curriculum:set-up-week"), WEEK | change)
    assert response.status_code == 422
    assert words in response.content.decode()
    learner.refresh_from_db()
    assert learner.set_up_on is None


def test_set_up_returns_to_the_first_unfinished_step(client: Client, db: None) -> None:
    learner = make_learner(set_up_on=None)
    services.seed_skills(learner)
    client.force_login(learner)

    def step() -> str:
        return client.get(reverse("curriculum:set-up")).headers["Location"]

    assert step() == reverse("curriculum:set-up-week")
    learner.set_up_on = date(2026, 1, 5)
    learner.save()
    assert step() == reverse("curriculum:set-up-book")
    book = make_book(learner)
    assert step() == reverse("curriculum:set-up-book")
    first, second, third = (make_unit(book) for _ in range(3))
    assert step() == reverse("curriculum:set-up-place")
    services.stand_here(second, today=date(2026, 1, 5))
    assert step() == reverse("curriculum:set-up-new")
    new = client.get(reverse("curriculum:set-up-new")).headers["Location"]
    assert new == reverse("curriculum:set-up-new-unit", args=[second.pk])
    client.post(new, {"words": "legato", "skills": "legato", "save": "1"})
    assert client.get(reverse("curriculum:set-up-new")).headers["Location"].endswith(f"{third.pk}/")
    services.change_unit(third, new_words="a duet")
    assert step() == reverse("lessons:week")
    first.refresh_from_db()
    assert first.done_by == Unit.DoneBy.HERE


def test_book_step_keeps_the_book_and_asks_where_you_are(ada: Client, learner: Learner) -> None:
    address = reverse("curriculum:set-up-book")
    preview = ada.post(address, {"title": "Evening Piano", "contents": "1. Skips ... 4\n2. Steps ... 6", "look": "1"})
    assert not Book.objects.exists()
    typed = {"title": "Evening Piano", "contents": "1. Skips ... 4\n2. Steps ... 6", "seen": preview.context["seen"]}
    response = ada.post(address, typed | {"keep": "1"})
    assert response.headers["Location"] == reverse("curriculum:set-up-place")
    assert learner.books.get().units.count() == 2


def test_place_step_refuses_a_unit_of_another_book(ada: Client, book: Book, learner: Learner) -> None:
    other = make_unit(make_book(make_learner("mallory")))
    response = ada.post(reverse("curriculum:set-up-place"), {"unit": str(other.pk)})
    assert response.status_code == 422
    assert "not in the book any more" in response.content.decode()
    assert ada.post(reverse("curriculum:set-up-place"), {"unit": "soup"}).status_code == 422


def test_place_step_without_a_book_asks_for_one(ada: Client) -> None:
    assert ada.get(reverse("curriculum:set-up-place")).headers["Location"] == reverse("curriculum:set-up-book")


def test_settings_are_kept(ada: Client, learner: Learner) -> None:
    address = reverse("curriculum:settings")
    response = ada.post(address, WEEK | {"first_weekday": "6", "time_zone": "Asia/Tokyo"}, follow=True)
    assert "The sheet of this week stays as it is" in response.content.decode()
    learner.refresh_from_db()
    assert (learner.first_weekday, learner.time_zone) == (6, "Asia/Tokyo")
    assert learner.set_up_on == date(2026, 1, 5)


def test_settings_that_cannot_be_kept_change_nothing(ada: Client, learner: Learner) -> None:
    response = ada.post(reverse("curriculum:settings"), WEEK | {"first_weekday": "6", "time_zone": "Nowhere"})
    assert response.status_code == 422
    learner.refresh_from_db()
    assert learner.first_weekday == 0


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"old": "not it"}, "This is not the old password."),
        ({"old": ""}, "Write the old password first."),
        ({"again": "something else 4"}, "The two new passwords differ."),
        ({"password": "", "again": ""}, "Write a new password."),
        ({"password": "0" * 12, "again": "0" * 12}, "Digits alone are soon guessed."),
        ({"password": "password", "again": "password"}, "Many people use this one"),
        ({"password": "short7", "again": "short7"}, "This is shorter than eight characters."),
    ],
)
def test_password_that_cannot_be_changed_says_why(ada: Client, learner: Learner, typed: dict, words: str) -> None:
    whole = {"old": "a long passphrase", "password": "under the stairs 9", "again": "under the stairs 9"}
    page = ada.post(reverse("password_change"), whole | typed).content.decode()
    assert words in page
    learner.refresh_from_db()
    assert learner.check_password("a long passphrase")


def test_changed_password_keeps_the_learner_signed_in(ada: Client, learner: Learner) -> None:
    typed = {"old": "a long passphrase", "password": "under the stairs 9", "again": "under the stairs 9"}
    ada.post(reverse("password_change"), typed)
    learner.refresh_from_db()
    assert learner.check_password("under the stairs 9")
    assert ada.get("/books/").status_code == 200
