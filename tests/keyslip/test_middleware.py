"""What is answered before any page is asked: too much, signed out, not that way."""

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from keyslip.middleware import MOST_FORM_BYTES, page_above
from tests.make import make_assignment, make_book, make_learner, make_lesson, make_unit

pytestmark = pytest.mark.django_db


@pytest.fixture
def ada(client: Client) -> Client:
    client.force_login(make_learner("ada"))
    return client


# Too much


@pytest.mark.parametrize("address", ["/sign-in/", "/settings/", "/books/import/", "/pieces/new/"])
def test_far_too_large_form_is_refused_before_it_is_read(address):
    stranger = Client(enforce_csrf_checks=True)
    answer = stranger.post(address, b"x" * 10, content_type="multipart/form-data; boundary=B", CONTENT_LENGTH="9" * 12)
    assert answer.status_code == 413
    assert "That was too much at once" in answer.content.decode()


def test_form_at_the_limit_is_read(ada):
    answer = ada.post(
        "/books/import/", b"", content_type="multipart/form-data; boundary=B", CONTENT_LENGTH=str(MOST_FORM_BYTES)
    )
    assert answer.status_code == 422


@pytest.mark.parametrize("length", ["-1", "abc", "", "²"])
def test_length_that_is_no_number_counts_as_nothing(ada, length):
    assert ada.post("/books/import/", b"", content_type="text/plain", CONTENT_LENGTH=length).status_code == 422


def test_clip_may_be_larger_than_any_form(ada, settings, tmp_path):
    settings.KEYSLIP_DATA = tmp_path
    lesson = make_lesson(make_book_owner())
    film = SimpleUploadedFile("a.mov", b"x" * (MOST_FORM_BYTES + 1))
    answer = ada.post(reverse("lessons:clip-upload", args=[lesson.pk]), {"clip": film})
    assert answer.status_code == 422
    assert "Say what is on the clip" in answer.content.decode()


def make_book_owner():
    from curriculum.models import Learner

    return Learner.objects.get(username="ada")


# Signed out


def test_form_sent_after_the_session_ended_leads_back_to_its_page(client):
    make_learner("ada", set_up_on=None)
    sent = client.post("/units/1/move/", {"place": 2}, headers={"referer": "http://testserver/pieces/new/?dream=1"})
    assert sent.status_code == 404  # not even an address
    sent = client.post("/pieces/new/", {"title": "A"}, headers={"referer": "http://testserver/pieces/new/?dream=1"})
    assert sent["Location"] == "/sign-in/?next=/pieces/new/%3Fdream%3D1"
    page = client.get(sent["Location"]).content.decode()
    assert "You had been signed out, so what you sent just now was not kept." in page
    back = client.post(sent["Location"], {"username": "ada", "password": "a long passphrase", "next": "/pieces/new/"})
    assert client.get(back["Location"]).status_code == 200


def test_action_sent_after_the_session_ended_leads_back_to_where_the_button_was(client):
    book = make_book(make_learner("ada"))
    move = reverse("curriculum:unit-move", args=[make_unit(book).pk])
    where = f"http://testserver/books/{book.pk}/?part=2"
    assert client.post(move, headers={"referer": where})["Location"].endswith(f"?next=/books/{book.pk}/%3Fpart%3D2")


@pytest.mark.parametrize("referer", ["", "https://evil.example/books/", "http://testserver.evil.example/", "rubbish"])
def test_action_from_an_unknown_page_leads_to_the_page_above(client, referer):
    row = make_assignment(make_lesson(make_learner("ada")))
    action = reverse("lessons:first-try", args=[row.pk])
    assert client.post(action, headers={"referer": referer})["Location"] == f"/sign-in/?next=/assignments/{row.pk}/"


def test_part_of_a_page_asked_for_after_the_session_ended_sends_the_whole_page_to_sign_in(client):
    row = make_assignment(make_lesson(make_learner("ada")))
    headers = {"hx-request": "true", "hx-current-url": "http://testserver/week/?x=1"}
    answer = client.post(reverse("lessons:first-try", args=[row.pk]), {"was_right": "yes"}, headers=headers)
    assert answer["HX-Redirect"] == "/sign-in/?next=/week/"
    assert not answer.content
    assert not row.tries.exists()


@pytest.mark.parametrize(
    "aim",
    ["//evil.example", "https://evil.example/", "\\\\evil.example", "javascript:alert(1)", "http:///evil.example"],
)
def test_signing_in_never_leads_away_from_here(client, aim):
    make_learner("ada")
    answer = client.post(f"/sign-in/?next={aim}", {"username": "ada", "password": "a long passphrase", "next": aim})
    assert answer["Location"] == "/"


def test_session_from_before_signing_in_is_worth_nothing_afterwards(client, settings):
    make_learner("ada")
    session = client.session
    session["planted"] = "yes"
    session.save()
    planted = session.session_key
    client.cookies[settings.SESSION_COOKIE_NAME] = planted
    client.post("/sign-in/", {"username": "ada", "password": "a long passphrase"})
    assert client.cookies[settings.SESSION_COOKIE_NAME].value != planted
    thief = Client()
    thief.cookies[settings.SESSION_COOKIE_NAME] = planted
    assert thief.get("/week/").status_code == 302


def test_form_without_its_token_changes_nothing_and_says_why(client):
    careful = Client(enforce_csrf_checks=True)
    learner = make_learner("ada")
    careful.force_login(learner)
    for action in ("curriculum:piece-new", "curriculum:book-new", "curriculum:settings", "lessons:week-propose"):
        answer = careful.post(reverse(action), {"title": "Taken"})
        assert answer.status_code == 403
        assert "This page had been open too long" in answer.content.decode()
    lesson = make_lesson(learner)
    assert careful.post(reverse("lessons:clip-upload", args=[lesson.pk]), {}).status_code == 403
    assert not learner.pieces.exists()


# Not that way


def test_address_of_a_button_says_where_its_page_is(ada):
    unit = make_unit(make_book(make_book_owner()))
    answer = ada.get(reverse("curriculum:unit-move", args=[unit.pk]))
    assert answer.status_code == 405
    assert answer["Allow"] == "POST"
    assert f'href="/units/{unit.pk}/"' in answer.content.decode()


@pytest.mark.parametrize(
    ("path", "above"),
    [
        (
            "/lessons/7b0c8f5e-53d5-4a55-9f7b-6d3e0a3c1b11/clips/upload/",
            "/lessons/7b0c8f5e-53d5-4a55-9f7b-6d3e0a3c1b11/",
        ),
        ("/tries/7b0c8f5e-53d5-4a55-9f7b-6d3e0a3c1b11/delete/", "/"),
        ("/sign-out/", "/"),
        ("/", "/"),
    ],
)
def test_page_above_is_the_nearest_that_exists(path, above):
    assert page_above(path) == above
