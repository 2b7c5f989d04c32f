"""The way to a piece: what holds it, the cheapest way through the books, and which of its bars are within reach."""

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from curriculum import services
from curriculum.forms import BarsForm
from curriculum.models import Piece
from curriculum.queries import (
    LearnerGraph,
    LearnerRequest,
    get_piece,
    get_typed_demand,
    learner_graph,
    pieces_with_demands,
)
from curriculum.views.leading import leading_way, say_bars
from curriculum.views.presenting import piece_way as held_by
from curriculum.views.presenting import shown_skills


@require_safe
def way(request: LearnerRequest) -> HttpResponse:
    """The way to the dream piece; with several of them, what holds each."""
    pieces = list(pieces_with_demands(request.user))
    dreams = [piece for piece in pieces if piece.is_dream]
    if len(dreams) == 1:
        return _show(request, dreams[0], pieces=pieces)
    graph = learner_graph(request.user)
    ways = [held_by(graph, piece) for piece in dreams]
    return render(request, "curriculum/way.html", {"ways": ways, "has_pieces": bool(pieces)})


@require_safe
def piece_way(request: LearnerRequest, pk: UUID) -> HttpResponse:
    return _answer(request, pk)


@require_POST
def bars_new(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Bars typed by hand, and the skill that they need."""
    found = get_piece(request.user, pk)
    graph = learner_graph(request.user)
    form = _form(graph, request.POST)
    if not form.is_valid():
        return _answer(request, pk, form=form)
    skill = graph.skills[form.cleaned_data["skill"]]
    services.write_bars_by_hand(found, skill=skill, bars=form.cleaned_data["bars"], today=graph.today)
    return redirect("curriculum:piece-way", found.pk)


def _form(graph: LearnerGraph, typed: QueryDict | None = None) -> BarsForm:
    return BarsForm(typed, skills=[skill for skill in shown_skills(graph) if not skill.is_watched])


@require_POST
def bars_delete(request: LearnerRequest, pk: int) -> HttpResponse:
    row = get_typed_demand(request.user, pk)
    services.forget_bars(row)
    messages.success(request, "Taken out of the bars. What the piece as a whole needs stays.")
    return redirect("curriculum:piece-way", row.piece_id)


def _answer(request: LearnerRequest, pk: UUID, *, form: BarsForm | None = None) -> HttpResponse:
    pieces = list(pieces_with_demands(request.user))
    found = next((piece for piece in pieces if piece.pk == pk), None)
    if found is None:
        raise Http404
    return _show(request, found, pieces=pieces, form=form)


def _show(request: LearnerRequest, piece: Piece, *, pieces: list[Piece], form: BarsForm | None = None) -> HttpResponse:
    graph = learner_graph(request.user)
    leading = leading_way(graph, piece, pieces=pieces)
    names = {skill.pk: skill.name for skill in graph.skills.values()}
    typed = leading.bars.typed if leading.bars else []
    return render(
        request,
        "curriculum/piece_way.html",
        {
            "leading": leading,
            "way": leading.held,
            "piece": piece,
            "typed": [(row, say_bars(row), names[row.skill_id] if row.skill_id else "") for row in typed],
            "form": form or _form(graph),
        },
        status=422 if form is not None and form.errors else 200,
    )
