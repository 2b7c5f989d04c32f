"""Say what was played in a clip, and what it is beside a score. Needs no database."""

import json
import tempfile
from argparse import ArgumentTypeError
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from curriculum.score import ScoreError, read_score
from lessons.media import MediaError, UnopenableFileError, Verdict, probe
from reviews.compare import Comparison, Kind, Trust, asked, compare, written_of
from reviews.compare.results import State
from reviews.compare.telling import comparison_json, finding_json, heard_json
from reviews.compare.unscored import Asked, RhythmError, find_unscored, lay, read_rhythm
from reviews.sound.errors import SoundError
from reviews.sound.heard import SURE, HeardNote, around_median
from reviews.sound.limits import Limit
from reviews.sound.listening import Listened, listen

# Confidence from which heard notes are printed: below it they only keep written notes from being called missing.
PRINTED_FROM = 0.2
NO_SCORE = "Whether the notes are right can only be told beside a score (--score FILE)."


class Command(BaseCommand):
    """``manage.py measure CLIP [--score FILE] [--bpm N] [--rhythm VALUES] [--from S --to S] [--json]``, ``manage.py measure --codes``."""

    help = "Say what was played in a clip and how steadily, and, with a score, what became of each written note."
    requires_system_checks: list[str] = []  # noqa: RUF012 - Django's own attribute
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("clip", nargs="?", type=Path, help="film, sound or MIDI")
        parser.add_argument("--score", type=Path, help="MusicXML, MIDI or ABC of what was to be played")
        parser.add_argument("--bpm", type=_bpm, help="quarters a minute that were asked for")
        parser.add_argument(
            "--rhythm",
            type=_rhythm,
            default=(),
            help="without a score: note values of what was to be played, such as '2 quarters, half'",
        )
        parser.add_argument("--from", dest="start_s", type=_seconds, default=0.0, help="seconds where the take begins")
        parser.add_argument("--to", dest="end_s", type=_seconds, help="seconds where it ends")
        parser.add_argument("--json", action="store_true", help="print one JSON object")
        parser.add_argument("--codes", action="store_true", help="print the closed lists of codes and stop")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["codes"]:
            self.stdout.write("\n".join([*(f"state {state}" for state in State), *(f"finding {kind}" for kind in Kind), *(f"limit {limit}" for limit in Limit)]))  # fmt: skip
            return
        if options["clip"] is None:
            raise CommandError("name a clip, or ask for --codes", returncode=2)
        try:
            listened = _heard(options["clip"])
        except _RefusedError as refused:
            self._tell_refusal(refused, as_json=options["json"])
            return
        end_s = options["end_s"] if options["end_s"] is not None else listened.hearing.duration_s
        if end_s < options["start_s"]:
            raise CommandError("--to lies before --from", returncode=2)
        notes = around_median([n for n in listened.hearing.notes if options["start_s"] <= n.onset_s <= end_s])
        limits, found, text = list(listened.limits), None, ""
        if options["score"]:
            try:
                found = _compared(notes, listened, score=options["score"], bpm=options["bpm"])
            except _RefusedError as refused:
                limits, text = [*limits, refused.limit], refused.text
        # A score that was refused says nothing; what the strikes alone tell is told then too.
        asked = Asked(bpm=options["bpm"], rhythm_beats=options["rhythm"])
        alone = lay(notes, asked=asked) if found is None else None
        trust = Trust(**listened.trust_fields)
        findings = found.findings if found is not None else find_unscored(alone, trust=trust, asked=asked) if alone is not None else ()  # fmt: skip
        if options["json"]:
            shown = [place for place, note in enumerate(notes) if note.confidence >= PRINTED_FROM]
            heard = [notes[place] for place in shown]
            answer = heard_json(heard, duration_s=listened.hearing.duration_s, limits=limits)
            if found is not None:
                answer |= comparison_json(found, places={place: told for told, place in enumerate(shown)})
            else:
                answer |= {"findings": [finding_json(each) for each in findings]}
            self.stdout.write(json.dumps(answer | ({"text": text} if text else {})))
            return
        self.stdout.write(f"{sum(note.confidence >= SURE for note in notes)} notes heard for sure")
        lines = [text] if text else [] if found is not None else [NO_SCORE]
        for line in [*lines, *(f"{each.dimension}: {each.text}" for each in findings)]:
            self.stdout.write(line)

    def _tell_refusal(self, refused: "_RefusedError", *, as_json: bool) -> None:
        answer = heard_json([], duration_s=0.0, limits=[refused.limit]) | {"text": refused.text}
        self.stdout.write(json.dumps(answer) if as_json else refused.text)


class _RefusedError(Exception):
    """The clip or the score cannot be used. That is an answer, not a wrong argument."""

    def __init__(self, limit: Limit, text: str) -> None:
        super().__init__(text)
        self.limit, self.text = limit, text


def _heard(path: Path) -> Listened:
    try:
        found = probe(path)
    except UnopenableFileError as error:
        raise CommandError(str(error), returncode=2) from error
    if found.verdict in {Verdict.REJECT, Verdict.LIMIT}:
        raise _RefusedError(Limit.UNREADABLE, found.text)
    try:
        with tempfile.TemporaryDirectory() as folder:
            return listen(path, probe=found, folder=Path(folder))
    except (MediaError, SoundError) as error:
        raise _RefusedError(Limit.UNREADABLE, str(error)) from error


def _compared(notes: list[HeardNote], listened: Listened, *, score: Path, bpm: float | None) -> Comparison:
    try:
        written = read_score(score.read_bytes())
        expected, marks = written_of(written)
    except OSError as error:
        raise CommandError(f"{score} cannot be read: {error.strerror}.", returncode=2) from error
    except ScoreError as error:
        raise _RefusedError(Limit.SCORE_REFUSED, str(error)) from error
    if bpm is None and written.bpm is not None:
        bpm = float(written.bpm)
    return compare(notes, expected=expected, trust=Trust(**listened.trust_fields), written=asked(marks, bpm=bpm))


def _bpm(text: str) -> float:
    return _number(text, least=10, most=400, what="quarters a minute")


def _rhythm(text: str) -> tuple[float, ...]:
    try:
        return read_rhythm(text)
    except RhythmError as error:
        raise ArgumentTypeError(str(error)) from error


def _seconds(text: str) -> float:
    return _number(text, least=0, most=86_400, what="seconds")


def _number(text: str, *, least: float, most: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError as error:
        raise ArgumentTypeError(f"{text}; wanted {what}") from error
    if not least <= value <= most:
        raise ArgumentTypeError(f"{text}; wanted {what} from {least} to {most}")
    return value
