"""The week: its sheet, proposing one, and changing its lines."""

from datetime import date, timedelta
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from curriculum.models import WEEKDAYS, Learner, Unit
from curriculum.queries import LearnerGraph, UnitState, learner_graph
from curriculum.rubric import rubric
from lessons import services
from lessons.forms import LineForm, MoveForm, NewLineForm, ProposedLineForm
from lessons.models import LETTERS, Lesson
from lessons.queries import (
    current_lesson,
    following_week,
    get_assignment,
    get_lesson,
    latest_lesson,
    lesson_list,
    sheet_of,
    week_number,
    week_start,
)
from lessons.services import Line
from lessons.views.lines import SheetLine, good_of, listed, sheet_line, span
from lessons.views.requests import LearnerRequest, say_errors, take_errors


@require_safe
def week(request: LearnerRequest) -> HttpResponse:
    """The sheet of this week, or the proposal for it."""
    today = request.user.today()
    lesson = current_lesson(request.user, today=today)
    if lesson is not None:
        return render(request, "lessons/sheet.html", sheet_context(lesson, today=today))
    starts_on = _week_to_set(request.user, today=today)
    ahead = latest_lesson(request.user)
    if starts_on is None and ahead is not None:
        return render(request, "lessons/sheet.html", sheet_context(ahead, today=today))
    return _proposal(request, starts_on=starts_on or week_start(request.user, today), today=today)


@require_safe
def week_list(request: LearnerRequest) -> HttpResponse:
    """All weeks, newest first."""
    lessons = [
        {"lesson": lesson, "days": span(lesson.starts_on, lesson.ends_on)} for lesson in lesson_list(request.user)
    ]
    for number, entry in enumerate(reversed(lessons), start=1):
        entry["number"] = number
    return render(request, "lessons/week_list.html", {"lessons": lessons})


@require_safe
def lesson(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The sheet of any week."""
    found = get_lesson(request.user, pk)
    return render(request, "lessons/sheet.html", sheet_context(found, today=request.user.today()))


def sheet_context(lesson: Lesson, *, today: date) -> dict[str, object]:
    """Return what a sheet shows."""
    is_now = lesson.starts_on <= today <= lesson.ends_on
    lines = [sheet_line(row, today=today, is_tappable=is_now and not lesson.decided_at) for row in sheet_of(lesson)]
    following = following_week(lesson)
    latest = latest_lesson(lesson.learner)
    return {
        "lesson": lesson,
        "lines": lines,
        "number": week_number(lesson),
        "days": span(lesson.starts_on, lesson.ends_on),
        "practice_days": day_names(lesson.practice_days),
        "film_day": day_name(lesson.film_day),
        "tick_days": [name[:3] for name in _days_in_order(lesson)],
        "minutes": sum(line.row.minutes for line in lines),
        "one_thing": _one_thing(lesson),
        "is_now": is_now,
        "is_ahead": lesson.starts_on > today,
        "may_set_next": bool(lesson.decided_at) and is_now and (latest is None or latest.starts_on < following),
        "next_on": following,
    }


def _one_thing(lesson: Lesson) -> str:
    chosen = services.work_on_before(lesson)
    if chosen is None:
        return ""
    dimension_id, text = chosen
    dimension = rubric().dimensions.get(dimension_id)
    return text or (f"{dimension.name}. {dimension.good}" if dimension else "")


def day_name(weekday: int) -> str:
    return dict(WEEKDAYS)[weekday]


def day_names(weekdays: list[int]) -> str:
    return listed(day_name(weekday) for weekday in sorted(weekdays))


def _days_in_order(lesson: Lesson) -> list[str]:
    days = (lesson.starts_on + timedelta(days=number) for number in range(7))
    return [day_name(day.weekday()) for day in days if day.weekday() in lesson.practice_days]


@require_http_methods(["GET", "HEAD", "POST"])
def week_propose(request: LearnerRequest) -> HttpResponse:
    """Propose the sheet of the week that is to be set, and set it."""
    today = request.user.today()
    starts_on = _week_to_set(request.user, today=today)
    if request.method == "POST":
        return _set_sheet(request, starts_on=starts_on, today=today)
    if starts_on is None:
        return redirect("lessons:week")
    return _proposal(request, starts_on=starts_on, today=today)


def _week_to_set(learner: Learner, *, today: date) -> date | None:
    """Return this week where it has no sheet; the next one where this week is decided; None where both are set."""
    lesson = current_lesson(learner, today=today)
    latest = latest_lesson(learner)
    if latest is not None and latest.starts_on > today:
        return None
    if lesson is not None:
        return following_week(lesson) if lesson.decided_at else None
    starts_on = week_start(learner, today)
    if latest is not None and latest.ends_on >= starts_on:  # the first weekday was changed meanwhile
        return following_week(latest)
    return starts_on


def _proposal(
    request: LearnerRequest,
    *,
    starts_on: date,
    today: date,
    forms: list[ProposedLineForm] | None = None,
    graph: LearnerGraph | None = None,
    error: str = "",
) -> HttpResponse:
    known = graph or learner_graph(request.user, today=today)
    if forms is None:
        forms = [ProposedLineForm(line=line) for line in services.propose_lines(request.user, today=today, graph=known)]
    unnamed = [form.line.unit for form in forms if _lacks_what_is_new(form.line, known)]
    nothing_named = bool(unnamed) and not any(known.teaches[str(unit.pk)] for unit in _open_units(known))
    context = {
        "starts_on": starts_on,
        "days": span(starts_on, starts_on + timedelta(days=6)),
        "is_next": starts_on > today,
        "practice_days": day_names(request.user.practice_days),
        "film_day": day_name(request.user.film_day),
        "forms": [
            {"form": form, "line": form.line, "good": good_of(form.line), "letter": letter}
            for form, letter in zip(forms, LETTERS, strict=False)
        ],
        "error": error,
        "has_units": bool(known.units),
        "unnamed": unnamed,
        "asks_first": nothing_named and "anyway" not in request.GET and request.method != "POST",
        "minutes": sum(form.line.minutes for form in forms),
    }
    return render(request, "lessons/proposal.html", context, status=422 if error else 200)


def _lacks_what_is_new(line: Line, graph: LearnerGraph) -> bool:
    return line.kind == "unit" and line.unit is not None and not graph.teaches[str(line.unit.pk)]


def _open_units(graph: LearnerGraph) -> list[Unit]:
    return [unit for unit in graph.units.values() if graph.unit_state(unit) in {UnitState.OPEN, UnitState.IN_WORK}]


def _set_sheet(request: LearnerRequest, *, starts_on: date | None, today: date) -> HttpResponse:
    if starts_on is None or request.POST.get("starts_on", "") != starts_on.isoformat():
        messages.info(request, "This week has its sheet already. It was not set twice.")
        return redirect("lessons:week")
    graph = learner_graph(request.user, today=today)
    lines = services.propose_lines(request.user, today=today, graph=graph)
    forms = [ProposedLineForm(request.POST, line=line) for line in lines]
    wrong = [form for form in forms if not form.is_valid()]
    kept = [form for form in forms if form.is_kept]
    if wrong or not kept:
        error = (
            "Keep at least one line on the sheet." if not kept else "Change what is marked below; nothing is set yet."
        )
        return _proposal(request, starts_on=starts_on, today=today, forms=forms, graph=graph, error=error)
    found = services.set_sheet(
        request.user, starts_on=starts_on, lines=[form.chosen_line() for form in kept], today=today
    )
    if starts_on > today:
        return redirect("lessons:lesson", pk=found.pk)
    return redirect("lessons:week")


def sheet_url(lesson: Lesson, *, today: date, anchor: str = "") -> str:
    """Return the address of a sheet: the week's own, or that of another week."""
    is_now = lesson.starts_on <= today <= lesson.ends_on
    address = reverse("lessons:week") if is_now else reverse("lessons:lesson", kwargs={"pk": lesson.pk})
    return f"{address}#{anchor}" if anchor else address


@require_http_methods(["GET", "HEAD", "POST"])
def line_new(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Add a line to a sheet."""
    today = request.user.today()
    found = get_lesson(request.user, pk)
    graph = learner_graph(request.user, today=today)
    form = NewLineForm(request.POST if request.method == "POST" else None, graph=graph)
    if request.method == "POST" and form.is_valid():
        try:
            row = services.add_line(found, form.chosen_line(), today=today, pk=form.cleaned_data["token"])
        except ValidationError as error:
            take_errors(form, error)
        else:
            return redirect(sheet_url(found, today=today, anchor=f"line-{row.letter}"))
    context = {"form": form, "lesson": found, "back": sheet_url(found, today=today)}
    return render(request, "lessons/line_new.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def line_edit(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Change a line of a sheet."""
    today = request.user.today()
    row = get_assignment(request.user, pk)
    form = LineForm(request.POST if request.method == "POST" else None, row=row, learner=request.user)
    if request.method == "POST" and form.is_valid():
        names = ("bars", "hands", "bpm", "minutes", "why", "dimensions")
        changes = {name: form.cleaned_data[name] for name in names}
        if "score" in form.fields:
            changes["score"] = form.cleaned_data["score"]
        try:
            services.change_line(row, skills=form.chosen_skills(), **changes)
        except ValidationError as error:
            take_errors(form, error)
        else:
            return redirect(sheet_url(row.lesson, today=today, anchor=f"line-{row.letter}"))
    context = {
        "form": form,
        "row": row,
        "lesson": row.lesson,
        "back": sheet_url(row.lesson, today=today, anchor=f"line-{row.letter}"),
        "last": row.lesson.assignments.count(),
    }
    return render(request, "lessons/line_edit.html", context, status=422 if form.errors else 200)


@require_POST
def line_move(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Move a line to another place of its sheet."""
    row = get_assignment(request.user, pk)
    form = MoveForm(request.POST)
    if form.is_valid():
        try:
            services.move_line(row, to_position=form.cleaned_data["to"])
        except ValidationError as error:
            say_errors(request, error)
    else:
        messages.error(request, "Write the place as a number, 1 for the first line. Nothing was moved.")
    row.refresh_from_db(fields=["position"])
    return redirect(sheet_url(row.lesson, today=request.user.today(), anchor=f"line-{row.letter}"))


@require_POST
def line_remove(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Take a line off its sheet."""
    row = get_assignment(request.user, pk)
    try:
        services.remove_line(row)
    except ValidationError as error:
        say_errors(request, error)
    return redirect(sheet_url(row.lesson, today=request.user.today()))


def line_in(lesson: Lesson, pk: UUID, *, today: date) -> SheetLine:
    """Return one line of a sheet as it stands now."""
    row = sheet_of(lesson).get(pk=pk)
    is_now = lesson.starts_on <= today <= lesson.ends_on
    return sheet_line(row, today=today, is_tappable=is_now and not lesson.decided_at)
