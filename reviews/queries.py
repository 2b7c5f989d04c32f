"""Reads of the review: what is to be marked, what is marked, what is still to decide."""

from dataclasses import dataclass
from datetime import date
from uuid import UUID

from django.db.models import Prefetch, QuerySet
from django.shortcuts import get_object_or_404

from curriculum.models import Learner, Skill
from curriculum.rubric import Dimension, rubric
from lessons.models import Assignment, Clip, Lesson, Take
from lessons.queries import sheet_of
from reviews.models import Mark, MomentNote, SkillAnswer

FIRST_LOOK = 1
# From this level on a mark speaks for its skills: *mostly there*.
LEVEL_FOR_YES = 3


def get_moment_note(learner: Learner, pk: UUID) -> MomentNote:
    """Return this learner's note or raise Http404."""
    rows = MomentNote.objects.select_related("take", "take__clip")
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


@dataclass(frozen=True, slots=True)
class AssignmentReview:
    """How far the review of one line of the sheet is. `take` is None where nothing was filmed for it."""

    assignment: Assignment
    take: Take | None
    looks: tuple[Look, ...]
    skills: tuple[Skill, ...]
    answers: dict[UUID, str]

    @property
    def next_look(self) -> Look | None:
        return next((look for look in self.looks if not look.is_done), None)

    @property
    def are_marks_done(self) -> bool:
        return self.next_look is None

    @property
    def are_skills_done(self) -> bool:
        return not self.take or not self.looks or all(skill.pk in self.answers for skill in self.skills)

    @property
    def is_decided(self) -> bool:
        return bool(self.assignment.verdict)

    @property
    def is_yes_likely(self) -> bool:
        """“Yes” stands chosen beforehand only if every asked dimension is *mostly there* or better."""
        return bool(self.looks) and all(
            look.mark is not None and look.mark.level is not None and look.mark.level >= LEVEL_FOR_YES
            for look in self.looks
        )


def lesson_review(lesson: Lesson) -> list[AssignmentReview]:
    """Return the review of each line of the sheet, in the sheet's order. Dimensions run picture before sound."""
    first_looks = Mark.objects.filter(look=FIRST_LOOK)
    rows = sheet_of(lesson).prefetch_related(
        "skill_answers",
        Prefetch(
            "takes",
            Take.objects.filter(is_judged=True, clip__state=Clip.State.READY)
            .select_related("clip")
            .prefetch_related(Prefetch("marks", first_looks, to_attr="first_marks")),
            to_attr="judged_takes",
        ),
    )
    return [_review_of(row) for row in rows]


def _review_of(row: Assignment) -> AssignmentReview:
    judged: list[Take] = row.judged_takes  # type: ignore[attr-defined]
    take = judged[0] if judged else None
    looks: tuple[Look, ...] = ()
    if take is not None:
        marks = {mark.dimension: mark for mark in take.first_marks}  # type: ignore[attr-defined]
        dimensions = rubric().dimensions
        looks = tuple(
            Look(assignment=row, take=take, dimension=dimensions[name], mark=marks.get(name)) for name in row.dimensions
        )
    skills = tuple(skill for skill in row.skills.all() if not skill.is_hidden and not skill.not_for_me)
    answers = {answer.skill_id: answer.answer for answer in row.skill_answers.all()}
    return AssignmentReview(assignment=row, take=take, looks=looks, skills=skills, answers=answers)


def notes_of(take: Take) -> QuerySet[MomentNote]:
    """Return the notes pinned to a take, by their moment."""
    return MomentNote.objects.filter(take=take).order_by("at_s", "created_at")


def marks_before(assignment: Assignment, dimension: str, *, before: date) -> QuerySet[Mark]:
    """Return earlier first-look marks of the same unit or piece and dimension, newest first."""
    rows = Mark.objects.filter(
        dimension=dimension, look=FIRST_LOOK, take__assignment__lesson__starts_on__lt=before
    ).filter(take__assignment__lesson__learner_id=assignment.lesson.learner_id)
    if assignment.unit_id:
        rows = rows.filter(take__assignment__unit=assignment.unit_id)
    elif assignment.piece_id:
        rows = rows.filter(take__assignment__piece=assignment.piece_id)
    else:
        return rows.none()
    return rows.order_by("-take__assignment__lesson__starts_on")


def answers_of(assignment: Assignment) -> QuerySet[SkillAnswer]:
    """Return the answers written for an assignment's skills."""
    return SkillAnswer.objects.filter(assignment=assignment).select_related("skill")
