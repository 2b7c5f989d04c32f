"""Rings for jobs that wait too long or whose worker died, and once a day removes what crashes left behind."""

import argparse
import logging
import signal
import threading
import time
from typing import Any

from django.core.management.base import BaseCommand
from django.db import OperationalError, close_old_connections

from lessons.tasks import sweep, tidy

logger = logging.getLogger(__name__)

# Seconds between two looks for leftovers. They harm nobody for a day, and a look reads every folder of clips.
LOOK_EVERY_S = 24 * 3600


class Command(BaseCommand):
    help = (
        "Ring for jobs that wait too long or whose worker died, and tidy what crashes left: once, or again and again."
    )

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument(
            "--every", type=float, metavar="SECONDS", help="go on, with this much time between two rounds"
        )

    def handle(self, *args: Any, every: float | None, **options: Any) -> None:
        if every is None:
            words = tidy()
            self.stdout.write(f"{words} Rang for {sweep()} jobs.")
            return
        stop = threading.Event()
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, lambda *_: stop.set())
        look_at_s = time.monotonic()
        while not stop.wait(every):
            close_old_connections()
            try:
                if time.monotonic() >= look_at_s:
                    look_at_s = time.monotonic() + LOOK_EVERY_S
                    logger.info(tidy())
                rung = sweep()
            except (OperationalError, OSError) as error:  # a database that restarts, a disk; the next round is soon
                logger.warning("The sweeper could not look: %s", error)
                continue
            if rung:
                logger.info("The sweeper rang for %d jobs.", rung)
