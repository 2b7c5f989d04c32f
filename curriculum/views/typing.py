"""Typed notes: two boxes, checked bar by bar and shown in notes while somebody types, and kept as a score."""

import hashlib
import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any
from uuid import UUID

from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.cache import patch_vary_headers
from django.views.decorators.http import require_http_methods

from curriculum import services
from curriculum.forms_scores import TypingForm, check_typed
from curriculum.models import Piece, Score, Unit
from curriculum.queries import LearnerRequest, get_score
from curriculum.score import (
    CheckedBar,
    CheckedBoxes,
    ComparedBar,
    RefusalCode,
    ScoreError,
    TypedScoreError,
    WrittenScore,
)
from curriculum.score.engraving.drawing import Engraving, engrave, stretches
from curriculum.score.engraving.errors import EngravingError
from curriculum.score.engraving.layout import NARROW, Layout
from curriculum.score.musicxml import write_musicxml
from curriculum.views.presenting import add_errors, asked_owner, owner_url

# Note-heads drawn while somebody types: what stands around the place, drawn in half a second.
MOST_NOTES_SHOWN = 300
# Bars of a text that is drawn at all while somebody types. The engraver reads all of them each time.
MOST_BARS_DRAWN = 400
# Bars that are told one by one; of a longer text only those with a fault, and of these no more than so many.
MOST_BARS_SHOWN, MOST_FAULTS_SHOWN = 120, 40
USUAL = {"key": "C", "metre": "4/4", "unit": "1/4", "bpm": None}


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """Something to type, and what it means. `name` consists of letters."""

    name: str
    title: str
    text: str
    right: str = ""
    left: str = ""


EXAMPLES = (
    Example(
        name="octaves",
        title="Letters and octaves",
        text="C is middle C; small letters are the octave above. A comma goes an octave down, an apostrophe an octave up.",
        right="C D E F | G A B c | d4 |",
        left="C, D, E, F, | G,, A,, B,, C, | D,4 |",
    ),
    Example(
        name="lengths",
        title="Longer and shorter",
        text="A number makes a note so many times as long, a stroke halves it. With “a letter alone is an eighth”, C is an eighth and C2 a quarter. A > between two notes dots the first.",
        right="C2 D2 | E4 | F3 E | D/E/ F/G/ A2 | G>F E2 |",
    ),
    Example(
        name="rests",
        title="Rests",
        text="z is a rest, with a length as a note has. Z alone in a bar is a rest of the whole bar.",
        right="C z E2 | Z | z2 G2 |",
    ),
    Example(
        name="signs",
        title="Sharps, flats, naturals",
        text="^ is a sharp, _ a flat, = a natural. They hold to the end of the bar. Those of the key need no sign.",
        right="C ^C D _E | =E F ^F G |",
    ),
    Example(
        name="chords",
        title="Chords",
        text="Keys struck together stand in square brackets, with one length behind them.",
        right="[CE]2 [DF]2 | [CEG]4 |",
    ),
    Example(
        name="curves",
        title="Ties and slurs",
        text="A hyphen ties two notes of the same key. Round brackets are a slur.",
        right="C4- | C2 (EG) | (c B A G) |",
    ),
    Example(
        name="repeats",
        title="Repeats and endings",
        text="|: and :| stand around what is repeated; [1 and [2 are first and second endings; |] is the end.",
        right="|: C D E G | [1 F2 D2 :| [2 E4 |]",
    ),
    Example(
        name="groups",
        title="Three in the time of two",
        text="(3 before three notes fits them into the time of two.",
        right="(3CDE F2 | (3G/A/G/ F E2 |",
    ),
    Example(
        name="fingers",
        title="Fingers and expression",
        text="They stand before their note: !1! to !5! are fingers, !p! to !f! how loud, a full stop is staccato. !<(! and !<)! are the ends of a hairpin, with > for growing softer.",
        right="!p!!1!C .D .E F | !<(!G A !<)!B !f!c |",
    ),
    Example(
        name="changes",
        title="Another key or time signature",
        text="It stands in square brackets at the beginning of a bar, in both hands.",
        right="C D E F | [M:3/4] G A G | [K:G] F3 |",
        left="C,4 | [M:3/4] C,3 | [K:G] D,3 |",
    ),
)


@require_http_methods(["GET", "HEAD", "POST"])
def score_type(request: LearnerRequest) -> HttpResponse:
    """A new score, typed, for a piece, a unit, or on its own. Asked by a script while somebody types, it only checks."""
    piece, unit = asked_owner(request)
    if request.method != "POST":
        if (name := request.GET.get("show")) is not None:
            return _example(request, name)
        there = Score.objects.filter(piece=piece).first() if piece is not None else None
        if there is not None:
            return redirect(
                "curriculum:score-retype" if there.source == Score.Source.TYPED else "curriculum:score", there.pk
            )
    return _typing(request, piece=piece, unit=unit)


@require_http_methods(["GET", "HEAD", "POST"])
def score_retype(request: LearnerRequest, pk: UUID) -> HttpResponse:
    """Other notes for a score that was typed."""
    found = get_score(request.user, pk)
    if found.source != Score.Source.TYPED:
        raise Http404
    return _typing(request, score=found, piece=found.piece, unit=found.unit)


def _typing(
    request: LearnerRequest, *, score: Score | None = None, piece: Piece | None = None, unit: Unit | None = None
) -> HttpResponse:
    checked: CheckedBoxes | None = None
    is_sent = request.method == "POST"
    if is_sent:
        form = TypingForm(request.POST)
        if form.is_valid():
            checked = form.check_boxes()
    else:
        initial = _initial(score, piece=piece)
        form = TypingForm(initial=initial)
        checked = check_typed(initial["right_text"], initial["left_text"], kept=initial)
    if is_sent and not request.htmx and checked is not None and checked.written is not None and "keep" in request.POST:
        made = _keep(request, form, written=checked.written, score=score, piece=piece, unit=unit)
        if made is not None:
            return redirect("curriculum:score", made.pk)
    context = {
        "form": form,
        "score": score,
        "piece": piece,
        "unit": unit,
        "action": request.get_full_path(),
        "back": owner_url(score=score, piece=piece, unit=unit),
        "is_sent": is_sent,
        "examples": EXAMPLES,
        "draft": f"keyslip-typing-{request.user.pk}-{request.get_full_path()}",
        "kept_tokens": " ".join(_kept_tokens(request)) if not request.htmx else "",
        "is_empty": _is_empty(form),
        **_report(form, checked, wants_notes=is_sent and not request.htmx),
        **_shown(
            checked, at=str(form["at"].value() or ""), known=request.POST.get("shown", "") if request.htmx else ""
        ),
    }
    if request.htmx:
        response = render(request, "curriculum/_score_typed.html", context | {"is_part": True})
    else:
        is_wrong = is_sent and (bool(form.errors) or checked is None or checked.written is None)
        response = render(request, "curriculum/score_type.html", context, status=422 if is_wrong else 200)
    patch_vary_headers(response, ["HX-Request"])
    return response


def _initial(score: Score | None, *, piece: Piece | None) -> dict[str, Any]:
    token = str(uuid.uuid4())
    if score is None:
        return {
            **USUAL,
            "title": piece.title if piece is not None else "",
            "right_text": "",
            "left_text": "",
            "token": token,
        }
    kept = score.answers.get("typed", {})
    return {
        **USUAL,
        **kept,
        "bpm": kept.get("bpm") or score.answers.get("bpm"),
        "title": score.title,
        "right_text": score.right_text,
        "left_text": score.left_text,
        "token": token,
    }


def _kept_tokens(request: LearnerRequest) -> Iterator[str]:
    """Name the newest typings that were kept, so that a browser can let go of its drafts of them."""
    newest = Score.objects.filter(learner=request.user, source=Score.Source.TYPED).order_by("-changed_at")
    for answers in newest.values_list("answers", flat=True)[:20]:
        if token := answers.get("typed", {}).get("token"):
            yield str(token)


def _keep(
    request: LearnerRequest,
    form: TypingForm,
    *,
    written: WrittenScore,
    score: Score | None,
    piece: Piece | None,
    unit: Unit | None,
) -> Score | None:
    """Keep what was typed, or say in the form why not."""
    data = form.cleaned_data
    answers = {"typed": form.chosen}
    texts = {"right_text": data["right_text"], "left_text": data["left_text"], "answers": answers}
    if score is None and data["token"]:  # sent twice, or sent again by way of the back button
        score = Score.objects.filter(learner=request.user, answers__typed__token=data["token"]).first()
    try:
        if score is None:
            if piece is not None and Score.objects.filter(piece=piece).exists():
                form.add_error(
                    None, "This piece has a score by now, so these notes were not kept. They are still here."
                )
                return None
            return services.add_score(
                request.user,
                written=written,
                source=Score.Source.TYPED,
                title=data["title"],
                piece=piece,
                unit=unit,
                **texts,
            )
        title = data["title"] or written.title or score.title
        services.rewrite_score(score, written=written, title=title[:200], **texts)
        return score
    except ScoreError as error:
        form.add_error(None, str(error))
    except ValidationError as error:
        add_errors(form, error)
    return None


# What is said of the boxes --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something that is wrong: a sentence, and the place in words and as the script finds it."""

    text: str
    hand: str = ""
    line: int = 0
    column: int = 0

    @property
    def where(self) -> str:
        place = f"line {self.line}, column {self.column}" if self.line else ""
        return ", ".join(part for part in (f"{self.hand} hand" if self.hand else "", place) if part).capitalize()


@dataclass(frozen=True, slots=True, kw_only=True)
class BarRow:
    """One bar in words; `faults` say where it is wrong."""

    number: str
    words: str
    is_wrong: bool
    faults: tuple[Fault, ...]


def _report(form: TypingForm, checked: CheckedBoxes | None, *, wants_notes: bool) -> dict[str, Any]:
    if checked is None:
        said = [
            f"{form[name].label}: {' '.join(str(error) for error in errors)}"
            for name, errors in form.errors.items()
            if name != "__all__"
        ]
        return {"faults": [Fault(text=text) for text in said], "bars": [], "summary": "", "doubts": []}
    is_empty = _is_empty(form)
    wrong = [bar for bar in checked.bars if not bar.is_right]
    is_long = len(checked.bars) > MOST_BARS_SHOWN
    shown = wrong[:MOST_FAULTS_SHOWN] if is_long else checked.bars
    faults = [] if is_empty and not wants_notes else _faults(checked)
    doubts = [doubt.text for doubt in checked.written.warnings if not doubt.is_question] if checked.written else []
    return {
        "faults": faults,
        "bars": [_bar_row(bar) for bar in shown],
        "summary": _summary(checked, count_wrong=len(wrong)),
        "doubts": doubts,
    }


def _is_empty(form: TypingForm) -> bool:
    return not any((form[name].value() or "").strip() for name in ("right_text", "left_text"))


def _faults(checked: CheckedBoxes) -> list[Fault]:
    """Return what could not be understood in each hand; where all was, what keeps the hands from going together."""
    errors: list[ScoreError] = [error for error in (checked.right.error, checked.left.error) if error is not None]
    if not errors and checked.error is not None and checked.error.code != RefusalCode.BAR_LENGTH:
        errors = [checked.error]  # a bar that is not full says so itself
    return [
        Fault(
            text=str(error),
            hand=error.hand if isinstance(error, TypedScoreError) else "",
            line=error.line or 0,
            column=error.column or 0,
        )
        for error in errors
    ]


def _summary(checked: CheckedBoxes, *, count_wrong: int) -> str:
    count = len(checked.bars)
    if not count:
        return ""
    hands = (
        "both hands"
        if checked.right.bars and checked.left.bars
        else f"the {'right' if checked.right.bars else 'left'} hand"
    )
    bars = "1 bar" if count == 1 else f"{count} bars"
    if count_wrong:
        return f"{bars} in {hands}; {count_wrong} of them {'is' if count_wrong == 1 else 'are'} not right yet."
    return f"{bars} in {hands}, and {'it is' if count == 1 else 'all are'} full."


def _bar_row(bar: ComparedBar) -> BarRow:
    both = [(name, checked) for name, checked in (("right", bar.right), ("left", bar.left)) if checked is not None]
    said = {checked.words for _, checked in both}
    words = said.pop() if len(said) == 1 else ", ".join(f"{name} {checked.words}" for name, checked in both)
    if bar.problem:
        words = f"{words}; {bar.problem}"
    faults = tuple(_bar_fault(name, one) for name, one in both if one.problem)
    return BarRow(number=bar.number, words=words, is_wrong=not bar.is_right, faults=faults)


def _bar_fault(hand: str, bar: CheckedBar) -> Fault:
    return Fault(text=bar.words, hand=hand, line=bar.line, column=bar.column)


# What is shown in notes -----------------------------------------------------------------------------------------------


def _shown(checked: CheckedBoxes | None, *, at: str, known: str) -> dict[str, Any]:
    """Return the picture around the place where was typed, unless the page shows it already."""
    written = checked.sketch if checked is not None else None
    if checked is None or written is None:
        return {"picture": None, "problem": "", "sum": ""}
    if len(written.bars) > MOST_BARS_DRAWN:
        said = f"More than {MOST_BARS_DRAWN} bars are shown in notes once they are kept."
        return {"picture": None, "problem": said, "sum": ""}
    first, last = _stretch_at(stretches(written, most_notes=MOST_NOTES_SHOWN), bar=_bar_at(checked, at=at))
    found = hashlib.sha256(write_musicxml(written) + f" {first} {last} {checked.written is None}".encode()).hexdigest()[
        :16
    ]
    context = {
        "sum": found,
        "is_sketch": checked.written is None,
        "part": f"Bars {written.bars[first].number} to {written.bars[last].number}"
        if last - first + 1 < len(written.bars)
        else "",
    }
    if found == known:
        return {**context, "picture": None, "problem": ""}
    try:
        return {**context, "picture": engrave(written, bars=(first, last)), "problem": ""}
    except EngravingError as error:
        return {**context, "picture": None, "problem": str(error)}


def _bar_at(checked: CheckedBoxes, *, at: str) -> int:
    """Return the index of the bar at a place such as `right 2 14`; the last one where no place is known."""
    last = len(checked.bars) - 1
    hand, _, place = at.partition(" ")
    line, _, column = place.partition(" ")
    if hand not in ("right", "left") or not (
        line.isascii() and line.isdigit() and column.isascii() and column.isdigit()
    ):
        return last
    bars = checked.right.bars if hand == "right" else checked.left.bars
    before = [index for index, bar in enumerate(bars) if (bar.line, bar.column) <= (int(line[:9]), int(column[:9]))]
    return before[-1] if before else 0


def _stretch_at(cuts: Sequence[tuple[int, int]], *, bar: int) -> tuple[int, int]:
    return next((cut for cut in cuts if cut[0] <= bar <= cut[1]), cuts[-1])


@cache
def picture_of(example: Example) -> Engraving:
    """Return an example in notes, drawn once in the life of the program."""
    checked = check_typed(example.right, example.left, kept=USUAL)
    if checked.written is None:
        raise EngravingError(f"The example {example.name!r} is no score.")
    # Shapes of several pictures in one page need names of their own.
    return engrave(checked.written, layouts=[Layout(name=example.name, width=NARROW.width, height=NARROW.height)])


def _example(request: LearnerRequest, name: str) -> HttpResponse:
    """An example of the help in notes; without a script, in two boxes of a page of its own."""
    example = next((example for example in EXAMPLES if example.name == name), None)
    if example is None:
        raise Http404
    pages: tuple[str, ...] = ()
    problem = ""
    if request.htmx:
        try:
            pages = picture_of(example).pages[example.name]
        except EngravingError as error:
            problem = str(error)
        response = render(request, "curriculum/_score_type_example.html", {"pages": pages, "problem": problem})
    else:
        response = _example_page(request, example)
    patch_vary_headers(response, ["HX-Request"])
    return response


def _example_page(request: LearnerRequest, example: Example) -> HttpResponse:
    initial = {
        **USUAL,
        "title": example.title,
        "right_text": example.right,
        "left_text": example.left,
        "token": str(uuid.uuid4()),
    }
    form = TypingForm(initial=initial)
    checked = check_typed(example.right, example.left, kept=initial)
    context = {
        "form": form,
        "action": reverse("curriculum:score-type"),
        "back": reverse("curriculum:score-list"),
        "examples": EXAMPLES,
        **_report(form, checked, wants_notes=False),
        **_shown(checked, at="", known=""),
    }
    return render(request, "curriculum/score_type.html", context)
