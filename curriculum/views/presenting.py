"""What the pages of this app show alike: skills by family, units with their state, what holds a piece, what a score is for."""

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from uuid import UUID

from django.core.exceptions import ValidationError
from django.forms.forms import BaseForm
from django.http import Http404
from django.urls import reverse

from curriculum.models import Piece, Score, Skill, Unit
from curriculum.queries import (
    FAMILIES,
    LearnerGraph,
    LearnerRequest,
    PieceState,
    UnitState,
    get_piece,
    get_unit,
    say_list,
)

# Standings in the order in which they are counted.
WORDS = ["ticked", "ticked by hand", "due a check", "claimed", "in work", "untried", "watched", "not for me"]


@dataclass(frozen=True, slots=True)
class SkillRow:
    """A skill with its standing: the word, and the sentence that explains it."""

    skill: Skill
    word: str
    sentence: str
    is_gap: bool

    @property
    def is_own_word(self) -> bool:
        return self.word in {"claimed", "ticked by hand"}


@dataclass(frozen=True, slots=True)
class Family:
    """Skills of one family."""

    name: str
    rows: list[SkillRow]

    @property
    def is_begun(self) -> bool:
        """True where something of it is under way, so that a page shows it without being asked."""
        return any(row.word in {"claimed", "in work", "due a check"} for row in self.rows)

    @property
    def counts(self) -> str:
        """What stands how, in the order of the rows: “4 ticked, 1 in work, 8 untried”."""
        counts = Counter(row.word for row in self.rows)
        order = {word: place for place, word in enumerate(WORDS)}
        return ", ".join(f"{counts[word]} {word}" for word in sorted(counts, key=lambda word: order.get(word, 99)))


@dataclass(frozen=True, slots=True)
class UnitRow:
    """A unit with its state and the sentence that explains it."""

    unit: Unit
    state: str
    sentence: str
    is_here: bool


@dataclass(frozen=True, slots=True)
class BlockerRow:
    """One skill in the way of a piece."""

    skill: Skill
    word: str
    why: str
    unit: Unit | None


@dataclass(frozen=True, slots=True)
class PieceRow:
    """A piece with its state and the sentence that explains it."""

    piece: Piece
    state: str
    sentence: str


@dataclass(frozen=True, slots=True)
class PieceWay:
    """Everything a page says about what a piece waits for."""

    piece: Piece
    state: str
    sentence: str
    blockers: list[BlockerRow]
    beyond: list[str]
    count_known: int
    flagged: list[Skill]
    next_row: BlockerRow | None
    has_many_books: bool
    gap_note: str


def skill_row(graph: LearnerGraph, slug: str) -> SkillRow:
    skill = graph.skills[slug]
    if skill.not_for_me:
        sentence = f"It holds nothing back. You wrote: “{skill.not_for_me_reason}”"
    elif skill.is_watched:
        sentence = "Watched; it holds nothing back."
    else:
        sentence = graph.report(slug).sentence
    return SkillRow(skill=skill, word=graph.standing_word(slug), sentence=sentence, is_gap=graph.is_gap(slug))


def families(graph: LearnerGraph, *, skills: Iterable[Skill]) -> list[Family]:
    """Sort skills into families, in the order of the skills page; families without any are left out."""
    by_group: dict[str, list[SkillRow]] = {}
    for skill in sorted(skills, key=lambda skill: (skill.stage, skill.name)):
        group = skill.group if skill.group in FAMILIES else "own"
        by_group.setdefault(group, []).append(skill_row(graph, skill.slug))
    return [Family(name=name, rows=by_group[group]) for group, name in FAMILIES.items() if group in by_group]


def shown_skills(graph: LearnerGraph, *, keep: Collection[str] = ()) -> list[Skill]:
    """Skills that are not hidden, and those to keep although they are."""
    return [skill for slug, skill in graph.skills.items() if not skill.is_hidden or slug in keep]


def unit_row(graph: LearnerGraph, unit: Unit, *, here: Unit | None) -> UnitRow:
    state = graph.unit_state(unit)
    return UnitRow(
        unit=unit,
        state=state.label,
        sentence=_unit_sentence(graph, unit, state),
        is_here=here is not None and here.pk == unit.pk,
    )


def _unit_sentence(graph: LearnerGraph, unit: Unit, state: UnitState) -> str:
    if state is UnitState.DONE:
        return _done_sentence(unit)
    if state is UnitState.TO_COME:
        return graph.why_not_open(unit)
    if unit.opened_anyway_on:
        return f"Opened anyway: “{unit.opened_anyway_reason}”"
    if state is UnitState.IN_WORK:
        return "It goes on until you decide to move on."
    granted = graph.taken_for_granted(unit)
    if granted:
        names = say_list([skill.name for skill in granted])
        return f"Nothing holds it. The book takes for granted: {names}."
    return "Nothing holds it."


def _done_sentence(unit: Unit) -> str:
    if unit.done_by == Unit.DoneBy.HERE:
        return "You said “I am here” further on."
    if unit.done_by == Unit.DoneBy.VERDICT:
        return "You decided to move on."
    return "All that is new in it is ticked."


def piece_way(graph: LearnerGraph, piece: Piece) -> PieceWay:
    """Gather what holds a piece, in the order in which it can be learnt. Prefetch `needs` for lists."""
    state = graph.piece_state(piece)
    gate = graph.piece_gate(piece)
    below = graph.below(skill.slug for skill in piece.needs.all())
    blockers = [
        BlockerRow(
            skill=graph.skills[blocker.skill],
            word="gap" if blocker.is_gap else graph.standing_word(blocker.skill),
            why=_why(graph, blocker.needed_by),
            unit=graph.units[blocker.unit] if blocker.unit else None,
        )
        for blocker in gate.blockers
    ]
    return PieceWay(
        piece=piece,
        state=state.label,
        sentence=piece_sentence(graph, piece),
        blockers=blockers,
        beyond=list(gate.beyond),
        count_known=len(below) - len(blockers),
        flagged=graph.failed_checks(piece),
        next_row=next((row for row in blockers if row.unit is not None), None),
        has_many_books=len({row.unit.book_id for row in blockers if row.unit is not None}) > 1,
        gap_note=_gap_note(graph, blockers),
    )


def _why(graph: LearnerGraph, chain: tuple[str, ...]) -> str:
    if not chain:
        return "The piece asks for it."
    names = graph.names(chain)
    return f"{names[0]} needs it."


def _gap_note(graph: LearnerGraph, blockers: list[BlockerRow]) -> str:
    count = sum(row.unit is None for row in blockers)
    if not count:
        return ""
    which = "One of these skills is" if count == 1 else f"{count} of these skills are"
    note = f"{which} taught by no book of yours. Add a book that has them, or write a unit of your own."
    return f"{note} {unnamed_note(graph)}".strip()


def unnamed_note(graph: LearnerGraph) -> str:
    """Say that a gap may be no gap, as long as units do not say what is new in them."""
    count = graph.count_unnamed
    if not count:
        return ""
    units = "1 unit of your books does" if count == 1 else f"{count} units of your books do"
    return f"{units} not say yet what is new, so some of it may be taught there."


def piece_row(graph: LearnerGraph, piece: Piece) -> PieceRow:
    return PieceRow(piece=piece, state=graph.piece_state(piece).label, sentence=piece_sentence(graph, piece))


def piece_sentence(graph: LearnerGraph, piece: Piece) -> str:
    state = graph.piece_state(piece)
    if state is PieceState.NOT_LOOKED_AT:
        return "Nobody has said yet what it needs."
    opened = f"Opened anyway: “{piece.opened_anyway_reason}”" if piece.opened_anyway_on else ""
    if opened and state is PieceState.OPEN:
        return opened
    if state is PieceState.HELD:
        return _held_sentence(graph, piece)
    if state is PieceState.OPEN:
        return "Everything it needs is ticked or claimed."
    flagged = graph.failed_checks(piece)
    if flagged:
        return f"What is begun is not closed again. A check of {say_list([skill.name for skill in flagged])} was not right."
    if state is PieceState.LEARNT:
        return "You have learnt it."
    return opened or "It stands on your sheet until you decide to move on."


def _held_sentence(graph: LearnerGraph, piece: Piece) -> str:
    gate = graph.piece_gate(piece)
    parts = []
    if gate.blockers:
        names = say_list([graph.skills[blocker.skill].name for blocker in gate.blockers], most=3)
        parts.append(f"Waits for {names}.")
    if gate.beyond:
        parts.append(f"Beyond what Keyslip can name: {say_list(gate.beyond, most=2)}.")
    return " ".join(parts)


def add_errors(form: BaseForm, error: ValidationError) -> None:
    """Put what a service refused into the form: beside the fields that the form has, else above it."""
    if not hasattr(error, "error_dict"):
        form.add_error(None, error)
        return
    for field, messages in error.error_dict.items():
        form.add_error(field if field in form.fields else None, messages)


# What a score is for --------------------------------------------------------------------------------------------------


def asked_owner(request: LearnerRequest) -> tuple[Piece | None, Unit | None]:
    """Return what a new score is for, by the address; at most one of the two."""
    try:
        if piece := request.GET.get("piece"):
            return get_piece(request.user, UUID(piece)), None
        if unit := request.GET.get("unit"):
            return None, get_unit(request.user, UUID(unit))
    except ValueError as error:
        raise Http404 from error
    return None, None


def owner_url(*, score: Score | None = None, piece: Piece | None = None, unit: Unit | None = None) -> str:
    """Return where a page about a score leads back to: the score itself, what it is for, or the list of all."""
    if score is not None:
        return reverse("curriculum:score", args=[score.pk])
    if piece is not None:
        return reverse("curriculum:piece", args=[piece.pk])
    return reverse("curriculum:unit", args=[unit.pk]) if unit is not None else reverse("curriculum:score-list")
