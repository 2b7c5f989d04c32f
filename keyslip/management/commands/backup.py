"""Copies everything that must survive into another folder."""

import argparse
import os
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, connection
from django.db.migrations.recorder import MigrationRecorder
from django.utils import timezone

from keyslip.keeping import KeepingError, make_backup


class Command(BaseCommand):
    help = "Copy rows, clips and keys into a new folder, with the sum of every file. Keyslip may go on running."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("dir", type=Path, metavar="DIR", help="a folder that is not there yet, or empty")

    def handle(self, *args: Any, **options: Any) -> None:
        os.umask(0o077)
        folder: Path = options["dir"]
        is_sqlite = connection.vendor == "sqlite"
        try:
            applied = MigrationRecorder(connection).applied_migrations()
            connection.ensure_connection()
            manifest = make_backup(
                folder,
                data=settings.KEYSLIP_DATA,
                source=connection.connection if is_sqlite else None,
                migrations=[f"{app}.{name}" for app, name in applied],
                made_at=timezone.now().isoformat(timespec="seconds"),
            )
        except KeepingError as error:
            raise CommandError(str(error), returncode=2) from error
        except DatabaseError as error:
            raise CommandError(f"The database cannot be read: {error}") from error
        self.stdout.write(f"{len(manifest.files)} files, {manifest.size_bytes / 1e6:.1f} MB, in {folder}.")
        if not is_sqlite:
            self.stdout.write("The rows are in PostgreSQL and not in this backup: copy them with pg_dump as well.")
