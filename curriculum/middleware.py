"""Pages speak in the learner's own time zone."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils import timezone


class TimeZoneMiddleware:
    """Activate the time zone of whoever is signed in, for this request only."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if not request.user.is_authenticated:
            with timezone.override(None):
                return self.get_response(request)
        with timezone.override(request.user.zone):
            return self.get_response(request)
