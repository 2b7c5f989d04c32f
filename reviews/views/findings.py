"""What was measured in a take: shown for a dimension only once the learner's own mark of it is written."""

from dataclasses import dataclass, field
from functools import partial
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from curriculum.rubric import rubric
from lessons.models import Job, Take
from lessons.queries import get_take
from lessons.tasks import ring
from lessons.views.requests import LearnerRequest
from reviews import services
from reviews.forms import RhythmForm
from reviews.models import Hearing, Mark, Measurement
from reviews.queries import FIRST_LOOK, has_sound, level_name, rhythm_of
from reviews.sound.heard import VERSION
from reviews.sound.limits import LIMIT_WORDS
from reviews.views.drawings import DrawnChart, charts_of, marked_score, moments_of

# Levels by which the own mark and a measured one differ before another look is asked for.
FAR_APART = 2
# The highest level; nothing is to be said first of what is there already.
BEST = 4
# Strikes under which nothing can be said of a take.
FEW_NOTES = 8
# Dimensions of which something can be drawn on the score.
ON_SCORE = {"notes", "rhythm", "evenness", "fluency"}
# Findings that are sizes of one quantity, shown as numbers with their floor; counts and shares speak for themselves.
UNITS = {"ms": "ms", "dB": "dB", "%": "%", "ratio": "times as long", "share": "of the gap"}


@dataclass(frozen=True, slots=True)
class Group:
    """One dimension of the sheet: covered until it is marked, then with what was measured."""

    dimension: str
    name: str
    own: Mark | None
    findings: list[dict[str, Any]]
    charts: list[DrawnChart] = field(default_factory=list)

    @property
    def own_name(self) -> str:
        return level_name(self.own.level) if self.own else ""

    @property
    def is_far_apart(self) -> bool:
        """Whether a measured level is two or more from the own mark, which asks for another look, not for another mark."""
        own = self.own.level if self.own else None
        return own is not None and any(
            each["level"] and abs(each["level"] - own) >= FAR_APART for each in self.findings
        )


def measured_of(take: Take, dimension: str) -> Group | None:
    """Return what was measured of one dimension; None before the own mark, and where nothing was measured."""
    own = Mark.objects.filter(take=take, dimension=dimension, look=FIRST_LOOK).first()
    found = services.measured(take) if own is not None else None
    if own is None or found is None:
        return None
    group = _group(dimension, own, found)
    return group if group.findings else None


def _series(found: Measurement | None) -> dict[str, Any]:
    """Return what drawings are made of, with the bars that went wrong each time."""
    result = found.result if found is not None else {}
    again = [bar for each in result.get("findings", []) if each["kind"] == "repeated_spot" for bar in each["bars"]]
    return {**(result.get("series") or {}), "repeated": again}


def _group(dimension: str, own: Mark | None, found: Measurement | None) -> Group:
    """Return a dimension with what was measured of it; without the own mark there is nothing in it but its name."""
    name = rubric().dimensions[dimension].name
    if own is None or found is None:
        return Group(dimension, name, own, [])
    series = _series(found)
    mine = [
        finding
        | {
            "level_name": level_name(finding["level"]) if finding["level"] else "",
            "words": _number(finding),
            "moments": moments_of(finding["kind"], series, hand=finding.get("hand")),
        }
        for finding in found.result.get("findings", [])
        if finding["dimension"] == dimension
    ]
    return Group(dimension, name, own, mine)


def _number(finding: dict[str, Any]) -> str:
    unit = UNITS.get(finding["unit"])
    if unit is None:
        return ""
    if finding["low"] == finding["high"] and not finding["floor"]:
        return ""  # all of it was heard, and the sentence has it already
    whole = finding["unit"] in {"ms", "%"} and (not finding["floor"] or finding["floor"] >= 1)
    places = 2 if finding["unit"] in {"ratio", "share"} else 0 if whole else 1
    # Nothing is shown as minus nothing.
    value, low, high, floor = (
        f"{round(finding[key], places) + 0.0:.{places}f}".replace("-", "\N{MINUS SIGN}")
        for key in ("value", "low", "high", "floor")
    )
    told = f"{value} {unit}" + (f", surely between {low} and {high}" if low != high else "")
    return f"{told}. The floor of this recording is {floor}" if finding["floor"] > 0 else told


def _first_thing(groups: list[Group]) -> dict[str, Any] | None:
    """Return the one finding to begin with: a bar that goes wrong each time, then the lowest level named, then what stops the flow.

    Only of what is marked already. None where nothing asks to be looked at.
    """
    found = [finding for group in groups for finding in group.findings]
    again = [finding for finding in found if finding["kind"] == "repeated_spot"]
    graded = sorted((finding for finding in found if finding["level"] and finding["level"] < BEST), key=lambda each: each["level"])  # fmt: skip
    flow = [finding for finding in found if finding["kind"] in {"restarts", "hesitations"} and finding["value"] > 0]
    return next(iter([*again, *graded, *flow]), None)


@require_safe
def findings(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """All that was measured of one take, each dimension behind its own mark."""
    take = get_take(request.user, pk)
    listening = _listening(take)
    if request.htmx:
        # Asked while the clip is listened to; once that is done the page is new as a whole.
        if listening is None:
            return _varied(HttpResponseClientRefresh())
        return _varied(render(request, "reviews/_listening.html", {"take": take, "listening": listening}))
    return _page(request, take, listening=listening)


def _page(
    request: LearnerRequest,
    take: Take,
    *,
    listening: dict[str, Any] | None,
    form: RhythmForm | None = None,
    status: int = 200,
) -> HttpResponse:
    hearing = Hearing.objects.filter(clip=take.clip).first()
    found = services.measured(take)
    score = services.score_of(take)
    marks = {mark.dimension: mark for mark in Mark.objects.filter(take=take, look=FIRST_LOOK)}
    asked = [name for name in rubric().dimensions if name in take.assignment.dimensions]
    measured = {finding["dimension"] for finding in found.result.get("findings", [])} if found else set()
    groups = [_group(name, marks.get(name), found) for name in asked if name in measured]
    # What is drawn is drawn of these alone: the gate of the own mark holds for scores and charts as for words.
    shown = {group.dimension for group in groups if group.own is not None}
    series = _series(found)
    for group in groups:
        if group.own is not None:
            group.charts.extend(charts_of(group.dimension, series, asked_bpm=take.assignment.bpm, shown=shown))
    part = request.GET.get("part", "")
    picture = (
        marked_score(score, series, shown=shown, part=int(part[:4]) if part.isdecimal() else 0)
        if score is not None and found is not None and shown & ON_SCORE
        else None
    )
    context = {
        "take": take,
        "hearing": hearing,
        "score": score,
        "measurement": found,
        "groups": groups,
        "first": _first_thing(groups),
        "picture": picture,
        "can_hear": has_sound(take.clip),
        "limits": [LIMIT_WORDS[code] for code in hearing.limits if code in LIMIT_WORDS] if hearing else [],
        "is_few": hearing is not None and len(hearing.notes) < FEW_NOTES,
        "not_asked": [rubric().dimensions[name].name for name in rubric().dimensions if name in measured - set(asked)],
        "listening": listening,
        # What was typed of a line with a score lies idle: the score knows more.
        "rhythm_form": None
        if score is not None or hearing is None
        else form or RhythmForm(initial={"rhythm": rhythm_of(take.assignment)}),
        "is_older": hearing is not None and hearing.version != VERSION,
        # Never heard, or by an older version: it can be heard again as long as the file as it came is here.
        "may_hear": (hearing is None or hearing.version != VERSION) and services.can_hear(take.clip),
    }
    return _varied(render(request, "reviews/findings.html", context, status=status))


@require_POST
def rhythm(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Write the rhythm of a take's line, against which it is then held."""
    take = get_take(request.user, pk)
    form = RhythmForm(request.POST)
    if not form.is_valid():
        return _page(request, take, listening=_listening(take), form=form, status=422)
    row = services.type_rhythm(take.assignment, text=form.cleaned_data["rhythm"])
    name = rubric().dimensions["rhythm"].name
    messages.success(request, f"It is held against that rhythm now. What that tells belongs to “{name}”." if row.text else "The rhythm is taken back.")  # fmt: skip
    return redirect("reviews:findings", pk=take.pk)


def _varied(response: HttpResponse) -> HttpResponse:
    patch_vary_headers(response, ["HX-Request"])
    return response


def _listening(take: Take) -> dict[str, Any] | None:
    """Return how far the listening is; None where nobody listens."""
    if not services.is_listening(take.clip):
        return None
    job = take.clip.jobs.filter(kind=Job.Kind.MEASURE_CLIP, state=Job.State.RUNNING).first()
    is_known = job is not None and job.progress_frac > 0
    return {
        "percent": f"{100 * job.progress_frac:.1f}" if is_known and job is not None else None,
        "is_begun": job is not None,
    }


@require_POST
def hear(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Listen to the clip of a take, for the first time or by a newer version."""
    take = get_take(request.user, pk)
    job = services.hear_later(take.clip)
    if job is not None:
        transaction.on_commit(partial(ring, str(job.pk)))
    return redirect("reviews:findings", pk=take.pk)
