"""Recording in the page: the camera's picture with a hint for the view, and what arrives while it is still being played."""

from uuid import UUID

from django.conf import settings
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from lessons.forms import WHOLE_LESSON, ClipFactsForm
from lessons.queries import get_lesson, sheet_of
from lessons.views.camera import PLACING, camera_view
from lessons.views.requests import LearnerRequest


@require_safe
def record(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The page that records a clip of a lesson. What it needs of the browser, and what to do without, is said by its script."""
    lesson = get_lesson(request.user, pk)
    today = request.user.today()
    if lesson.starts_on > today:
        return redirect(f"{reverse('lessons:film')}?lesson={lesson.pk}")
    lines = list(sheet_of(lesson))
    form = ClipFactsForm(lesson=lesson, lines=lines, today=today, chosen=request.GET.get("line", ""))
    views = {str(line.pk): camera_view(line.dimensions).view for line in lines}
    together = camera_view([name for line in lines for name in line.dimensions]).view
    context = {
        "lesson": lesson,
        "form": form,
        "views": views | {WHOLE_LESSON: together},
        "placings": PLACING,
        "most_s": 60 * settings.KEYSLIP_MOST_CLIP_MINUTES,
    }
    return render(request, "lessons/record.html", context)
