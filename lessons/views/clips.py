"""One clip: on its way, refused, failed or ready; its takes; its files."""

from functools import partial
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from lessons import services
from lessons.forms import TakeForm
from lessons.media.clock import read_clock, write_clock
from lessons.media.errors import ClockError
from lessons.models import Clip, Take
from lessons.queries import get_clip, get_take, newest_job, sheet_of
from lessons.tasks import ring
from lessons.views.drawing import OUTLINE_HEIGHT, WIDTH, small_pictures, sound_outline, take_strip
from lessons.views.requests import LearnerRequest, render_for, say_errors, take_errors
from lessons.views.serving import serve_file


@require_safe
def clip(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """A clip: how far it has come, then its player and its takes. Asked by htmx it answers with the changing part alone."""
    return _answer(request, get_clip(request.user, pk))


def _answer(request: LearnerRequest, found: Clip, *, form: TakeForm | None = None) -> HttpResponse:
    lines = list(sheet_of(found.lesson))
    takes = list(found.takes.select_related("assignment").order_by("start_s", "end_s"))
    played = next((take for take in takes if str(take.pk) == request.GET.get("take")), None)
    context: dict[str, object] = {
        "clip": found,
        "page_url": reverse("lessons:clip", kwargs={"pk": found.pk}),
        "takes": [_take_entry(take) for take in takes],
        "played": played,
        "fragment": f"#t={played.start_s:.2f},{played.end_s:.2f}" if played else _moment(request, found),
        "length": write_clock(found.duration_s) if found.duration_s else "",
        "kept": _kept(found),
    }
    if found.is_under_way:
        context |= _progress(found)
    if found.state == Clip.State.READY:
        context["form"] = form or TakeForm(lines=lines, initial=_initial(found, takes))
        context["strip"] = take_strip(takes, duration_s=found.duration_s or 0.0)
        context["can_judge"] = bool(takes)
        context["sheet"] = small_pictures(found.strip) if found.has_strip else None
        context |= _outline(found)
    status = 422 if form is not None and form.errors else 200
    return render_for(
        request, page="lessons/clip.html", fragment="lessons/_clip_body.html", context=context, status=status
    )


def _moment(request: LearnerRequest, found: Clip) -> str:
    """Return where the player begins, for a small picture that was chosen without a script."""
    try:
        at_s = read_clock(request.GET.get("at", ""))
    except ClockError:
        return ""
    return f"#t={at_s:.2f}" if at_s < (found.duration_s or 0.0) else ""


def _outline(found: Clip) -> dict[str, object]:
    try:
        path = sound_outline(found.peaks_path.read_bytes()) if found.has_peaks else ""
    except FileNotFoundError:
        path = ""
    return {"outline": path, "outline_width": WIDTH, "outline_height": OUTLINE_HEIGHT}


def _kept(found: Clip) -> dict[str, object]:
    """What is left of a clip besides its copy, and for how long."""
    return {
        "is_here": found.original_gone_on is None and found.original_path.is_file(),
        "size": services.size_in_words(found.size_bytes),
        "goes_on": services.goes_on(found),
        "may_drop": found.may_lose_original,
    }


def _take_entry(take: Take) -> dict[str, object]:
    return {
        "take": take,
        "start": write_clock(take.start_s),
        "end": write_clock(take.end_s),
        "length_s": f"{take.end_s - take.start_s:.0f}",
    }


def _initial(found: Clip, takes: list[Take]) -> dict[str, object]:
    """A new take begins where the last one ended; the first is the whole clip."""
    end_s = found.duration_s or 0.0
    start_s = max((take.end_s for take in takes), default=0.0)
    chosen = {"assignment": str(found.assignment_id)} if found.assignment_id and not takes else {}
    return chosen | {"start_s": start_s if start_s < end_s - 1 else 0.0, "end_s": end_s}


def _progress(found: Clip) -> dict[str, object]:
    job = newest_job(found)
    step = job.step if job else ""
    names = list(services.steps_of(found))
    reached = names.index(step) if step in names else -1
    steps: list[dict[str, str]] = [
        {"state": "done", "name": "Here, and kept", "note": services.size_in_words(found.size_bytes)}
    ]
    for number, name in enumerate(names):
        state = "done" if number < reached else "now" if number == reached else "wait"
        steps.append({"state": state, "name": name, "note": ""})
    percent = round(100 * job.progress_frac, 1) if job and reached >= 0 else None
    again = f"attempt {job.attempt} of {services.MOST_ATTEMPTS}" if job and job.attempt > 1 else ""
    return {
        "steps": steps,
        "percent": percent,
        "label": step or "Waiting for its turn",
        "note": again or (f"{percent:.0f} per cent" if percent is not None else ""),
    }


@require_safe
def clip_copy(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """The copy that plays in a browser, in ranges."""
    found = get_clip(request.user, pk)
    if not found.has_copy:
        raise Http404
    return serve_file(request, found.copy_path, content_type=found.copy_type)


@require_safe
def clip_poster(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """The first picture."""
    found = get_clip(request.user, pk)
    if not found.has_poster:
        raise Http404
    return serve_file(request, found.poster_path, content_type="image/jpeg")


@require_safe
def clip_frames(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """When each picture of the copy is shown."""
    found = get_clip(request.user, pk)
    if not found.has_frames:
        raise Http404
    return serve_file(request, found.frames_path, content_type="application/json")


@require_safe
def clip_strip(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """All small pictures on one sheet."""
    found = get_clip(request.user, pk)
    if not found.has_strip:
        raise Http404
    return serve_file(request, found.strip_path, content_type="image/jpeg")


@require_safe
def clip_original(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """The file as it came, to be kept, never to be shown: what it holds is not ours to trust."""
    found = get_clip(request.user, pk)
    if found.original_gone_on is not None or not found.original_path.is_file():
        return render(request, "lessons/original_gone.html", {"clip": found}, status=404)
    return serve_file(
        request,
        found.original_path,
        content_type="application/octet-stream",
        attachment_name=found.given_name or f"clip-{found.played_on}",
    )


@require_POST
def clip_retry(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Try a failed clip again."""
    found = get_clip(request.user, pk)
    job = services.retry_job(found)
    if job is not None:
        transaction.on_commit(partial(ring, str(job.pk)))
    return redirect("lessons:clip", pk=found.pk)


@require_http_methods(["GET", "HEAD", "POST"])
def clip_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Ask, then delete a clip with its takes."""
    found = get_clip(request.user, pk)
    if request.method == "POST":
        services.delete_clip(found)
        messages.success(request, "The clip is deleted. What it showed about your skills stays written down.")
        return redirect(f"{reverse('lessons:film')}?lesson={found.lesson_id}")
    return render(request, "lessons/clip_delete.html", {"clip": found, "take_count": found.takes.count()})


@require_POST
def take_new(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Set a take by hand."""
    found = get_clip(request.user, pk)
    form = TakeForm(request.POST, lines=list(sheet_of(found.lesson)))
    if form.is_valid():
        try:
            services.add_take(
                found,
                assignment=form.chosen_assignment,
                start_s=form.cleaned_data["start_s"],
                end_s=form.cleaned_data["end_s"],
            )
        except ValidationError as error:
            take_errors(form, error)
        else:
            return redirect(f"{reverse('lessons:clip', kwargs={'pk': found.pk})}#takes")
    return _answer(request, found, form=form)


@require_http_methods(["GET", "HEAD", "POST"])
def take_edit(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Set other ends for a take."""
    take = get_take(request.user, pk)
    initial = {"start_s": take.start_s, "end_s": take.end_s}
    form = TakeForm(request.POST if request.method == "POST" else None, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            services.move_take(take, start_s=form.cleaned_data["start_s"], end_s=form.cleaned_data["end_s"])
        except ValidationError as error:
            take_errors(form, error)
        else:
            return redirect(f"{reverse('lessons:clip', kwargs={'pk': take.clip_id})}#takes")
    context = {"take": take, "clip": take.clip, "form": form, "fragment": f"#t={take.start_s:.2f},{take.end_s:.2f}"}
    return render(request, "lessons/take_edit.html", context, status=422 if form.errors else 200)


@require_POST
def take_judge(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Let this take be the one judged."""
    take = get_take(request.user, pk)
    services.judge_take(take)
    return redirect(f"{reverse('lessons:clip', kwargs={'pk': take.clip_id})}#takes")


@require_http_methods(["GET", "HEAD", "POST"])
def take_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Ask, then delete a take with its marks."""
    take = get_take(request.user, pk)
    if request.method == "POST":
        try:
            services.delete_take(take)
        except ValidationError as error:
            say_errors(request, error)
        return redirect(f"{reverse('lessons:clip', kwargs={'pk': take.clip_id})}#takes")
    return render(request, "lessons/take_delete.html", {"take": take})
