"""Pages of the review: one look at a time, the skills' own lines, a verdict for each line, one thing for the week."""

from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe
from django_htmx.http import HttpResponseClientRedirect

from curriculum.models import Skill
from curriculum.queries import LearnerGraph, PieceState, UnitState, learner_graph, pieces_of
from curriculum.rubric import rubric
from lessons import services as lessons
from lessons.forms import StillForm
from lessons.models import Assignment, Clip, ReferencePicture, Still, Take
from lessons.queries import (
    clips_of,
    get_assignment,
    get_lesson,
    get_take,
    pictures_for_line,
    skills_for_pictures,
    stills_of,
    stills_of_line,
    watched_skills,
)
from lessons.views.requests import LearnerRequest, render_for, take_errors
from reviews import services
from reviews.drawing import Strip, StripTake, strip_of
from reviews.forms import CANNOT_TELL, MarkForm, NoteForm, SkillsForm, VerdictForm, WorkOnForm, names_symptom
from reviews.models import SkillAnswer
from reviews.queries import (
    AssignmentReview,
    LessonReview,
    Look,
    Step,
    StepKind,
    alike_first,
    chosen_row,
    get_moment_note,
    lesson_to_judge,
    level_name,
    marks_before,
    notes_of,
    review_of,
    skill_to_look_for,
    take_long_ago,
    take_to_cut,
    take_to_hear,
    takes_of_clip,
)
from reviews.views.findings import measured_of

# Earlier marks shown after the own mark is written: enough to see a way, few enough for one line each.
MOST_EARLIER_MARKS = 3
# Units that a closing names as open. The sheet decides which of them come next.
MOST_OPEN_NAMED = 3

# Cautions of the rubric that speak of looking and listening. The others speak of measures, which no page shows here.
CAUTIONS_SHOWN = frozenset({"hand-shape", "rhythm", "fluency", "shape"})

NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@require_safe
def judge(request: LearnerRequest) -> HttpResponse:
    """Go to the next thing to do; to the overview where there is nothing to do, or nothing to judge yet."""
    lesson = lesson_to_judge(request.user, today=request.user.today())
    if lesson is None:
        return render(request, "reviews/no_lesson.html")
    review = review_of(lesson)
    if review.is_closed or not review.is_filmed:
        return redirect("reviews:lesson", pk=lesson.pk)
    return redirect(_next_url(review))


@require_safe
def lesson(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Show how far each line of a lesson is."""
    review = review_of(get_lesson(request.user, pk))
    step = review.next_step() if review.is_filmed else None
    clips = [] if review.is_filmed else list(clips_of(review.lesson))
    context = {
        "review": review,
        "lesson": review.lesson,
        "step_url": _step_url(review, step) if step else "",
        "step_words": _step_words(step) if step else "",
        "under_way": next((clip for clip in clips if clip.is_under_way), None),
        "without_takes": next((clip for clip in clips if clip.state == Clip.State.READY), None),
        "work_on": rubric().dimensions.get(review.lesson.work_on),
        **_progress(review),
    }
    return render(request, "reviews/lesson.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def look(request: LearnerRequest, pk: UUID, dimension: str) -> HttpResponse:
    """One dimension of one take: the own mark, and nothing else before it."""
    review, line, this = _look_or_404(request, pk, dimension)
    if request.method != "POST":
        return _look_page(request, review, line, this)
    form = MarkForm(request.POST)
    if not form.is_valid():
        return _look_page(request, review, line, this, form=form, status=422)
    services.write_mark(this.take, dimension=dimension, level=form.chosen_level, bars=form.cleaned_data["bars"])
    return redirect("reviews:look", pk=pk, dimension=dimension)


@require_POST
def note_pin(request: LearnerRequest, pk: UUID, dimension: str) -> HttpResponse:
    """Pin a note to a moment of the take."""
    review, line, this = _look_or_404(request, pk, dimension)
    form = NoteForm(request.POST)
    if form.is_valid():
        try:
            services.pin_note(
                this.take, at_s=form.cleaned_data["at_s"], text=form.cleaned_data["text"], dimension=dimension
            )
        except ValidationError as error:
            take_errors(form, error)
    if not form.is_valid():
        return _look_page(request, review, line, this, note_form=form, status=422)
    if request.htmx:
        return _look_page(request, review, line, this)
    return redirect(f"{reverse('reviews:look', args=[pk, dimension])}#moments")


@require_POST
def note_unpin(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Take a note away."""
    note = get_moment_note(request.user, pk)
    take, dimension = note.take, note.dimension or next(iter(note.take.assignment.dimensions), "")
    services.unpin_note(note)
    if not take.is_judged or dimension not in take.assignment.dimensions:  # its look went while the page stood open
        overview = reverse("reviews:lesson", args=[take.assignment.lesson_id])
        return HttpResponseClientRedirect(overview) if request.htmx else redirect(overview)
    if request.htmx:
        return _look_page(request, *_look_or_404(request, take.pk, dimension))
    return redirect(f"{reverse('reviews:look', args=[take.pk, dimension])}#moments")


@require_http_methods(["GET", "HEAD", "POST"])
def skills(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The exercised skills' own lines, once the marks of the line are written."""
    review, line = _line_or_404(request, pk)
    if not line.asks_skills or not line.are_marks_done:
        return redirect(_next_of_line(review, line))
    initial = {f"skill-{skill.pk}": line.answers.get(skill.pk, "") for skill in line.skills}
    if line.is_yes_likely:
        initial = {name: answer or SkillAnswer.Answer.YES for name, answer in initial.items()}
    form = SkillsForm(_posted(request), skills=line.skills, initial=initial)
    if request.method == "POST" and form.is_valid():
        services.answer_skills(line.assignment, answers=form.answers)
        return redirect(_next_of_line(review_of(review.lesson), line))
    context = {
        "line": line,
        "form": form,
        "watched": watched_skills(request.user),
        "is_yes_likely": line.is_yes_likely and not line.answers,
        **_progress(review),
    }
    return render(request, "reviews/skills.html", context, status=422 if request.method == "POST" else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def verdict(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Decide on one line: move on, another week, or go back."""
    review, line = _line_or_404(request, pk)
    if not line.asks_verdict or not (line.are_marks_done and line.are_skills_done):
        return redirect(_next_of_line(review, line))
    today = request.user.today()
    unit = line.assignment.unit
    way_back = lessons.way_back(unit, today=today) if line.can_go_back and unit else None
    carried = next((each for each in line.corrections if each.carried_to_id), None)
    own = next((each for each in line.corrections if not each.carried_to_id), None)
    initial = {"verdict": line.assignment.verdict}
    if own is not None:
        initial |= {"dimension": own.dimension, "text": own.text, "bars": own.bars}
    form = VerdictForm(_posted(request), line=line, way_back=way_back, initial=initial)
    is_posted = request.method == "POST"
    if is_posted and form.is_valid() and not form.asks_whether_sure:
        services.decide(
            line.assignment,
            today=today,
            verdict=form.cleaned_data["verdict"],
            dimension=form.cleaned_data["dimension"],
            text=form.cleaned_data["text"],
            bars=form.cleaned_data["bars"],
        )
        if form.cleaned_data["verdict"] == Assignment.Verdict.GO_BACK and way_back and unit:
            messages.info(
                request,
                f"“{unit.title}” is to come again, and “{way_back.unit.title}” comes first. Decide again here to take it back.",
            )
        return redirect(_next_url(review_of(review.lesson)))
    step = review.next_step(leaving=line.assignment)
    context = {
        "review": review,
        "line": line,
        "form": form,
        "way_back": way_back,
        "carried": carried,
        "is_asking": is_posted and form.is_valid() and form.asks_whether_sure,
        "has_symptom": form.has_error("text", "symptom"),
        "later_url": _step_url(review, step) if step and not line.take else "",
        "notes": notes_of(line.take) if line.take else [],
        "faults": _faults_of(line),
    }
    return render(request, "reviews/verdict.html", context, status=422 if is_posted else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def last(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The one thing to work on, for the whole lesson. Choosing it closes the lesson."""
    review = review_of(get_lesson(request.user, pk))
    if not review.lines:
        return redirect("reviews:lesson", pk=pk)
    step = review.next_step()
    if step is not None and step.line is not None and step.line.take is not None:
        return redirect(_step_url(review, step))
    asked = review.marked_dimensions
    others = [dimension for dimension in rubric().dimensions.values() if dimension not in asked]
    initial = {"work_on": review.lesson.work_on, "text": review.lesson.work_on_text}
    form = WorkOnForm(_posted(request), dimensions=[*asked, *others], initial=initial)
    if request.method == "POST" and form.is_valid():
        lessons.choose_work_on(review.lesson, dimension=form.cleaned_data["work_on"], text=form.cleaned_data["text"])
        return redirect("reviews:summary", pk=pk)
    context = {
        "review": review,
        "form": form,
        "chosen": form["work_on"].value(),
        "is_something_else": form["work_on"].value() in {dimension.id for dimension in others},
        "asked": [(dimension, _marks_of(review, dimension.id)) for dimension in asked],
        "others": others,
        "has_symptom": form.has_error("text", "symptom"),
        "corrections": [each for line in review.lines for each in line.corrections],
    }
    return render(request, "reviews/last.html", context, status=422 if request.method == "POST" else 200)


@require_safe
def summary(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """What follows from the evening, and something to hear."""
    review = review_of(get_lesson(request.user, pk))
    if not review.is_closed:
        return redirect("reviews:lesson", pk=pk)
    graph = learner_graph(request.user)
    tonight = take_to_hear(review)
    context = {
        "review": review,
        "lesson": review.lesson,
        "work_on": rubric().dimensions.get(review.lesson.work_on),
        "ticked": _ticked_in(review, graph),
        "open_units": [unit for unit in graph.units.values() if graph.unit_state(unit) is UnitState.OPEN][
            :MOST_OPEN_NAMED
        ],
        "open_pieces": [piece for piece in pieces_of(request.user) if graph.piece_state(piece) is PieceState.OPEN][
            :MOST_OPEN_NAMED
        ],
        "moved_on": [line for line in review.lines if line.assignment.verdict == Assignment.Verdict.MOVE_ON],
        "coming_back": [
            line for line in review.lines if line.asks_verdict and line.assignment.verdict != Assignment.Verdict.MOVE_ON
        ],
        "tonight": tonight,
        "long_ago": take_long_ago(tonight.assignment) if tonight else None,
    }
    return render(request, "reviews/summary.html", context)


@require_safe
def side_by_side(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """A still of a line beside a reference picture, and one thing to look for. Nothing is measured here, and no mark is shown."""
    assignment = get_assignment(request.user, pk)
    stills = list(stills_of_line(assignment))
    still = chosen_row(stills, request.GET.get("still", ""))
    pictures = alike_first(pictures_for_line(assignment), view=still.view if still else "")
    picture = chosen_row(pictures, request.GET.get("picture", ""))
    look_for = list(watched_skills(request.user))
    here = reverse("reviews:side-by-side", args=[assignment.pk])
    context = {
        "assignment": assignment,
        "stills": [(row, _beside(here, still=row, picture=picture)) for row in stills],
        "pictures": [(row, _beside(here, still=still, picture=row)) for row in pictures],
        "still": still,
        "picture": picture,
        "is_seen_alike": bool(still and picture and still.view and still.view == picture.view),
        "is_tall": any(row is not None and row.height_px > row.width_px for row in (still, picture)),
        "has_symptom": still is not None and names_symptom(still.words),
        "skill": skill_to_look_for(
            look_for, asked=request.GET.get("skill", ""), picture=picture, still=still, line=assignment
        ),
        "skills": [(row, _beside(here, still=still, picture=picture, skill=row)) for row in look_for],
        "film_take": take_to_cut(assignment),
        "skills_for_pictures": skills_for_pictures(assignment),
    }
    return render(request, "reviews/side_by_side.html", context)


def _beside(here: str, *, still: Still | None, picture: ReferencePicture | None, skill: Skill | None = None) -> str:
    """Return the address of the same page with this still, this picture and this skill."""
    chosen = {"still": still, "picture": picture, "skill": skill}
    query = urlencode({name: row.pk for name, row in chosen.items() if row is not None})
    return f"{here}?{query}" if query else here


def _posted(request: LearnerRequest) -> QueryDict | None:
    """What a form was sent with; None where a page is only asked for. A form sent empty is still sent."""
    return request.POST if request.method == "POST" else None


# What is fetched ---------------------------------------------------------------------------------------------------


def _line_or_404(request: LearnerRequest, pk: UUID) -> tuple[LessonReview, AssignmentReview]:
    assignment = get_assignment(request.user, pk)
    review = review_of(assignment.lesson)
    return review, review.line_of(assignment)


def _look_or_404(request: LearnerRequest, pk: UUID, dimension: str) -> tuple[LessonReview, AssignmentReview, Look]:
    take = get_take(request.user, pk)
    review = review_of(take.assignment.lesson)
    line = review.line_of(take.assignment)
    for this in line.looks:
        if this.take.pk == take.pk and this.dimension.id == dimension:
            return review, line, this
    raise Http404("This take is not judged, or not by this.")


# Where it goes on --------------------------------------------------------------------------------------------------


def _next_url(review: LessonReview) -> str:
    step = None if review.is_closed else review.next_step()
    return _step_url(review, step) if step else reverse("reviews:lesson", args=[review.lesson.pk])


def _next_of_line(review: LessonReview, line: AssignmentReview) -> str:
    """Where a line goes on; where all of it is done, to the next thing of the lesson."""
    here = review.line_of(line.assignment)
    if here.next_look is not None:
        return _step_url(review, Step(StepKind.LOOK, here, here.next_look))
    if not here.are_skills_done:
        return reverse("reviews:skills", args=[here.assignment.pk])
    if here.asks_verdict and not here.is_decided:
        return reverse("reviews:verdict", args=[here.assignment.pk])
    return _next_url(review)


def _step_url(review: LessonReview, step: Step) -> str:
    if step.look is not None:
        return reverse("reviews:look", args=[step.look.take.pk, step.look.dimension.id])
    if step.line is None:
        return reverse("reviews:last", args=[review.lesson.pk])
    return reverse(f"reviews:{step.kind.value}", args=[step.line.assignment.pk])


def _step_words(step: Step, *, seen_from: AssignmentReview | None = None) -> str:
    """Say what the next thing to do is, with the line's letter where it is another line."""
    if step.line is None:
        return "the one thing for the coming week"
    words = {StepKind.SKILLS: "what it shows of the skills", StepKind.VERDICT: "move on, or another week"}
    what = step.look.dimension.name.lower() if step.look else words[step.kind]
    same = seen_from is not None and seen_from.assignment.pk == step.line.assignment.pk
    return what if same else f"{step.line.assignment.letter}, {what}"


# What pages say ----------------------------------------------------------------------------------------------------


def _look_page(
    request: LearnerRequest,
    review: LessonReview,
    line: AssignmentReview,
    this: Look,
    *,
    form: MarkForm | None = None,
    note_form: NoteForm | None = None,
    status: int = 200,
) -> HttpResponse:
    is_changing = form is not None or not this.is_done or "change" in request.GET
    if form is None:
        form = MarkForm(initial={"bars": this.mark.bars if this.mark else ""})
    chosen = str(form["level"].value() or "")
    if this.mark and not form.is_bound:
        chosen = str(this.mark.level or CANNOT_TELL)
    notes = list(notes_of(this.take, dimension=this.dimension.id))
    context: dict[str, Any] = {
        "review": review,
        "line": line,
        "look": this,
        "form": form,
        "chosen": chosen if is_changing else "",
        "is_changing": is_changing,
        "levels": [(level, level_name(level), says) for level, says in enumerate(this.dimension.levels, start=1)],
        "cannot": f"cannot {'see' if this.dimension.is_for_the_eye else 'hear'} it in this clip",
        "cannot_value": CANNOT_TELL,
        "caution": this.dimension.caution if this.dimension.id in CAUTIONS_SHOWN else "",
        "strip": _strip(this.take, [note.at_s for note in notes]),
        "notes": notes,
        "has_symptom": any(names_symptom(note.text) for note in notes),
        "note_form": note_form or NoteForm(),
        "stills": stills_of(this.take) if this.dimension.is_for_the_eye else None,
        "still_form": StillForm(initial={"at_s": this.take.start_s}),
        **_progress(review),
    }
    if not is_changing:
        context |= _after_mark(review, line, this)
    return render_for(
        request, page="reviews/look.html", fragment="reviews/_moments.html", context=context, status=status
    )


def _after_mark(review: LessonReview, line: AssignmentReview, this: Look) -> dict[str, Any]:
    """What may be said only once the own mark is written."""
    step = review.next_step()
    earlier = marks_before(line.assignment, this.dimension.id, before=review.lesson.starts_on)[:MOST_EARLIER_MARKS]
    return {
        "earlier": [(mark.take.clip.played_on, level_name(mark.level)) for mark in earlier],
        "measured": measured_of(this.take, this.dimension.id),
        "next_url": _next_url(review),
        "next_words": _step_words(step, seen_from=line) if step and not review.is_closed else "the whole lesson",
    }


def _strip(take: Take, moments_s: list[float]) -> Strip | None:
    if not take.clip.duration_s:
        return None
    takes = [
        StripTake(label=each.assignment.letter, start_s=each.start_s, end_s=each.end_s, is_judged=each.pk == take.pk)
        for each in takes_of_clip(take.clip)
    ]
    return strip_of(take.clip.duration_s, takes=takes, moments_s=moments_s)


def _progress(review: LessonReview) -> dict[str, Any]:
    done = [this.is_done for this in review.looks]
    left = len(done) - sum(done)
    if not done:
        words = "Nothing to mark yet."
    elif not left:
        words = "All looks are done."
    elif left == len(done):
        words = f"{_number(left).capitalize()} {'look' if left == 1 else 'looks'} to take."
    else:
        words = f"{_number(sum(done)).capitalize()} {'look' if sum(done) == 1 else 'looks'} done, {_number(left)} left."
    return {"looks": sorted(done, reverse=True), "looks_words": words, "looks_left": left}


def _number(count: int) -> str:
    return NUMBERS[count] if count < len(NUMBERS) else str(count)


def _marks_of(review: LessonReview, dimension: str) -> list[Look]:
    return [this for this in review.looks if this.dimension.id == dimension and this.is_done]


def _faults_of(line: AssignmentReview) -> list[dict[str, Any]]:
    """Usual faults of the exercised skills, as words to borrow. A symptom carries no correction: it leads to the care page."""
    return [
        {
            "fault": fault["fault"],
            "correction": "" if fault.get("care") else fault["correction"],
            "care": bool(fault.get("care")),
        }
        for skill in line.skills
        for fault in skill.faults
    ]


def _ticked_in(review: LessonReview, graph: LearnerGraph) -> list[str]:
    """Names of skills answered *yes* in this review that are ticked since this lesson began."""
    names = []
    for line in review.lines:
        for skill in line.skills:
            ticked_on = graph.report(skill.slug).ticked_on
            said_yes = line.answers.get(skill.pk) == SkillAnswer.Answer.YES
            if said_yes and ticked_on is not None and ticked_on >= review.lesson.starts_on:
                names.append(skill.name)
    return list(dict.fromkeys(names))
