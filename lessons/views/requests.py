"""The request as every page here gets it: somebody is signed in, and htmx may be asking."""

from collections.abc import Callable
from typing import Any, TypeVar

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from django_htmx.middleware import HtmxDetails

from curriculum.models import Learner

View = TypeVar("View", bound=Callable[..., Any])


class LearnerRequest(HttpRequest):
    user: Learner
    htmx: HtmxDetails


def takes_clips(view: View) -> View:
    """Mark a view that judges the size of what it is sent by itself. All others are sent forms, which are small."""
    view.takes_clips = True  # type: ignore[attr-defined]
    return view


def length_of(request: HttpRequest) -> int:
    """Return how many bytes a request says it carries; 0 where it does not say."""
    text = request.headers.get("Content-Length", "")
    return int(text[:18]) if text.isascii() and text.isdigit() else 0  # eighteen digits are more than any disk holds


def render_for(
    request: LearnerRequest, *, page: str, fragment: str, context: dict[str, object], status: int = 200
) -> HttpResponse:
    """Answer with the fragment where htmx asks, else with the page. Both share one address and one context."""
    response = render(request, fragment if request.htmx else page, context, status=status)
    patch_vary_headers(response, ["HX-Request"])
    return response


def take_errors(form: Form, error: ValidationError) -> None:
    """Put what a service refused onto the fields of a form, or onto the form where it has no such field."""
    if not hasattr(error, "error_dict"):
        form.add_error(None, error)
        return
    for name, errors in error.error_dict.items():
        form.add_error(name if name in form.fields else None, ValidationError(errors))


def say_errors(request: HttpRequest, error: ValidationError) -> None:
    """Say what a service refused on the next page."""
    for text in error.messages:
        messages.error(request, text)
