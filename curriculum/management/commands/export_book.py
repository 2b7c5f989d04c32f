"""Exports a book of one learner."""

import argparse
from pathlib import Path
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError

from curriculum import services
from curriculum.models import Book
from curriculum.outline import write_json, write_table


class Command(BaseCommand):
    help = "Export a book as CSV or JSON, to standard output or to a file."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("id", nargs="?", type=UUID, help="the id of the book, as in its address")
        parser.add_argument("--learner", help="the name of the learner, with --title instead of an id")
        parser.add_argument("--title")
        parser.add_argument("--format", choices=["csv", "json"], default="csv")
        parser.add_argument("--output", type=Path, help="a file; standard output without it")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["id"]:
            books = Book.objects.filter(pk=options["id"])
        elif options["learner"] and options["title"]:
            books = Book.objects.filter(learner__username=options["learner"], title=options["title"])
        else:
            raise CommandError("Give the id of a book, or --learner and --title.", returncode=2)
        book = books.first()
        if book is None:
            raise CommandError("There is no such book.", returncode=2)
        outline = services.outline_of(book)
        text = write_json(outline) if options["format"] == "json" else write_table(outline)
        if options["output"] is None:
            self.stdout.write(text, ending="")
            return
        try:
            options["output"].write_bytes(text.encode())
        except OSError as error:
            raise CommandError(f"{options['output']} cannot be written: {error.strerror}.", returncode=2) from error
