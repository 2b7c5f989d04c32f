"""Filming the lesson: the running order, and the way of a file from the phone to us."""

from collections.abc import Collection, Sequence
from functools import partial
from uuid import UUID

from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_POST, require_safe

from lessons import services
from lessons.forms import UploadForm
from lessons.models import Assignment, Lesson
from lessons.queries import clips_of, film_lesson, get_lesson, sheet_of
from lessons.tasks import ring
from lessons.views.camera import camera_view
from lessons.views.lines import span
from lessons.views.requests import LearnerRequest, length_of, takes_clips
from lessons.views.uploads import unfinished_context

# Bytes of a form around its file.
FORM_BYTES = 100_000


@require_safe
def film(request: LearnerRequest) -> HttpResponse:
    """The running order of the lesson that is to be filmed, and its upload form."""
    today = request.user.today()
    named = request.GET.get("lesson")
    lesson = _named_lesson(request, named) if named else film_lesson(request.user, today=today)
    if lesson is None:
        return render(request, "lessons/film_nothing.html")
    lines = list(sheet_of(lesson))
    form = UploadForm(lesson=lesson, lines=lines, today=today, chosen=request.GET.get("line", ""))
    return _page(request, lesson, lines, form)


def _named_lesson(request: LearnerRequest, named: str) -> Lesson:
    try:
        return get_lesson(request.user, UUID(named))
    except ValueError:
        return get_object_or_404(Lesson.objects.none())


def _page(
    request: LearnerRequest, lesson: Lesson, lines: list[Assignment], form: UploadForm, *, status: int = 200
) -> HttpResponse:
    today = request.user.today()
    clips = list(clips_of(lesson))
    filmed = {take.assignment_id for clip in clips for take in clip.takes.all()}
    context: dict[str, object] = {
        "lesson": lesson,
        "days": span(lesson.starts_on, lesson.ends_on),
        "is_now": lesson.starts_on <= today <= lesson.ends_on,
        "items": _running_order(lines, filmed=filmed),
        "clips": clips,
        "form": form,
        "may_upload": lesson.starts_on <= today,
    } | unfinished_context(request.user)
    return render(request, "lessons/film.html", context, status=status)


def _running_order(lines: Sequence[Assignment], *, filmed: Collection[UUID]) -> list[dict[str, object]]:
    """Say of each line whether it is filmed or next, and where the phone stands: in full only the first time."""
    next_row = next((row for row in lines if row.pk not in filmed and row.dimensions), None)
    said: set[str] = set()
    items: list[dict[str, object]] = []
    for row in lines:
        camera = camera_view(row.dimensions)
        is_asked = bool(row.dimensions) and row.pk not in filmed
        items.append(
            {
                "row": row,
                "camera": camera if is_asked else None,
                "is_said": camera.view in said,
                "is_filmed": row.pk in filmed,
                "is_next": row == next_row,
            }
        )
        if is_asked:
            said.add(camera.view)
    return items


@takes_clips
@csrf_exempt
def clip_upload(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """Take a clip in. Its size is judged before anything of it is read; then the form is checked like any other."""
    if request.method == "POST":
        try:
            services.check_clip_size(max(1, length_of(request) - FORM_BYTES))
        except ValidationError as error:
            lesson = get_lesson(request.user, pk)
            lines = list(sheet_of(lesson))
            form = UploadForm({}, lesson=lesson, lines=lines, today=request.user.today())
            form.full_clean()
            form.errors.clear()
            form.add_error("clip", error)
            return _page(request, lesson, lines, form, status=413)
    return _clip_upload(request, pk)


@csrf_protect
@require_POST
def _clip_upload(request: LearnerRequest, pk: UUID) -> HttpResponse:
    lesson = get_lesson(request.user, pk)
    lines = list(sheet_of(lesson))
    form = UploadForm(request.POST, request.FILES, lesson=lesson, lines=lines, today=request.user.today())
    if form.is_valid():
        try:
            clip, job = services.record_clip(
                lesson,
                upload=form.cleaned_data["clip"],
                upload_token=form.cleaned_data["upload_token"],
                **form.facts,
            )
        except ValidationError as error:
            form.add_error("clip", error)
        else:
            if job is not None:
                transaction.on_commit(partial(ring, str(job.pk)))
            return redirect("lessons:clip", pk=clip.pk)
    return _page(request, lesson, lines, form, status=422)
