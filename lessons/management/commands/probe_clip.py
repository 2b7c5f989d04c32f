"""Say what a file is, and what would become of it."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from lessons.media import Probe, ReasonCode, UnopenableFileError, probe
from lessons.media.reasons import verdict_of


class Command(BaseCommand):
    """``manage.py probe_clip FILE [--json]``, ``manage.py probe_clip --codes``."""

    help = "Say what a file is (video, sound, midi, picture), and accept, partial, reject or limit with a reason."
    requires_system_checks: list[str] = []  # noqa: RUF012 - Django's own attribute
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", nargs="?", type=Path, help="the file to look at")
        parser.add_argument("--json", action="store_true", help="print one JSON object")
        parser.add_argument("--codes", action="store_true", help="print the closed list of reasons and stop")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["codes"]:
            for code in ReasonCode:
                self.stdout.write(f"{code} {verdict_of(code)}")
            return
        if options["file"] is None:
            raise CommandError("name a file, or ask for --codes", returncode=2)
        try:
            found = probe(options["file"])
        except UnopenableFileError as error:
            raise CommandError(str(error), returncode=2) from error
        if options["json"]:
            facts = asdict(found)
            del facts["midi"]  # not among the agreed keys
            self.stdout.write(json.dumps(facts))
        else:
            self.stdout.write(_in_words(found))


def _in_words(found: Probe) -> str:
    lines = [f"{found.kind}: {found.verdict} ({found.reason})", found.text]
    if found.duration_s is not None:
        lines.append(f"{found.duration_s:.3f} s")
    if found.video is not None:
        lines.append(
            f"picture {found.video.width} x {found.video.height}, turned {found.video.rotation_deg} degrees, "
            f"{found.video.codec}"
        )
    if found.audio is not None:
        lines.append(f"sound {found.audio.channels} channels, {found.audio.rate_hz} Hz, {found.audio.codec}")
    if found.midi is not None:
        lines.append(f"{found.midi.notes} notes in {found.midi.tracks} tracks")
    return "\n".join(lines)
