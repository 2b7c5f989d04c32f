"""Placement: a few questions that find where a returner stands. Nothing is written before the result is accepted."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from curriculum import services
from curriculum.graph.placement import Answer, PlacementSkill, PlacementUnit, Question, Questioner, QuestionKind, Said
from curriculum.models import Book, Placement, Skill, Unit
from curriculum.queries import LearnerGraph, LearnerRequest, get_placement, learner_graph
from curriculum.views.presenting import Family, families

# Skills in doubt that the result names: the best ones to show first.
MOST_IN_DOUBT = 3


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a placement comes to, before anything is written."""

    unit: Unit | None
    before: list[Unit]
    claimed: list[Family]
    skills: list[Skill]
    in_doubt: list[Skill]


@require_http_methods(["GET", "HEAD", "POST"])
def placement_new(request: LearnerRequest) -> HttpResponse:
    """Say what is going to be asked; begin, or go on with what was stopped."""
    books = list(Book.objects.filter(learner=request.user))
    if request.method == "POST":
        wanted = request.POST.get("book", "")
        book = next((each for each in books if str(each.pk) == wanted), books[0] if books else None)
        placement = services.begin_placement(request.user, book=book)
        return redirect("curriculum:placement", placement.pk)
    going = Placement.objects.filter(learner=request.user, finished_at=None).first()
    return render(request, "curriculum/placement_new.html", {"books": books, "going": going})


@require_http_methods(["GET", "HEAD", "POST"])
def placement(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """One question, or what the answers come to. An answer to another question than the one that stands changes nothing."""
    found = get_placement(request.user, pk)
    if found.finished_at:
        return redirect("curriculum:book-list")
    graph = learner_graph(request.user)
    questioner = _questioner(graph, found)
    answers = _answers(found, questioner=questioner)
    question = questioner.next_question(answers)
    if request.method == "POST":
        _take(request.POST, found, question=question)
        return redirect("curriculum:placement", found.pk)
    # Before the first answer there is only what is usual, and nobody is placed by that.
    if question is None or ("result" in request.GET and answers):
        outcome = _outcome(graph, found, questioner=questioner, answers=answers)
        context: dict[str, Any] = {"placement": found, "outcome": outcome, "may_go_on": question is not None}
        return render(request, "curriculum/placement_result.html", context)
    context = {"placement": found, "question": question, "count": len(answers) + 1, "may_go_back": bool(found.answers)}
    if question.kind is QuestionKind.UNIT:
        context["unit"] = graph.units[question.id]
    else:
        context["skill"] = graph.skills[question.id]
    return render(request, "curriculum/placement.html", context)


@require_POST
def placement_accept(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_placement(request.user, pk)
    if found.finished_at:
        return redirect("curriculum:book-list")
    graph = learner_graph(request.user)
    questioner = _questioner(graph, found)
    answers = _answers(found, questioner=questioner)
    if not answers:
        return redirect("curriculum:placement", found.pk)
    outcome = _outcome(graph, found, questioner=questioner, answers=answers)
    count = services.accept_placement(found, placed=outcome.skills, unit=outcome.unit, today=request.user.today())
    skills = "1 skill is" if count == 1 else f"{count} skills are"
    messages.success(
        request, f"{skills} claimed. A right first try within a month proves each; what is not proved lapses."
    )
    if outcome.unit is None:
        return redirect("curriculum:skill-list")
    return redirect(f"{reverse('curriculum:book', args=[outcome.unit.book_id])}#unit-{outcome.unit.pk}")


@require_POST
def placement_drop(request: LearnerRequest, pk: UUID) -> HttpResponse:
    services.drop_placement(get_placement(request.user, pk))
    messages.success(request, "The answers are thrown away. Nothing was claimed.")
    return redirect("curriculum:placement-new")


def _questioner(graph: LearnerGraph, found: Placement) -> Questioner:
    skills = tuple(
        PlacementSkill(slug, needs=graph.needs.get(slug, frozenset()), stage=skill.stage, family=skill.group)
        for slug, skill in graph.skills.items()
        if not (skill.is_watched or skill.is_hidden or skill.not_for_me)
    )
    return _kept_questioner(
        skills, tuple(PlacementUnit(str(unit.pk), graph.teaches[str(unit.pk)]) for unit in _units(graph, found))
    )


# Some megabytes each; two learners of a house may be asked at once.
@lru_cache(maxsize=2)
def _kept_questioner(skills: tuple[PlacementSkill, ...], units: tuple[PlacementUnit, ...]) -> Questioner:
    return Questioner(skills=skills, units=units)


def _units(graph: LearnerGraph, found: Placement) -> list[Unit]:
    return [unit for unit in graph.units.values() if unit.book_id == found.book_id]


def _answers(found: Placement, *, questioner: Questioner) -> tuple[Answer, ...]:
    kept = [Answer(QuestionKind(row["kind"]), row["id"], Said(row["said"])) for row in found.answers]
    return questioner.still_asked(kept)


def _take(sent: Mapping[str, str], found: Placement, *, question: Question | None) -> None:
    if "back" in sent:
        services.take_back_answer(found)
        return
    is_this_one = question is not None and (sent.get("kind"), sent.get("about")) == (question.kind.value, question.id)
    if question is not None and is_this_one and sent.get("said") in list(Said):
        services.keep_answer(found, kind=question.kind.value, about=question.id, said=sent["said"])


def _outcome(graph: LearnerGraph, found: Placement, *, questioner: Questioner, answers: tuple[Answer, ...]) -> Outcome:
    result = questioner.result(answers)
    fresh = [graph.skills[slug] for slug in result.placed if not graph.report(slug).standing.counts_as_ticked]
    unit = graph.units[result.unit] if result.unit else None
    units = _units(graph, found)
    return Outcome(
        unit=unit,
        before=[other for other in units if unit is not None and other.position < unit.position],
        claimed=families(graph, skills=fresh),
        skills=fresh,
        in_doubt=[graph.skills[slug] for slug in result.in_doubt[:MOST_IN_DOUBT]],
    )
