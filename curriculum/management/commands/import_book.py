"""Imports a book file for one learner, all of it or nothing."""

import argparse
from pathlib import Path
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError

from curriculum import services
from curriculum.models import Learner
from curriculum.outline import OutlineError


class Command(BaseCommand):
    help = "Import a book from a CSV or JSON file."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument("--learner", required=True, help="the name of the learner")

    def handle(self, *args: Any, file: Path, learner: str, **options: Any) -> None:
        owner = Learner.objects.filter(username=learner).first()
        if owner is None:
            raise CommandError(f"There is no learner called “{learner}”.", returncode=2)
        try:
            reading = services.read_book_file(file.read_bytes(), name=file.name)
            books = services.import_outlines(owner, reading.books)
        except OSError as error:
            raise CommandError(f"{file} cannot be read: {error.strerror}.", returncode=2) from error
        except OutlineError as error:
            raise CommandError(str(error)) from error
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        for doubt in reading.doubts:
            self.stderr.write(doubt)
        for book in books:
            self.stdout.write(f"{book.title}: {book.units.count()} units")
