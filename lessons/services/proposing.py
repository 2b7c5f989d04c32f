"""Proposing the week's sheet: which lines it should hold, why, and how many minutes each."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from uuid import UUID

from django.db.models import Max

from curriculum.graph.standing import Standing
from curriculum.models import Learner, Piece, Skill, Unit
from curriculum.queries import LearnerGraph, PieceState, UnitState, learner_graph, pieces_of
from curriculum.rubric import in_judging_order
from lessons.models import Assignment, Correction, Lesson
from lessons.planning.checks import CheckReason, SkillToCheck, choose_checks
from lessons.planning.dimensions import SkillHint, suggest_dimensions
from lessons.planning.week import Candidate, compose_week
from lessons.queries import open_corrections

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
