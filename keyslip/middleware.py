"""What every answer says about itself, and what is answered before any page is asked: too much, signed out, not that way."""

from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

from django.contrib import messages
from django.contrib.auth.middleware import LoginRequiredMiddleware
from django.contrib.auth.views import redirect_to_login
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import render, resolve_url
from django.urls import Resolver404, resolve
from django.utils.http import url_has_allowed_host_and_scheme
from django_htmx.http import HttpResponseClientRedirect

from lessons.views.requests import length_of

# Bytes of one form with its file: a book file of 4 MB, the text of its preview of as many, and what stands around them.
# Whoever is not even signed in could otherwise fill the disk, for a form is stored before anybody asks who sent it.
MOST_FORM_BYTES = 9_000_000
# Methods that change nothing, so that the same address may be opened after signing in.
SAFE = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})

# Everything comes from this computer. Pictures and clips may also be blobs: a take just recorded is played before it is sent.
CONTENT_POLICY = "; ".join(
    [
        "default-src 'self'",
        "img-src 'self' blob:",
        "media-src 'self' blob:",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    ]
)
# Camera and microphone for our own pages only; nothing here asks where somebody is or how they pay.
PERMISSIONS_POLICY = "camera=(self), microphone=(self), geolocation=(), payment=(), usb=(), browsing-topics=()"


class ContentPolicyMiddleware:
    """Set the content policy and the permissions of a page, unless its view has set a stricter one of its own."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", CONTENT_POLICY)
        response.headers.setdefault("Permissions-Policy", PERMISSIONS_POLICY)
        return response


class FormSizeMiddleware:
    """Refuse what is far too much for a form, before anything of it is read. Clips are judged by their own view."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponseBase], _args: Any, _kwargs: Any
    ) -> HttpResponse | None:
        if getattr(view, "takes_clips", False) or length_of(request) <= MOST_FORM_BYTES:
            return None
        return render(request, "413.html", {"back": page_before(request)}, status=413)


class SignInMiddleware(LoginRequiredMiddleware):
    """Ask whoever is not signed in to sign in, and lead them to a page afterwards, never to an action."""

    def handle_no_permission(  # type: ignore[override]
        self, request: HttpRequest, view_func: Callable[..., HttpResponseBase]
    ) -> HttpResponseBase:
        if request.headers.get("HX-Request") == "true":
            # A part of a page was asked for: the whole page goes to sign in, not the part.
            back = urlsplit(request.headers.get("HX-Current-URL", "")).path or "/"
            address = redirect_to_login(back, resolve_url("login"))["Location"]
            return HttpResponseClientRedirect(address)
        if request.method in SAFE:
            return super().handle_no_permission(request, view_func)
        messages.warning(
            request,
            "You had been signed out, so what you sent just now was not kept. "
            "Sign in, then go back twice in your browser: what you typed is usually still there.",
        )
        return redirect_to_login(page_before(request), resolve_url("login"))


class WrongMethodMiddleware:
    """Say in words that an address is an action, and where its page is: somebody loaded it anew or typed it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if response.status_code != 405 or request.method != "GET":
            return response
        page = render(request, "405.html", {"back": page_above(request.path)}, status=405)
        page.headers.setdefault("Allow", response.headers.get("Allow", "POST"))
        return page


def page_before(request: HttpRequest) -> str:
    """Return the address of the page from which something was sent; where that is not known, the page above."""
    before = request.headers.get("Referer", "")
    if url_has_allowed_host_and_scheme(before, {request.get_host()}):
        parts = urlsplit(before)
        if parts.netloc:
            path = f"/{parts.path.lstrip('/')}"
            return f"{path}?{parts.query}" if parts.query else path
    return page_above(request.path)


def page_above(path: str) -> str:
    """Return the nearest address above `path` where there is a page: an action is the last segment of its page's address."""
    parts = path.strip("/").split("/")
    while len(parts) > 1:
        parts.pop()
        above = f"/{'/'.join(parts)}/"
        try:
            resolve(above)
        except Resolver404:
            continue
        return above
    return "/"
