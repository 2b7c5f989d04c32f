"""Units of a book: one unit, writing it, what is new in it, and where the learner stands."""

import re
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Max
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from curriculum import services
from curriculum.forms import MoveForm, ReasonForm, TeachesForm, UnitForm
from curriculum.models import Book, Skill, Unit
from curriculum.queries import LearnerGraph, LearnerRequest, get_book, get_unit, learner_graph, suggested_skills
from curriculum.views.presenting import add_errors, families, shown_skills, skill_row, unit_row

# Skills that a search by name lists; somebody who sees more types another letter.
MOST_FOUND = 12
# Families of skills that are judged by how even the notes sound.
EVEN_FAMILIES = {"touch", "patterns"}


@require_safe
def unit(request: LearnerRequest, pk: UUID) -> HttpResponse:
    return _show(request, get_unit(request.user, pk))


def _show(
    request: LearnerRequest, found: Unit, *, reason_form: ReasonForm | None = None, move_form: MoveForm | None = None
) -> HttpResponse:
    graph = learner_graph(request.user)
    known = graph.units[str(found.pk)]
    here = graph.here(found.book)
    units = graph.units_of(found.book)
    place = next(number for number, other in enumerate(units) if other.pk == found.pk)
    is_invalid = bool((reason_form and reason_form.errors) or (move_form and move_form.errors))
    return render(
        request,
        "curriculum/unit.html",
        {
            "unit": known,
            "row": unit_row(graph, known, here=here),
            "teaches": [skill_row(graph, slug) for slug in _in_order(graph, graph.teaches[str(found.pk)])],
            "needs": [skill_row(graph, slug) for slug in _in_order(graph, graph.unit_needs(known))],
            "granted": graph.taken_for_granted(known),
            "before": units[place - 1] if place else None,
            "following": units[place + 1] if place + 1 < len(units) else None,
            "reason_form": reason_form or ReasonForm(),
            "move_form": move_form or MoveForm(initial={"place": known.position}),
            "count": len(units),
            "asks_evenness": known.begun_on is not None
            and any(graph.skills[slug].group in EVEN_FAMILIES for slug in graph.teaches[str(found.pk)]),
        },
        status=422 if is_invalid else 200,
    )


def _in_order(graph: LearnerGraph, slugs: frozenset[str]) -> list[str]:
    return sorted(slugs, key=lambda slug: (graph.skills[slug].stage, graph.skills[slug].name))


@require_http_methods(["GET", "HEAD", "POST"])
def unit_new(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_book(request.user, pk)
    last = (found.units.aggregate(last=Max("position"))["last"] or 0) + 1
    wanted = request.GET.get("place", "")
    place = min(max(int(wanted), 1), last) if re.fullmatch("[0-9]{1,6}", wanted) else last
    form = UnitForm(
        request.POST if request.method == "POST" else None,
        book=found,
        last_place=last,
        initial={"place": place, "follows": Unit.Follows.BEFORE},
    )
    if request.method == "POST" and form.is_valid():
        twin = found.units.filter(
            position=form.cleaned_data["place"],
            **{name: form.cleaned_data[name] for name in ("title", "page", "chapter", "link")},
        ).first()
        if twin is not None:  # the button was pressed twice
            return redirect("curriculum:unit-teaches", twin.pk)
        try:
            made = services.insert_unit(
                found, position=form.cleaned_data["place"], title=form.cleaned_data["title"], **_texts(form)
            )
            services.change_unit(made, extra_needs=form.cleaned_data["extra_needs"], after=form.after_units)
            return redirect("curriculum:unit-teaches", made.pk)
        except ValidationError as error:
            add_errors(form, error)
    return _answer_form(request, form, book=found)


@require_http_methods(["GET", "HEAD", "POST"])
def unit_edit(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_unit(request.user, pk)
    title = found.title
    after = ", ".join(str(other.position) for other in found.after.order_by("position"))
    initial = {
        "title": found.title,
        "page": found.page,
        "chapter": found.chapter,
        "link": found.link,
        "place": found.position,
        "follows": found.follows,
        "after": after,
        "extra_needs": [skill.slug for skill in found.extra_needs.all()],
    }
    form = UnitForm(
        request.POST if request.method == "POST" else None,
        book=found.book,
        unit=found,
        last_place=found.book.units.count(),
        initial=initial,
    )
    if request.method == "POST" and form.is_valid():
        try:
            services.rewrite_unit(
                found,
                place=form.cleaned_data["place"],
                title=form.cleaned_data["title"],
                extra_needs=form.cleaned_data["extra_needs"],
                after=form.after_units,
                **_texts(form),
            )
            return redirect("curriculum:unit", found.pk)
        except ValidationError as error:
            add_errors(form, error)
    return _answer_form(request, form, book=found.book, unit=found, title=title)


def _texts(form: UnitForm) -> dict[str, Any]:
    return {name: form.cleaned_data[name] for name in ("page", "chapter", "link", "follows")}


def _answer_form(
    request: LearnerRequest, form: UnitForm, *, book: Book, unit: Unit | None = None, title: str = ""
) -> HttpResponse:
    graph = learner_graph(request.user)
    chosen = set(form["extra_needs"].value() or [])
    return render(
        request,
        "curriculum/unit_form.html",
        {
            "form": form,
            "book": book,
            "unit": unit,
            "title": title,
            "families": families(graph, skills=shown_skills(graph, keep=chosen)),
            "chosen": chosen,
        },
        status=422 if form.is_bound else 200,
    )


@require_http_methods(["GET", "HEAD", "POST"])
def unit_teaches(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_unit(request.user, pk)
    return teach(
        request,
        found,
        graph=learner_graph(request.user),
        template="curriculum/unit_teaches.html",
        onward=reverse("curriculum:unit", args=[found.pk]),
        context={},
    )


def teach(
    request: LearnerRequest, found: Unit, *, graph: LearnerGraph, template: str, onward: str, context: dict[str, Any]
) -> HttpResponse:
    """Words are typed, skills are offered for them, the learner chooses. Asked by htmx only the offers are answered."""
    initial = {"words": found.new_words, "skills": sorted(graph.teaches[str(found.pk)])}
    form = TeachesForm(request.POST if request.method == "POST" else None, learner=request.user, initial=initial)
    is_asking = bool({"suggest", "search"} & set(request.POST)) or bool(request.htmx)
    hint = ""
    if request.method == "POST" and form.is_valid() and not is_asking:
        words, skills = form.cleaned_data["words"].strip(), list(form.cleaned_data["skills"])
        if "own" in request.POST and words:
            return _teach_own(request, found, form=form, onward=onward)
        if skills or not words or "words_only" in request.POST:
            services.change_unit(found, new_words=words, teaches=skills, today=request.user.today())
            return redirect(onward)
        hint = "Choose which of these is new in it, or keep the words alone."
    offers = _offers(graph, form)
    page = {"form": form, "unit": found, "offers": offers, "hint": hint, "chosen": _chosen(form), **context}
    is_fragment = bool(request.htmx)
    response = render(
        request,
        "curriculum/_offers.html" if is_fragment else template,
        page,
        status=422 if form.errors or hint else 200,
    )
    patch_vary_headers(response, ["HX-Request"])
    return response


def _chosen(form: TeachesForm) -> set[str]:
    return set(form["skills"].value() or [])


def _offers(graph: LearnerGraph, form: TeachesForm) -> dict[str, Any]:
    """What may be ticked: what is chosen already, what the words name, and what was searched by name."""
    chosen = [slug for slug in _chosen(form) if slug in graph.skills]
    words = str(form["words"].value() or "")
    named = suggested_skills(graph.skills.values(), words) if words.strip() else []
    find = str(form["find"].value() or "").casefold().strip()
    searched = [
        skill
        for skill in sorted(graph.skills.values(), key=lambda skill: (skill.stage, skill.name))
        if find and not skill.is_hidden and (find in skill.name.casefold() or find in skill.definition.casefold())
    ]
    shown: dict[str, Skill] = {slug: graph.skills[slug] for slug in _in_order(graph, frozenset(chosen))}
    shown |= {skill.slug: skill for skill in [*named, *searched[:MOST_FOUND]]}
    return {
        "skills": list(shown.values()),
        "has_words": bool(words.strip()),
        "is_nothing_named": bool(words.strip()) and not named,
        "find": find,
        "is_nothing_found": bool(find) and not searched,
        "count_more": max(0, len(searched) - MOST_FOUND),
    }


def _teach_own(request: LearnerRequest, found: Unit, *, form: TeachesForm, onward: str) -> HttpResponse:
    """The words themselves become a skill of the learner's own."""
    words = form.cleaned_data["words"].strip()
    name = " ".join(words.split())
    own = Skill.objects.filter(learner=request.user, name=name[:80]).first() or services.add_skill(
        request.user, name=name[:80], definition=name if len(name) > 80 else ""
    )
    skills = [*form.cleaned_data["skills"], own]
    services.change_unit(found, new_words=words, teaches=skills, today=request.user.today())
    messages.success(request, f"“{own.name}” is a skill of your own now.")
    return redirect(onward)


@require_POST
def unit_move(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_unit(request.user, pk)
    form = MoveForm(request.POST)
    count = found.book.units.count()
    if form.is_valid() and form.cleaned_data["place"] > count:
        form.add_error(
            "place", f"The book has no place {form.cleaned_data['place']}. Write a number from 1 to {count}."
        )
    if form.is_valid():
        try:
            services.move_unit(found, to_position=form.cleaned_data["place"])
            messages.success(request, f"“{found.title}” is unit {form.cleaned_data['place']} now.")
            return redirect("curriculum:unit", found.pk)
        except ValidationError as error:
            add_errors(form, error)
    return _show(request, found, move_form=form)


@require_http_methods(["GET", "HEAD", "POST"])
def unit_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_unit(request.user, pk)
    if request.method == "POST":
        try:
            title = found.title
            services.delete_unit(found)
        except ValidationError as error:
            messages.error(request, " ".join(error.messages))
            return redirect("curriculum:unit", pk)
        messages.success(request, f"“{title}” is deleted. What you have shown stays.")
        return redirect("curriculum:book", found.book.pk)
    return render(request, "curriculum/unit_delete.html", {"unit": found})


@require_POST
def unit_here(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_unit(request.user, pk)
    count = services.stand_here(found, today=request.user.today())
    if count:
        units = "unit is" if count == 1 else "units are"
        messages.success(
            request,
            f"You are at unit {found.position}. {count} {units} done before it, and what they teach is claimed: prove it within a month.",
        )
    else:
        messages.success(request, f"You are at unit {found.position}.")
    return redirect(f"{reverse('curriculum:book', args=[found.book_id])}#unit-{found.pk}")


@require_POST
def unit_open_anyway(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_unit(request.user, pk)
    form = ReasonForm(request.POST)
    if form.is_valid():
        services.open_unit_anyway(found, reason=form.cleaned_data["reason"], today=request.user.today())
        return redirect("curriculum:unit", found.pk)
    return _show(request, found, reason_form=form)
