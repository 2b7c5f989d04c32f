"""Reads of the review: what is to be marked, what is marked, what is still to decide."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import Any, TypeVar
from uuid import UUID

from django.db.models import Prefetch, Q, QuerySet
from django.shortcuts import get_object_or_404

from curriculum.models import Learner, Skill
from curriculum.rubric import Dimension, rubric
from lessons.models import Assignment, CameraView, Clip, Correction, Lesson, ReferencePicture, Still, Take
from lessons.queries import current_lesson, latest_lesson, lessons_of, sheet_of
from reviews.models import Mark, MomentNote, SkillAnswer, TypedRhythm

PictureRow = TypeVar("PictureRow", Still, ReferencePicture)

FIRST_LOOK = 1
# From this level on a mark speaks for its skills: *mostly there*.
LEVEL_FOR_YES = 3
# Days back from today in which a filmed, unclosed lesson is still offered to be judged: last week's, filmed on its last
# day and judged the day after. More would keep an old lesson in front of this week's for ever.
JUDGED_WITHIN_DAYS = 14


def get_moment_note(learner: Learner, pk: UUID) -> MomentNote:
    """Return this learner's note or raise Http404."""
    rows = MomentNote.objects.select_related("take", "take__clip", "take__assignment", "take__assignment__lesson")
    return get_object_or_404(rows, take__clip__lesson__learner=learner, pk=pk)


@dataclass(frozen=True, slots=True)
class Look:
    """One dimension of one judged take: what the learner looks at or listens to, one at a time."""

    assignment: Assignment
    take: Take
    dimension: Dimension
    mark: Mark | None

    @property
    def is_done(self) -> bool:
        return self.mark is not None

    @property
    def can_be_told(self) -> bool:
        """Whether the clip carries what the dimension asks for: a picture for the eye, a sound track for the ear."""
        return has_picture(self.take.clip) if self.dimension.is_for_the_eye else has_sound(self.take.clip)

    @property
    def mark_name(self) -> str:
        """The mark in words; “” before it is written."""
        return level_name(self.mark.level) if self.mark else ""

    @property
    def mark_says(self) -> str:
        """The sentence of the level marked; “” without one."""
        return self.dimension.levels[self.mark.level - 1] if self.mark and self.mark.level else ""


def level_name(level: int | None) -> str:
    """Return the name of a level; None is *cannot tell*."""
    return rubric().level_names[level - 1] if level else "cannot tell"


def has_picture(clip: Clip) -> bool:
    """Return whether a clip can be looked at in the browser."""
    return clip.has_copy and clip.kind == Clip.Kind.VIDEO


def has_sound(clip: Clip) -> bool:
    """Return whether a clip can be heard in the browser. A film without a sound track cannot."""
    has_track = clip.kind == Clip.Kind.MIDI or not ("audio" in clip.facts and clip.facts["audio"] is None)
    return clip.has_copy and has_track


@dataclass(frozen=True, slots=True)
class AssignmentReview:
    """How far the review of one line of the sheet is. `take` is None where nothing was filmed for it."""

    assignment: Assignment
    take: Take | None
    looks: tuple[Look, ...]
    skills: tuple[Skill, ...]
    answers: dict[UUID, str]
    corrections: tuple[Correction, ...] = ()

    @property
    def next_look(self) -> Look | None:
        return next((look for look in self.looks if not look.is_done), None)

    @property
    def are_marks_done(self) -> bool:
        return self.next_look is None

    @property
    def asks_skills(self) -> bool:
        """Whether the skills' own lines are asked: what was not filmed, or not marked, is no evidence."""
        return self.take is not None and bool(self.looks) and bool(self.skills)

    @property
    def are_skills_done(self) -> bool:
        return not self.asks_skills or all(skill.pk in self.answers for skill in self.skills)

    @property
    def is_decided(self) -> bool:
        return bool(self.assignment.verdict)

    @property
    def asks_verdict(self) -> bool:
        """An older piece is played for its own sake and not decided on."""
        return self.assignment.kind != Assignment.Kind.OLDER

    @property
    def can_go_back(self) -> bool:
        """Only a unit has something before it to go back to."""
        return self.assignment.kind == Assignment.Kind.UNIT and self.assignment.unit_id is not None

    @property
    def is_yes_likely(self) -> bool:
        """“Yes” stands chosen beforehand only if every asked dimension is *mostly there* or better."""
        return bool(self.looks) and all(
            look.mark is not None and look.mark.level is not None and look.mark.level >= LEVEL_FOR_YES
            for look in self.looks
        )

    @property
    def skill_answers(self) -> list[tuple[Skill, str]]:
        """Return (skill, answer in words) for the skills answered."""
        names = dict(SkillAnswer.Answer.choices)
        return [(skill, str(names[self.answers[skill.pk]])) for skill in self.skills if skill.pk in self.answers]


class StepKind(StrEnum):
    """What there is to do next, in the order of one line; the last is done once, for the whole lesson."""

    LOOK = "look"
    SKILLS = "skills"
    VERDICT = "verdict"
    LAST = "last"


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. `line` is None for the last of a lesson; `look` stands only for looks."""

    kind: StepKind
    line: AssignmentReview | None = None
    look: Look | None = None


@dataclass(frozen=True, slots=True)
class LessonReview:
    """The review of a whole lesson, in the sheet's order."""

    lesson: Lesson
    lines: tuple[AssignmentReview, ...]

    @property
    def looks(self) -> list[Look]:
        """All looks, in the order in which they are taken."""
        return [look for line in self._in_order() for look in line.looks]

    @property
    def is_filmed(self) -> bool:
        """True where at least one line has a take that can be judged."""
        return any(line.take for line in self.lines)

    @property
    def is_closed(self) -> bool:
        return self.lesson.decided_at is not None

    @property
    def undecided(self) -> list[AssignmentReview]:
        return [line for line in self.lines if line.asks_verdict and not line.is_decided]

    @property
    def marked_dimensions(self) -> list[Dimension]:
        """The dimensions that were asked, picture before sound; without doubles."""
        asked = {look.dimension.id for look in self.looks}
        return [dimension for dimension in rubric().dimensions.values() if dimension.id in asked]

    def line_of(self, assignment: Assignment) -> AssignmentReview:
        return next(line for line in self.lines if line.assignment.pk == assignment.pk)

    def next_step(self, *, leaving: Assignment | None = None) -> Step | None:
        """Return the next thing to do; None once the lesson is closed and nothing is left open.

        Filmed lines come first, in the sheet's order, while picture and sound are fresh; then lines that are decided from
        memory. `leaving` is a line that the learner leaves open for now.
        """
        for step in self._steps():
            if leaving is None or step.line is None or step.line.assignment.pk != leaving.pk:
                return step
        return None

    def _in_order(self) -> list[AssignmentReview]:
        return sorted(self.lines, key=lambda line: line.take is None)

    def _steps(self) -> Iterator[Step]:
        for line in self._in_order():
            for look in line.looks:
                if not look.is_done:
                    yield Step(StepKind.LOOK, line, look)
            if not line.are_skills_done:
                yield Step(StepKind.SKILLS, line)
            if line.asks_verdict and not line.is_decided:
                yield Step(StepKind.VERDICT, line)
        if not self.is_closed:
            yield Step(StepKind.LAST)


def review_of(lesson: Lesson) -> LessonReview:
    """Return the review of a lesson: every line of its sheet, and how far each is."""
    return LessonReview(lesson=lesson, lines=tuple(lesson_review(lesson)))


def lesson_review(lesson: Lesson) -> list[AssignmentReview]:
    """Return the review of each line of the sheet, in the sheet's order. Dimensions run picture before sound."""
    first_looks = Mark.objects.filter(look=FIRST_LOOK)
    rows = sheet_of(lesson).prefetch_related(
        "skill_answers",
        Prefetch("corrections", Correction.objects.filter(let_go_on=None), to_attr="standing_corrections"),
        Prefetch(
            "takes",
            Take.objects.filter(is_judged=True, clip__state=Clip.State.READY)
            .select_related("clip")
            .prefetch_related(Prefetch("marks", first_looks, to_attr="first_marks")),
            to_attr="judged_takes",
        ),
    )
    return [_review_of(row) for row in rows]


def _review_of(row: Any) -> AssignmentReview:
    judged: list[Any] = row.judged_takes
    take = judged[0] if judged else None
    looks: tuple[Look, ...] = ()
    if take is not None:
        marks = {mark.dimension: mark for mark in take.first_marks}
        looks = tuple(
            Look(assignment=row, take=take, dimension=dimension, mark=marks.get(dimension.id))
            for dimension in rubric().dimensions.values()
            if dimension.id in row.dimensions
        )
    return AssignmentReview(
        assignment=row,
        take=take,
        looks=looks,
        skills=tuple(skill for skill in row.skills.all() if not skill.is_hidden and not skill.not_for_me),
        answers=_answers_after(looks, row.skill_answers.all()),
        corrections=tuple(row.standing_corrections),
    )


def _answers_after(looks: tuple[Look, ...], answers: Iterable[SkillAnswer]) -> dict[UUID, str]:
    """Return the answers given since the take was marked. Earlier ones were about another take, and are asked again."""
    marked_at = max((look.mark.created_at for look in looks if look.mark is not None), default=None)
    return {each.skill_id: each.answer for each in answers if marked_at is None or each.created_at >= marked_at}


def lesson_to_judge(learner: Learner, *, today: date) -> Lesson | None:
    """Return the lesson that is judged now; None before the first sheet.

    The newest one with something to judge that is not closed, as long as its week began at most two weeks ago; else this
    week's; else the newest.
    """
    waiting = lessons_of(learner).filter(
        decided_at=None,
        starts_on__gt=today - timedelta(days=JUDGED_WITHIN_DAYS),
        assignments__takes__is_judged=True,
        assignments__takes__clip__state=Clip.State.READY,
    )
    return waiting.distinct().first() or current_lesson(learner, today=today) or latest_lesson(learner)


def notes_of(take: Take, *, dimension: str = "") -> QuerySet[MomentNote]:
    """Return the notes pinned to a take, by their moment; for one dimension, those that belong to none as well."""
    rows = MomentNote.objects.filter(take=take)
    if dimension:
        rows = rows.filter(Q(dimension=dimension) | Q(dimension=""))
    return rows.order_by("at_s", "created_at")


def rhythm_of(assignment: Assignment) -> str:
    """Return the rhythm typed for a line; else the one typed last for the same bars of its unit or piece. “” without one."""
    rows = TypedRhythm.objects.order_by("-created_at")
    own = rows.filter(assignment=assignment).first()
    if own is not None:
        return own.text
    same = rows.filter(assignment__lesson__learner_id=assignment.lesson.learner_id, assignment__bars=assignment.bars)
    if assignment.unit_id:
        same = same.filter(assignment__unit=assignment.unit_id)
    elif assignment.piece_id:
        same = same.filter(assignment__piece=assignment.piece_id)
    else:
        return ""
    found = same.exclude(text="").first()
    return found.text if found is not None else ""


def takes_of_clip(clip: Clip) -> list[Take]:
    """Return the takes of a clip with their assignments, by their start."""
    return list(Take.objects.filter(clip=clip).select_related("assignment").order_by("start_s", "number"))


def marks_before(assignment: Assignment, dimension: str, *, before: date) -> QuerySet[Mark]:
    """Return earlier first-look marks of the same unit or piece and dimension, newest first."""
    rows = Mark.objects.filter(
        dimension=dimension,
        look=FIRST_LOOK,
        take__is_judged=True,
        take__assignment__lesson__learner_id=assignment.lesson.learner_id,
        take__assignment__lesson__starts_on__lt=before,
    ).select_related("take__clip")
    if assignment.unit_id:
        rows = rows.filter(take__assignment__unit=assignment.unit_id)
    elif assignment.piece_id:
        rows = rows.filter(take__assignment__piece=assignment.piece_id)
    else:
        return rows.none()
    return rows.order_by("-take__clip__played_on", "-created_at")


def take_to_hear(review: LessonReview) -> Take | None:
    """Return the take with which the evening ends: the first of the sheet that can be heard; None without any."""
    return next((line.take for line in review.lines if line.take and has_sound(line.take.clip)), None)


def take_long_ago(assignment: Assignment) -> Take | None:
    """Return the oldest judged take of the same unit or piece from an earlier week that can be heard; None without one."""
    rows = Take.objects.filter(
        is_judged=True,
        clip__state=Clip.State.READY,
        clip__has_copy=True,
        assignment__lesson__learner_id=assignment.lesson.learner_id,
        assignment__lesson__starts_on__lt=assignment.lesson.starts_on,
    ).select_related("clip", "assignment", "assignment__lesson")
    if assignment.unit_id:
        rows = rows.filter(assignment__unit=assignment.unit_id)
    elif assignment.piece_id:
        rows = rows.filter(assignment__piece=assignment.piece_id)
    else:
        return None
    return next((take for take in rows.order_by("clip__played_on", "start_s") if has_sound(take.clip)), None)


def take_to_cut(assignment: Assignment) -> Take | None:
    """Return the take from which a still is best taken: the judged one, or another with a picture; None without any."""
    rows = Take.objects.filter(
        assignment=assignment, clip__state=Clip.State.READY, clip__kind=Clip.Kind.VIDEO, clip__has_copy=True
    )
    return rows.select_related("clip").order_by("-is_judged", "number").first()


def chosen_row(rows: Sequence[PictureRow], asked: str) -> PictureRow | None:
    """Return the row that an address asks for, else the first; None only where there is none."""
    return next((row for row in rows if str(row.pk) == asked), rows[0] if rows else None)


def alike_first(pictures: Sequence[ReferencePicture], *, view: str) -> list[ReferencePicture]:
    """Return pictures with those seen from the same place as a still first; within both the order stays."""
    return sorted(pictures, key=lambda picture: not view or picture.view != view)


def skill_to_look_for(
    watched: Sequence[Skill],
    *,
    asked: str,
    picture: ReferencePicture | None,
    still: Still | None,
    line: Assignment,
) -> Skill | None:
    """Return the one watched skill that a still is looked at for.

    The one asked for; else the one that the reference picture is of; else the first of the hand where the still is seen
    from above, which shows no sitting, or the sheet asks for the hand's shape alone; else the first. None where nothing is
    watched.
    """
    of_picture = picture.skill_id if picture else None
    is_from_above = still is not None and still.view == CameraView.TOP
    hand_first = is_from_above or ("hand-shape" in line.dimensions and "posture" not in line.dimensions)
    ranks: list[Callable[[Skill], bool]] = [
        lambda skill: str(skill.pk) == asked,
        lambda skill: skill.pk == of_picture,
        lambda skill: hand_first and skill.group == "hand",
        lambda skill: bool(skill.see_or_hear),
    ]
    return next((skill for is_wanted in ranks for skill in watched if is_wanted(skill)), None)


def answers_of(assignment: Assignment) -> QuerySet[SkillAnswer]:
    """Return the answers written for an assignment's skills."""
    return SkillAnswer.objects.filter(assignment=assignment).select_related("skill")
