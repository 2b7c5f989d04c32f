"""The check-up of the books: what does not fit, and what one tap does about it."""

import hashlib
from dataclasses import dataclass

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from curriculum import services
from curriculum.graph.checkup import Finding, FindingKind, Proposal, ProposalKind, check_up
from curriculum.models import Book, Unit
from curriculum.queries import (
    LearnerGraph,
    LearnerRequest,
    learner_graph,
    pieces_of,
    say_list,
    say_unit,
    suggested_skills,
)

# Units without anything new that are named one by one; of the rest only their number is told, for only the next ones matter.
MOST_UNNAMED = 3
# Proposals shown for a finding; the first is the one that upsets least.
MOST_PROPOSALS = 3


@dataclass(frozen=True, slots=True)
class ProposalRow:
    """A proposal as a button; with `unit_to_write` it is a link instead."""

    number: int
    words: str
    unit_to_write: Unit | None


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding with its place, in words."""

    key: str
    heading: str
    sentence: str
    unit: Unit | None
    proposals: list[ProposalRow]
    is_left: bool


@require_safe
def book_check(request: LearnerRequest) -> HttpResponse:
    """All that does not fit in the learner's books."""
    graph, found = _look(request)
    left = _left(graph)
    rows = [_row(graph, finding, left=left) for finding in found]
    unnamed = [row for row, finding in zip(rows, found, strict=True) if finding.kind is FindingKind.TEACHES_NOTHING]
    late = {row.key for row in [row for row in unnamed if not row.is_left][MOST_UNNAMED:]}
    return render(
        request,
        "curriculum/book_check.html",
        {
            "rows": [row for row in rows if not row.is_left and row.key not in late],
            "count_late": len(late),
            "left": [row for row in rows if row.is_left],
            "has_units": bool(graph.units),
            "count_books": len({unit.book_id for unit in graph.units.values()}),
        },
    )


@require_POST
def book_check_accept(request: LearnerRequest) -> HttpResponse:
    """Do what a proposal says, if the books still are as they were when it was shown."""
    graph, found = _look(request)
    asked, number = request.POST.get("finding", ""), request.POST.get("proposal", "")
    finding = next((each for each in found if key_of(each) == asked), None)
    proposals = finding.proposals if finding is not None else ()
    proposal = next((each for place, each in enumerate(proposals, start=1) if str(place) == number), None)
    if proposal is None or proposal.kind is ProposalKind.NAME_NEW:
        messages.warning(request, "The books are not what they were. This is what does not fit now.")
        return redirect("curriculum:book-check")
    try:
        services.accept_proposal(proposal, units=graph.units, skills=graph.skills, today=request.user.today())
        messages.success(request, f"Done: {_words(graph, proposal)}. You can change it again where it stands.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("curriculum:book-check")


@require_POST
def book_check_leave(request: LearnerRequest) -> HttpResponse:
    """Leave a finding as it is, or with `again` let it be named again."""
    graph, found = _look(request)
    asked = request.POST.get("finding", "")
    finding = next((each for each in found if key_of(each) == asked), None)
    book = _book_of(graph, finding) if finding is not None else None
    if book is not None and "again" in request.POST:
        services.look_again(book, key=asked)
    elif book is not None:
        services.leave_as_is(book, key=asked)
    return redirect("curriculum:book-check")


def key_of(finding: Finding) -> str:
    """A short name of a finding, the same as long as the finding is."""
    told = "|".join([finding.kind, finding.unit or "", ",".join(finding.skills), finding.other_unit or ""])
    return hashlib.sha256(told.encode()).hexdigest()[:20]


def _look(request: LearnerRequest) -> tuple[LearnerGraph, tuple[Finding, ...]]:
    graph = learner_graph(request.user)
    wanted = {skill.slug for piece in pieces_of(request.user) if not piece.learnt_on for skill in piece.needs.all()}
    bare = [unit for unit_id, unit in graph.units.items() if not graph.teaches[unit_id] and unit.new_words]
    suggested = {
        str(unit.pk): [skill.slug for skill in suggested_skills(graph.skills.values(), unit.new_words)]
        for unit in bare[: 4 * MOST_UNNAMED]
    }
    return graph, check_up(units=graph.unit_facts, skills=graph.skill_facts, wanted=wanted, suggested=suggested)


def _book_of(graph: LearnerGraph, finding: Finding) -> Book | None:
    """The book that remembers what is left as it is: of the place, or where there is none the first on the shelf."""
    if finding.unit is not None:
        return graph.units[finding.unit].book
    return next((unit.book for unit in graph.units.values()), None)


def _left(graph: LearnerGraph) -> frozenset[str]:
    return frozenset(key for unit in graph.units.values() for key in unit.book.left_as_is)


def _row(graph: LearnerGraph, finding: Finding, *, left: frozenset[str]) -> FindingRow:
    unit = graph.units[finding.unit] if finding.unit is not None else None
    key = key_of(finding)
    return FindingRow(
        key=key,
        heading=_heading(graph, unit),
        sentence=_sentence(graph, finding),
        unit=unit,
        proposals=[
            ProposalRow(
                number=number,
                words=_words(graph, proposal),
                unit_to_write=graph.units[proposal.unit]
                if proposal.kind is ProposalKind.NAME_NEW and proposal.unit
                else None,
            )
            for number, proposal in enumerate(finding.proposals[:MOST_PROPOSALS], start=1)
        ],
        is_left=key in left,
    )


def _heading(graph: LearnerGraph, unit: Unit | None) -> str:
    if unit is None:
        return "A skill that a piece asks for"
    page = f", page {unit.page}" if unit.page else ""
    named = f"Unit {unit.position}, {unit.title}{page}"
    return f"{named}, in {unit.book.title}" if len({each.book_id for each in graph.units.values()}) > 1 else named


def _sentence(graph: LearnerGraph, finding: Finding) -> str:
    names = say_list([f"“{name}”" for name in graph.names(finding.skills)])
    unit = graph.units[finding.unit] if finding.unit is not None else None
    if finding.kind is FindingKind.TAUGHT_LATER and finding.other_unit is not None:
        return (
            f"It needs {names}, which only comes later, in {say_unit(graph.units[finding.other_unit], seen_from=unit)}."
        )
    if finding.kind is FindingKind.TAUGHT_NOWHERE:
        who = "It" if unit is not None else "A piece of yours"
        return f"{who} needs {names}, and no unit of your books teaches that."
    if finding.kind is FindingKind.TAUGHT_TWICE and finding.other_unit is not None:
        return f"It teaches {names}, and so does {say_unit(graph.units[finding.other_unit], seen_from=unit)}."
    return "It does not say what is new in it, so it proves nothing and opens nothing."


def _words(graph: LearnerGraph, proposal: Proposal) -> str:
    """What a tap does, as the words of its button."""
    unit = graph.units.get(proposal.unit or "")
    other = graph.units.get(proposal.other_unit or "")
    name = f"“{graph.skills[proposal.skill].name}”" if proposal.skill else ""
    place = f"unit {unit.position}" if unit is not None else ""
    if proposal.kind is ProposalKind.MOVE_BEFORE and other is not None:
        return f"Move {place} before unit {other.position}"
    if proposal.kind is ProposalKind.MOVE_AFTER and other is not None:
        return f"Move {place} after unit {other.position}"
    if unit is not None and len({each.book_id for each in graph.units.values()}) > 1:
        place = f"{place} of {unit.book.title}"
    return {
        ProposalKind.ADD_TEACHES: f"Say that {place} teaches {name}",
        ProposalKind.DROP_NEED: f"Say that {place} does not need {name}",
        ProposalKind.NEED_INSTEAD: f"Say that {place} needs {name} instead of teaching it",
        ProposalKind.SKIP: f"Pass over {place}, as done",
        ProposalKind.CLAIM: f"Claim {name}: you can do it already",
        ProposalKind.NAME_NEW: f"Write what is new in {place}",
    }.get(proposal.kind, "")
