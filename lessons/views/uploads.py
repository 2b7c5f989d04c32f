"""Uploads that go on where the line broke: the protocol tus 1.0.0 for programs, and a page for whoever sends."""

import queue
import threading
from collections.abc import Callable, Iterator
from functools import partial, wraps
from typing import Any
from urllib.parse import urlsplit
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseNotAllowed, JsonResponse
from django.http.request import UnreadablePostError
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from curriculum.models import Learner
from lessons import services, uploads
from lessons.forms import CLIP_TYPES, ClipFactsForm
from lessons.models import Lesson, Upload
from lessons.queries import get_lesson, get_upload, sheet_of, unfinished_uploads
from lessons.tasks import ring
from lessons.views.requests import LearnerRequest, length_of, takes_clips

# Bytes read from the line at a time. A request that breaks off loses nothing of them; one that stalls loses less than this.
READ_BYTES = 65_536
# Pieces of that size that may wait for the disk.
READ_AHEAD = 16
# Seconds without READ_BYTES more after which the line counts as dead. A phone that locked its screen says no goodbye, and its
# request holds one of the few threads that answer pages; 26 kbit/s are far below what any clip is sent with.
STALL_S = 20.0
# Bytes of the windows that are compared (`lessons.uploads.windows`), with some room.
MOST_COMPARED_BYTES = 2_000_000
# What a slow client may still be told about; these are ours, not the protocol's.
CLIP_HEADER, TWIN_HEADER = "Keyslip-Clip", "Keyslip-Twin"

Answer = Callable[..., HttpResponse]
Mark = Callable[[Answer], Answer]


def speaks_tus(get_row: Callable[[Learner, UUID], Any], *methods: str) -> Mark:
    """Mark a view as an address of the protocol: it answers programs in plain words, and takes nothing from other sites.

    The view gets the row that the address names, found by its owner, and the method.

    There is no form token. Instead every request must carry a header that no form can set, and that a script of another
    site may only set after asking, which we never answer.
    """

    def mark(view: Answer) -> Answer:
        @login_not_required
        @csrf_exempt
        @takes_clips
        @wraps(view)
        def answer(request: LearnerRequest, pk: UUID) -> HttpResponse:
            method = _method_of(request)
            if method == "OPTIONS":
                most = int(settings.KEYSLIP_MOST_CLIP_BYTES)
                return HttpResponse(status=204, headers=uploads.server_headers(most_bytes=most))
            speaks = "Tus-Resumable" in request.headers
            if not request.user.is_authenticated:
                return _signed_out(speaks=speaks)
            try:
                row = get_row(request.user, pk)
                if method not in methods:
                    return HttpResponseNotAllowed(methods)
                if not _is_from_here(request):
                    return _words("This came from another site, so it was not taken.", status=403)
                uploads.check_version(request.headers)
                found = view(request, row, method)
            except uploads.UploadError as error:
                found = _words(str(error), status=error.status)
            except Http404:
                if not speaks:
                    raise
                found = _words("This is not here, or not here any more.", status=404)
            found["Tus-Resumable"] = uploads.VERSION
            if found.status_code == 412:
                found["Tus-Version"] = uploads.VERSION
            found["Cache-Control"] = "no-store"
            return found

        return answer

    return mark


def _method_of(request: HttpRequest) -> str:
    """Return the method; the protocol lets those name it in a header whose own programs cannot send all."""
    named = request.headers.get("X-HTTP-Method-Override", "") if request.method == "POST" else ""
    return (named or request.method or "").upper()


def _signed_out(*, speaks: bool) -> HttpResponse:
    if not speaks:
        return redirect_to_login(reverse("lessons:clip-uploads"))
    answer = _words("You have been signed out. Sign in again, then go on; what has arrived is kept.", status=401)
    answer["Tus-Resumable"] = uploads.VERSION
    return answer


def _is_from_here(request: HttpRequest) -> bool:
    """True where a browser says that one of our own pages asks, or where no browser asks."""
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in {"same-origin", "none"}:
        return False
    origin = request.headers.get("Origin")
    if origin is None or origin in settings.CSRF_TRUSTED_ORIGINS:
        return True
    return urlsplit(origin).netloc == request.get_host() and urlsplit(origin).scheme == request.scheme


def _words(text: str, *, status: int) -> HttpResponse:
    return HttpResponse(text, status=status, content_type="text/plain; charset=utf-8")


@speaks_tus(get_lesson, "POST")
def upload_new(request: LearnerRequest, lesson: Lesson, _method: str) -> HttpResponse:
    """Begin an upload for a lesson. What was said about the clip is checked as in the plain form."""
    asked = uploads.read_creation(request.headers)
    form = _facts(request, lesson, asked.metadata)
    if not form.is_valid():
        return _words(" ".join(str(text) for errors in form.errors.values() for text in errors), status=400)
    try:
        upload = services.begin_upload(
            lesson,
            size_bytes=asked.size_bytes,
            given_name=asked.metadata.get("filename", ""),
            token=form.cleaned_data["upload_token"],
            **form.facts,
        )
    except ValidationError as error:
        raise services.refusal(error) from error
    headers = _state(upload) | {"Location": reverse("lessons:clip-upload-resource", kwargs={"pk": upload.pk})}
    return HttpResponse(status=201, headers=headers)


def _facts(request: LearnerRequest, lesson: Lesson, metadata: Any) -> ClipFactsForm:
    said = {name: metadata.get(name, "") for name in ("assignment", "was_first_today", "played_on")}
    said["upload_token"] = metadata.get("token", "")
    return ClipFactsForm(said, lesson=lesson, lines=list(sheet_of(lesson)), today=request.user.today())


@speaks_tus(get_upload, "HEAD", "PATCH", "DELETE")
def upload(request: LearnerRequest, found: Upload, method: str) -> HttpResponse:
    """One upload: how far it is, further bytes of it, or its end."""
    if method == "PATCH":
        return _take_slice(request, found)
    if method == "DELETE":
        services.give_up(found)
        return HttpResponse(status=204)
    services.check_alive(found)
    headers = _finish_if_whole(found)
    told = _state(found) | {"Upload-Metadata": uploads.write_metadata(_metadata(found))}
    return HttpResponse(headers=told | headers)


def _take_slice(request: LearnerRequest, found: Upload) -> HttpResponse:
    piece = uploads.read_slice(request.headers)
    chunks = _arriving(request, length_bytes=piece.length_bytes)
    services.add_slice(found, piece, chunks=chunks)
    headers = _finish_if_whole(found)
    return HttpResponse(status=204, headers=_state(found) | headers)


def _finish_if_whole(found: Upload) -> dict[str, str]:
    """Turn an upload into a clip once all of it is here, and tell where the clip is."""
    if found.finished_at is None and services.arrived_bytes(found) != found.size_bytes:
        return {}
    try:
        finished = services.finish_upload(found)
    except uploads.BusyError:  # another request is at it; the client asks again
        return {}
    place = _ring_and_place(found, finished)
    return {CLIP_HEADER: place} | ({TWIN_HEADER: "1"} if finished.is_twin else {})


def _ring_and_place(found: Upload, finished: services.Finished) -> str:
    """Ring for the job of a new clip, and return where the clip is seen; where it is gone again, where others are."""
    if finished.job is not None:
        transaction.on_commit(partial(ring, str(finished.job.pk)))
    if finished.clip is None:
        return f"{reverse('lessons:film')}?lesson={found.lesson_id}"
    return reverse("lessons:clip", kwargs={"pk": finished.clip.pk})


def _state(found: Upload) -> dict[str, str]:
    return uploads.state_headers(
        offset_bytes=services.arrived_bytes(found), size_bytes=found.size_bytes, expires_at=found.expires_at
    )


def _metadata(found: Upload) -> dict[str, str]:
    """What was said about the clip, in the words in which it is said again."""
    return {
        "filename": found.given_name,
        "assignment": str(found.assignment_id or "whole"),
        "was_first_today": "yes" if found.was_first_today else "no",
        "played_on": found.played_on.isoformat(),
    }


def _arriving(request: HttpRequest, *, length_bytes: int) -> Iterator[bytes]:
    """Yield the bytes of a request as they come, until they end, the line breaks or falls silent.

    A thread of its own reads them: the line cannot be asked whether it still lives, and whoever answers pages must not wait
    for a dead one.
    """
    pieces: queue.Queue[bytes] = queue.Queue(READ_AHEAD)
    is_over = threading.Event()

    def read() -> None:
        while not is_over.is_set():
            try:
                piece = request.read(READ_BYTES)
            except UnreadablePostError:
                piece = b""
            while not is_over.is_set():
                try:
                    pieces.put(piece, timeout=1)
                    break
                except queue.Full:
                    continue
            if not piece:
                return

    threading.Thread(target=read, name="upload", daemon=True).start()
    left = length_bytes
    try:
        while left > 0:
            try:
                piece = pieces.get(timeout=STALL_S)
            except queue.Empty:
                raise uploads.StallError("Nothing came for a while. What arrived is kept.") from None
            if not piece:
                return
            left -= len(piece)
            yield piece
    finally:
        is_over.set()


@speaks_tus(get_upload, "GET", "POST")
def upload_compare(request: LearnerRequest, found: Upload, method: str) -> HttpResponse:
    """Say which parts of a file chosen again are wanted; told them, say whether it is the file that was being sent."""
    services.check_alive(found)
    arrived = services.arrived_bytes(found)
    if method == "GET":
        return JsonResponse(
            {"arrived_bytes": arrived, "size_bytes": found.size_bytes, "windows": uploads.windows(arrived)}
        )
    if length_of(request) > MOST_COMPARED_BYTES:
        raise uploads.SizeError("These are more bytes than were asked for.")
    chunks = _arriving(request, length_bytes=length_of(request))
    wanted = uploads.read_number(request.headers.get("Upload-Offset", ""), name="Upload-Offset")
    return JsonResponse({"is_same": services.is_same_start(found, chunks, arrived=wanted)})


@require_safe
def upload_list(request: LearnerRequest) -> HttpResponse:
    """What is still on its way, and what to do about it."""
    return render(request, "lessons/uploads.html", unfinished_context(request.user))


def unfinished_context(learner: Learner) -> dict[str, object]:
    """Return what `lessons/_uploads.html` needs."""
    entries = [
        {"upload": found, "name": _name_of(found), "arrived": _arrived_in_words(found)}
        for found in unfinished_uploads(learner)
    ]
    return {"unfinished": entries, "accept": CLIP_TYPES}


def _name_of(found: Upload) -> str:
    if found.is_recording:
        return f"Recording of {found.played_on:%-d %B}"
    return found.given_name or "A clip"


def _arrived_in_words(found: Upload) -> str:
    if not found.offset_bytes:
        return "Nothing of it has arrived yet."
    whole = f" of {services.size_in_words(found.size_bytes)}" if found.size_bytes else ""
    return f"{services.size_in_words(found.offset_bytes)}{whole} arrived."


@require_POST
def upload_keep(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Make a clip of what has arrived of a recording that broke off."""
    found = get_upload(request.user, pk)
    try:
        finished = services.keep_arrived(found)
    except uploads.UploadError as error:
        messages.error(request, str(error))
        return redirect("lessons:clip-uploads")
    return redirect(_ring_and_place(found, finished))


@require_http_methods(["GET", "HEAD", "POST"])
def upload_give_up(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Ask, then forget an upload with what has arrived of it."""
    found = get_upload(request.user, pk)
    if request.method == "POST":
        try:
            services.give_up(found)
        except uploads.UploadError as error:
            messages.error(request, str(error))
        else:
            messages.success(request, "The upload is given up. What had arrived is deleted.")
        return redirect("lessons:clip-uploads")
    return render(request, "lessons/uploads_give_up.html", {"upload": found})
