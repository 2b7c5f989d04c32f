"""Writes about scores: reading and keeping them, their pictures, what they ask, and what the learner answered.

A score is kept whole or not at all: the row is written in a transaction whose last step puts its files in place.
"""

import errno
import hashlib
import json
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction

from curriculum.graph.bars import write_bars
from curriculum.models import Demand, Learner, Piece, Score, Skill, Unit
from curriculum.score import (
    Answers,
    ScoreError,
    Tempo,
    WarningCode,
    WrittenScore,
    read_musicxml,
    read_score,
    write_musicxml,
)
from curriculum.score.demands.finding import demands_of
from curriculum.score.demands.signs import signs_of
from curriculum.score.demands.vocabulary import Instrument
from curriculum.score.engraving.drawing import ENGRAVING_VERSION, Engraving, engrave, stretches
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.wording import pattern_title
from curriculum.score.patterns.writing import make_pattern
from curriculum.score.turning import swap_hands

# What is asked at most: slower or faster than this is a slip of the finger.
LEAST_BPM, MOST_BPM = 20, 300
# Letters that a line of bars may have in a demand.
MOST_BARS_TEXT = 2000
# What no skill covers, as it stands under "beyond what Keyslip can name".
WITHOUT_SKILL = {
    "range_beyond_instrument": "keys that your instrument does not have",
    "pedal_beyond_instrument": "a pedal, which your instrument does not have",
    "tuplet_other": "groups of five, seven and the like",
    "uneven_metre": "bars of five or seven",
    "octave_plus_fast": "octaves in quick notes",
    "double_thirds_fast": "thirds or sixths in quick notes",
}


def read_upload(data: bytes, *, answers: Mapping[str, Any], name: str = "") -> WrittenScore:
    """Return what a file says, with the answers given so far; refuse it by `ScoreError`. `name` is for files without a title."""
    written = read_score(data, name=name, answers=answers_of(answers))
    return with_tempo(with_hands(written, answers=answers), answers=answers)


def answers_of(kept: Mapping[str, Any]) -> Answers:
    """Return kept answers as the reader takes them."""
    finest, split = kept.get("finest"), kept.get("split")
    return Answers(
        part=str(kept.get("part", "")),
        hand=kept.get("hand") if kept.get("hand") in ("right", "left") else None,
        finest_beat=Fraction(finest) if finest else None,
        split_midi=int(split) if split else None,
    )


def with_hands(written: WrittenScore, *, answers: Mapping[str, Any]) -> WrittenScore:
    """Return a score with the hands kept or exchanged, where two parts or tracks left that in doubt and it was answered.

    It is done once, when the file is read: what is kept has the right hand above and raises no doubt.
    """
    answer = answers.get("swap")
    if answer not in ("keep", "swap"):
        return written
    doubts = [
        warning for warning in written.warnings if warning.code == WarningCode.HAND_DOUBTFUL and not warning.where
    ]
    if not doubts:
        return written
    written = replace(written, warnings=tuple(warning for warning in written.warnings if warning not in doubts))
    return swap_hands(written) if answer == "swap" else written


def with_tempo(written: WrittenScore, *, answers: Mapping[str, Any]) -> WrittenScore:
    """Return a score with the tempo that the learner named, where the score itself begins without one."""
    bpm = answers.get("bpm")
    if not bpm or written.bpm is not None:
        return written
    tempo = Tempo(0, Fraction(0), Fraction(bpm), value="quarter", per_minute=str(bpm))
    warnings = tuple(warning for warning in written.warnings if warning.code != WarningCode.TEMPO_MISSING)
    return replace(written, tempi=(tempo, *written.tempi), warnings=warnings)


def add_score(
    learner: Learner,
    *,
    written: WrittenScore,
    source: Score.Source,
    title: str = "",
    piece: Piece | None = None,
    unit: Unit | None = None,
    original: bytes | None = None,
    **fields: Any,
) -> Score:
    """Keep a score for a piece, a unit, or on its own. One that the unit has already comes back as it is."""
    score = Score(learner=learner, source=source, piece=piece, unit=unit)
    score.title = (title or written.title or (piece.title if piece else "") or "Without a title")[:200]
    document = write_musicxml(written)
    twins = Score.objects.filter(learner=learner, unit=unit, piece=piece, title=score.title)
    twin = twins.filter(content_sha256=_sum(document)).first()
    if twin is not None:  # the button was pressed twice
        return twin
    _keep(score, written=written, document=document, original=original, fields=fields)
    return score


def rewrite_score(score: Score, *, written: WrittenScore, original: bytes | None = None, **fields: Any) -> None:
    """Put other notes into a score: a better file, corrected typing, another pattern. Pictures of the old ones go."""
    before = score.content_sha256
    _keep(score, written=written, document=write_musicxml(written), original=original, fields=fields)
    if score.content_sha256 != before:
        forget_pictures(before)


def _keep(
    score: Score, *, written: WrittenScore, document: bytes, original: bytes | None, fields: Mapping[str, Any]
) -> None:
    for name, value in fields.items():
        setattr(score, name, value)
    score.facts = facts_of(written)
    score.warnings = [
        {"code": warning.code.value, "where": warning.where, "text": warning.text, "asks": warning.is_question}
        for warning in written.warnings
    ]
    score.content_sha256 = _sum(document)
    score.full_clean()
    files = {score.musicxml_path: document}
    if original is not None:
        files[score.original_path] = original
    with transaction.atomic():
        score.save()
        if score.piece is not None:
            propose_demands(score, written=written)
        _put(files)


def _sum(document: bytes) -> str:
    return hashlib.sha256(document).hexdigest()


def _put(files: Mapping[Path, bytes]) -> None:
    """Write all files beside their places first, and only then move them there."""
    drafts: list[tuple[Path, Path]] = []
    try:
        for path, data in files.items():
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            draft = path.with_name(f"{path.name}.new")
            draft.write_bytes(data)
            draft.chmod(0o600)
            drafts.append((draft, path))
        for draft, path in drafts:
            draft.replace(path)
    except OSError as error:
        for draft, _ in drafts:
            draft.unlink(missing_ok=True)
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise ValidationError("There is no room left on the disk, so the score was not kept.") from error
        raise


def facts_of(written: WrittenScore) -> dict[str, Any]:
    """Return what pages show of a score without reading it again."""
    return {
        "bars": len(written.bars),
        "numbers": [written.bars[0].number, written.bars[-1].number] if written.bars else [],
        "notes": len(written.notes),
        "bpm": float(written.bpm) if written.bpm is not None else None,
        "range": list(written.range_midi or []),
        "hands": sorted({note.hand or "" for note in written.notes}, reverse=True),
        "composer": written.composer[:200],
        "stretches": [list(stretch) for stretch in stretches(written)],
        "bar_numbers": [bar.number for bar in written.bars],
        "signs": {found.sign.key: list(found.bars) for found in signs_of(written)},
    }


def written_of(score: Score) -> WrittenScore:
    """Return the notes of a kept score; `ScoreError` or `OSError` where its file is gone or damaged."""
    return read_musicxml(score.musicxml_path.read_bytes(), answers=answers_of(score.answers))


def answer_questions(score: Score, *, given: Mapping[str, Any]) -> None:
    """Keep what the learner answered and read the score again with it. `ScoreError` leaves everything as it was."""
    answers = {**score.answers, **{key: value for key, value in given.items() if value not in (None, "", [])}}
    if score.source == Score.Source.FILE:
        written = read_upload(score.original_path.read_bytes(), answers=answers)
    else:
        written = with_tempo(written_of(score), answers=answers)
    rewrite_score(score, written=written, answers=answers)


def open_questions(score: Score) -> list[dict[str, Any]]:
    """Return the warnings that want an answer and have none."""
    seen = set(score.answers.get("seen", ()))
    return [warning for warning in score.warnings if warning["asks"] and warning["code"] not in seen]


def name_score(score: Score, *, title: str) -> None:
    """Give a score another title."""
    score.title = title
    score.full_clean()
    score.save(update_fields=["title", "changed_at"])


def delete_score(score: Score) -> None:
    """Delete a score with its files; what its piece was found to ask stays where it was answered."""
    if score.piece is not None:
        Demand.objects.filter(piece=score.piece, answer=Demand.Answer.ASKED).exclude(detector="").delete()
    score.delete()


# Patterns -------------------------------------------------------------------------------------------------------------


def add_pattern(
    learner: Learner, *, pattern: Pattern, title: str = "", unit: Unit | None = None, piece: Piece | None = None
) -> Score:
    """Keep an exercise that was made from a pattern. A pattern that makes no notes is refused by `ScoreError`."""
    return add_score(
        learner,
        written=make_pattern(pattern),
        source=Score.Source.PATTERN,
        title=title or pattern_title(pattern),
        unit=unit,
        piece=piece,
        pattern=pattern.to_data(),
    )


def rewrite_pattern(score: Score, *, pattern: Pattern, title: str = "") -> None:
    """Make another exercise in the place of this one."""
    rewrite_score(
        score, written=make_pattern(pattern), pattern=pattern.to_data(), title=title or pattern_title(pattern)
    )


# Pictures -------------------------------------------------------------------------------------------------------------


def picture_of(score: Score, *, stretch: int = 0) -> Engraving:
    """Return the picture of a stretch of a score, from the data folder or drawn now; `EngravingError` where there is none."""
    cuts = score.facts.get("stretches") or [[0, 0]]
    first, last = cuts[stretch]
    path = _picture_folder(score.content_sha256) / f"{ENGRAVING_VERSION}-{first}-{last}.json"
    try:
        kept = json.loads(path.read_bytes())
        pages = {name: tuple(pictures) for name, pictures in kept.items()}
        return Engraving(first_bar=first, last_bar=last, pages=pages)
    except (OSError, ValueError, AttributeError, TypeError):
        pass  # not drawn yet, or damaged: drawn anew
    drawn = engrave(written_of(score), bars=(first, last))
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=path.parent, delete=False, suffix=".new") as draft:
        draft.write(json.dumps(drawn.pages).encode())
    Path(draft.name).replace(path)
    return drawn


def _picture_folder(content_sha256: str) -> Path:
    return Path(settings.KEYSLIP_DATA) / "engraved" / content_sha256[:2] / content_sha256


def forget_pictures(content_sha256: str) -> None:
    """Remove the pictures of a content that no score has any more."""
    if content_sha256 and not Score.objects.filter(content_sha256=content_sha256).exists():
        shutil.rmtree(_picture_folder(content_sha256), ignore_errors=True)


# Demands --------------------------------------------------------------------------------------------------------------


def instrument_of(learner: Learner) -> Instrument:
    """Return what the learner plays on, as the detectors take it."""
    return Instrument(
        lowest_midi=learner.lowest_midi, highest_midi=learner.highest_midi, has_pedal=learner.pedal_count > 0
    )


def set_instrument(learner: Learner, *, lowest_midi: int, highest_midi: int, pedal_count: int) -> None:
    """Keep what the learner plays on, and hold the scores of pieces against it."""
    learner.lowest_midi, learner.highest_midi, learner.pedal_count = lowest_midi, highest_midi, pedal_count
    learner.save(update_fields=["lowest_midi", "highest_midi", "pedal_count"])
    for score in Score.objects.filter(learner=learner).exclude(piece=None).select_related("piece"):
        score.learner = learner
        try:
            written = written_of(score)
        except (OSError, ScoreError):
            continue  # its page says that the notes are gone
        propose_demands(score, written=written)


def set_signs(unit: Unit, *, keys: Sequence[str]) -> None:
    """Name the signs and words that are new in a unit."""
    unit.signs = list(keys)
    unit.save(update_fields=["signs"])


def propose_demands(score: Score, *, written: WrittenScore) -> None:
    """Write down what the score of a piece asks. What was answered before for the same finding stays answered."""
    piece = score.piece
    if piece is None:
        return
    skills = {skill.slug: skill for skill in Skill.objects.filter(learner=score.learner)}
    kept = {row.detector: row for row in piece.demands.exclude(detector="")}
    found = demands_of(written, instrument=instrument_of(score.learner))
    for demand in found:
        row = kept.pop(demand.detector, None) or Demand(piece=piece, detector=demand.detector)
        row.skill = skills.get(demand.skill) if demand.skill else None
        row.bars = write_bars(demand.bars)[:MOST_BARS_TEXT]
        row.detail = demand.detail[:200]
        row.sure_frac = demand.sure
        row.save()
    for row in kept.values():
        if row.answer == Demand.Answer.ASKED:
            row.delete()


def demand_in_words(row: Demand) -> str:
    """Return what is asked, as a line: the skill's name, or our own words where no skill covers it."""
    return row.skill.name if row.skill is not None else WITHOUT_SKILL.get(row.detector, row.detail or row.detector)


@transaction.atomic
def answer_demands(piece: Piece, *, answers: Mapping[int, str], today: date) -> None:
    """Keep *yes* or *no* for what a piece was found to ask. *Yes* names the skill, or the words that no skill covers; *no* takes back
    what an earlier *yes* had named. The piece counts as looked at once anything is named.
    """
    rows = list(piece.demands.select_related("skill"))
    needs = {skill.pk: skill for skill in piece.needs.all()}
    beyond = list(piece.beyond)
    for row in rows:
        answer = answers.get(row.pk)
        if answer not in (Demand.Answer.YES, Demand.Answer.NO) or answer == row.answer:
            continue
        if row.answer == Demand.Answer.YES:
            _take_back(row, rows=rows, needs=needs, beyond=beyond)
        row.answer = Demand.Answer(answer)
        row.save(update_fields=["answer"])
    for row in rows:
        if row.answer != Demand.Answer.YES:
            continue
        if row.skill is not None:
            needs[row.skill.pk] = row.skill
        elif demand_in_words(row) not in beyond:
            beyond.append(demand_in_words(row))
    piece.needs.set(needs.values())
    piece.beyond = beyond
    if needs or beyond:
        piece.looked_at_on = piece.looked_at_on or today
    piece.save(update_fields=["beyond", "looked_at_on"])


def _take_back(row: Demand, *, rows: Sequence[Demand], needs: dict[Any, Skill], beyond: list[str]) -> None:
    if row.skill is None:
        words = demand_in_words(row)
        if words in beyond:
            beyond.remove(words)
        return
    others = [other for other in rows if other.pk != row.pk and other.skill_id == row.skill_id]
    if not any(other.answer == Demand.Answer.YES for other in others):
        needs.pop(row.skill.pk, None)
