"""How pages of the review say moments, bars and consequences."""

from django import template

from lessons.media.clock import write_clock
from lessons.models import Assignment
from lessons.planning.bars import bars_in_words
from reviews.queries import Look

register = template.Library()

# Seconds before and after a moment that are heard with it.
HEAR_BEFORE_S, HEAR_AFTER_S = 2.0, 2.0


@register.filter
def clock(at_s: float) -> str:
    """Say a moment as minutes, seconds and tenths."""
    return write_clock(at_s)


@register.filter
def seconds(at_s: float) -> str:
    """Say a moment as an address of a part of a clip wants it; never localised."""
    return f"{at_s:.2f}"


@register.filter
def hear_from(at_s: float) -> str:
    """Say from where a moment is heard: a little before it, so that the ear is in time."""
    return seconds(max(at_s - HEAR_BEFORE_S, 0.0))


@register.filter
def hear_until(at_s: float) -> str:
    """Say until where a moment is heard."""
    return seconds(at_s + HEAR_AFTER_S)


@register.filter
def bars(text: str) -> str:
    """Say bars as they stand in a sentence."""
    return bars_in_words(text)


@register.filter
def strip_words(look: Look) -> str:
    """Say what the strip shows."""
    take = look.take
    return f"The clip from start to end; take {look.assignment.letter} runs from {clock(take.start_s)} to {clock(take.end_s)}."


@register.filter
def verdict_effects(assignment: Assignment) -> str:
    """Say what *move on* and *another week* do for this kind of line."""
    move_on = {
        Assignment.Kind.UNIT: "the unit is done",
        Assignment.Kind.PIECE: "the piece counts as learnt and comes back now and then",
        Assignment.Kind.CORRECTION: "the correction leaves the sheet",
        Assignment.Kind.CHECK: "nothing more is asked until it falls due again",
    }.get(Assignment.Kind(assignment.kind), "the line leaves the sheet")
    again = "it stays on the next sheet"
    return f"Move on: {move_on}. Another week: {again}."
