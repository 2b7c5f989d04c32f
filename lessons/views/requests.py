"""The request as every page here gets it: somebody is signed in, and htmx may be asking."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from django_htmx.middleware import HtmxDetails

from curriculum.models import Learner


class LearnerRequest(HttpRequest):
    user: Learner
    htmx: HtmxDetails


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
