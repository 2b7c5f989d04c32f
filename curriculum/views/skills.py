"""Skills: the list by family, one skill with its evidence, and the learner's own word about it."""

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from curriculum import services
from curriculum.forms import HandForm, ReasonForm, SkillForm
from curriculum.models import Piece, Skill
from curriculum.queries import LearnerRequest, evidence_of, get_evidence, get_skill, learner_graph
from curriculum.views.presenting import add_errors, families, shown_skills, skill_row, unit_row, unnamed_note

# What a skill form leaves as it is when a shipped skill is edited: its place in the order.
KEPT_FIELDS = ("name", "group", "definition", "see_or_hear", "gate")


@require_safe
def skill_list(request: LearnerRequest) -> HttpResponse:
    graph = learner_graph(request.user)
    hidden = [skill for skill in graph.skills.values() if skill.is_hidden]
    is_hidden_shown = "hidden" in request.GET
    shown = hidden if is_hidden_shown else shown_skills(graph)
    counts: dict[str, int] = {}
    for skill in shown:
        word = graph.standing_word(skill.slug)
        counts[word] = counts.get(word, 0) + 1
    words = ["ticked", "ticked by hand", "due a check", "claimed", "in work"]
    return render(
        request,
        "curriculum/skill_list.html",
        {
            "families": families(graph, skills=shown),
            "count": len(shown),
            "counts": ", ".join(f"{counts[word]} {word}" for word in words if word in counts),
            "count_hidden": len(hidden),
            "is_hidden_shown": is_hidden_shown,
            "has_units": bool(graph.units),
        },
    )


@require_safe
def skill(request: LearnerRequest, pk: UUID) -> HttpResponse:
    return _show(request, get_skill(request.user, pk))


def _show(
    request: LearnerRequest,
    found: Skill,
    *,
    hand_form: HandForm | None = None,
    reason_form: ReasonForm | None = None,
) -> HttpResponse:
    graph = learner_graph(request.user)
    is_invalid = bool((hand_form and hand_form.errors) or (reason_form and reason_form.errors))
    in_order = sorted(
        graph.needs.get(found.slug, frozenset()), key=lambda slug: (graph.skills[slug].stage, graph.skills[slug].name)
    )
    evidence = list(evidence_of(found))
    return render(
        request,
        "curriculum/skill.html",
        {
            "skill": found,
            "row": skill_row(graph, found.slug),
            "report": graph.report(found.slug),
            "needs": [skill_row(graph, slug) for slug in in_order],
            "needed_by": [skill_row(graph, other.slug) for other in graph.needed_by(found.slug) if not other.is_hidden],
            "units": [unit_row(graph, unit, here=None) for unit in graph.taught_by(found.slug)],
            "unnamed_note": unnamed_note(graph),
            "pieces": Piece.objects.filter(learner=request.user, needs=found),
            "evidence": evidence,
            "in_force": [row for row in evidence if row.withdrawn_at is None],
            "may_claim": not found.not_for_me and not any(row.withdrawn_at is None for row in evidence),
            "hand_form": hand_form or HandForm(),
            "reason_form": reason_form or ReasonForm(prefix="not-for-me"),
        },
        status=422 if is_invalid else 200,
    )


@require_http_methods(["GET", "HEAD", "POST"])
def skill_new(request: LearnerRequest) -> HttpResponse:
    form = SkillForm(
        request.POST if request.method == "POST" else None,
        learner=request.user,
        initial={"name": request.GET.get("name", "")[:80]},
    )
    if request.method == "POST" and form.is_valid():
        try:
            made = services.add_skill(request.user, needs=form.cleaned_data["needs"], **_texts(form))
            return redirect("curriculum:skill", made.pk)
        except ValidationError as error:
            add_errors(form, error)
    return _answer_form(request, form)


@require_http_methods(["GET", "HEAD", "POST"])
def skill_edit(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_skill(request.user, pk)
    name = found.name
    initial = {
        "name": found.name,
        "group": found.group,
        "definition": found.definition,
        "see_or_hear": "\n".join(found.see_or_hear),
        "gate": found.gate,
        "needs": [need.slug for need in found.needs.all()],
    }
    form = SkillForm(
        request.POST if request.method == "POST" else None, learner=request.user, skill=found, initial=initial
    )
    if request.method == "POST" and form.is_valid():
        try:
            services.change_skill(found, needs=form.cleaned_data["needs"], **_texts(form))
            return redirect("curriculum:skill", found.pk)
        except ValidationError as error:
            add_errors(form, error)
    return _answer_form(request, form, skill=found, name=name)


def _texts(form: SkillForm) -> dict[str, Any]:
    return {field: form.cleaned_data[field] for field in KEPT_FIELDS}


def _answer_form(
    request: LearnerRequest, form: SkillForm, *, skill: Skill | None = None, name: str = ""
) -> HttpResponse:
    graph = learner_graph(request.user)
    chosen = set(form["needs"].value() or [])
    others = [other for other in shown_skills(graph, keep=chosen) if skill is None or other.pk != skill.pk]
    return render(
        request,
        "curriculum/skill_form.html",
        {
            "form": form,
            "skill": skill,
            "name": name,
            "families": families(graph, skills=others),
            "chosen": chosen,
        },
        status=422 if form.is_bound else 200,
    )


@require_POST
def skill_hide(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Hide a skill, or with `show` bring it back."""
    found = get_skill(request.user, pk)
    hidden = "show" not in request.POST
    services.hide_skill(found, hidden=hidden)
    messages.success(request, f"{found.name} is {'hidden. It keeps what it has' if hidden else 'shown again'}.")
    return redirect("curriculum:skill", found.pk)


@require_POST
def skill_not_for_me(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Set a skill aside with a reason, or with `again` take that back."""
    found = get_skill(request.user, pk)
    if "again" in request.POST:
        services.mark_for_me_again(found)
        return redirect("curriculum:skill", found.pk)
    form = ReasonForm(request.POST, prefix="not-for-me")
    if form.is_valid():
        services.mark_not_for_me(found, reason=form.cleaned_data["reason"])
        return redirect("curriculum:skill", found.pk)
    return _show(request, found, reason_form=form)


@require_POST
def skill_by_hand(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_skill(request.user, pk)
    form = HandForm(request.POST)
    if form.is_valid():
        services.set_by_hand(
            found,
            passed=form.cleaned_data["passed"],
            reason=form.cleaned_data["reason"],
            today=request.user.today(),
        )
        return redirect("curriculum:skill", found.pk)
    return _show(request, found, hand_form=form)


@require_POST
def skill_claim(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_skill(request.user, pk)
    if not services.claim_skills([found], today=request.user.today()):
        messages.warning(
            request, f"There is evidence about {found.name} already, so it was not claimed. You can set it by hand."
        )
    return redirect("curriculum:skill", found.pk)


@require_http_methods(["GET", "HEAD", "POST"])
def skill_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_skill(request.user, pk)
    if request.method == "POST":
        try:
            services.delete_skill(found)
        except ValidationError as error:
            messages.error(request, " ".join(error.messages))
            return redirect("curriculum:skill", pk)
        messages.success(request, f"{found.name} is deleted.")
        return redirect("curriculum:skill-list")
    return render(request, "curriculum/skill_delete.html", {"skill": found, "count": found.evidence.count()})


@require_POST
def evidence_withdraw(request: LearnerRequest, pk: int) -> HttpResponse:
    row = get_evidence(request.user, pk)
    services.withdraw_row(row)
    messages.success(request, "Withdrawn. It stays in the history, struck out.")
    return redirect("curriculum:skill", row.skill_id)
