"""Writes of what was measured: a clip is heard once, before its copy is made; a take is compared when somebody looks,
and where no score is known its strikes are measured by themselves.

Both are stored with what they rest on, and made anew when that changes: the program's version, the score, the take's
edges, what the sheet asked. Nothing here is evidence, and nothing is shown before the learner's own mark
(`reviews.queries.findings_of` holds the gate).
"""

import logging
import tempfile
import time
from dataclasses import asdict
from hashlib import sha256
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import transaction

from curriculum import services as curriculum
from curriculum.models import Score
from curriculum.score import Hand, ScoreError
from lessons import media
from lessons.models import Clip, Job, Take
from lessons.planning.bars import read_bars
from lessons.services.jobs import REPORT_EVERY_S, Claim, add_job, finish_job, report_progress
from lessons.services.preparing import probe_limits
from reviews import compare
from reviews.compare.series import SERIES_VERSION, series_json
from reviews.compare.telling import comparison_json
from reviews.compare.unscored import UNSCORED_VERSION, Asked, RhythmError, lay, read_rhythm, unscored_json
from reviews.models import Hearing, Measurement
from reviews.queries import rhythm_of
from reviews.sound.errors import SoundError
from reviews.sound.heard import VERSION, HeardNote, around_median

logger = logging.getLogger(__name__)

LISTEN_STEP = "Listening"
# Seconds by which a strike may lie outside its take: edges are set by hand.
EDGE_SLACK_S = 0.15


class CannotHearError(media.MediaError):
    """The clip cannot be heard; trying again is useless."""

    permanent = True


def measure_clip(clip: Clip, claim: Claim) -> None:
    """Hear a clip and write what was heard."""
    from reviews.sound.listening import listen  # it loads the net's runtime, which pages do not need

    last_at = time.monotonic()

    def tell(frac: float) -> None:
        nonlocal last_at
        if time.monotonic() - last_at >= REPORT_EVERY_S:
            report_progress(claim, step=LISTEN_STEP, progress_frac=frac)
            last_at = time.monotonic()

    report_progress(claim, step=LISTEN_STEP, progress_frac=0.0)
    base = Path(settings.KEYSLIP_DATA) / "work"
    base.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f"{clip.pk}-", dir=base) as folder:
        found = media.probe(clip.original_path, limits=probe_limits(), name=clip.given_name)
        try:
            listened = listen(clip.original_path, probe=found, folder=Path(folder), on_progress=tell)
        except SoundError as error:
            raise CannotHearError(str(error)) from error
    hearing = listened.hearing
    fields: dict[str, Any] = {
        "version": VERSION,
        "notes": [
            [
                round(note.onset_s, 5),
                note.pitch_midi,
                round(note.level_db, 2),
                round(note.confidence, 3),
                None if note.end_s is None else round(note.end_s, 3),
            ]
            for note in hearing.notes
        ],
        "trust": listened.trust_fields,
        "recording": None if listened.recording is None else asdict(listened.recording),
        "limits": [str(limit) for limit in listened.limits],
    }
    finish_job(claim, write_result=lambda: _keep(clip, fields))


def _keep(clip: Clip, fields: dict[str, Any]) -> None:
    Hearing.objects.update_or_create(clip=clip, defaults=fields)


def give_up(clip: Clip, text: str) -> None:
    """Nothing is written on the clip: it can be judged without having been heard, and its page of findings says so."""
    logger.warning("clip %s could not be heard: %s", clip.pk, text)


def can_hear(clip: Clip) -> bool:
    """Return whether there is something to hear, in the file as it came."""
    return (clip.kind == Clip.Kind.MIDI or bool(clip.facts.get("audio"))) and clip.original_path.exists()


def is_listening(clip: Clip) -> bool:
    """Return whether a job that hears the clip waits or is under way."""
    states = [Job.State.QUEUED, Job.State.RUNNING]
    return bool(clip.jobs.filter(kind=Job.Kind.MEASURE_CLIP, state__in=states).exists())


def hear_later(clip: Clip) -> Job | None:
    """Add the job that hears a clip, unless there is nothing to hear, or one waits already."""
    if not can_hear(clip) or is_listening(clip):
        return None
    job: Job = add_job(clip, kind=Job.Kind.MEASURE_CLIP)
    return job


def score_of(take: Take) -> Score | None:
    """Return the score that a take was played from: the line's own, its piece's, or the only one of its unit."""
    line = take.assignment
    if line.score is not None:
        own: Score = line.score
        return own
    if line.piece is not None:
        return Score.objects.filter(piece=line.piece).first()
    if line.unit is not None:
        found = list(Score.objects.filter(unit=line.unit)[:2])
        return found[0] if len(found) == 1 else None
    return None


def measured(take: Take) -> Measurement | None:
    """Return what was measured of a take, beside its score or by itself; made anew where it is missing or stale. None where nobody heard it."""
    hearing = Hearing.objects.filter(clip=take.clip).first()
    if hearing is None:
        return None
    score = score_of(take)
    if score is not None and not score.content_sha256:
        score = None
    line = take.assignment
    rhythm = rhythm_of(line) if score is None else ""
    beside = (
        score.content_sha256[:32] if score is not None else f"no score {UNSCORED_VERSION} {line.kind} {_short(rhythm)}"
    )
    made_from = f"{_version()}.{hearing.version} {beside} {take.start_s:.2f}-{take.end_s:.2f} {line.bars} {line.hands} {line.bpm or ''}"[:200]  # fmt: skip
    known = Measurement.objects.filter(take=take).first()
    if known is not None and known.made_from == made_from and known.created_at >= hearing.created_at:
        return known
    try:
        result = _compare(take, hearing, score) if score is not None else _find_alone(take, hearing, rhythm)
    except (ScoreError, OSError) as error:
        logger.warning("take %s could not be compared: %s", take.pk, error)
        return None
    with transaction.atomic():
        found, _ = Measurement.objects.update_or_create(take=take, defaults={"made_from": made_from, "result": result})
    return found


def _version() -> str:
    """Return what changes when the program would find something else: its versions, and every number of its settings."""
    numbers = repr((compare.CompareSettings(), compare.FindingSettings()))
    return f"{compare.VERSION}.{SERIES_VERSION}.{sha256(numbers.encode()).hexdigest()[:8]}"


def _notes_of(take: Take, hearing: Hearing) -> list[HeardNote]:
    notes = [
        HeardNote(onset_s, pitch, level_db, confidence, end_s)
        for onset_s, pitch, level_db, confidence, end_s in hearing.notes
        if take.start_s - EDGE_SLACK_S <= onset_s <= take.end_s + EDGE_SLACK_S
    ]
    return around_median(notes)


def _short(text: str) -> str:
    return sha256(text.encode()).hexdigest()[:12] if text else ""


def _find_alone(take: Take, hearing: Hearing, rhythm: str) -> dict[str, Any]:
    """Return what the strikes alone tell, beside a typed rhythm if there is one. A piece is shaped on purpose, so that no level is named for it."""
    line = take.assignment
    try:
        beats = read_rhythm(rhythm)
    except RhythmError as error:  # written when other words were known
        logger.warning("the rhythm of line %s cannot be read: %s", line.pk, error)
        beats = ()
    asked = Asked(bpm=line.bpm, rhythm_beats=beats, is_exercise=line.piece_id is None)
    return unscored_json(lay(_notes_of(take, hearing), asked=asked), trust=compare.Trust(**hearing.trust), asked=asked)


def _compare(take: Take, hearing: Hearing, score: Score) -> dict[str, Any]:
    line = take.assignment
    written = curriculum.written_of(score)
    bars = [str(bar) for first, last in read_bars(line.bars) for bar in range(first, last + 1)] if line.bars else []
    expected, marks = compare.written_of(written, bars=bars)
    notes = _notes_of(take, hearing)
    alone: dict[str, frozenset[Hand]] = {"right": frozenset({"right"}), "left": frozenset({"left"})}
    trust = compare.Trust(**hearing.trust)
    found = compare.compare(
        notes,
        expected=expected,
        trust=trust,
        written=compare.asked(marks, bpm=line.bpm),
        hands=alone.get(line.hands),
    )
    told = comparison_json(found, places={place: place for place in range(len(notes))})
    return told | {"series": series_json(found, heard=notes, trust=trust)}
