"""Books: entering, looking, importing and exporting."""

import csv
import io
import json

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from curriculum import services
from curriculum.models import Book, Learner
from curriculum.outline import read_json, read_table
from tests.make import make_book, make_unit

NEW = "/books/new/"
CONTENTS = "Part one\n1. Skips ..... 4\n2. The Waltz, p. 6\n3. The Waltz, p. 8"


def keep(client: Client, address: str, **typed: str):
    """Look at the preview, then keep it."""
    preview = client.post(address, typed | {"look": "1"})
    return client.post(address, typed | {"keep": "1", "seen": preview.context["seen"]})


def test_preview_writes_nothing(ada: Client) -> None:
    response = ada.post(NEW, {"title": "Evening Piano", "contents": CONTENTS, "look": "1"})
    page = response.content.decode()
    assert response.status_code == 200
    assert "3 units, not saved yet" in page
    assert "Lines 3 and 4 have the same title, “The Waltz”. Both were kept." in page
    assert not Book.objects.exists()


def test_kept_list_becomes_units_in_order(ada: Client) -> None:
    response = keep(ada, NEW, title="  Evening \n Piano ", contents=CONTENTS)
    book = Book.objects.get()
    assert response.headers["Location"] == reverse("curriculum:book", args=[book.pk])
    assert book.title == "Evening Piano"
    rows = list(book.units.order_by("position").values_list("title", "page", "chapter"))
    assert rows == [("Skips", "4", "Part one"), ("The Waltz", "6", "Part one"), ("The Waltz", "8", "Part one")]


def test_list_changed_after_the_preview_is_shown_once_more(ada: Client) -> None:
    preview = ada.post(NEW, {"title": "A", "contents": CONTENTS, "look": "1"})
    typed = {"title": "A", "contents": CONTENTS + "\n4. Steps, p. 9", "seen": preview.context["seen"], "keep": "1"}
    response = ada.post(NEW, typed)
    assert "Changed since the last look" in response.content.decode()
    assert not Book.objects.exists()


def test_keeping_twice_names_the_book_and_keeps_one(ada: Client) -> None:
    keep(ada, NEW, title="Evening Piano", contents=CONTENTS)
    response = ada.post(NEW, {"title": "Evening Piano", "contents": CONTENTS, "keep": "1", "seen": "x"})
    assert response.status_code == 422
    page = response.content.decode()
    assert "You have a book called “Evening Piano” already." in page
    assert "The Waltz" in page  # what was typed is still there
    assert Book.objects.count() == 1


def test_two_windows_at_the_same_moment_keep_one_book(learner: Learner, monkeypatch: pytest.MonkeyPatch) -> None:
    services.add_book(learner, title="Evening Piano")
    monkeypatch.setattr("django.db.models.query.QuerySet.exists", lambda self: False)
    with pytest.raises(services.books.ValidationError, match="Evening Piano"):
        services.add_book(learner, title="Evening Piano")
    monkeypatch.undo()
    assert Book.objects.count() == 1


def test_title_alone_is_enough_to_begin(ada: Client) -> None:
    response = ada.post(NEW, {"title": "Evening Piano", "empty": "1"}, follow=True)
    assert "No units yet" in response.content.decode()


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"title": "", "contents": CONTENTS}, "Write the book’s title first."),
        ({"title": "x" * 301, "contents": CONTENTS}, "at most 300 characters"),
        ({"title": "A", "contents": ""}, "The list is empty."),
        ({"title": "A", "contents": " \n \n"}, "The list is empty."),
        ({"title": "A", "contents": "PK\x03\x04\x01\x02\x05\x06\x07" * 20}, "looks like a file and not like text"),
        ({"title": "A", "contents": "Skips\n" * 5001}, "at most 5000 can be read"),
        ({"title": "A", "contents": "".join(f"Step {n}\n" for n in range(2001))}, "at most 2000"),
        ({"title": "A", "contents": "x" * 400_001}, "400 thousand can be read"),
    ],
)
def test_list_that_cannot_be_read_says_why_and_writes_nothing(ada: Client, typed: dict, words: str) -> None:
    response = ada.post(NEW, typed | {"look": "1"})
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Book.objects.exists()


def test_zero_byte_in_a_paste_is_refused_in_words(ada: Client) -> None:
    response = ada.post(NEW, {"title": "A", "contents": "Skips\x00Steps", "look": "1"})
    assert response.status_code == 422
    assert not Book.objects.exists()


def test_longest_list_is_kept_and_shown_part_by_part(ada: Client, django_assert_max_num_queries) -> None:
    contents = "".join(f"Chapter {n // 20 + 1}:\n" if n % 20 == 0 else f"Step {n} ..... {n}\n" for n in range(2000))
    keep(ada, NEW, title="Long", contents=contents)
    book = Book.objects.get()
    assert book.units.count() == 1900
    with django_assert_max_num_queries(16):
        page = ada.get(reverse("curriculum:book", args=[book.pk])).content.decode()
    assert page.count('class="entry"') == 19
    assert "Chapter 100" in page
    page = ada.get(reverse("curriculum:book", args=[book.pk]), {"part": "3"}).content.decode()
    assert "Step 41<" in page


@pytest.mark.parametrize("part", ["0", "999", "soup", "-1", "99999999999999"])
def test_part_that_is_not_there_shows_where_you_are(ada: Client, learner: Learner, part: str) -> None:
    book = make_book(learner)
    for number in range(61):
        make_unit(book, f"Step {number}")
    page = ada.get(reverse("curriculum:book", args=[book.pk]), {"part": part}).content.decode()
    assert "You are here." in page


def test_number_of_queries_does_not_grow_with_the_book(ada: Client, book: Book, django_assert_num_queries) -> None:
    address = reverse("curriculum:book", args=[book.pk])
    with django_assert_num_queries(10) as first:
        ada.get(address)
    for _ in range(20):
        make_unit(book)
    with django_assert_num_queries(len(first)):
        ada.get(address)


def test_book_page_says_what_each_unit_waits_for(ada: Client, book: Book) -> None:
    page = ada.get(reverse("curriculum:book", args=[book.pk])).content.decode()
    assert "Comes after unit 4, “Joined up”." in page
    assert "You are here." in page


def test_one_book_alone_is_shown_itself(ada: Client, book: Book, learner: Learner) -> None:
    assert ada.get("/books/").headers["Location"] == reverse("curriculum:book", args=[book.pk])
    services.add_book(learner, title="Another")
    page = ada.get("/books/").content.decode()
    assert "0 of 5 units done." in page
    assert "No units yet." in page


def test_no_book_says_what_to_do_first(ada: Client) -> None:
    assert "No book yet" in ada.get("/books/").content.decode()


def test_units_are_added_at_the_end(ada: Client, book: Book) -> None:
    keep(ada, reverse("curriculum:book-append", args=[book.pk]), contents="Rests, p. 20\nTies, p. 22")
    assert list(book.units.order_by("position").values_list("title", flat=True))[-2:] == ["Rests", "Ties"]
    assert ada.post(reverse("curriculum:book-append", args=[book.pk]), {"contents": "", "look": "1"}).status_code == 422


def test_adding_the_same_units_twice_is_shown_before_it_is_done(ada: Client, book: Book) -> None:
    address = reverse("curriculum:book-append", args=[book.pk])
    typed = {"contents": "Rests, p. 20"}
    typed |= {"seen": ada.post(address, typed | {"look": "1"}).context["seen"], "keep": "1"}
    ada.post(address, typed)
    response = ada.post(address, typed)
    assert "Changed since the last look" in response.content.decode()
    assert book.units.count() == 6


def test_title_is_changed_unless_another_book_has_it(ada: Client, book: Book, learner: Learner) -> None:
    services.add_book(learner, title="Taken")
    address = reverse("curriculum:book-edit", args=[book.pk])
    response = ada.post(address, {"title": "Taken"})
    assert response.status_code == 422
    assert "You have a book called “Taken” already." in response.content.decode()
    ada.post(address, {"title": "Morning Piano"})
    book.refresh_from_db()
    assert book.title == "Morning Piano"


def test_book_is_deleted_after_being_asked(ada: Client, book: Book) -> None:
    address = reverse("curriculum:book-delete", args=[book.pk])
    assert "Delete Evening Piano?" in ada.get(address).content.decode()
    assert ada.post(address).headers["Location"] == "/books/"
    assert not Book.objects.exists()
    assert ada.post(address).status_code == 404


def test_exports_read_back_as_the_same_book(ada: Client, book: Book) -> None:
    book.units.filter(position=1).update(title="=1+1", new_words="one; two\nthree", link="https://example.org/a?b=c")
    outline = services.outline_of(book)
    table = ada.get(reverse("curriculum:book-export-csv", args=[book.pk]))
    assert read_table(table.content) == (outline,)
    assert next(row["title"] for row in csv.DictReader(io.StringIO(table.content.decode()))) == "'=1+1"
    assert table.headers["Content-Disposition"] == 'attachment; filename="Evening Piano.csv"'
    file = ada.get(reverse("curriculum:book-export-json", args=[book.pk]))
    assert read_json(file.content) == outline


def upload(client: Client, content: bytes, name: str = "book.csv"):
    return client.post("/books/import/", {"file": SimpleUploadedFile(name, content)})


@pytest.mark.parametrize("ending", ["csv", "json"])
def test_exported_book_is_imported_as_it_was(ada: Client, book: Book, ending: str) -> None:
    book.units.filter(position=2).update(new_words="a;\r\n\n“b”\n,=c", follows="named")
    outline = services.outline_of(book)
    content = ada.get(reverse(f"curriculum:book-export-{ending}", args=[book.pk])).content
    services.delete_book(book)
    preview = upload(ada, content, f"book.{ending}")
    assert not Book.objects.exists()
    ada.post("/books/import/", {"documents": preview.context["documents"], "title-1": "Evening Piano"})
    assert services.outline_of(Book.objects.get()) == outline


def test_semicolons_quotes_and_a_byte_order_mark_are_read(ada: Client) -> None:
    content = b'\xef\xbb\xbfBook;Title;Teaches\r\n"A ""B""";"=SUM(1;2)";legato;\r\n'.replace(b"legato;", b"legato")
    preview = upload(ada, content)
    assert preview.status_code == 200
    ada.post("/books/import/", {"documents": preview.context["documents"]})
    assert Book.objects.get().title == 'A "B"'
    assert Book.objects.get().units.get().title == "=SUM(1;2)"


@pytest.mark.parametrize(
    ("content", "name", "words"),
    [
        (b"", "book.csv", "is empty"),
        (b"PK\x03\x04" + b"\x00" * 50, "book.xlsx", "Save it as CSV"),
        (b"\x00\x00\x00\x20ftypqt  " + bytes(range(256)), "lesson.mov", ""),
        (b"book,title\n", "book.csv", "no unit in this file"),
        (b"book,title,position\nA,Skips,two\n", "book.csv", "position"),
        (b"book,title,link\nA,Skips,javascript:alert(1)\n", "book.csv", "not a web address"),
        (b"book,colour\nA,red\n", "book.csv", "colour"),
        (b'{"schema": 1', "book.json", ""),
        (b"[]", "book.json", ""),
        (b'{"schema": 9, "book": {}}', "book.json", "schema"),
        (b"[" * 100_000, "book.json", ""),
    ],
)
def test_file_that_cannot_be_read_says_why_and_writes_nothing(
    ada: Client, content: bytes, name: str, words: str
) -> None:
    response = upload(ada, content, name)
    assert response.status_code == 422
    assert words in response.content.decode()
    assert not Book.objects.exists()


def test_no_file_chosen_says_so(ada: Client) -> None:
    response = ada.post("/books/import/", {})
    assert response.status_code == 422
    assert "Choose a file first." in response.content.decode()


def test_importing_twice_names_the_book_and_offers_another_title(ada: Client, book: Book) -> None:
    documents = upload(ada, b"book,title\nEvening Piano,Skips\n").context["documents"]
    response = ada.post("/books/import/", {"documents": documents})
    assert response.status_code == 422
    assert "You have a book called “Evening Piano” already." in response.content.decode()
    ada.post("/books/import/", {"documents": documents, "title-1": "Evening Piano, again"})
    assert Book.objects.count() == 2


def test_several_books_are_imported_all_or_none(ada: Client, book: Book) -> None:
    documents = upload(ada, b"book,title\nNew,Skips\nEvening Piano,Steps\n").context["documents"]
    assert ada.post("/books/import/", {"documents": documents}).status_code == 422
    assert Book.objects.count() == 1


def test_unknown_skills_are_named_and_can_be_left_out(ada: Client) -> None:
    preview = upload(ada, b"book,title,teaches\nA,Skips,legato;own-juggling\n")
    assert "own-juggling" in preview.content.decode()
    documents = preview.context["documents"]
    assert ada.post("/books/import/", {"documents": documents}).status_code == 422
    ada.post("/books/import/", {"documents": documents, "leave_out": "on"})
    assert [skill.slug for skill in Book.objects.get().units.get().teaches.all()] == ["legato"]


def test_units_that_come_after_each_other_are_refused(ada: Client) -> None:
    documents = upload(ada, b"book,position,title,after\nA,1,Skips,2\nA,2,Steps,1\n").context["documents"]
    response = ada.post("/books/import/", {"documents": documents})
    assert response.status_code == 422
    page = response.content.decode()
    assert "go round in a circle" in page
    assert "unit 1, “Skips” comes after unit 2, “Steps”" in page
    assert not Book.objects.exists()


@pytest.mark.parametrize("documents", ["", "{", "3", '["x"]', "[[]]", json.dumps(["[" * 5000])])
def test_tampered_preview_writes_nothing(ada: Client, documents: str) -> None:
    response = ada.post("/books/import/", {"documents": documents})
    assert response.status_code in {302, 422}
    assert not Book.objects.exists()


def test_outline_to_give_away_holds_titles_pages_and_skills_alone(ada: Client, book: Book) -> None:
    book.units.update(new_words="printed words", link="https://example.org/x")
    url = reverse("curriculum:book-export-json", args=[book.pk])
    given_away = ada.get(f"{url}?share").content.decode()
    assert "five-finger-place" in given_away
    assert "printed words" not in given_away
    assert "example.org" not in given_away
    assert "printed words" in ada.get(url).content.decode()
