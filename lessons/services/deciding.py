"""Writes that decide a week: verdicts, corrections, and the one thing to work on."""

from dataclasses import dataclass
from datetime import date

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from curriculum import services as curriculum
from curriculum.graph.standing import Standing
from curriculum.models import Skill, Unit
from curriculum.queries import LearnerGraph, learner_graph
from curriculum.rubric import rubric
from lessons.models import Assignment, Correction, Lesson
from lessons.queries import lesson_before


@transaction.atomic
def decide_assignment(row: Assignment, *, verdict: str, today: date) -> Unit | None:
    """Decide: move on, another week or go back. Units and pieces move with it.

    Deciding again replaces the earlier decision. Where a later week has decided on the same unit or piece, only the record
    of this week changes.

    Returns the unit that *go back* proposes; None otherwise.

    Raises
    ------
    ValidationError
        If the verdict is unknown, or *go back* where nothing comes before.
    """
    earlier = row.verdict
    row.verdict, row.verdict_on = verdict, today
    row.full_clean(exclude=["lesson"])
    row.save(update_fields=["verdict", "verdict_on"])
    if verdict == Assignment.Verdict.MOVE_ON:
        Correction.objects.filter(carried_to=row, let_go_on=None).update(let_go_on=today)
    elif earlier == Assignment.Verdict.MOVE_ON:
        Correction.objects.filter(carried_to=row).update(let_go_on=None)
    if _is_decided_later(row):
        return None
    if row.kind == Assignment.Kind.UNIT and row.unit is not None:
        return _move_unit(row, row.unit, earlier=earlier, today=today)
    if row.kind == Assignment.Kind.PIECE and row.piece is not None:
        if verdict == Assignment.Verdict.MOVE_ON:
            curriculum.finish_piece(row.piece, today=today)
        elif earlier == Assignment.Verdict.MOVE_ON:
            curriculum.take_up_piece_again(row.piece)
    return None


def _is_decided_later(row: Assignment) -> bool:
    later = Assignment.objects.filter(
        kind=row.kind,
        lesson__learner_id=row.lesson.learner_id,
        lesson__starts_on__gt=row.lesson.starts_on,
    ).exclude(verdict="")
    if row.unit_id:
        return later.filter(unit=row.unit_id).exists()
    return row.piece_id is not None and later.filter(piece=row.piece_id).exists()


def _move_unit(row: Assignment, unit: Unit, *, earlier: str, today: date) -> Unit | None:
    if row.verdict == Assignment.Verdict.GO_BACK:
        way = way_back(unit, today=today)
        if way is None:
            raise ValidationError({"verdict": "Nothing in your books comes before this. Choose another week."})
        if earlier == Assignment.Verdict.GO_BACK and unit.waits_for_id:
            return unit.waits_for
        curriculum.send_back(unit, proposed=way.unit, today=today)
        return way.unit
    if earlier == Assignment.Verdict.GO_BACK and unit.waits_for is not None:
        _call_off(unit.waits_for, since=row.lesson)
    if row.verdict == Assignment.Verdict.MOVE_ON:
        curriculum.finish_unit(unit, today=today)
    elif earlier:
        curriculum.reopen_unit(unit)
        curriculum.begin_unit(unit, today=today)
    return None


def _call_off(proposed: Unit, *, since: Lesson) -> None:
    """Put the unit that *go back* had proposed where it stood before, unless it is on a sheet again by now."""
    rows = proposed.assignments.filter(kind=Assignment.Kind.UNIT)
    if rows.filter(lesson__starts_on__gte=since.starts_on).exists():
        return
    last = rows.exclude(verdict="").order_by("-lesson__starts_on").first()
    if last is not None and last.verdict == Assignment.Verdict.MOVE_ON:
        curriculum.put_back(proposed, done_on=last.verdict_on, done_by=Unit.DoneBy.VERDICT)
    elif curriculum.claims_of_here(proposed):
        curriculum.put_back(proposed, done_on=proposed.begun_on, done_by=Unit.DoneBy.HERE)
    else:
        curriculum.put_back(proposed, done_on=None)


@dataclass(frozen=True, slots=True)
class WayBack:
    """Where *go back* leads: the unit that comes first, and the skill it is for; no skill: it is simply the unit before."""

    unit: Unit
    skill: Skill | None = None


def way_back(unit: Unit, *, today: date) -> WayBack | None:
    """Return the unit that taught the weakest skill this one needs, else the unit before it; None where nothing comes before.

    Of units that teach the skill, the nearest before this one in its own book is proposed, else the first of another book.
    """
    graph = learner_graph(unit.book.learner, today=today)
    for skill in _weakest_first(unit, graph):
        taught = [other for other in graph.taught_by(skill.slug) if other.pk != unit.pk]
        before = [other for other in taught if other.book_id == unit.book_id and other.position < unit.position]
        elsewhere = [other for other in taught if other.book_id != unit.book_id]
        if before or elsewhere:
            return WayBack(unit=before[-1] if before else elsewhere[0], skill=skill)
    earlier = [other for other in graph.units_of(unit.book) if other.position < unit.position]
    return WayBack(unit=earlier[-1]) if earlier else None


def _weakest_first(unit: Unit, graph: LearnerGraph) -> list[Skill]:
    """Return the skills a unit needs, least shown first: not known, then the fewest passes."""
    needed = [graph.skills[slug] for slug in graph.unit_needs(unit)]
    order = {Standing.UNTRIED: 0, Standing.IN_WORK: 1, Standing.CLAIMED: 2, Standing.DUE: 3, Standing.TICKED: 4}
    return sorted(
        (skill for skill in needed if not skill.is_watched and not skill.not_for_me),
        key=lambda skill: (
            order[graph.report(skill.slug).standing],
            graph.report(skill.slug).passes_in_window,
            -skill.stage,
            skill.slug,
        ),
    )


def write_correction(row: Assignment, *, dimension: str, text: str, bars: str = "") -> Correction:
    """Write one thing to change; it is proposed first on the next sheet."""
    correction = Correction(assignment=row, dimension=dimension, text=text.strip(), bars=bars)
    correction.full_clean()
    correction.save()
    return correction


def delete_correction(correction: Correction) -> None:
    """Delete a correction that was written by mistake."""
    correction.delete()


def choose_work_on(lesson: Lesson, *, dimension: str, text: str = "") -> None:
    """Choose the one dimension to work on, for the whole lesson, and close the lesson."""
    if dimension not in rubric().dimensions:
        raise ValidationError({"work_on": "Choose one thing to work on."})
    lesson.work_on, lesson.work_on_text = dimension, text.strip()
    lesson.decided_at = timezone.now()
    lesson.full_clean(exclude=["learner"], validate_unique=False, validate_constraints=False)
    lesson.save(update_fields=["work_on", "work_on_text", "decided_at"])


def work_on_before(lesson: Lesson) -> tuple[str, str] | None:
    """Return (dimension id, words) of the one thing chosen at the lesson before; None where none was chosen."""
    before = lesson_before(lesson)
    return (before.work_on, before.work_on_text) if before and before.work_on else None
