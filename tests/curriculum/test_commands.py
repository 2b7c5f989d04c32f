"""Commands about skills and books."""

import io
import json
import sys
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

from curriculum import services
from curriculum.models import Book, Learner


def run(name: str, *arguments: object) -> str:
    out = io.StringIO()
    call_command(name, *map(str, arguments), stdout=out)
    return out.getvalue()


def test_skills_are_suggested_for_each_line_without_a_database(monkeypatch: pytest.MonkeyPatch) -> None:
    typed = io.TextIOWrapper(io.BytesIO(b"pedal changes\n\nqwertz\nThree-note chords\n"))
    monkeypatch.setattr(sys, "stdin", typed)
    found = json.loads(run("suggest_skills", "--json"))
    assert "legato-pedal" in found[0]
    assert found[1] == []
    assert found[3][0] == "solid-triads"
    assert all(len(slugs) <= 3 for slugs in found)


@pytest.mark.parametrize("ending", ["csv", "json"])
def test_exported_book_is_imported_as_it_was(learner: Learner, book: Book, tmp_path: Path, ending: str) -> None:
    outline = services.outline_of(book)
    file = tmp_path / f"book.{ending}"
    run("export_book", book.pk, "--format", ending, "--output", file)
    assert (
        run("export_book", "--learner", "ada", "--title", book.title, "--format", ending) == file.read_bytes().decode()
    )
    services.delete_book(book)
    assert run("import_book", file, "--learner", "ada") == "Evening Piano: 5 units\n"
    assert services.outline_of(Book.objects.get()) == outline


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["import_book", "nowhere.csv", "--learner", "ada"], "cannot be read"),
        (["import_book", "nowhere.csv", "--learner", "nobody"], "There is no learner called “nobody”."),
        (["export_book"], "Give the id of a book"),
        (["export_book", "--learner", "ada", "--title", "No such"], "There is no such book."),
    ],
)
def test_arguments_that_fit_nothing_are_refused(learner: Learner, arguments: list[str], words: str) -> None:
    with pytest.raises(CommandError, match=words) as caught:
        run(*arguments)
    assert caught.value.returncode == 2


def test_import_refuses_a_title_that_is_taken(learner: Learner, book: Book, tmp_path: Path) -> None:
    file = tmp_path / "book.csv"
    run("export_book", book.pk, "--output", file)
    with pytest.raises(CommandError, match="You have a book called “Evening Piano” already"):
        run("import_book", file, "--learner", "ada")
    assert Book.objects.count() == 1
