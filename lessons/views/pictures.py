"""Reference pictures of units and skills, stills of takes, and their files."""

import uuid
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from curriculum.models import Skill, Unit
from curriculum.queries import get_skill, get_unit
from lessons import services
from lessons.forms import NO_VIEW, KeepStillForm, NewPictureForm, PictureForm, StillForm
from lessons.models import CameraView, Clip, ReferencePicture, Still, Take
from lessons.queries import get_picture, get_still, get_take, pictures_of, skills_for_pictures, stills_of
from lessons.views.camera import camera_view
from lessons.views.requests import LearnerRequest, length_of, take_errors, takes_clips
from lessons.views.serving import serve_file

# Bytes of a form around its file.
FORM_BYTES = 100_000

# Reference pictures --------------------------------------------------------------------------------------------------


@takes_clips
@csrf_exempt
def unit_pictures(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The reference pictures of a unit, and the form that adds one."""
    return _pictures(request, unit=get_unit(request.user, pk), skill=None)


@takes_clips
@csrf_exempt
def skill_pictures(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The reference pictures of a skill, and the form that adds one."""
    return _pictures(request, unit=None, skill=get_skill(request.user, pk))


def _pictures(request: LearnerRequest, *, unit: Unit | None, skill: Skill | None) -> HttpResponse:
    """Judge the size of what is sent before anything of it is read; then the form is checked like any other."""
    if request.method == "POST":
        try:
            services.check_picture_size(max(1, length_of(request) - FORM_BYTES))
        except ValidationError as error:
            form = NewPictureForm({})
            form.full_clean()
            form.errors.clear()
            form.add_error("picture", error)
            return _pictures_page(request, form, unit=unit, skill=skill, status=413)
    return _read_pictures(request, unit=unit, skill=skill)


@csrf_protect
@require_http_methods(["GET", "HEAD", "POST"])
def _read_pictures(request: LearnerRequest, *, unit: Unit | None, skill: Skill | None) -> HttpResponse:
    if request.method != "POST":
        form = NewPictureForm(initial={"token": uuid.uuid4(), "view": CameraView.SIDE})
        return _pictures_page(request, form, unit=unit, skill=skill)
    form = NewPictureForm(request.POST, request.FILES)
    if form.is_valid():
        try:
            services.add_picture(
                request.user,
                upload=form.cleaned_data["picture"],
                unit=unit,
                skill=skill,
                view=form.cleaned_data["view"],
                words=form.cleaned_data["words"],
                pk=form.cleaned_data["token"],
            )
        except ValidationError as error:
            form.add_error("picture", error)
        else:
            return redirect(request.path)
    return _pictures_page(request, form, unit=unit, skill=skill, status=422)


def _pictures_page(
    request: LearnerRequest, form: NewPictureForm, *, unit: Unit | None, skill: Skill | None, status: int = 200
) -> HttpResponse:
    context = {
        "unit": unit,
        "skill": skill,
        "pictures": pictures_of(request.user, unit=unit, skill=skill),
        "form": form,
    }
    return render(request, "lessons/pictures.html", context, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
def picture(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """One reference picture, large, and its words."""
    found = get_picture(request.user, pk)
    form = PictureForm(request.POST if request.method == "POST" else None, initial=_description_of(found))
    if request.method == "POST" and form.is_valid():
        services.describe_picture(found, view=form.cleaned_data["view"], words=form.cleaned_data["words"])
        return redirect("lessons:picture", pk=found.pk)
    context = {"picture": found, "form": form, "back_url": _pictures_url(unit=found.unit, skill=found.skill)}
    return render(request, "lessons/picture.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def picture_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Ask, then delete a reference picture with its files."""
    found = get_picture(request.user, pk)
    if request.method == "POST":
        back = _pictures_url(unit=found.unit, skill=found.skill)
        services.delete_picture(found)
        messages.success(request, "The picture is deleted.")
        return redirect(back)
    return render(request, "lessons/picture_delete.html", {"picture": found})


def _pictures_url(*, unit: Unit | None, skill: Skill | None) -> str:
    if unit is not None:
        return reverse("lessons:unit-pictures", args=[unit.pk])
    return reverse("lessons:skill-pictures", args=[skill.pk if skill is not None else None])


@require_safe
def picture_large(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """The picture itself, large."""
    return serve_file(request, get_picture(request.user, pk).large_path, content_type="image/jpeg")


@require_safe
def picture_small(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """The picture itself, small."""
    return serve_file(request, get_picture(request.user, pk).small_path, content_type="image/jpeg")


# Stills --------------------------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
def take_stills(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The stills of a take, and the form that takes one."""
    take = get_take(request.user, pk)
    if request.method != "POST":
        return _stills_page(request, take, StillForm(initial={"at_s": take.start_s}))
    form = StillForm(request.POST)
    if form.is_valid():
        view = camera_view(take.assignment.dimensions).view
        try:
            services.take_still(take, at_s=form.cleaned_data["at_s"], view=view if view in CameraView else "")
        except ValidationError as error:
            take_errors(form, error)
        else:
            return redirect(_way_back(request) or f"{reverse('lessons:take-stills', args=[take.pk])}#stills")
    return _stills_page(request, take, form, status=422)


def _way_back(request: LearnerRequest) -> str:
    """The page of this computer from which a still was taken; empty where it is the page of the stills itself."""
    back = request.POST.get("back", "")
    return back if back.startswith("/") and url_has_allowed_host_and_scheme(back, allowed_hosts=None) else ""


def _stills_page(request: LearnerRequest, take: Take, form: StillForm, *, status: int = 200) -> HttpResponse:
    context = {
        "take": take,
        "clip": take.clip,
        "has_picture": take.clip.has_copy and take.clip.kind == Clip.Kind.VIDEO,
        "fragment": f"#t={take.start_s:.2f},{take.end_s:.2f}",
        "stills": stills_of(take),
        "form": form,
        "back": _way_back(request),
    }
    return render(request, "lessons/stills.html", context, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
def still(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """One still, large, its words, and what it may be kept for."""
    found = get_still(request.user, pk)
    form = PictureForm(request.POST if request.method == "POST" else None, initial=_description_of(found))
    if request.method == "POST" and form.is_valid():
        services.describe_still(found, view=form.cleaned_data["view"], words=form.cleaned_data["words"])
        return redirect("lessons:take-still", pk=found.pk)
    return _still_page(request, found, form=form)


def _description_of(found: ReferencePicture | Still) -> dict[str, str]:
    return {"view": found.view or NO_VIEW, "words": found.words}


def _still_page(
    request: LearnerRequest, found: Still, *, form: PictureForm | None = None, keep_form: KeepStillForm | None = None
) -> HttpResponse:
    form = form or PictureForm(initial=_description_of(found))
    keep_form = keep_form or _keep_form(request, found)
    status = 422 if form.errors or keep_form.errors else 200
    context = {"still": found, "take": found.take, "form": form, "keep_form": keep_form}
    return render(request, "lessons/still.html", context, status=status)


def _keep_form(request: LearnerRequest, found: Still) -> KeepStillForm:
    assignment = found.take.assignment
    return KeepStillForm(
        request.POST if request.method == "POST" else None,
        unit=assignment.unit,
        skills=skills_for_pictures(assignment),
        initial={"token": uuid.uuid4()},
    )


@require_POST
def still_keep(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Keep a still as a reference picture of a unit or skill of its line."""
    found = get_still(request.user, pk)
    form = _keep_form(request, found)
    if form.is_valid():
        skill = form.chosen_skill
        unit = form.unit if skill is None else None
        try:
            services.keep_still(found, unit=unit, skill=skill, pk=form.cleaned_data["token"])
        except ValidationError as error:
            take_errors(form, error)
        else:
            return redirect(_pictures_url(unit=unit, skill=skill))
    return _still_page(request, found, keep_form=form)


@require_http_methods(["GET", "HEAD", "POST"])
def still_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Ask, then delete a still with its files."""
    found = get_still(request.user, pk)
    if request.method == "POST":
        services.delete_still(found)
        messages.success(request, "The still is deleted. The clip is as it was.")
        return redirect("lessons:take-stills", pk=found.take_id)
    return render(request, "lessons/still_delete.html", {"still": found})


@require_safe
def still_large(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """The still itself, as large as it was filmed."""
    return serve_file(request, get_still(request.user, pk).large_path, content_type="image/jpeg")


@require_safe
def still_small(request: LearnerRequest, pk: UUID) -> HttpResponseBase:
    """The still itself, small."""
    return serve_file(request, get_still(request.user, pk).small_path, content_type="image/jpeg")
