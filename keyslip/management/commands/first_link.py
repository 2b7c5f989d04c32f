"""Prints the one-time link that makes the first account."""

import argparse
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand

from keyslip.first_account import first_account_path


class Command(BaseCommand):
    help = "Print the one-time link that makes the first account, while there is none. `up` does this by itself."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument(
            "--base", default=f"http://127.0.0.1:{settings.KEYSLIP_HTTP_PORT}", help="what stands before the path"
        )

    def handle(self, *args: Any, base: str, **options: Any) -> None:
        path = first_account_path(settings.KEYSLIP_DATA)
        self.stdout.write(f"{base.rstrip('/')}{path}" if path else "There is an account already.")
