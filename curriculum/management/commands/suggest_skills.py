"""Suggests skills for phrases. Needs no database: it knows the shipped skills."""

import argparse
import json
import sys
from typing import Any

from django.core.management.base import BaseCommand

from curriculum.outline.phrases import SkillWords, suggest_skills
from curriculum.services import shipped_skills


class Command(BaseCommand):
    help = "Read phrases, one a line, from standard input; print the slugs of the skills they name, best first."
    requires_system_checks = ()

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("--json", action="store_true", help="print a list of lists of slugs")
        parser.add_argument("--most", type=int, default=3, help="most skills for one phrase")

    def handle(self, *args: Any, **options: Any) -> None:
        skills = [
            SkillWords(
                slug=row["id"],
                name=row["name"],
                group=row["group"],
                definition=row["definition"],
                lines=tuple(row["see_or_hear"]),
            )
            for row in shipped_skills()
        ]
        phrases = sys.stdin.buffer.read().decode("utf-8", "replace").splitlines()
        found = [list(suggest_skills(phrase, skills=skills, most=max(options["most"], 0))) for phrase in phrases]
        if options["json"]:
            self.stdout.write(json.dumps(found))
            return
        for phrase, slugs in zip(phrases, found, strict=True):
            self.stdout.write(f"{phrase}: {', '.join(slugs) or 'nothing'}")
