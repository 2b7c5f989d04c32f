"""Tables of the week: lessons, assignments, tries, corrections; uploads, clips, takes, the jobs that prepare clips; pictures."""

import uuid
from datetime import date, timedelta
from pathlib import Path
from typing import Any, ClassVar

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from curriculum.models import LEAST_MINUTES, MOST_MINUTES, Learner, Piece, Score, Skill, Unit
from lessons.planning.bars import bars_in_words

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"

# Quarters a minute. Slower than 20 no pulse is felt; 300 is beyond any mark in a method book (common practice, no source).
LEAST_BPM, MOST_BPM = 20, 300
MOST_TAKES = 3


def stretch_in_words(*, bars: str, hands: str, bpm: int | None) -> str:
    """Return bars, hands and tempo as one phrase: “bars 5 to 8, left hand, at 60”."""
    return ", ".join(part for part in (bars_in_words(bars), hands, f"at {bpm}" if bpm else "") if part)


class Lesson(models.Model):
    """One week of one learner, from its first weekday on."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="lessons")
    starts_on = models.DateField()
    minutes_per_day = models.PositiveSmallIntegerField(
        default=30,
        validators=[MinValueValidator(LEAST_MINUTES), MaxValueValidator(MOST_MINUTES)],
    )
    practice_days = models.JSONField(default=list, blank=True)
    film_day = models.PositiveSmallIntegerField(default=6)
    work_on = models.CharField(max_length=20, blank=True)
    work_on_text = models.CharField(max_length=300, blank=True)
    decided_at = models.DateTimeField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["-starts_on"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(
                fields=["learner", "starts_on"],
                name="lesson_once_a_week",
                violation_error_message="There is a lesson in this week already.",
            )
        ]

    def __str__(self) -> str:
        return f"week of {self.starts_on}"

    @property
    def ends_on(self) -> date:
        return self.starts_on + timedelta(days=6)


class Assignment(models.Model):
    """One line of the sheet. It keeps its letter on sheet, log, clip and review."""

    class Kind(models.TextChoices):
        CORRECTION = "correction", "correction"
        CHECK = "check", "check"
        UNIT = "unit", "unit"
        PIECE = "piece", "piece"
        OLDER = "older", "older piece"

    class Hands(models.TextChoices):
        RIGHT = "right", "right hand"
        LEFT = "left", "left hand"
        APART = "apart", "each hand alone"
        TOGETHER = "together", "hands together"

    class Verdict(models.TextChoices):
        MOVE_ON = "move_on", "move on"
        ANOTHER_WEEK = "another_week", "another week"
        GO_BACK = "go_back", "go back"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    lesson = models.ForeignKey(Lesson, on_delete=models.CASCADE, related_name="assignments")
    position = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=10, choices=Kind)
    title = models.CharField(max_length=300)
    unit = models.ForeignKey(
        Unit,
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        related_name="assignments",
    )
    piece = models.ForeignKey(
        Piece,
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        related_name="assignments",
    )
    score = models.ForeignKey(
        Score,
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        related_name="assignments",
    )
    skills: "models.ManyToManyField[Skill, Any]" = models.ManyToManyField(Skill, blank=True, related_name="assignments")
    bars = models.CharField(max_length=40, blank=True)
    hands = models.CharField(max_length=8, choices=Hands, blank=True)
    bpm = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(LEAST_BPM), MaxValueValidator(MOST_BPM)],
    )
    minutes = models.PositiveSmallIntegerField(
        default=5, validators=[MinValueValidator(1), MaxValueValidator(MOST_MINUTES)]
    )
    why = models.CharField(max_length=300)
    dimensions = models.JSONField(default=list, blank=True)
    verdict = models.CharField(max_length=12, choices=Verdict, blank=True)
    verdict_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["position"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(fields=["lesson", "position"], name="assignment_position_once")
        ]

    def __str__(self) -> str:
        return f"{self.letter} {self.title}"

    @property
    def letter(self) -> str:
        """The boxed letter, A for the first line."""
        return LETTERS[(self.position - 1) % len(LETTERS)]

    @property
    def name(self) -> str:
        """What the line is called among others: a correction says so, for its title is that of the line it corrects."""
        return f"To change: {self.title}" if self.kind == self.Kind.CORRECTION else self.title

    @property
    def plain(self) -> str:
        """What is played, as one phrase: “bars 5 to 8, left hand, at 60”; empty where nothing was named."""
        return stretch_in_words(bars=self.bars, hands=self.get_hands_display() if self.hands else "", bpm=self.bpm)

    @property
    def source(self) -> str:
        """Where it stands in print: book and page of its unit, or the composer of its piece; empty where neither is known."""
        if self.unit is not None:
            page = f", page {self.unit.page}" if self.unit.page else ""
            return f"{self.unit.book.title}{page}"
        return self.piece.composer if self.piece is not None else ""


class Correction(models.Model):
    """One thing to change, written by a review; it stands on the next sheet until a later verdict lets it go."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    assignment = models.ForeignKey(Assignment, on_delete=models.CASCADE, related_name="corrections")
    dimension = models.CharField(max_length=20)
    text = models.CharField(max_length=300)
    bars = models.CharField(max_length=40, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    carried_to = models.ForeignKey(
        Assignment,
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        related_name="carries",
    )
    let_go_on = models.DateField(null=True, blank=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["created_at"]

    def __str__(self) -> str:
        return self.text


class Try(models.Model):
    """One try at a stretch: right or not yet."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    assignment = models.ForeignKey(Assignment, on_delete=models.CASCADE, related_name="tries")
    played_on = models.DateField()
    bars = models.CharField(max_length=40, blank=True)
    hands = models.CharField(max_length=8, choices=Assignment.Hands, blank=True)
    bpm = models.PositiveSmallIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(LEAST_BPM), MaxValueValidator(MOST_BPM)],
    )
    was_right = models.BooleanField()
    is_first_of_day = models.BooleanField(default=False)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["created_at"]
        verbose_name_plural = "tries"
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(
                fields=["assignment", "played_on"],
                condition=Q(is_first_of_day=True),
                name="try_first_of_day_once",
                violation_error_message="The first try of this day is written down already.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.assignment_id} {self.played_on}"

    @property
    def plain(self) -> str:
        """What was played, as one phrase."""
        return stretch_in_words(bars=self.bars, hands=self.get_hands_display() if self.hands else "", bpm=self.bpm)


class Clip(models.Model):
    """One file of one lesson.

        received -> checking -> preparing -> ready
                        |           |
                        +-> refused +-> failed (may be tried again by a button)

    Files lie under our own names in `folder`; what the learner's phone called it is kept only to be shown. The file as it
    came goes after some days (`original_gone_on`) unless the learner keeps it; the copy stays.
    """

    class State(models.TextChoices):
        RECEIVED = "received", "received"
        CHECKING = "checking", "being checked"
        PREPARING = "preparing", "being prepared"
        READY = "ready", "ready"
        REFUSED = "refused", "refused"
        FAILED = "failed", "failed"

    class Kind(models.TextChoices):
        UNKNOWN = "unknown", "not yet known"
        VIDEO = "video", "video"
        SOUND = "sound", "sound"
        MIDI = "midi", "MIDI"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    lesson = models.ForeignKey(Lesson, on_delete=models.CASCADE, related_name="clips")
    assignment = models.ForeignKey(
        Assignment,
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        related_name="clips",
    )
    state = models.CharField(max_length=9, choices=State, default=State.RECEIVED)
    kind = models.CharField(max_length=7, choices=Kind, default=Kind.UNKNOWN)
    played_on = models.DateField()
    was_first_today = models.BooleanField(default=False)
    given_name = models.CharField(max_length=200, blank=True)
    size_bytes = models.BigIntegerField(default=0)
    sha256 = models.CharField(max_length=64, blank=True)
    facts = models.JSONField(default=dict, blank=True)
    reason = models.CharField(max_length=40, blank=True)
    text = models.CharField(max_length=400, blank=True)
    duration_s = models.FloatField(null=True, blank=True)
    has_copy = models.BooleanField(default=False)
    has_poster = models.BooleanField(default=False)
    has_peaks = models.BooleanField(default=False)
    has_frames = models.BooleanField(default=False)
    has_strip = models.BooleanField(default=False)
    strip = models.JSONField(default=dict, blank=True)
    made_bytes = models.BigIntegerField(default=0)
    keeps_original = models.BooleanField(default=False)
    original_gone_on = models.DateField(null=True, blank=True)
    upload_token = models.UUIDField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["created_at"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(
                fields=["upload_token"],
                condition=Q(upload_token__isnull=False),
                name="clip_upload_once",
                violation_error_message="This clip has arrived already.",
            )
        ]

    def __str__(self) -> str:
        return self.given_name or str(self.id)

    @property
    def folder(self) -> Path:
        """The folder of this clip's files: clips/aa/UUID in the data folder."""
        name = str(self.id)
        return Path(settings.KEYSLIP_DATA) / "clips" / name[:2] / name

    @property
    def original_path(self) -> Path:
        return self.folder / "original"

    @property
    def copy_path(self) -> Path:
        return self.folder / ("copy.mp4" if self.kind == self.Kind.VIDEO else "copy.m4a")

    @property
    def poster_path(self) -> Path:
        return self.folder / "poster.jpg"

    @property
    def peaks_path(self) -> Path:
        return self.folder / "peaks"

    @property
    def frames_path(self) -> Path:
        return self.folder / "frames.json"

    @property
    def strip_path(self) -> Path:
        return self.folder / "strip.jpg"

    @property
    def may_lose_original(self) -> bool:
        """Whether the copy is enough. Of a MIDI file it is not: the file says what was played, the copy only how that sounds."""
        is_replaced = self.has_copy and self.kind != self.Kind.MIDI
        return self.state == self.State.READY and is_replaced and self.original_gone_on is None

    @property
    def is_under_way(self) -> bool:
        return self.state in {
            self.State.RECEIVED,
            self.State.CHECKING,
            self.State.PREPARING,
        }

    @property
    def copy_type(self) -> str:
        """The media type of the browser copy."""
        return "video/mp4" if self.kind == self.Kind.VIDEO else "audio/mp4"


class Upload(models.Model):
    """A clip on its way: bytes arrive in slices, or while it is being recorded, and what has arrived is kept.

        under way -> finished (its clip is there) | given up (row and bytes are deleted)
            +-> expired (the sweep deletes row and bytes)

    `size_bytes` NULL means that the length is not known yet (a recording). `offset_bytes` never exceeds what lies on the
    disk; what lies there beyond it is written over.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="uploads")
    lesson = models.ForeignKey(Lesson, on_delete=models.CASCADE, related_name="uploads")
    assignment = models.ForeignKey(
        Assignment,
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        related_name="uploads",
    )
    played_on = models.DateField()
    was_first_today = models.BooleanField(default=False)
    given_name = models.CharField(max_length=200, blank=True)
    is_recording = models.BooleanField(default=False)
    size_bytes = models.BigIntegerField(null=True, blank=True)
    offset_bytes = models.BigIntegerField(default=0)
    # Set once, by whoever turns the bytes into a clip; doing it twice gives the same clip.
    clip = models.OneToOneField(Clip, on_delete=models.SET_NULL, null=True, blank=True, related_name="upload")
    finished_at = models.DateTimeField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    last_byte_at = models.DateTimeField(null=True, blank=True)
    expires_at = models.DateTimeField()

    class Meta:
        ordering: ClassVar[list[str]] = ["-created_at"]
        indexes: ClassVar[list[models.Index]] = [models.Index(fields=["learner", "finished_at"], name="upload_open")]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.CheckConstraint(
                condition=Q(offset_bytes__gte=0)
                & (Q(size_bytes=None) | (Q(size_bytes__gt=0) & Q(offset_bytes__lte=F("size_bytes")))),
                name="upload_offset_within_size",
            )
        ]

    def __str__(self) -> str:
        return self.given_name or str(self.id)

    @property
    def path(self) -> Path:
        """Where its bytes lie: incoming/UUID.part in the data folder."""
        return Path(settings.KEYSLIP_DATA) / "incoming" / f"{self.id}.part"


class Take(models.Model):
    """A stretch of a clip that plays one assignment. One take of an assignment is judged, by default the first."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    clip = models.ForeignKey(Clip, on_delete=models.CASCADE, related_name="takes")
    assignment = models.ForeignKey(Assignment, on_delete=models.CASCADE, related_name="takes")
    start_s = models.FloatField(validators=[MinValueValidator(0.0)])
    end_s = models.FloatField()
    number = models.PositiveSmallIntegerField(validators=[MinValueValidator(1), MaxValueValidator(MOST_TAKES)])
    is_judged = models.BooleanField(default=False)

    class Meta:
        ordering: ClassVar[list[str]] = ["assignment__position", "number"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.CheckConstraint(
                condition=Q(start_s__gte=0) & Q(end_s__gt=F("start_s")),
                name="take_ends_after_start",
                violation_error_message="A take ends after it starts.",
            ),
            models.UniqueConstraint(fields=["assignment", "number"], name="take_number_once"),
            models.CheckConstraint(
                condition=Q(number__gte=1) & Q(number__lte=MOST_TAKES),
                name="take_at_most_three",
                violation_error_message="Three takes of one assignment are enough.",
            ),
            models.UniqueConstraint(
                fields=["assignment"],
                condition=Q(is_judged=True),
                name="take_judged_once",
            ),
        ]

    def __str__(self) -> str:
        return f"take {self.number} of {self.assignment_id}"


class Job(models.Model):
    """Work on a clip that outlives the page. The row is the truth; the queue only rings.

    queued -> running -> done
       ^        |
       +--(lease ran out, attempts left)
                +--> failed (no attempts left; queued again by a button)
    """

    class State(models.TextChoices):
        QUEUED = "queued", "waiting"
        RUNNING = "running", "running"
        DONE = "done", "done"
        FAILED = "failed", "failed"

    class Kind(models.TextChoices):
        PREPARE_CLIP = "prepare_clip", "prepare a clip"
        MEASURE_CLIP = "measure_clip", "listen to a clip"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    kind = models.CharField(max_length=20, choices=Kind)
    clip = models.ForeignKey(Clip, on_delete=models.CASCADE, related_name="jobs")
    state = models.CharField(max_length=7, choices=State, default=State.QUEUED)
    attempt = models.PositiveSmallIntegerField(default=0)
    lease_until = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    step = models.CharField(max_length=80, blank=True)
    progress_frac = models.FloatField(default=0.0)
    error = models.TextField(blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["created_at"]
        indexes: ClassVar[list[models.Index]] = [models.Index(fields=["state", "lease_until"], name="job_by_state")]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(
                fields=["clip", "kind"],
                condition=Q(state__in=["queued", "running"]),
                name="job_one_under_way",
            )
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.state}"


class CameraView(models.TextChoices):
    """From where a picture of the player is taken."""

    SIDE = "side", "from the side"
    TOP = "top", "from above"
    FRONT = "front", "from the front"


class PictureFile(models.Model):
    """A picture kept under our own names: large.jpg and small.jpg in `folder`; nothing of the sender's file is left in them."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    view = models.CharField(max_length=5, choices=CameraView, blank=True)
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    made_bytes = models.BigIntegerField(default=0)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        abstract = True

    @property
    def folder(self) -> Path:
        """The folder of its files: pictures/aa/UUID in the data folder."""
        name = str(self.id)
        return Path(settings.KEYSLIP_DATA) / "pictures" / name[:2] / name

    @property
    def large_path(self) -> Path:
        return self.folder / "large.jpg"

    @property
    def small_path(self) -> Path:
        return self.folder / "small.jpg"


class ReferencePicture(PictureFile):
    """What posture or hands should look like, kept for one unit or one skill: a page photographed, or a good still."""

    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="reference_pictures")
    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, null=True, blank=True, related_name="reference_pictures")
    skill = models.ForeignKey(Skill, on_delete=models.CASCADE, null=True, blank=True, related_name="reference_pictures")
    words = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["created_at"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.CheckConstraint(
                condition=(Q(unit=None) & Q(skill__isnull=False)) | (Q(skill=None) & Q(unit__isnull=False)),
                name="reference_picture_for_one",
                violation_error_message="A reference picture belongs to one unit or to one skill.",
            )
        ]

    def __str__(self) -> str:
        return self.words or f"reference picture {self.get_view_display()}".strip()


class Still(PictureFile):
    """One frame of a take, as large as it was filmed. `at_s` counts from the start of the clip."""

    take = models.ForeignKey(Take, on_delete=models.CASCADE, related_name="stills")
    at_s = models.FloatField(validators=[MinValueValidator(0.0)])
    is_from_copy = models.BooleanField(default=False)
    words = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["at_s", "created_at"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(
                fields=["take", "at_s"],
                name="still_moment_once",
                violation_error_message="There is a still of this moment already.",
            )
        ]

    def __str__(self) -> str:
        return f"still at {self.at_s:.2f} s"
