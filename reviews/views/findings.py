"""What was measured in a take: shown for a dimension only once the learner's own mark of it is written."""

from dataclasses import dataclass
from functools import partial
from typing import Any
from uuid import UUID

from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from curriculum.rubric import rubric
from lessons.models import Take
from lessons.queries import get_take
from lessons.tasks import ring
from lessons.views.requests import LearnerRequest
from reviews import services
from reviews.models import Hearing, Mark, Measurement
from reviews.queries import FIRST_LOOK, level_name
from reviews.sound.heard import VERSION
from reviews.sound.limits import LIMIT_WORDS

# Levels by which the own mark and a measured one differ before another look is asked for.
FAR_APART = 2
# Findings that are sizes of one quantity, shown as numbers with their floor; counts and shares speak for themselves.
UNITS = {"ms": "ms", "dB": "dB", "%": "%", "ratio": "times as long", "share": "of the gap"}


@dataclass(frozen=True, slots=True)
class Group:
    """One dimension of the sheet: covered until it is marked, then with what was measured."""

    dimension: str
    name: str
    own: Mark | None
    findings: list[dict[str, Any]]

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


def _group(dimension: str, own: Mark | None, found: Measurement | None) -> Group:
    findings = found.result.get("findings", []) if own is not None and found is not None else []
    mine = [
        finding | {"level_name": level_name(finding["level"]) if finding["level"] else "", "words": _number(finding)}
        for finding in findings
        if finding["dimension"] == dimension
    ]
    return Group(dimension, rubric().dimensions[dimension].name, own, mine)


def _number(finding: dict[str, Any]) -> str:
    unit = UNITS.get(finding["unit"])
    if unit is None:
        return ""
    places = 2 if finding["unit"] in {"ratio", "share"} else 0 if finding["unit"] in {"ms", "%"} else 1
    # Nothing is shown as minus nothing.
    value, low, high, floor = (
        f"{round(finding[key], places) + 0.0:.{places}f}" for key in ("value", "low", "high", "floor")
    )
    return f"{value} {unit} ({low} to {high}); floor of this recording {floor}"


@require_safe
def findings(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """All that was measured of one take, each dimension behind its own mark."""
    take = get_take(request.user, pk)
    hearing = Hearing.objects.filter(clip=take.clip).first()
    found = services.measured(take)
    marks = {mark.dimension: mark for mark in Mark.objects.filter(take=take, look=FIRST_LOOK)}
    asked = [name for name in rubric().dimensions if name in take.assignment.dimensions]
    measured = {finding["dimension"] for finding in found.result.get("findings", [])} if found else set()
    groups = [_group(name, marks.get(name), found) for name in asked if name in measured]
    context = {
        "take": take,
        "hearing": hearing,
        "score": services.score_of(take),
        "measurement": found,
        "groups": groups,
        "limits": [LIMIT_WORDS[code] for code in hearing.limits if code in LIMIT_WORDS] if hearing else [],
        "not_asked": [rubric().dimensions[name].name for name in rubric().dimensions if name in measured - set(asked)],
        "is_listening": services.is_listening(take.clip),
        # Never heard, or by an older version: it can be heard again as long as the file as it came is here.
        "may_hear": (hearing is None or hearing.version != VERSION) and services.can_hear(take.clip),
    }
    return render(request, "reviews/findings.html", context)


@require_POST
def hear(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Listen to the clip of a take, for the first time or by a newer version."""
    take = get_take(request.user, pk)
    job = services.hear_later(take.clip)
    if job is not None:
        transaction.on_commit(partial(ring, str(job.pk)))
    return redirect("reviews:findings", pk=take.pk)
