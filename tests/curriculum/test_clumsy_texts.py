"""What comes out of a keyboard or a paste: signs that print nothing, odd addresses, too much of everything."""

import csv
import io
import json
from datetime import UTC, datetime

import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Learner
from curriculum.outline import BookOutline, UnitOutline, read_json, read_table, write_json
from curriculum.outline.book import MOST_IN_LIST, MOST_UNITS
from tests.make import make_learner, make_piece, make_unit

ODD = ["a\x1bb", "a\x7fb", "a\u2028b", "a\x85b", "=1+1", "\u202eabc\u202c", "😀" * 30, "שלום עולם", "\x01x"]


def exported(ada: Client, book: Book) -> list[BookOutline]:
    table = ada.get(reverse("curriculum:book-export-csv", args=[book.pk]))
    document = ada.get(reverse("curriculum:book-export-json", args=[book.pk]))
    assert {table.status_code, document.status_code} == {200}
    return [*read_table(table.content), read_json(document.content.decode())]


@pytest.mark.parametrize("text", ODD)
def test_whatever_a_form_keeps_its_book_can_be_exported_and_read_back(ada: Client, book: Book, text: str) -> None:
    unit = book.units.get(position=1)
    typed = {"title": text, "page": text, "chapter": text, "place": 1, "follows": "before"}
    assert ada.post(reverse("curriculum:unit-edit", args=[unit.pk]), typed).status_code == 302
    words = {"words": f"{text}\x0bmore\r\nand more", "words_only": "1"}
    assert ada.post(reverse("curriculum:unit-teaches", args=[unit.pk]), words).status_code == 302
    assert ada.post(reverse("curriculum:book-edit", args=[book.pk]), {"title": text}).status_code == 302
    for outline in exported(ada, book):
        book.refresh_from_db()
        unit.refresh_from_db()
        assert (outline.title, outline.units[0].title) == (book.title, unit.title)
        assert outline.units[0].new_words == unit.new_words
        assert outline.units[0].new_words.endswith("more\nand more")


def test_no_cell_of_an_exported_table_is_a_formula(ada: Client, book: Book) -> None:
    for unit, start in zip(book.units.order_by("position"), ["=1+1", "+1", "-1", "@SUM(1)", "\t=1"], strict=False):
        typed = {"title": start, "page": start, "chapter": start, "place": unit.position, "follows": "before"}
        ada.post(reverse("curriculum:unit-edit", args=[unit.pk]), typed)
    ada.post(reverse("curriculum:book-edit", args=[book.pk]), {"title": "=HYPERLINK(1)"})
    text = ada.get(reverse("curriculum:book-export-csv", args=[book.pk])).content.decode("utf-8-sig")
    for row in csv.reader(io.StringIO(text)):
        assert not any(cell[:1] in "=+-@\t\r" for cell in row if cell)


@pytest.mark.parametrize(
    "link", ["http://[x", "https://a b", 'https://x"y', "https://ex.org/\u202eabc", "javascript:alert(1)", "//ex.org"]
)
def test_address_that_no_browser_should_follow_is_refused_in_words(ada: Client, book: Book, link: str) -> None:
    unit = book.units.get(position=1)
    piece = make_piece(book.learner)
    typed = {"title": "T", "link": link, "place": 1, "follows": "before"}
    for address in (
        reverse("curriculum:unit-edit", args=[unit.pk]),
        reverse("curriculum:piece-edit", args=[piece.pk]),
        reverse("curriculum:piece-new"),
    ):
        answer = ada.post(address, typed)
        assert answer.status_code == 422
        assert "is not a web address" in answer.content.decode()
    assert len(exported(ada, book)) == 2


def test_book_takes_no_more_units_than_its_file_can_carry(ada: Client, learner: Learner) -> None:
    units = [UnitOutline(position=number, title=f"Tune {number}") for number in range(1, MOST_UNITS + 1)]
    book = services.add_book(learner, title="Long", units=units)
    append = reverse("curriculum:book-append", args=[book.pk])
    page = ada.post(append, {"contents": "One more tune", "look": "1"})
    typed = {"contents": "One more tune", "keep": "1", "seen": page.context["seen"]}
    for address, data in (
        (append, typed),
        (reverse("curriculum:unit-new", args=[book.pk]), {"title": "One more", "place": 1, "follows": "before"}),
    ):
        answer = ada.post(address, data)
        assert answer.status_code == 422
        assert f"a book has at most {MOST_UNITS}" in answer.content.decode()
    assert book.units.count() == MOST_UNITS


def test_unit_names_no_more_skills_than_its_file_can_carry(learner: Learner, book: Book) -> None:
    made = [services.add_skill(learner, name=f"Skill {number}") for number in range(MOST_IN_LIST + 1)]
    with pytest.raises(ValidationError, match="too many for one unit"):
        services.change_unit(book.units.get(position=1), teaches=made)


@pytest.mark.parametrize("title", ["y" * 500, "\x01" * 400 + "y" * 301])
def test_title_typed_for_an_imported_book_that_is_too_long_is_said(ada: Client, learner: Learner, title: str) -> None:
    document = write_json(BookOutline(title="T", units=(UnitOutline(position=1, title="U"),)))
    answer = ada.post(reverse("curriculum:book-import"), {"documents": json.dumps([document]), "title-1": title})
    assert answer.status_code == 422
    assert "characters; at most 300 fit" in answer.content.decode()
    assert not learner.books.exists()


@pytest.mark.parametrize("part", ["title", "unit", "link"])
@pytest.mark.parametrize("text", ["\ud800x", "a\x00b", "x" * 3000])
def test_imported_text_that_cannot_be_kept_is_refused(ada: Client, learner: Learner, part: str, text: str) -> None:
    plain = json.loads(write_json(BookOutline(title="T", units=(UnitOutline(position=1, title="U"),))))
    where = plain["book"] if part == "title" else plain["book"]["units"][0]
    where["title" if part != "link" else "link"] = text
    content = json.dumps(plain)
    answer = ada.post(reverse("curriculum:book-import"), {"file": SimpleUploadedFile("book.json", content.encode())})
    assert answer.status_code == 422
    assert ada.post(reverse("curriculum:book-import"), {"documents": json.dumps([content])}).status_code == 302
    assert not learner.books.exists()


def test_day_is_counted_in_the_house_where_its_time_zone_is_no_longer_known() -> None:
    learner = Learner(time_zone="Atlantis/Deep")
    assert learner.today(datetime(2026, 3, 1, 23, 59, tzinfo=UTC)).isoformat() == "2026-03-01"


@pytest.mark.django_db
def test_every_page_opens_in_a_time_zone_that_is_no_longer_known(client: Client) -> None:
    learner = make_learner(time_zone="Atlantis/Deep")
    make_unit(services.add_book(learner, title="Evening Piano"))
    client.force_login(learner)
    for name in ("curriculum:way", "curriculum:skill-list", "lessons:week", "lessons:film", "reviews:judge"):
        assert client.get(reverse(name)).status_code == 200
