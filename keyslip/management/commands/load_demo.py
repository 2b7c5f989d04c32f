"""Make the sample learner."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from keyslip.sample import NAME
from keyslip.sample.story import load_sample


class Command(BaseCommand):
    help = (
        f"Make a second learner “{NAME}” with an invented book, eight weeks and three clips. Deleting it removes all."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            learner = load_sample(today=timezone.localdate(), tell=lambda line: self.stdout.write(f"  {line}"))
        except ValueError as error:
            raise CommandError(str(error)) from error
        self.stdout.write(f"The learner “{learner.username}” is ready.")
