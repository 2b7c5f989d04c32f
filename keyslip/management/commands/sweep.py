"""Rings for jobs that wait too long or whose worker died."""

import argparse
import logging
import signal
import threading
from typing import Any

from django.core.management.base import BaseCommand
from django.db import OperationalError, close_old_connections

from lessons.tasks import sweep

logger = logging.getLogger(__name__)


class Command(BaseCommand):
    help = "Ring for jobs that wait too long or whose worker died: once, or again and again."

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument(
            "--every", type=float, metavar="SECONDS", help="go on, with this much time between two rounds"
        )

    def handle(self, *args: Any, every: float | None, **options: Any) -> None:
        if every is None:
            self.stdout.write(f"Rang for {sweep()} jobs.")
            return
        stop = threading.Event()
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, lambda *_: stop.set())
        while not stop.wait(every):
            close_old_connections()
            try:
                rung = sweep()
            except OperationalError as error:  # a database that restarts; the next round is soon
                logger.warning("The sweeper could not read the jobs: %s", error)
                continue
            if rung:
                logger.info("The sweeper rang for %d jobs.", rung)
