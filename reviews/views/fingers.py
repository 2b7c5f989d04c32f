"""The take that tells fingers from the room, asked for with one tap."""

from typing import cast
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from curriculum.score import Hand
from lessons.queries import get_take
from lessons.views.requests import LearnerRequest
from reviews import services


@require_POST
def finger_take(request: LearnerRequest, pk: UUID, hand: str) -> HttpResponse:
    """Put the take on this week's sheet, for one hand; asked from what was measured in another take."""
    take = get_take(request.user, pk)
    _set(request, hand)
    return redirect("reviews:findings", pk=take.pk)


@require_POST
def finger_take_set(request: LearnerRequest, hand: str) -> HttpResponse:
    """Put the take on this week's sheet, for one hand, and show the sheet."""
    _set(request, hand)
    return redirect("lessons:week")


def _set(request: LearnerRequest, hand: str) -> None:
    if hand not in {"right", "left"}:
        raise Http404
    try:
        row = services.set_finger_take(request.user, hand=cast("Hand", hand), today=request.user.today())
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, f"It is line {row.letter} of this week's sheet. Its notes are there too.")
