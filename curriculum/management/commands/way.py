"""Says what blocks a target and the cheapest way through units, from a file. Needs no database."""

import argparse
import sys
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from curriculum.graph.errors import StateError
from curriculum.graph.state_file import MOST_BYTES, read_state, write_way
from curriculum.graph.way import LIMIT_S, Way, cheapest_way

DESCRIPTION = """\
Say what blocks a target and the cheapest way through units, from a JSON file:

{"skills": [{"id": "legato", "needs": ["place"]}, ...],
 "units": [{"id": "u1", "book": "red", "position": 1, "teaches": ["place"], "needs": [], "after": [], "weeks": 1}, ...],
 "ticked": ["place"], "done": ["u1"], "target": ["legato"]}

The answer has blocked_by (learnable order), gaps, way (unit ids in order, or null with reason), weeks, optimal, and bound:
no way takes fewer weeks than that.
"""


class Command(BaseCommand):
    help = DESCRIPTION
    requires_system_checks = ()

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> Any:
        return super().create_parser(
            prog_name, subcommand, formatter_class=argparse.RawDescriptionHelpFormatter, **kwargs
        )

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("--file", required=True, help="the state as JSON; - reads standard input")
        parser.add_argument("--json", action="store_true", help="print one JSON object")
        parser.add_argument(
            "--seconds", type=_seconds, default=LIMIT_S, help=f"most seconds of solving ({LIMIT_S} unless said)"
        )

    def handle(self, *args: Any, file: str, seconds: float, **options: Any) -> None:
        try:
            state = read_state(_read(file))
        except OSError as error:
            raise CommandError(f"{file} cannot be read: {error.strerror}.", returncode=2) from error
        except StateError as error:
            raise CommandError(str(error), returncode=2) from error
        way = cheapest_way(state.target, needs=state.needs, units=state.units, known=state.known, limit_s=seconds)
        self.stdout.write(write_way(way) if options["json"] else _told(way))


def _seconds(text: str) -> float:
    seconds = float(text)
    if not 0 < seconds <= 3600:
        raise argparse.ArgumentTypeError(f"{text}; wanted seconds above 0, at most 3600")
    return seconds


def _read(file: str) -> bytes:
    if file == "-":
        return sys.stdin.buffer.read(MOST_BYTES + 1)
    with Path(file).open("rb") as opened:
        return opened.read(MOST_BYTES + 1)


def _told(way: Way) -> str:
    lines = [f"Stands in the way: {', '.join(way.blocked_by) or 'nothing'}"]
    if way.gaps:
        lines.append(f"No unit teaches: {', '.join(way.gaps)}")
    if way.units is None:
        lines.append(way.reason)
    elif way.units:
        proved = "no way is shorter" if way.is_optimal else f"no way takes fewer than {way.bound}"
        lines.append(f"Units: {', '.join(way.units)}")
        lines.append(f"Weeks: {way.weeks}; {proved}")
    return "\n".join(lines)
