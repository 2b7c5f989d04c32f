"""Puts a backup into a data folder that holds nothing yet."""

import argparse
import os
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.db.migrations.loader import MigrationLoader

from keyslip.keeping import KeepingError, put_back


class Command(BaseCommand):
    help = "Put a backup into the data folder, which must hold nothing yet. Keyslip must not be running."
    requires_migrations_checks = False

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("dir", type=Path, metavar="DIR", help="the folder that `backup` wrote")

    def handle(self, *args: Any, **options: Any) -> None:
        os.umask(0o077)
        is_sqlite = connection.vendor == "sqlite"
        known = MigrationLoader(None, ignore_no_migrations=True).disk_migrations
        try:
            manifest = put_back(
                options["dir"],
                data=settings.KEYSLIP_DATA,
                database=Path(connection.settings_dict["NAME"]) if is_sqlite else None,
                known_migrations=[f"{app}.{name}" for app, name in known],
            )
        except KeepingError as error:
            raise CommandError(str(error), returncode=2) from error
        self.stdout.write(f"{len(manifest.files)} files of {manifest.made_at} are back in {settings.KEYSLIP_DATA}.")
        if not is_sqlite:
            self.stdout.write("The rows were not in this backup: load them with psql or pg_restore as well.")
