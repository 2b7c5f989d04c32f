"""What takes space: totals, every clip with what may go, and letting go of clips as they came."""

from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from lessons import services
from lessons.models import Clip
from lessons.queries import clips_by_day, clips_by_size, get_clip
from lessons.views.requests import LearnerRequest, say_errors

# Clips on one page: a screen or two on a phone.
CLIPS_A_PAGE = 25
ORDERS = {"size": ("Largest first", clips_by_size), "day": ("Oldest first", clips_by_day)}


@require_safe
def space(request: LearnerRequest) -> HttpResponse:
    """What takes this learner's space."""
    order = request.GET.get("by", "")
    order = order if order in ORDERS else "size"
    page = Paginator(ORDERS[order][1](request.user), CLIPS_A_PAGE).get_page(request.GET.get("page"))
    found = services.space_of(request.user)
    context = {
        "space": found,
        "percent": round(100 * found.taken_frac, 1),
        "taken": services.size_in_words(found.taken_bytes),
        "quota": services.size_in_words(found.quota_bytes),
        "parts": _parts(found),
        "free": services.size_in_words(services.free_bytes()),
        "page": page,
        "entries": [_entry(clip) for clip in page],
        "orders": [(name, words, name == order) for name, (words, _) in ORDERS.items()],
        "order": order,
    }
    return render(request, "lessons/space.html", context)


def _parts(found: services.Space) -> list[tuple[str, str]]:
    parts = [
        ("Clips as they came", found.originals_bytes),
        ("Copies that play here", found.copies_bytes),
        ("Stills and reference pictures", found.pictures_bytes),
        ("Uploads under way", found.uploads_bytes),
    ]
    return [(name, services.size_in_words(size_bytes)) for name, size_bytes in parts]


def _entry(clip: Clip) -> dict[str, object]:
    is_here = clip.original_gone_on is None and clip.state != Clip.State.REFUSED
    return {
        "clip": clip,
        "original": services.size_in_words(clip.size_bytes) if is_here else "",
        "made": services.size_in_words(clip.made_bytes) if clip.made_bytes else "",
        "goes_on": services.goes_on(clip),
        "may_drop": is_here and clip.may_lose_original,
    }


@require_http_methods(["GET", "HEAD", "POST"])
def clip_original_drop(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Ask, then let go of a clip as it came, and keep its copy."""
    found = get_clip(request.user, pk)
    if request.method == "POST":
        try:
            services.drop_original(found)
        except ValidationError as error:
            say_errors(request, error)
        else:
            messages.success(request, "The file as it came is gone. The copy stays, and so do its takes and marks.")
        return redirect(_back(request, found))
    size = services.size_in_words(found.size_bytes)
    return render(
        request, "lessons/original_drop.html", {"clip": found, "size": size, "back_url": _back(request, found)}
    )


@require_POST
def clip_original_keep(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Keep a clip as it came for good, or no longer."""
    found = get_clip(request.user, pk)
    try:
        services.keep_original(found, is_kept=request.POST.get("kept") == "yes")
    except ValidationError as error:
        say_errors(request, error)
    return redirect(_back(request, found))


def _back(request: LearnerRequest, found: Clip) -> str:
    """Return the page somebody came from: the list, at its place, or the clip's own."""
    asked = request.POST if request.method == "POST" else request.GET
    if asked.get("from") != "space":
        return reverse("lessons:clip", kwargs={"pk": found.pk})
    place = {name: asked[name] for name in ("by", "page") if asked.get(name, "").isalnum()}
    return reverse("lessons:clip-space") + (f"?{urlencode(place)}" if place else "")
