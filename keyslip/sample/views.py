"""The page of the sample learner: have it made, look at it, remove it."""

from django.contrib import messages
from django.contrib.auth import login
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_POST, require_safe
from kombu.exceptions import OperationalError

from curriculum.models import Learner
from curriculum.queries import LearnerRequest
from keyslip.sample import NAME, WEEKS
from keyslip.tasks import make_sample
from lessons.models import Lesson

ASKED_AT = "sample_asked_at"
# Seconds after which a sample that was asked for and is not there counts as failed. Making it takes 10 to 25.
PATIENCE_S = 120


@require_safe
def sample(request: LearnerRequest) -> HttpResponse:
    """Show where the sample stands; the job under way is a fragment of the same address."""
    learner = Learner.objects.filter(username=NAME, is_sample=True).first()
    is_ready = learner is not None and learner.set_up_on is not None
    asked_at = request.session.get(ASKED_AT, 0.0)
    is_asked = timezone.now().timestamp() - asked_at < PATIENCE_S
    weeks = Lesson.objects.filter(learner=learner).count() if learner else 0
    context = {
        "is_sample": request.user.is_sample,
        "is_ready": is_ready,
        "is_running": is_asked and not is_ready,
        "has_failed": bool(asked_at) and not is_asked and not is_ready,
        "percent": round(100 * weeks / (WEEKS + 1)),
        "label": f"Living week {weeks} of {WEEKS}" if weeks else "Writing an invented book",
    }
    template = "keyslip/_sample_state.html" if request.htmx else "keyslip/sample.html"
    response = render(request, template, context)
    patch_vary_headers(response, ["HX-Request"])
    return response


@require_POST
def sample_make(request: LearnerRequest) -> HttpResponse:
    """Ask the worker for a sample, unless there is one."""
    if Learner.objects.filter(username=NAME, is_sample=False).exists():
        messages.error(request, f"Somebody of this house is called “{NAME}”, so no sample can be made beside them.")
    elif not Learner.objects.filter(username=NAME, is_sample=True).exclude(set_up_on=None).exists():
        request.session[ASKED_AT] = timezone.now().timestamp()
        try:
            make_sample.apply_async(retry=False)
        except OperationalError:
            del request.session[ASKED_AT]
            messages.error(request, "The worker of Keyslip does not answer, so nothing was made. Start Keyslip again.")
    return redirect("sample")


@require_POST
def sample_enter(request: LearnerRequest) -> HttpResponse:
    """Look at Keyslip as the sample learner. Signing out leads back."""
    learner = Learner.objects.filter(username=NAME, is_sample=True).exclude(set_up_on=None).first()
    if learner is None:
        return redirect("sample")
    login(request, learner, backend="django.contrib.auth.backends.ModelBackend")
    messages.info(request, "You look at an invented learner now. Try anything; sign out to come back to your own book.")
    return redirect("lessons:week")


@require_POST
def sample_remove(request: LearnerRequest) -> HttpResponse:
    """Remove the sample learner with all that belongs to it."""
    Learner.objects.filter(username=NAME, is_sample=True).delete()
    request.session.pop(ASKED_AT, None)
    messages.success(request, "The sample learner is gone, with its book, weeks and clips. Yours is untouched.")
    return redirect("sample")
