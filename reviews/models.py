"""Tables of the review: marks, notes pinned to moments, the answer for each exercised skill; what was heard, typed and measured."""

import uuid
from typing import ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from curriculum.models import Skill
from lessons.models import Assignment, Clip, Take

# Characters of a typed rhythm: a phrase of forty bars, every note in words.
MOST_RHYTHM = 1500


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


class Hearing(models.Model):
    """What was heard in a clip: every strike, and what the recording is like. Measured, never the learner's word."""

    clip = models.OneToOneField(Clip, on_delete=models.CASCADE, related_name="hearing")
    version = models.PositiveSmallIntegerField()
    # Rows of onset_s, pitch_midi, level_db, confidence, end_s (or null), in order of time.
    notes = models.JSONField(default=list)
    trust = models.JSONField(default=dict)
    recording = models.JSONField(null=True)
    limits = models.JSONField(default=list, blank=True)
    created_at = models.DateTimeField(auto_now=True)

    def __str__(self) -> str:
        return f"what was heard in {self.clip_id}"


class TypedRhythm(models.Model):
    """The rhythm of a line of which no score is known, as the learner typed it (`reviews.compare.unscored.read_rhythm`); blank: none."""

    assignment = models.OneToOneField(Assignment, on_delete=models.CASCADE, related_name="typed_rhythm")
    text = models.CharField(max_length=MOST_RHYTHM, blank=True)
    created_at = models.DateTimeField(auto_now=True)

    def __str__(self) -> str:
        return self.text


class Measurement(models.Model):
    """What a take is beside its score, as `reviews.compare` tells it. `made_from` names all that it rests on; another name makes it stale."""

    take = models.OneToOneField(Take, on_delete=models.CASCADE, related_name="measurement")
    made_from = models.CharField(max_length=200)
    result = models.JSONField(default=dict)
    created_at = models.DateTimeField(auto_now=True)

    def __str__(self) -> str:
        return f"measurement of {self.take_id}"
