"""Scores: the list, adding one from a file or a pattern, its page, its questions, and what a piece was found to ask."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.cache import patch_vary_headers
from django.utils.http import content_disposition_header
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from curriculum import services
from curriculum.forms_scores import (
    KEYBOARDS,
    DemandsForm,
    InstrumentForm,
    PatternForm,
    QuestionsForm,
    ScoreFileForm,
    ScoreTitleForm,
    SignsForm,
    owner_of,
    said_by,
    say_pattern_fault,
)
from curriculum.models import Demand, Learner, Piece, Score, Unit
from curriculum.queries import LearnerRequest, get_piece, get_score, get_unit
from curriculum.score import ScoreError
from curriculum.score.demands.signs import Sign, signs
from curriculum.score.demands.vocabulary import QUESTION_BELOW_SURE
from curriculum.score.engraving.drawing import Engraving, engrave, stretches
from curriculum.score.engraving.errors import EngravingError
from curriculum.score.patterns.spec import Pattern
from curriculum.score.patterns.wording import pattern_in_words
from curriculum.score.patterns.writing import make_pattern
from curriculum.views.hearing import hearing_of
from curriculum.views.presenting import add_errors, asked_owner, owner_url

GONE = "The notes of this score are not on the disk any more. A backup may hold them; or put the file in once more."


@require_safe
def score_list(request: LearnerRequest) -> HttpResponse:
    found = Score.objects.filter(learner=request.user).select_related("piece", "unit__book")
    return render(request, "curriculum/score_list.html", {"rows": [_row(score) for score in found]})


def _row(score: Score) -> dict[str, Any]:
    return {"score": score, "owner": owner_of(score), "facts": score_sentence(score)}


def score_sentence(score: Score) -> str:
    """Return what a score holds, in one sentence."""
    bars, notes = score.facts.get("bars", 0), score.facts.get("notes", 0)
    hands = [f"{hand} hand" for hand in score.facts.get("hands", []) if hand]
    parts = [f"{bars} bar{'' if bars == 1 else 's'}", f"{notes} note{'' if notes == 1 else 's'}"]
    parts.append("both hands" if len(hands) == 2 else hands[0] if hands else "hand not known")
    source = {"file": "from a file", "typed": "typed", "pattern": "made from a pattern"}[score.source]
    return f"{', '.join(parts)}; {source}."


@require_http_methods(["GET", "HEAD", "POST"])
def score_new(request: LearnerRequest) -> HttpResponse:
    """A score from a file, for a piece, a unit, or on its own."""
    piece, unit = asked_owner(request)
    there = Score.objects.filter(piece=piece).first() if piece is not None else None
    if there is not None:
        return redirect("curriculum:score-replace", there.pk)
    form = ScoreFileForm(request.POST or None, request.FILES or None)
    if request.method == "POST":
        form = ScoreFileForm(request.POST, request.FILES)
        if form.is_valid():
            made = _take_file(request, form, piece=piece, unit=unit)
            if made is not None:
                return redirect("curriculum:score", made.pk)
    context = {
        "form": form, "piece": piece, "unit": unit, "query": request.GET.urlencode(), "back": owner_url(piece=piece, unit=unit),
    }  # fmt: skip
    return render(request, "curriculum/score_new.html", context, status=422 if form.errors else 200)


def _take_file(
    request: LearnerRequest, form: ScoreFileForm, *, piece: Piece | None = None, unit: Unit | None = None
) -> Score | None:
    """Keep an uploaded score, or say in the form why not."""
    data = form.cleaned_data["file"].read()
    answers = {"part": form.cleaned_data["part"]} if form.cleaned_data["part"] else {}
    try:
        return services.add_score(
            request.user,
            written=services.read_upload(data, answers=answers, name=PurePath(form.given_name).stem),
            source=Score.Source.FILE,
            title=form.cleaned_data["title"],
            piece=piece,
            unit=unit,
            original=data,
            given_name=form.given_name,
            answers=answers,
        )
    except ScoreError as error:
        form.add_error("file", said_by(error))
    except ValidationError as error:
        add_errors(form, error)
    return None


@require_http_methods(["GET", "HEAD", "POST"])
def score_replace(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Another file in the place of this one; title, place and answers of its piece stay."""
    found = get_score(request.user, pk)
    form = ScoreFileForm(request.POST, request.FILES) if request.method == "POST" else ScoreFileForm()
    del form.fields["title"]
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data["file"].read()
        answers = {"part": form.cleaned_data["part"]} if form.cleaned_data["part"] else {}
        try:
            services.rewrite_score(
                found,
                written=services.read_upload(data, answers=answers, name=PurePath(form.given_name).stem),
                original=data,
                given_name=form.given_name,
                answers=answers,
                source=Score.Source.FILE,
                pattern={},
                right_text="",
                left_text="",
            )
            messages.success(request, "The new file is in its place.")
            return redirect("curriculum:score", found.pk)
        except ScoreError as error:
            form.add_error("file", said_by(error))
        except ValidationError as error:
            add_errors(form, error)
    context = {"form": form, "score": found}
    return render(request, "curriculum/score_replace.html", context, status=422 if form.errors else 200)


@require_safe
def score(request: LearnerRequest, pk: UUID) -> HttpResponse:
    return _show(request, get_score(request.user, pk))


def _show(request: LearnerRequest, found: Score, *, questions_form: QuestionsForm | None = None) -> HttpResponse:
    cuts = found.facts.get("stretches") or []
    wanted = request.GET.get("part", "1")
    number = int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 6 else 1
    number = min(max(number, 1), max(len(cuts), 1))
    picture, problem = None, ""
    try:
        picture = services.picture_of(found, stretch=number - 1)
    except EngravingError as error:
        problem = str(error)
    except (OSError, ScoreError):
        problem = GONE
    questions = services.open_questions(found)
    demands = list(Demand.objects.filter(piece=found.piece)) if found.piece_id else []
    context = {
        "score": found,
        "owner": owner_of(found),
        "owner_url": owner_url(piece=found.piece, unit=found.unit) if found.piece_id or found.unit_id else "",
        "sentence": score_sentence(found),
        "picture": picture,
        "problem": problem,
        "part": number,
        "parts": range(1, len(cuts) + 1) if len(cuts) > 1 else (),
        "questions_form": questions_form or (QuestionsForm(questions=questions) if questions else None),
        "doubts": [warning for warning in found.warnings if warning not in questions],
        "hear": hearing_of(found, stretch=number - 1) if picture else {},
        "words": pattern_in_words(Pattern.from_data(found.pattern)) if found.pattern else "",
        "signs": sign_rows(request.user, found.facts.get("signs", {})),
        "bar_numbers": " ".join(found.facts.get("bar_numbers", [])),
        "has_demands": bool(demands),
        "count_asked": sum(row.answer == Demand.Answer.ASKED for row in demands),
    }
    is_invalid = questions_form is not None and bool(questions_form.errors)
    return render(request, "curriculum/score.html", context, status=422 if is_invalid else 200)


@require_POST
def score_questions(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """What the learner answered about a score."""
    found = get_score(request.user, pk)
    form = QuestionsForm(request.POST, questions=services.open_questions(found))
    if form.is_valid():
        given = dict(form.cleaned_data)
        given["seen"] = sorted({*found.answers.get("seen", ()), *given.get("seen", ())})
        try:
            services.answer_questions(found, given=given)
            return redirect("curriculum:score", found.pk)
        except ScoreError as error:
            form.add_error(None, said_by(error))
        except OSError:
            form.add_error(None, GONE)
    return _show(request, found, questions_form=form)


@require_http_methods(["GET", "HEAD", "POST"])
def score_edit(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_score(request.user, pk)
    form = ScoreTitleForm(request.POST if request.method == "POST" else None, initial={"title": found.title})
    if request.method == "POST" and form.is_valid():
        services.name_score(found, title=form.cleaned_data["title"])
        return redirect("curriculum:score", found.pk)
    context = {"form": form, "score": found}
    return render(request, "curriculum/score_edit.html", context, status=422 if form.is_bound else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def score_delete(request: LearnerRequest, pk: UUID) -> HttpResponse:
    found = get_score(request.user, pk)
    if request.method == "POST":
        onward = owner_url(piece=found.piece, unit=found.unit)
        services.delete_score(found)
        messages.success(request, f"“{found.title}” is deleted.")
        return redirect(onward)
    return render(request, "curriculum/score_delete.html", {"score": found})


@require_safe
def score_file(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """The score as it was read, for other programs."""
    found = get_score(request.user, pk)
    try:
        document = found.musicxml_path.read_bytes()
    except OSError as error:
        raise Http404 from error
    disposition = content_disposition_header(True, f"{found.title}.musicxml")
    return HttpResponse(
        document,
        content_type="application/vnd.recordare.musicxml+xml",
        headers={"Content-Disposition": disposition or "attachment", "X-Content-Type-Options": "nosniff"},
    )


# Signs ----------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class SignRow:
    """A sign that stands in a score: what it means, where it stands, and which unit teaches it.

    `unit` is None where no unit names it; `through` is the skill by which a unit teaches it, where none names the sign itself.
    """

    sign: Sign
    bars: str
    places: str
    unit: Unit | None
    through: str


def sign_rows(learner: Learner, found: Mapping[str, Sequence[str]]) -> list[SignRow]:
    """Return the signs of a score in the order of the closed list, in two queries."""
    known = [sign for key, sign in signs().items() if key in found]
    units = list(Unit.objects.filter(book__learner=learner).select_related("book"))
    naming = {key: unit for unit in reversed(units) for key in unit.signs}
    own = {sign.skills[0] for sign in known if sign.skills}
    taught = Unit.teaches.through.objects.filter(unit__book__learner=learner, skill__slug__in=own)
    skills = {slug: (name, pk) for slug, name, pk in taught.values_list("skill__slug", "skill__name", "unit_id")}
    by_pk = {unit.pk: unit for unit in units}
    rows = []
    for sign in known:
        unit, through = naming.get(sign.key), ""
        if unit is None and sign.skills and sign.skills[0] in skills:
            through, pk = skills[sign.skills[0]]
            unit = by_pk.get(pk)
        bars = list(found[sign.key])
        rows.append(SignRow(sign=sign, bars=" ".join(bars), places=say_bars(bars), unit=unit, through=through))
    return rows


def say_bars(numbers: Sequence[str], *, most: int = 6) -> str:
    """Name bars in a sentence; many are only counted."""
    if len(numbers) == 1:
        return f"bar {numbers[0]}"
    if len(numbers) > most:
        return f"{len(numbers)} bars, first in bar {numbers[0]}"
    return f"bars {', '.join(numbers[:-1])} and {numbers[-1]}"


@require_http_methods(["GET", "HEAD", "POST"])
def unit_signs(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Which signs and words are new in a unit."""
    found = get_unit(request.user, pk)
    form = SignsForm(request.POST if request.method == "POST" else None, initial={"signs": found.signs})
    if request.method == "POST" and form.is_valid():
        services.set_signs(found, keys=form.cleaned_data["signs"])
        return redirect("curriculum:unit", found.pk)
    context = {"form": form, "unit": found}
    return render(request, "curriculum/unit_signs.html", context, status=422 if form.errors else 200)


@require_http_methods(["GET", "HEAD", "POST"])
def instrument(request: LearnerRequest) -> HttpResponse:
    """How many keys and pedals there are, so that pieces can be held against them."""
    learner = Learner.objects.get(pk=request.user.pk)
    count = next((n for n, ends in KEYBOARDS.items() if ends == (learner.lowest_midi, learner.highest_midi)), 88)
    initial = {"keys": count, "pedals": learner.pedal_count}
    form = InstrumentForm(request.POST if request.method == "POST" else None, initial=initial)
    if request.method == "POST" and form.is_valid():
        lowest, highest = KEYBOARDS[form.cleaned_data["keys"]]
        services.set_instrument(
            learner, lowest_midi=lowest, highest_midi=highest, pedal_count=form.cleaned_data["pedals"]
        )
        messages.success(request, "Kept. The scores of your pieces were held against it.")
        return redirect("curriculum:settings")
    return render(request, "curriculum/instrument.html", {"form": form}, status=422 if form.errors else 200)


# Patterns -------------------------------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
def score_pattern_new(request: LearnerRequest) -> HttpResponse:
    """An exercise from a few choices. Asked with choices in the address it shows what they make; nothing is kept yet."""
    piece, unit = asked_owner(request)
    return _pattern(request, piece=piece, unit=unit)


@require_http_methods(["GET", "HEAD", "POST"])
def score_pattern(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Other choices for an exercise that was made from a pattern."""
    found = get_score(request.user, pk)
    if not found.pattern:
        raise Http404
    return _pattern(request, score=found, piece=found.piece, unit=found.unit)


def _pattern(
    request: LearnerRequest, *, piece: Piece | None, unit: Unit | None, score: Score | None = None
) -> HttpResponse:
    if request.method == "POST":
        form = PatternForm(request.POST)
    elif "kind" in request.GET:
        form = PatternForm(request.GET)
    else:
        form = PatternForm(initial=_initial(score))
    pattern: Pattern | None = _usual_pattern(score)
    if form.is_bound:
        pattern = form.cleaned_data["pattern"] if form.is_valid() else None
    drawn: Engraving | None = None
    problem = ""
    try:
        if pattern is not None and request.method == "POST":
            made = _keep_pattern(request, pattern, score=score, piece=piece, unit=unit)
            return redirect("curriculum:score", made.pk)
        if pattern is not None:
            written = make_pattern(pattern)
            drawn = engrave(written, bars=stretches(written)[0])
    except ScoreError as error:
        form.add_error(None, say_pattern_fault(error))
    except EngravingError as error:
        problem = str(error)
    except ValidationError as error:
        add_errors(form, error)
    context = {
        "form": form,
        "score": score,
        "piece": piece,
        "unit": unit,
        "owner": {
            key: value for key, value in (("piece", piece), ("unit", unit)) if value is not None and score is None
        },
        "action": request.get_full_path().partition("?")[0],
        "back": owner_url(score=score, piece=piece, unit=unit),
        "picture": drawn,
        "problem": problem,
        "words": pattern_in_words(pattern) if pattern is not None else "",
    }
    template = "curriculum/_pattern.html" if request.htmx else "curriculum/score_pattern.html"
    response = render(request, template, context, status=422 if form.errors else 200)
    patch_vary_headers(response, ["HX-Request"])
    return response


def _usual_pattern(score: Score | None) -> Pattern:
    return Pattern.from_data(score.pattern) if score is not None else Pattern(kind="scale")


def _initial(score: Score | None) -> dict[str, Any]:
    pattern = _usual_pattern(score)
    return {name: getattr(pattern, name) for name in PatternForm.base_fields}


def _keep_pattern(
    request: LearnerRequest, pattern: Pattern, *, score: Score | None, piece: Piece | None, unit: Unit | None
) -> Score:
    if score is None:
        return services.add_pattern(request.user, pattern=pattern, piece=piece, unit=unit)
    services.rewrite_pattern(score, pattern=pattern)
    return score


# What a piece was found to ask ----------------------------------------------------------------------------------------


@require_http_methods(["GET", "HEAD", "POST"])
def piece_demands(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Yes or no for each thing that the score of a piece was found to ask."""
    found = get_piece(request.user, pk)
    rows = list(found.demands.exclude(detector="").select_related("skill"))
    form = DemandsForm(
        request.POST if request.method == "POST" else None, rows=rows, least_sure_frac=QUESTION_BELOW_SURE
    )
    if request.method == "POST" and form.is_valid():
        services.answer_demands(found, answers=form.answers, today=request.user.today())
        left = found.demands.filter(answer=Demand.Answer.ASKED).exclude(detector="").count()
        if left:
            messages.info(
                request, f"Kept. {left} {'is' if left == 1 else 'are'} left open; what is open holds nothing."
            )
        return redirect("curriculum:piece", found.pk)
    entries: list[dict[str, Any]] = [
        {
            "row": row,
            "words": services.demand_in_words(row),
            "place": f"{'bar' if row.bars.isalnum() else 'bars'} {row.bars}" if row.bars else "",
            "field": form[f"demand-{row.pk}"],
            "is_doubtful": row.sure_frac < QUESTION_BELOW_SURE,
        }
        for row in rows
    ]
    context = {
        "piece": found,
        "form": form,
        "sure": [entry for entry in entries if not entry["is_doubtful"] and entry["row"].skill],
        "doubtful": [entry for entry in entries if entry["is_doubtful"] and entry["row"].skill],
        "beyond": [entry for entry in entries if not entry["row"].skill],
        "score": Score.objects.filter(piece=found).first(),
    }
    return render(request, "curriculum/piece_demands.html", context, status=422 if form.errors else 200)
