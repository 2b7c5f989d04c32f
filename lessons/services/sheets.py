"""Writes about the week's sheet: proposing it, setting it, changing it, deciding it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any
from uuid import UUID, uuid4

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, Max
from django.utils import timezone

from curriculum import services as curriculum
from curriculum.graph.standing import Standing
from curriculum.models import Learner, Piece, Skill, Unit
from curriculum.queries import LearnerGraph, PieceState, UnitState, learner_graph, pieces_of
from curriculum.rubric import in_judging_order, rubric
from lessons.models import LETTERS, Assignment, Correction, Lesson
from lessons.planning.checks import CheckReason, SkillToCheck, choose_checks
from lessons.planning.dimensions import SkillHint, suggest_dimensions
from lessons.planning.week import Candidate, compose_week
from lessons.queries import lesson_before, open_corrections

MOST_DIMENSIONS = 3
# Added to places while lines change theirs, so that no two share one on the way. More than any sheet has lines.
ASIDE = 10_000
# Minutes a day of a check of one skill: finding the page and one cold line. Each further skill takes one more.
CHECK_MINUTES = 3
# Units looked ahead for skills that would hold them: about a month, the life of a claim, at a unit a week.
UNITS_AHEAD = 4
PROVED = {Standing.TICKED, Standing.DUE}
CHECK_WORDS = {
    CheckReason.HOLDS_NEXT_UNIT: "A unit that comes soon waits for this.",
    CheckReason.CLAIM_LAPSES: "Claimed, and to be proved.",
    CheckReason.DUE: "Due a check.",
    CheckReason.NOT_TICKED_YET: "Its unit is done, and it is not ticked yet.",
    CheckReason.CLAIM_LAPSED: "Its unit is done, and nothing shows it yet.",
}


@dataclass(slots=True)
class Line:
    """A line of a sheet before it is set."""

    kind: str
    title: str
    why: str
    # Its own name among the lines of one proposal, the same whenever it is proposed again.
    key: str = ""
    minutes: int = 5
    unit: Unit | None = None
    piece: Piece | None = None
    correction: Correction | None = None
    skills: list[Skill] = field(default_factory=list)
    dimensions: list[str] = field(default_factory=list)
    bars: str = ""
    hands: str = ""
    bpm: int | None = None


def propose_lines(learner: Learner, *, today: date, graph: LearnerGraph | None = None) -> list[Line]:
    """Return the lines that the coming sheet should hold, within the learner's minutes; [] where nothing is known yet."""
    found = graph or learner_graph(learner, today=today)
    lines = _all_lines(learner, found)
    played_on = _older_played_on(learner)
    candidates = [
        Candidate(
            key=key,
            kind=line.kind,
            title=line.title,
            minutes_wanted=line.minutes,
            why=line.why,
            # Of older pieces the one not played for longest is next, wherever it stands in the list.
            order=0 if line.kind == Assignment.Kind.OLDER else order,
            is_in_work=_is_in_work(line, found),
            last_played_on=played_on.get(line.piece.pk) if line.piece else None,
        )
        for order, (key, line) in enumerate(lines.items())
    ]
    planned = compose_week(
        candidates,
        minutes_per_day=learner.minutes_per_day,
        days=len(learner.practice_days),
        has_moved_on=_has_moved_on(learner),
    )
    chosen = []
    for item in planned:
        line = lines[item.key]
        line.key, line.minutes = item.key, item.minutes
        line.dimensions = line.dimensions or suggested_dimensions(line.skills, kind=line.kind)
        chosen.append(line)
    return chosen


def _all_lines(learner: Learner, graph: LearnerGraph) -> dict[str, Line]:
    lines: dict[str, Line] = {}
    for correction in open_corrections(learner).prefetch_related("assignment__skills"):
        before = correction.assignment
        lines[f"correction:{correction.pk}"] = Line(
            kind=Assignment.Kind.CORRECTION,
            title=before.title,
            why=f"To change since last time: {correction.text}",
            minutes=6,
            unit=before.unit,
            piece=before.piece,
            correction=correction,
            skills=list(before.skills.all()),
            dimensions=[correction.dimension],
            bars=correction.bars or before.bars,
            hands=before.hands,
            bpm=before.bpm,
        )
    for check in _check_lines(graph):
        lines[f"check:{check.skills[0].pk}"] = check
    for unit in graph.units.values():
        line = _unit_line(unit, graph)
        if line is not None:
            lines[f"unit:{unit.pk}"] = line
    for piece in pieces_of(learner):
        line = _piece_line(piece, graph)
        if line is not None:
            lines[f"{line.kind}:{piece.pk}"] = line
    return lines


def _check_lines(graph: LearnerGraph) -> list[Line]:
    """Return the lines that show skills again, the most pressing first."""
    lines = []
    for check in choose_checks(_skills_to_check(graph)):
        unit = graph.units[check.unit] if check.unit else None
        skills = [graph.skills[slug] for slug in check.skills]
        first = graph.report(skills[0].slug).sentence
        play = f" Play a line of {unit.title}, cold." if unit else " Play anything that shows it, cold."
        lines.append(
            Line(
                kind=Assignment.Kind.CHECK,
                title=", ".join(skill.name for skill in skills),
                why=f"{CHECK_WORDS[check.reason]} {first}{play}",
                minutes=CHECK_MINUTES + len(skills) - 1,
                unit=unit,
                skills=skills,
            )
        )
    return lines


def _skills_to_check(graph: LearnerGraph) -> list[SkillToCheck]:
    coming = _coming_units(graph)
    holding = {slug for unit in coming for slug in graph.unit_gate(unit).waiting_skills}
    wanted_soon = [graph.unit_needs(unit) for unit in coming]
    safe = graph.below(slug for slug, report in graph.reports.items() if report.standing in PROVED)
    found = []
    for skill in graph.skills.values():
        if skill.is_hidden or skill.not_for_me or skill.is_watched:
            continue
        taught = graph.taught_by(skill.slug)
        if any(graph.unit_state(unit) is UnitState.IN_WORK for unit in taught):
            continue
        shown_in = [unit for unit in taught if graph.is_done(unit)]
        report = graph.report(skill.slug)
        reason = _check_reason(
            report.standing,
            is_taught=bool(shown_in),
            is_holding=skill.slug in holding and bool(shown_in or not taught),
            is_safe=skill.slug in safe,
        )
        if reason is not None:
            soon = next((place for place, needs in enumerate(wanted_soon) if skill.slug in needs), len(wanted_soon))
            found.append(
                SkillToCheck(
                    id=skill.slug,
                    units=tuple(str(unit.pk) for unit in reversed(shown_in)),
                    reason=reason,
                    since=report.lapses_on or report.due_on or report.since or graph.today,
                    # What the coming units need, then the hardest: what is shown proves all that lies below it.
                    rank=soon * 100 - skill.stage,
                )
            )
    return found


def _coming_units(graph: LearnerGraph) -> list[Unit]:
    """Return the next few units of each book that are not done, the nearest first."""
    coming: dict[UUID, list[Unit]] = {}
    for unit in graph.units.values():
        if not graph.is_done(unit):
            coming.setdefault(unit.book_id, []).append(unit)
    return [unit for units in coming.values() for unit in units[:UNITS_AHEAD]]


def _check_reason(standing: Standing, *, is_taught: bool, is_holding: bool, is_safe: bool) -> CheckReason | None:
    """Return why a skill is shown again; None where it need not be. What lies below a ticked skill counts as shown."""
    if is_holding:
        return CheckReason.HOLDS_NEXT_UNIT
    if standing is Standing.CLAIMED:
        return None if is_safe else CheckReason.CLAIM_LAPSES
    if standing is Standing.DUE:
        return CheckReason.DUE
    if standing is Standing.IN_WORK:
        return CheckReason.NOT_TICKED_YET
    if standing is Standing.UNTRIED and is_taught and not is_safe:
        return CheckReason.CLAIM_LAPSED
    return None


def _unit_line(unit: Unit, graph: LearnerGraph) -> Line | None:
    state = graph.unit_state(unit)
    if state not in {UnitState.IN_WORK, UnitState.OPEN}:
        return None
    if state is UnitState.IN_WORK:
        why = "In work since last time; it goes on until you decide to move on."
    elif unit.opened_anyway_on:
        why = f"Opened anyway: {unit.opened_anyway_reason}"
    else:
        why = f"The next open unit of {unit.book.title}."
    return Line(
        kind=Assignment.Kind.UNIT, title=unit.title, why=why, minutes=10, unit=unit, skills=skills_of_unit(unit, graph)
    )


def _piece_line(piece: Piece, graph: LearnerGraph) -> Line | None:
    state = graph.piece_state(piece)
    skills = [skill for skill in piece.needs.all() if not skill.is_watched and not skill.not_for_me]
    if state is PieceState.IN_WORK:
        return Line(
            kind=Assignment.Kind.PIECE,
            title=piece.title,
            why="A piece in work; what is begun is not closed again.",
            minutes=8,
            piece=piece,
            skills=skills,
        )
    if state is PieceState.LEARNT:
        return Line(
            kind=Assignment.Kind.OLDER,
            title=piece.title,
            why="One older piece stays in the fingers. Not judged this week.",
            minutes=3,
            piece=piece,
        )
    return None


def _is_in_work(line: Line, graph: LearnerGraph) -> bool:
    if line.kind == Assignment.Kind.UNIT and line.unit is not None:
        return graph.unit_state(line.unit) is UnitState.IN_WORK
    return line.kind == Assignment.Kind.PIECE


def _older_played_on(learner: Learner) -> dict[UUID, date]:
    """Return when each learnt piece was last set, else when it was learnt."""
    rows = Piece.objects.filter(learner=learner).exclude(learnt_on=None)
    dated = rows.annotate(last=Max("assignments__lesson__starts_on")).values_list("pk", "last", "learnt_on")
    return {pk: played_on for pk, last, learnt_on in dated if (played_on := last or learnt_on)}


def _has_moved_on(learner: Learner) -> bool:
    """True where every unit of the newest lesson that was decided moved on."""
    lesson = Lesson.objects.filter(learner=learner).exclude(decided_at=None).order_by("-starts_on").first()
    if lesson is None:
        return False
    verdicts = set(lesson.assignments.filter(kind=Assignment.Kind.UNIT).values_list("verdict", flat=True))
    return verdicts == {Assignment.Verdict.MOVE_ON}


def skills_of_unit(unit: Unit, graph: LearnerGraph) -> list[Skill]:
    """Return what an assignment of a unit exercises: what it teaches, without what is not for this learner."""
    taught = (graph.skills[slug] for slug in graph.teaches[str(unit.pk)])
    return sorted((skill for skill in taught if not skill.not_for_me), key=lambda skill: (skill.stage, skill.name))


def line_of_unit(unit: Unit, graph: LearnerGraph, *, why: str) -> Line:
    """Return a line for a unit that the learner chose; what it exercises and is judged by are suggested."""
    skills = skills_of_unit(unit, graph)
    return _chosen(Line(kind=Assignment.Kind.UNIT, title=unit.title, why=why, unit=unit, skills=skills))


def line_of_piece(piece: Piece, graph: LearnerGraph, *, why: str) -> Line:
    """Return a line for a piece that the learner chose; a learnt one is an older piece and is not judged."""
    if graph.piece_state(piece) is PieceState.LEARNT:
        return Line(kind=Assignment.Kind.OLDER, title=piece.title, why=why, piece=piece)
    skills = [skill for skill in piece.needs.all() if not skill.is_watched and not skill.not_for_me]
    return _chosen(Line(kind=Assignment.Kind.PIECE, title=piece.title, why=why, piece=piece, skills=skills))


def line_of_skill(skill: Skill, graph: LearnerGraph, *, why: str) -> Line:
    """Return a line that shows one skill, in the last unit that teaches it."""
    shown_in = graph.taught_by(skill.slug)
    line = Line(kind=Assignment.Kind.CHECK, title=skill.name, why=why, skills=[skill])
    line.unit = shown_in[-1] if shown_in else None
    return _chosen(line)


def _chosen(line: Line) -> Line:
    line.dimensions = suggested_dimensions(line.skills, kind=line.kind)
    return line


def suggested_dimensions(skills: Iterable[Skill], *, kind: str) -> list[str]:
    """Return one to three rubric dimensions for what an assignment exercises; none for an older piece."""
    if kind == Assignment.Kind.OLDER:
        return []
    hints = [
        SkillHint(id=skill.slug, group=skill.group, evidence_channels=tuple(skill.evidence_channels))
        for skill in skills
    ]
    return in_judging_order(list(suggest_dimensions(hints, kind=kind)))


@transaction.atomic
def set_sheet(learner: Learner, *, starts_on: date, lines: Sequence[Line], today: date) -> Lesson:
    """Set the sheet of a week. Setting it twice changes nothing: the first sheet stays and is returned."""
    lesson, is_new = Lesson.objects.get_or_create(
        learner=learner,
        starts_on=starts_on,
        defaults={
            "minutes_per_day": learner.minutes_per_day,
            "practice_days": learner.practice_days,
            "film_day": learner.film_day,
        },
    )
    if is_new:
        for line in lines:
            add_line(lesson, line, today=today)
    return lesson


@transaction.atomic
def add_line(lesson: Lesson, line: Line, *, today: date, pk: UUID | None = None) -> Assignment:
    """Add a line at the end of a sheet. Its unit or piece is in work from now on.

    The same form sent twice (the same `pk`) gives the line that is there already.
    """
    if pk is not None:
        already = Assignment.objects.filter(pk=pk).first()
        if already is not None and already.lesson_id == lesson.pk:
            return already
        if already is not None:  # a name that is taken elsewhere says nothing here
            pk = None
    _refuse_decided(lesson)
    last = lesson.assignments.aggregate(last=Max("position"))["last"] or 0
    if last >= len(LETTERS):
        raise ValidationError(f"A sheet has at most {len(LETTERS)} lines, one for each letter. Remove one first.")
    row = Assignment(
        pk=pk or uuid4(),
        lesson=lesson,
        position=last + 1,
        kind=line.kind,
        title=line.title,
        unit=line.unit,
        piece=line.piece,
        bars=line.bars,
        hands=line.hands,
        bpm=line.bpm,
        minutes=line.minutes,
        why=line.why[:300],
        dimensions=checked_dimensions(line.dimensions, kind=line.kind),
    )
    row.full_clean()
    row.save()
    row.skills.set(line.skills)
    if line.kind == Assignment.Kind.UNIT and line.unit is not None:
        curriculum.begin_unit(line.unit, today=today)
    if line.kind == Assignment.Kind.PIECE and line.piece is not None:
        curriculum.begin_piece(line.piece, today=today)
    if line.correction is not None:
        line.correction.carried_to = row
        line.correction.save(update_fields=["carried_to"])
    return row


def checked_dimensions(ids: Sequence[str], *, kind: str) -> list[str]:
    """Return `ids` in judging order.

    Raises
    ------
    ValidationError
        If one is unknown, or there are none or more than three (an older piece may have none).
    """
    unknown = set(ids) - set(rubric().dimensions)
    if unknown:
        raise ValidationError({"dimensions": f"There is no dimension called “{min(unknown)}”."})
    ordered = in_judging_order(list(ids))
    if len(ordered) > MOST_DIMENSIONS:
        raise ValidationError({"dimensions": "Choose at most three things to judge; more cannot be judged well."})
    if not ordered and kind != Assignment.Kind.OLDER:
        raise ValidationError({"dimensions": "Choose at least one thing to judge, before you play."})
    return ordered


@transaction.atomic
def change_line(row: Assignment, *, skills: Iterable[Skill] | None = None, **fields: Any) -> None:
    """Change a line of the sheet."""
    _refuse_decided(row.lesson)
    for name, value in fields.items():
        setattr(row, name, value)
    row.dimensions = checked_dimensions(row.dimensions, kind=row.kind)
    row.full_clean()
    row.save()
    if skills is not None:
        row.skills.set(list(skills))


@transaction.atomic
def move_line(row: Assignment, *, to_position: int) -> None:
    """Move a line to another place of its sheet; letters follow the places."""
    _refuse_decided(row.lesson)
    order = list(row.lesson.assignments.order_by("position"))
    order.remove(row)
    order.insert(max(0, min(to_position - 1, len(order))), row)
    _renumber(row.lesson, order)


@transaction.atomic
def remove_line(row: Assignment) -> None:
    """Take a line off the sheet. A line that was practised or filmed stays: what was done is not thrown away."""
    _refuse_decided(row.lesson)
    if row.verdict or row.tries.exists() or row.takes.exists() or row.clips.exists():
        raise ValidationError("This line was practised or filmed already. It stays; leave it out next week instead.")
    lesson, unit = row.lesson, row.unit
    began_here = row.kind == Assignment.Kind.UNIT and unit is not None and not unit.done_on
    row.delete()
    if began_here and unit is not None and not unit.assignments.exists():
        unit.begun_on = None
        unit.save(update_fields=["begun_on"])
    _renumber(lesson, list(lesson.assignments.order_by("position")))


def _refuse_decided(lesson: Lesson) -> None:
    if lesson.decided_at is not None:
        raise ValidationError(
            "This lesson is decided, so its sheet stays as it was. Change the next one.", code="decided"
        )


def _renumber(lesson: Lesson, order: Sequence[Assignment]) -> None:
    lesson.assignments.update(position=F("position") + ASIDE)
    for number, row in enumerate(order, start=1):
        row.position = number
    Assignment.objects.bulk_update(order, ["position"])


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
