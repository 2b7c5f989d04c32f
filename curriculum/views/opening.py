"""What changed: the history of a skill, and what opened this week."""

from dataclasses import dataclass
from datetime import date, timedelta
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from curriculum.graph.opened import OpenedItem, PieceFacts, opened_between
from curriculum.graph.standing import StandingChange, standing_history
from curriculum.graph.wording import say_day
from curriculum.models import Evidence, Piece, Unit
from curriculum.queries import LearnerGraph, LearnerRequest, evidence_of, get_skill, learner_graph, pieces_of, say_list


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """A day on which a standing changed, with what was shown that day; nothing where time alone changed it."""

    on: date
    before: str
    word: str
    sentence: str
    evidence: list[Evidence]


@dataclass(frozen=True, slots=True)
class OpenedRow:
    """A unit or piece that opened, and what let it."""

    unit: Unit | None
    piece: Piece | None
    why: str


@dataclass(frozen=True, slots=True)
class MoveRow:
    """A skill that stands elsewhere than before the week."""

    name: str
    pk: UUID
    before: str
    word: str
    sentence: str


@require_safe
def skill_history(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_skill(request.user, pk)
    graph = learner_graph(request.user)
    evidence = list(evidence_of(found))
    of_day: dict[date, list[Evidence]] = {}
    for row in evidence:
        if row.withdrawn_at is None:
            of_day.setdefault(row.played_on, []).append(row)
    changes = standing_history(graph.evidence.get(found.slug, ()), today=graph.today)
    rows = [_change_row(change, of_day=of_day) for change in reversed(changes)]
    context = {"skill": found, "rows": rows, "count_withdrawn": sum(row.withdrawn_at is not None for row in evidence)}
    return render(request, "curriculum/skill_history.html", context)


def _change_row(change: StandingChange, *, of_day: dict[date, list[Evidence]]) -> ChangeRow:
    return ChangeRow(
        on=change.on,
        before=_word(change.before),
        word=_word(change.report.standing),
        sentence=change.report.sentence,
        evidence=of_day.get(change.on, []),
    )


def _word(standing: str) -> str:
    return "due a check" if standing == "due" else standing.replace("_", " ")


@require_safe
def opened(request: LearnerRequest) -> HttpResponse:
    """Units and pieces that were held when the week began and are open now."""
    graph = learner_graph(request.user)
    first = graph.today - timedelta(days=(graph.today.weekday() - request.user.first_weekday) % 7)
    pieces = {
        str(piece.pk): piece
        for piece in pieces_of(request.user)
        if piece.looked_at_on and not (piece.begun_on or piece.learnt_on or piece.opened_anyway_on)
    }
    found = opened_between(
        first - timedelta(days=1),
        graph.today,
        skills=graph.skill_facts,
        evidence=graph.evidence,
        units=graph.unit_facts,
        pieces={
            pk: PieceFacts(frozenset(skill.slug for skill in piece.needs.all()), tuple(piece.beyond))
            for pk, piece in pieces.items()
        },
        done_on={unit_id: unit.done_on for unit_id, unit in graph.units.items() if unit.done_on},
        never_by_ticks=graph.never_by_ticks,
    )
    return render(
        request,
        "curriculum/opened.html",
        {
            "first": first,
            "units": [
                OpenedRow(graph.units[item.id], None, _why(graph, item))
                for item in found.units
                if not graph.units[item.id].begun_on
            ],
            "pieces": [OpenedRow(None, pieces[item.id], _why(graph, item)) for item in found.pieces],
            "moves": [
                MoveRow(
                    name=graph.skills[move.skill].name,
                    pk=graph.skills[move.skill].pk,
                    before=_word(move.before),
                    word=_word(move.report.standing),
                    sentence=move.report.sentence,
                )
                for move in found.skills
            ],
            "said": say_day(first, today=graph.today),
        },
    )


def _why(graph: LearnerGraph, item: OpenedItem) -> str:
    parts = []
    if item.skills:
        names = say_list(graph.names(item.skills))
        parts.append(f"{names} held it, and {'does' if len(item.skills) == 1 else 'do'} no longer.")
    if item.units:
        done = say_list([f"unit {graph.units[unit_id].position}" for unit_id in item.units])
        parts.append(f"{done[0].upper()}{done[1:]} {'is' if len(item.units) == 1 else 'are'} done.")
    return " ".join(parts)
