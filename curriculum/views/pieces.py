"""Pieces: the list, one piece with what holds it, and naming its skills."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import prefetch_related_objects
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from curriculum import services
from curriculum.forms import LookForm, NewPieceForm, PieceForm, ProposalForm, ReasonForm
from curriculum.graph.difficulty import Reach, reach_beside_book, reach_of_grade
from curriculum.models import Book, Piece
from curriculum.queries import (
    LearnerGraph,
    LearnerRequest,
    PieceState,
    get_piece,
    learner_graph,
    pieces_of,
    suggested_skills,
)
from curriculum.views.presenting import add_errors, families, piece_row, piece_way, shown_skills

# What stands for everything that a piece asks beyond the skills named here.
BEYOND_WORDS = "the rest of what a piece this hard asks"


@require_safe
def piece_list(request: LearnerRequest) -> HttpResponse:
    graph = learner_graph(request.user)
    rows = [piece_row(graph, piece) for piece in pieces_of(request.user)]

    def of(*states: PieceState) -> list[Any]:
        return [row for row in rows if row.state in {state.label for state in states}]

    return render(
        request,
        "curriculum/piece_list.html",
        {
            "has_any": bool(rows),
            "open": of(PieceState.OPEN),
            "in_work": of(PieceState.IN_WORK),
            "held": of(PieceState.HELD),
            "not_looked_at": of(PieceState.NOT_LOOKED_AT),
            "learnt": of(PieceState.LEARNT),
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def piece_new(request: LearnerRequest) -> HttpResponse:
    form = NewPieceForm(
        request.POST if request.method == "POST" else None,
        learner=request.user,
        initial={"is_dream": "dream" in request.GET},
    )
    if request.method == "POST" and form.is_valid():
        try:
            made = services.add_piece(request.user, **form.cleaned_data)
            return redirect("curriculum:piece-look", made.pk)
        except ValidationError as error:
            add_errors(form, error)
    return render(request, "curriculum/piece_form.html", {"form": form}, status=422 if form.is_bound else 200)


@require_safe
def piece(request: LearnerRequest, pk: UUID) -> HttpResponse:
    return _show(request, get_piece(request.user, pk))


def _show(request: LearnerRequest, found: Piece, *, reason_form: ReasonForm | None = None) -> HttpResponse:
    graph = learner_graph(request.user)
    prefetch_related_objects([found], "needs")
    return render(
        request,
        "curriculum/piece.html",
        {"piece": found, "way": piece_way(graph, found), "reason_form": reason_form or ReasonForm()},
        status=422 if reason_form and reason_form.errors else 200,
    )


@require_http_methods(["GET", "HEAD", "POST"])
def piece_look(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Name what a piece needs, by hand or from a rough word. A proposal changes nothing until it is kept."""
    found = get_piece(request.user, pk)
    graph = learner_graph(request.user)
    if request.method == "POST":
        form = LookForm(request.POST, learner=request.user)
        if form.is_valid():
            services.look_at_piece(
                found,
                needs=form.cleaned_data["needs"],
                beyond=form.cleaned_data["beyond"].splitlines(),
                today=request.user.today(),
            )
            return redirect("curriculum:piece", found.pk)
        return _answer_look(request, found, graph=graph, form=form)
    asked = {name: value for name, value in request.GET.items() if name in ProposalForm.base_fields}
    proposal = ProposalForm(asked or None, learner=request.user)
    note, beyond = "", ""
    proposed: list[str] = []
    if asked and proposal.is_valid():
        note, proposed, beyond = _propose(graph, proposal)
        if not note:
            proposal.add_error(None, "Choose a grade, compare with a book, or write a few words.")
    chosen = sorted({*proposed, *(skill.slug for skill in found.needs.all())})
    lines = [*found.beyond, *([beyond] if beyond and beyond not in found.beyond else [])]
    form = LookForm(learner=request.user, initial={"needs": chosen, "beyond": "\n".join(lines)})
    return _answer_look(request, found, graph=graph, form=form, proposal=proposal, note=note)


def _propose(graph: LearnerGraph, form: ProposalForm) -> tuple[str, list[str], str]:
    """What the rough word comes to: a sentence, the slugs, and what lies beyond."""
    data = form.cleaned_data
    if data.get("grade"):
        reach, said = reach_of_grade(data["grade"]), f"for a piece of about grade {data['grade']}"
    elif data.get("compare") and data.get("book"):
        reach, said = _beside(graph, data["book"], data["compare"]), f"for a piece compared with {data['book'].title}"
    elif data.get("words"):
        named = [skill for skill in suggested_skills(graph.skills.values(), data["words"]) if not skill.is_watched]
        count = "Nothing" if not named else f"{len(named)} skill{'s' if len(named) > 1 else ''}"
        return f"{count} proposed from your words. Take out what does not fit.", [skill.slug for skill in named], ""
    else:
        return "", [], ""
    slugs = [
        slug
        for slug, skill in graph.skills.items()
        if skill.is_shipped and not skill.is_watched and not skill.is_hidden and skill.stage <= reach.stage
    ]
    note = f"{len(slugs)} skills proposed {said}. This is a rough guess: take out what the piece does not ask."
    if reach.is_guess:
        note += " Most units of this book do not say yet what is new in them, so a usual first book was taken."
    return note, slugs, BEYOND_WORDS if reach.is_beyond else ""


def _beside(graph: LearnerGraph, book: Book, compare: str) -> Reach:
    units = graph.units_of(book)
    taught = {slug for unit in units for slug in graph.teaches[str(unit.pk)]}
    named = sum(bool(graph.teaches[str(unit.pk)]) for unit in units)
    return reach_beside_book(
        compare,
        taught_stages=[graph.skills[slug].stage for slug in taught if graph.skills[slug].is_shipped],
        share_named=named / len(units) if units else 0.0,
    )


def _answer_look(
    request: LearnerRequest,
    found: Piece,
    *,
    graph: LearnerGraph,
    form: LookForm,
    proposal: ProposalForm | None = None,
    note: str = "",
) -> HttpResponse:
    chosen = set(form["needs"].value() or [])
    choices = [skill for skill in shown_skills(graph, keep=chosen) if not skill.is_watched or skill.slug in chosen]
    return render(
        request,
        "curriculum/piece_look.html",
        {
            "piece": found,
            "form": form,
            "proposal": proposal or ProposalForm(learner=request.user),
            "note": note,
            "families": families(graph, skills=choices),
            "chosen": chosen,
        },
        status=422 if form.errors or (proposal is not None and proposal.errors) else 200,
    )


@require_http_methods(["GET", "HEAD", "POST"])
def piece_edit(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_piece(request.user, pk)
    title = found.title
    form = PieceForm(request.POST if request.method == "POST" else None, instance=found)
    if request.method == "POST" and form.is_valid():
        services.change_piece(found, **form.cleaned_data)
        return redirect("curriculum:piece", found.pk)
    context = {"form": form, "piece": found, "title": title}
    return render(request, "curriculum/piece_form.html", context, status=422 if form.is_bound else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def piece_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_piece(request.user, pk)
    if request.method == "POST":
        services.delete_piece(found)
        messages.success(request, f"“{found.title}” is deleted. What you have shown stays.")
        return redirect("curriculum:piece-list")
    return render(request, "curriculum/piece_delete.html", {"piece": found})


@require_POST
def piece_open_anyway(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_piece(request.user, pk)
    form = ReasonForm(request.POST)
    if form.is_valid():
        try:
            services.open_piece_anyway(found, reason=form.cleaned_data["reason"], today=request.user.today())
            return redirect("curriculum:piece", found.pk)
        except ValidationError as error:
            add_errors(form, error)
    return _show(request, found, reason_form=form)
