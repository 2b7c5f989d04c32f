"""Makes a further account, for somebody else of the house."""

import argparse
import getpass
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from curriculum.forms import AccountForm
from curriculum.services import create_learner, guess_time_zone
from keyslip.sample import NAME as SAMPLE_NAME


class Command(BaseCommand):
    help = "Make an account for somebody else of the house, with the shipped skills."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("name", metavar="NAME", help="what they sign in with")
        parser.add_argument("--time-zone", default="", help="such as Europe/Lisbon; this computer's without it")

    def handle(self, *args: Any, name: str, time_zone: str, **options: Any) -> None:
        if name == SAMPLE_NAME:
            raise CommandError(f"“{SAMPLE_NAME}” is the name of the sample learner. Choose another.", returncode=2)
        zone = time_zone or guess_time_zone()
        # The name first: nobody likes to think of a password for a name that is taken.
        self._refuse(AccountForm({"username": name, "time_zone": zone}), only=("username", "time_zone"))
        password, again = self._ask()
        if not password:
            raise CommandError("Write a password: on a terminal, or as the first line of standard input.", returncode=2)
        form = AccountForm({"username": name, "time_zone": zone, "password": password, "again": again})
        self._refuse(form)
        learner = create_learner(
            form.cleaned_data["username"], password=password, time_zone=form.cleaned_data["time_zone"]
        )
        self.stdout.write(f"“{learner.username}” may sign in now.")

    def _ask(self) -> tuple[str, str]:
        """Return the password twice: asked for on a terminal, else the first line of standard input."""
        if sys.stdin.isatty():
            return getpass.getpass("Password: "), getpass.getpass("Password again: ")
        line = sys.stdin.readline().rstrip("\r\n")
        return line, line

    def _refuse(self, form: AccountForm, *, only: tuple[str, ...] = ()) -> None:
        found = form.errors
        told = [str(message) for field, messages in found.items() if not only or field in only for message in messages]
        if told:
            raise CommandError(" ".join(told), returncode=2)
