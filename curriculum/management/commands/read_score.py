"""Says what is written in a score file and what it demands. Needs no database."""

import json
import sys
from argparse import ArgumentTypeError
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from curriculum.score import (
    QUESTIONS,
    Answers,
    DueNote,
    RefusalCode,
    ScoreError,
    ScoreWarning,
    WarningCode,
    WrittenScore,
    in_playing_order,
    read_score,
)
from curriculum.score.demands.finding import demands_of
from curriculum.score.demands.vocabulary import Demand, detectors
from curriculum.score.guard import USUAL_LIMITS

# Beats are rounded to this many places in what is printed; inside they are exact.
PLACES = 6


@dataclass(frozen=True, slots=True)
class _Reading:
    score: WrittenScore
    notes: tuple[DueNote, ...]
    demands: tuple[Demand, ...]


class Command(BaseCommand):
    """``manage.py read_score FILE [--json]``, ``manage.py read_score --codes``."""

    help = (
        "Say what is written in a score file (MusicXML, MIDI, ABC) and what it demands, or why it is refused. "
        "A refusal is an answer: the exit status is 0 then too, and 2 where the file cannot be opened."
    )
    requires_system_checks = ()
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", nargs="?", help="the score; - reads standard input")
        parser.add_argument("--json", action="store_true", help="print one JSON object")
        parser.add_argument("--codes", action="store_true", help="print the closed lists of codes and stop")
        parser.add_argument("--hand", choices=("right", "left"), help="which hand plays a score of one staff")
        parser.add_argument("--part", default="", help="which part, track or voice is the piano")
        parser.add_argument(
            "--split", type=_key, help="lowest key of the right hand in a MIDI file of one track (0 to 127)"
        )
        parser.add_argument("--finest", type=_beats, help="shortest value in a MIDI file, in quarters, such as 1/4")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["codes"]:
            self.stdout.write("\n".join(_codes()))
            return
        if options["file"] is None:
            raise CommandError("name a file, or ask for --codes", returncode=2)
        answers = Answers(
            part=options["part"], hand=options["hand"], finest_beat=options["finest"], split_midi=options["split"]
        )
        try:
            data = _bytes_of(options["file"])
        except OSError as error:
            raise CommandError(f"{options['file']} cannot be read: {error.strerror}.", returncode=2) from error
        try:
            score = read_score(data, answers=answers)
            reading = _Reading(score, in_playing_order(score), demands_of(score))
        except ScoreError as error:
            self.stdout.write(json.dumps(_refusal(error)) if options["json"] else _refusal_in_words(error))
            return
        self.stdout.write(json.dumps(_as_json(reading)) if options["json"] else _in_words(reading))


def _key(text: str) -> int:
    if not text.isdecimal() or int(text) > 127:
        raise ArgumentTypeError(f"{text}; wanted a key from 0 to 127")
    return int(text)


def _beats(text: str) -> Fraction:
    try:
        found = Fraction(text)
    except (ValueError, ZeroDivisionError) as error:
        raise ArgumentTypeError(f"{text}; wanted quarters, such as 1/4") from error
    if not 0 < found <= 4:
        raise ArgumentTypeError(f"{text}; wanted more than 0 and at most 4 quarters")
    return found


def _bytes_of(file: str) -> bytes:
    if file == "-":
        return sys.stdin.buffer.read(USUAL_LIMITS.most_bytes + 1)
    with Path(file).open("rb") as opened:
        return opened.read(USUAL_LIMITS.most_bytes + 1)


def _codes() -> list[str]:
    """Return every code with what it is a code of."""
    return [
        *(f"verdict {verdict}" for verdict in ("read", "refused")),
        *(f"reason {code}" for code in RefusalCode),
        *(f"{'question' if code in QUESTIONS else 'warning'} {code}" for code in WarningCode),
        *(f"detector {key}" for key in detectors()),
    ]


def _refusal(error: ScoreError) -> dict[str, Any]:
    return {"verdict": "refused", "reason": str(error.code), "where": error.where, "text": str(error)}


def _refusal_in_words(error: ScoreError) -> str:
    place = f" ({error.where})" if error.where else ""
    return f"Refused: {error.code}{place}\n{error}"


def _as_json(reading: _Reading) -> dict[str, Any]:
    score = reading.score
    return {
        "verdict": "read",
        "notes": [_note(note) for note in reading.notes],
        "bars": len(score.bars),
        "bpm": None if score.bpm is None else _number(score.bpm),
        "range_midi": None if score.range_midi is None else list(score.range_midi),
        "demands": [_demand(demand) for demand in reading.demands],
        "warnings": [_warning(warning) for warning in score.warnings],
    }


def _note(note: DueNote) -> dict[str, Any]:
    return {
        "id": note.id,
        "written_id": note.written_id,
        "bar": note.bar,
        "beat": _number(note.beat),
        "onset_beat": _number(note.onset_beat),
        "duration_beat": _number(note.duration_beat),
        "pitch_midi": note.pitch_midi,
        "hand": note.hand,
        "finger": note.finger,
        "grace": note.grace,
    }


def _demand(demand: Demand) -> dict[str, Any]:
    return {
        "detector": demand.detector,
        "skill": demand.skill,
        "bars": list(demand.bars),
        "detail": demand.detail,
        "sure": demand.sure,
    }


def _warning(warning: ScoreWarning) -> dict[str, Any]:
    return {"code": str(warning.code), "where": warning.where, "text": warning.text, "question": warning.is_question}


def _number(beats: Fraction) -> float:
    return round(float(beats), PLACES)


def _in_words(reading: _Reading) -> str:
    score = reading.score
    lines = [f"Read: {len(score.bars)} bars, {len(reading.notes)} notes to play"]
    if score.bpm is not None:
        lines.append(f"Tempo: {_number(score.bpm):g} quarters a minute")
    lines.extend(
        f"{demand.detector}: {demand.detail} (bars {', '.join(demand.bars[:12])}; sure {demand.sure:.2f})"
        for demand in reading.demands
    )
    lines.extend(f"{'Question' if warning.is_question else 'Warning'}: {warning.text}" for warning in score.warnings)
    return "\n".join(lines)
