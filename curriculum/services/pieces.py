"""Writes about pieces."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from curriculum.models import Demand, Learner, Piece, Skill


def add_piece(
    learner: Learner,
    *,
    title: str,
    composer: str = "",
    source: str = "",
    link: str = "",
    is_dream: bool = False,
    why_this_one: str = "",
) -> Piece:
    """Add a piece. It is *not looked at* until its skills are named."""
    piece = Piece(
        learner=learner,
        title=title,
        composer=composer,
        source=source,
        link=link,
        is_dream=is_dream,
        why_this_one=why_this_one,
    )
    piece.full_clean()
    piece.save()
    return piece


def change_piece(piece: Piece, **fields: Any) -> None:
    """Change what is written about a piece."""
    for name, value in fields.items():
        setattr(piece, name, value)
    piece.full_clean()
    piece.save()


def delete_piece(piece: Piece) -> None:
    """Delete a piece. Evidence and the sheets of past weeks stay."""
    piece.delete()


@transaction.atomic
def look_at_piece(piece: Piece, *, needs: Iterable[Skill], beyond: Sequence[str] = (), today: date) -> None:
    """Name what a piece needs. `beyond` holds demands that no skill covers; they block it in words."""
    wanted = list(needs)
    if not wanted and not beyond:
        raise ValidationError("Name at least one skill that this piece needs. Until then it stays not looked at.")
    piece.needs.set(wanted)
    piece.beyond = [text for text in (line.strip() for line in beyond) if text]
    piece.looked_at_on = today
    piece.save(update_fields=["beyond", "looked_at_on"])


def begin_piece(piece: Piece, *, today: date) -> None:
    """A piece that stands on a sheet is in work, and never closes again."""
    if not piece.begun_on:
        piece.begun_on = today
        piece.save(update_fields=["begun_on"])


def finish_piece(piece: Piece, *, today: date) -> None:
    """The verdict *move on*: the piece is learnt."""
    piece.begun_on = piece.begun_on or today
    piece.learnt_on = today
    piece.save(update_fields=["begun_on", "learnt_on"])


def take_up_piece_again(piece: Piece) -> None:
    """A learnt piece is in work again."""
    piece.learnt_on = None
    piece.save(update_fields=["learnt_on"])


def open_piece_anyway(piece: Piece, *, reason: str, today: date) -> None:
    """Open a held piece, with a reason. It shows as such and is no evidence. One not looked at is never open."""
    if not piece.looked_at_on:
        raise ValidationError("Say first what this piece needs. Until then nobody knows what would be opened.")
    piece.opened_anyway_on, piece.opened_anyway_reason = today, reason.strip()
    piece.full_clean()
    piece.save()


@transaction.atomic
def write_bars_by_hand(piece: Piece, *, skill: Skill, bars: str, today: date) -> Demand:
    """Write down that some bars need a skill. The piece needs it then, and counts as looked at. Said twice it is written once."""
    row, _ = Demand.objects.get_or_create(
        piece=piece, detector="", skill=skill, bars=bars, defaults={"answer": Demand.Answer.YES}
    )
    piece.needs.add(skill)
    if not piece.looked_at_on:
        piece.looked_at_on = today
        piece.save(update_fields=["looked_at_on"])
    return row


def forget_bars(row: Demand) -> None:
    """Take back what was written by hand about bars. What the piece as a whole needs stays."""
    row.delete()
