"""The first account, the four steps of setting up, and the settings."""

import hashlib
import hmac
from pathlib import Path
from uuid import UUID

from django.conf import settings as project
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.decorators import login_not_required
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_safe

from curriculum import services
from curriculum.forms import AccountForm, PlaceForm, SettingsForm, WeekForm
from curriculum.models import Book, Learner, Unit
from curriculum.queries import LearnerGraph, LearnerRequest, get_unit, learner_graph
from curriculum.views.books import enter_book
from curriculum.views.units import teach

# Units whose new things are asked for before the first sheet. More would not come up in the first two weeks.
UNITS_TO_NAME = 2


@require_safe
def home(request: LearnerRequest) -> HttpResponse:
    return redirect("lessons:week" if request.user.set_up_on else "curriculum:set-up")


@require_http_methods(["GET", "HEAD", "POST"])
@login_not_required
def begin(request: HttpRequest, token: str) -> HttpResponse:
    """The door that makes the first account; shut for everybody once there is one."""
    if request.user.is_authenticated:
        return redirect("curriculum:home")
    if not _opens(token):
        raise Http404
    form = AccountForm(
        request.POST if request.method == "POST" else None, initial={"time_zone": services.guess_time_zone()}
    )
    if request.method != "POST" or not form.is_valid():
        return render(request, "curriculum/begin.html", {"form": form}, status=422 if form.is_bound else 200)
    try:
        with transaction.atomic():
            # Whoever removes the file has gone through the door; a second one at the same moment finds it shut.
            _token_file().unlink()
            learner = services.create_learner(
                form.cleaned_data["username"],
                password=form.cleaned_data["password"],
                time_zone=form.cleaned_data["time_zone"],
            )
    except FileNotFoundError as error:
        raise Http404 from error
    login(request, learner, backend="django.contrib.auth.backends.ModelBackend")
    return redirect("curriculum:set-up")


def _token_file() -> Path:
    folder: Path = project.KEYSLIP_DATA
    return folder / "first_account_token"


def _opens(token: str) -> bool:
    """Tell whether the token is the one whose digest was written, and nobody has an account yet."""
    try:
        digest = _token_file().read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return False
    is_right = hmac.compare_digest(digest, hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest())
    return is_right and not services.has_account()


@require_safe
def set_up(request: LearnerRequest) -> HttpResponse:
    """Go to the first step that is not finished; after the last, to the week."""
    if not request.user.set_up_on:
        return redirect("curriculum:set-up-week")
    graph = learner_graph(request.user)
    if not graph.units:
        return redirect("curriculum:set-up-book")
    book = _first_book(request.user)
    if book is None:
        return redirect("curriculum:set-up-book")
    units = graph.units_of(book)
    if not any(unit.begun_on or unit.done_on or graph.teaches[str(unit.pk)] for unit in units):
        return redirect("curriculum:set-up-place")
    if _unnamed(graph, book):
        return redirect("curriculum:set-up-new")
    return redirect("lessons:week")


def _first_book(learner: Learner) -> Book | None:
    return Book.objects.filter(learner=learner, units__isnull=False).order_by("position").first()


def _unnamed(graph: LearnerGraph, book: Book) -> list[Unit]:
    """The next units that do not say what is new in them."""
    return [
        unit
        for unit in graph.next_units(book, count=UNITS_TO_NAME)
        if not graph.teaches[str(unit.pk)] and not unit.new_words
    ]


@require_http_methods(["GET", "HEAD", "POST"])
def set_up_week(request: LearnerRequest) -> HttpResponse:
    learner = Learner.objects.get(pk=request.user.pk)
    form = WeekForm(request.POST if request.method == "POST" else None, instance=learner)
    if request.method == "POST" and form.is_valid():
        _keep_week(form)
        return redirect("curriculum:set-up-book")
    return render(
        request, "curriculum/set_up_week.html", {"form": form, "step": 1}, status=422 if form.is_bound else 200
    )


def _keep_week(form: WeekForm) -> None:
    learner = form.save()
    services.set_week(
        learner,
        practice_days=form.cleaned_data["practice_days"],
        minutes_per_day=form.cleaned_data["minutes_per_day"],
        today=learner.today(),
    )


@require_http_methods(["GET", "HEAD", "POST"])
def set_up_book(request: LearnerRequest) -> HttpResponse:
    return enter_book(
        request,
        template="curriculum/set_up_book.html",
        onward=lambda _book: reverse("curriculum:set-up-place"),
        context={"step": 2, "books": Book.objects.filter(learner=request.user)},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def set_up_place(request: LearnerRequest) -> HttpResponse:
    book = _first_book(request.user)
    if book is None:
        return redirect("curriculum:set-up-book")
    units = list(book.units.order_by("position"))
    form = PlaceForm(request.POST if request.method == "POST" else None, units=units)
    if request.method == "POST" and form.is_valid():
        services.stand_here(form.cleaned_data["unit"], today=request.user.today())
        return redirect("curriculum:set-up-new")
    here = learner_graph(request.user).here(book)
    chosen = form["unit"].value() or (here and str(here.pk))
    return render(
        request,
        "curriculum/set_up_place.html",
        {"form": form, "book": book, "units": units, "chosen": str(chosen or ""), "step": 3},
        status=422 if form.is_bound else 200,
    )


@require_http_methods(["GET", "HEAD", "POST"])
def set_up_new(request: LearnerRequest, pk: UUID | None = None) -> HttpResponse:
    """What is new in the next two units, one after the other."""
    unit = None if pk is None else get_unit(request.user, pk)
    book = _first_book(request.user)
    if book is None:
        return redirect("curriculum:set-up-book")
    graph = learner_graph(request.user)
    unnamed = _unnamed(graph, book)
    if unit is None:
        return redirect("curriculum:set-up-new-unit", unnamed[0].pk) if unnamed else redirect("lessons:week")
    later = [other for other in unnamed if other.position > unit.position and other.book_id == unit.book_id]
    onward = reverse("curriculum:set-up-new-unit", args=[later[0].pk]) if later else reverse("lessons:week")
    return teach(
        request,
        unit,
        graph=graph,
        template="curriculum/set_up_new.html",
        onward=onward,
        context={"step": 4, "onward": onward},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def settings(request: LearnerRequest) -> HttpResponse:
    learner = Learner.objects.get(pk=request.user.pk)
    form = SettingsForm(request.POST if request.method == "POST" else None, instance=learner)
    if request.method == "POST" and form.is_valid():
        _keep_week(form)
        messages.success(request, "Kept. The sheet of this week stays as it is; the next one follows the new settings.")
        return redirect("curriculum:settings")
    return render(request, "curriculum/settings.html", {"form": form}, status=422 if form.is_bound else 200)
