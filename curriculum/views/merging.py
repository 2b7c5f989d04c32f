"""What the page of an import shows: where an outline may go, and each conflict with its choices in words."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from uuid import UUID

from curriculum import services
from curriculum.models import Book, Learner, Skill
from curriculum.outline import BookOutline, write_json
from curriculum.outline.merging import Choice, Conflict, ConflictKind, MergePlan
from curriculum.queries import get_book, say_list

# Conflicts that a page lets choose; each is a field of the form, of which Django reads a thousand.
MOST_CHOICES = 400
# Units and skills named in one line of a conflict.
MOST_IN_LINE = 6
FIELDS = {
    "title": "the title",
    "chapter": "the chapter",
    "page": "the page",
    "link": "the demonstration",
    "new_words": "the words about what is new",
    "teaches": "what is new",
    "needs": "what it needs",
    "after": "what it comes after",
    "name": "the name",
    "definition": "what it is",
    "see_or_hear": "how it is seen or heard",
    "family": "the family",
    "stage": "the stage",
    "gate": "what it does",
}
GATES = {"tick": "must be ticked", "watch": "is watched and holds nothing back"}
WORDS = {Choice.MINE: "Keep mine", Choice.THEIRS: "Take theirs", Choice.BOTH: "Take both"}


@dataclass(frozen=True, slots=True)
class ChoiceRow:
    """One choice of a conflict: its value in the form, its words, what it would write, and whether it is chosen."""

    value: str
    words: str
    told: str
    is_chosen: bool


@dataclass(frozen=True, slots=True)
class ConflictRow:
    """One conflict on the page."""

    key: str
    heading: str
    note: str
    choices: list[ChoiceRow]


@dataclass(frozen=True, slots=True)
class Offer:
    """An outline beside a book it may go into. `seen` stands for both as they are now."""

    into: Book | None
    books: list[Book]
    rows: list[ConflictRow]
    choices: dict[str, Choice]
    new: list[str]
    count_filled: int
    count_same: int
    count_only_mine: int
    seen: str
    is_too_much: bool


def target_of(learner: Learner, wanted: str) -> Book | None:
    """Return the book that an outline shall go into; None for a book of its own. Strangers' books are not found."""
    try:
        return get_book(learner, UUID(wanted)) if wanted else None
    except ValueError:
        return None


def choices_of(posted: Mapping[str, str]) -> dict[str, Choice]:
    """Return the choices of the form by conflict; all theirs where that was asked."""
    values = {choice.value for choice in Choice}
    return {
        name.removeprefix("choose-"): Choice(value)
        for name, value in posted.items()
        if name.startswith("choose-") and value in values
    } | ({"": Choice.THEIRS} if "theirs" in posted else {})


def offer_of(learner: Learner, outline: BookOutline, *, into: Book | None, choices: Mapping[str, Choice]) -> Offer:
    """Gather what the page shows of an outline and the book it may go into."""
    plan = services.plan_import(learner, outline, into=into)
    loops = services.loops_of_plan(learner, plan)
    names = dict(Skill.objects.filter(learner=learner).values_list("slug", "name"))
    names |= {skill.slug: skill.name for skill in outline.skills if skill.slug not in names}
    titles = {unit.position: unit.title for unit in outline.units}
    own = {unit.position: unit.title for unit in services.outline_of(into).units} if into else {}
    offered = [conflict for conflict in plan.conflicts if conflict.kind is not ConflictKind.UNKNOWN_SKILL]
    chosen: dict[str, Choice] = {}
    rows = []
    for conflict in offered[:MOST_CHOICES]:
        possible = conflict.choices[:1] if conflict.key in loops else conflict.choices
        wanted = Choice.THEIRS if "" in choices else choices.get(conflict.key, possible[0])
        choice = wanted if wanted in possible else possible[0]
        chosen[conflict.key] = choice
        note = f"Theirs would go round in a circle: {loops[conflict.key]}." if conflict.key in loops else ""
        rows.append(
            ConflictRow(
                key=conflict.key,
                heading=_heading(conflict, titles=titles, names=names),
                note=note,
                choices=[
                    ChoiceRow(
                        each.value, _words(conflict, each), _told(conflict, each, names, own, titles), each is choice
                    )
                    for each in possible
                ],
            )
        )
    return Offer(
        into=into,
        books=list(Book.objects.filter(learner=learner)),
        rows=rows,
        choices=chosen,
        new=[titles[position] for position in plan.new_units] if into else [],
        count_filled=len(plan.filled),
        count_same=plan.unchanged,
        count_only_mine=len(plan.only_mine),
        seen=_seen(outline, plan, into=into),
        is_too_much=len(offered) > MOST_CHOICES,
    )


def _seen(outline: BookOutline, plan: MergePlan, *, into: Book | None) -> str:
    parts = (write_json(replace(outline, title="-")), str(into.pk) if into else "", repr(plan))
    return hashlib.sha256("\n".join(parts).encode("utf-8", "surrogatepass")).hexdigest()


def _heading(conflict: Conflict, *, titles: Mapping[int, str], names: Mapping[str, str]) -> str:
    skill = names.get(conflict.skill, conflict.skill)
    unit = f"Unit {conflict.positions[0]}, {titles[conflict.positions[0]]}" if conflict.positions else ""
    match conflict.kind:
        case ConflictKind.ORDER:
            return "The order of the units"
        case ConflictKind.NEW_SKILL:
            return f"A skill you do not have: {skill}"
        case ConflictKind.SKILL_DIFFERS:
            return f"Your skill {skill}: {FIELDS[conflict.field]}"
        case ConflictKind.TAUGHT_ELSEWHERE:
            return f"{skill} is new in different units"
        case ConflictKind.CIRCLE:
            return f"{unit}: {FIELDS['after']} would go round in a circle"
    return f"{unit}: {FIELDS[conflict.field]}"


def _words(conflict: Conflict, choice: Choice) -> str:
    if conflict.kind is ConflictKind.NEW_SKILL:
        return "Add it to my skills" if choice is Choice.THEIRS else "Leave it out"
    if choice is Choice.BOTH and conflict.field == "title":
        return "They are two units"
    return WORDS[choice]


def _told(
    conflict: Conflict, choice: Choice, names: Mapping[str, str], own: Mapping[int, str], titles: Mapping[int, str]
) -> str:
    if choice is Choice.BOTH or conflict.kind is ConflictKind.NEW_SKILL:
        return ""
    value = conflict.mine if choice is Choice.MINE else conflict.theirs
    if conflict.field == "after":
        if value is None:
            return "the unit before it"
        side = own if choice is Choice.MINE else titles
        return say_list([side.get(int(each), "") for each in value], most=MOST_IN_LINE) if value else "nothing"
    if conflict.field in {"teaches", "needs"} and not isinstance(value, str):
        return say_list([names.get(str(slug), str(slug)) for slug in value or ()], most=MOST_IN_LINE) or "nothing"
    if conflict.field == "gate":
        return GATES.get(str(value), str(value))
    if isinstance(value, tuple):
        return say_list([str(each) for each in value], most=MOST_IN_LINE) or "nothing"
    return str(value or "nothing")
