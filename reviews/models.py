"""Tables of the review: marks, notes pinned to moments, and the answer for each exercised skill."""

import uuid
from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from curriculum.models import Skill
from lessons.models import Assignment, Take


class Mark(models.Model):
    """The learner's own mark of one dimension of one take. No level means *cannot tell*."""

    take = models.ForeignKey(Take, on_delete=models.CASCADE, related_name="marks")
    dimension = models.CharField(max_length=20)
    look = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1), MaxValueValidator(2)])
    level = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(4)]
    )
    bars = models.CharField(max_length=80, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["created_at"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(fields=["take", "dimension", "look"], name="mark_once_a_look"),
            models.CheckConstraint(
                condition=Q(level=None) | (Q(level__gte=1) & Q(level__lte=4)),
                name="mark_level_one_to_four",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.dimension} {self.level or 'cannot tell'}"


class MomentNote(models.Model):
    """A sentence pinned to a moment of a take, in seconds of its clip."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    take = models.ForeignKey(Take, on_delete=models.CASCADE, related_name="moment_notes")
    dimension = models.CharField(max_length=20, blank=True)
    at_s = models.FloatField(validators=[MinValueValidator(0.0)])
    text = models.CharField(max_length=300)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["at_s", "created_at"]

    def __str__(self) -> str:
        return self.text


class SkillAnswer(models.Model):
    """The learner's answer to a skill's own line after marking; it becomes evidence."""

    class Answer(models.TextChoices):
        YES = "yes", "yes"
        NOT_YET = "not_yet", "not yet"
        CANNOT_TELL = "cannot_tell", "cannot tell"

    assignment = models.ForeignKey(Assignment, on_delete=models.CASCADE, related_name="skill_answers")
    skill = models.ForeignKey(Skill, on_delete=models.CASCADE, related_name="review_answers")
    answer = models.CharField(max_length=11, choices=Answer)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(fields=["assignment", "skill"], name="skill_answer_once")
        ]

    def __str__(self) -> str:
        return f"{self.skill_id} {self.answer}"
