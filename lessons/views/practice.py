"""Practice: tries, right or not yet, and what they come to."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseClientRedirect

from curriculum.rubric import rubric
from lessons import services
from lessons.forms import FirstTryForm, TryForm
from lessons.models import Assignment, Try
from lessons.queries import get_assignment, get_try, minutes_at_a_stretch, tries_of
from lessons.views.lines import count
from lessons.views.requests import LearnerRequest, render_for, say_errors, take_errors
from lessons.views.week import line_in, sheet_url

# Minutes at the keys after which a rest is suggested; see the health rules of the project (soft stop, our inference).
SOFT_STOP_MINUTES = 25


@dataclass(frozen=True, slots=True)
class Tally:
    """Tries of one day or one tempo."""

    name: str
    tries: list[Try]

    @property
    def right_count(self) -> int:
        return sum(each.was_right for each in self.tries)

    @property
    def fact(self) -> str:
        return f"{self.right_count} of {len(self.tries)} right"


@require_safe
def assignment(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The practice page of one line."""
    return _answer(request, get_assignment(request.user, pk))


@require_POST
def try_new(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Write one try."""
    row = get_assignment(request.user, pk)
    form = TryForm(request.POST)
    if not form.is_valid():
        return _answer(request, row, form=form)
    try:
        services.write_try(
            row,
            was_right=form.is_right,
            played_on=request.user.today(),
            bars=form.cleaned_data["bars"],
            hands=form.cleaned_data["hands"],
            bpm=form.cleaned_data["bpm"],
            pk=form.cleaned_data["token"],
        )
    except ValidationError as error:
        take_errors(form, error)
        return _answer(request, row, form=form)
    if request.htmx:
        return _answer(request, row)
    return redirect("lessons:assignment", pk=row.pk)


@require_POST
def first_try(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Write today's first try of a line, by one tap on the sheet."""
    row = get_assignment(request.user, pk)
    today = request.user.today()
    form = FirstTryForm(request.POST)
    if not form.is_valid():
        return _answer(request, row, form=TryForm(request.POST))
    try:
        services.write_first_try(row, was_right=form.is_right, played_on=today)
    except ValidationError as error:
        say_errors(request, error)
        return HttpResponseClientRedirect(reverse("lessons:week")) if request.htmx else redirect("lessons:week")
    if request.htmx:
        line = line_in(row.lesson, row.pk, today=today)
        context: dict[str, object] = {"line": line, "was_just_written": True}
        return render_for(request, page="lessons/_line.html", fragment="lessons/_line.html", context=context)
    return redirect(sheet_url(row.lesson, today=today, anchor=f"line-{row.letter}"))


@require_POST
def try_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Take a try back."""
    row = get_try(request.user, pk)
    try:
        services.take_back_try(row)
    except ValidationError as error:
        say_errors(request, error)
    if request.htmx:
        return _answer(request, get_assignment(request.user, row.assignment_id))
    return redirect("lessons:assignment", pk=row.assignment_id)


def _answer(request: LearnerRequest, row: Assignment, *, form: TryForm | None = None) -> HttpResponse:
    today = request.user.today()
    tries = list(tries_of(row))
    todays = [each for each in tries if each.played_on == today]
    last = tries[-1] if tries else None
    minutes = minutes_at_a_stretch(request.user)
    context: dict[str, object] = {
        "row": row,
        "good": [rubric().dimensions[name] for name in row.dimensions if name in rubric().dimensions],
        "form": form or TryForm(initial=_stretch_of(todays[-1] if todays else row) | {"token": uuid.uuid4()}),
        "today": Tally("Today", todays),
        "today_in_words": _in_words(todays),
        "first": next((each for each in todays if each.is_first_of_day), None),
        "last": last if last in todays else None,
        "days": [Tally(f"{day:%A %-d %B}", found) for day, found in _by_day(tries, but=today)],
        "tempi": _by_tempo(tries),
        "all_tries": Tally("This week", tries),
        "minutes": minutes,
        "is_soft_stop": minutes >= SOFT_STOP_MINUTES,
        "soft_stop": SOFT_STOP_MINUTES,
        "back": sheet_url(row.lesson, today=today, anchor=f"line-{row.letter}"),
    }
    status = 422 if form is not None and form.errors else 200
    return render_for(
        request, page="lessons/assignment.html", fragment="lessons/_practice.html", context=context, status=status
    )


def _stretch_of(row: Assignment | Try) -> dict[str, object]:
    return {"bars": row.bars, "hands": row.hands, "bpm": row.bpm}


def _in_words(tries: list[Try]) -> str:
    if not tries:
        return "No tries today"
    return f"{count(len(tries), 'try', 'tries')} today: " + ", ".join(
        "right" if each.was_right else "not yet" for each in tries
    )


def _by_day(tries: Iterable[Try], *, but: date) -> list[tuple[date, list[Try]]]:
    days: dict[date, list[Try]] = {}
    for each in tries:
        if each.played_on != but:
            days.setdefault(each.played_on, []).append(each)
    return sorted(days.items(), reverse=True)


def _by_tempo(tries: Iterable[Try]) -> list[dict[str, object]]:
    tempi: dict[int, list[Try]] = {}
    for each in tries:
        if each.bpm is not None:
            tempi.setdefault(each.bpm, []).append(each)
    return [
        {"bpm": bpm, "fact": Tally(str(bpm), found).fact, "last_on": found[-1].played_on}
        for bpm, found in sorted(tempi.items())
    ]
