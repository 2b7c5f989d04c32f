"""Tables of the learner, books, units, skills, pieces, scores with what they demand, and evidence.

Whether a skill is ticked, a unit open or a piece held is never stored: it follows from evidence, settings and today
(`curriculum.graph`). Stored are only the things that happened.
"""

import uuid
import zoneinfo
from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import Any, ClassVar

from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone

from curriculum.outline.book import check_link

WEEKDAYS = [
    (0, "Monday"),
    (1, "Tuesday"),
    (2, "Wednesday"),
    (3, "Thursday"),
    (4, "Friday"),
    (5, "Saturday"),
    (6, "Sunday"),
]

# Minutes of practice on one day. Under 5 nothing can be set; above 120 the sheet would ask for what this app warns of.
LEAST_MINUTES, MOST_MINUTES = 5, 120


def validate_time_zone(value: str) -> None:
    """Refuse a time zone that this computer does not know."""
    if value not in zoneinfo.available_timezones():
        raise ValidationError(
            "“%(value)s” is not a time zone this computer knows. Write one such as Europe/Lisbon.",
            params={"value": value},
        )


def validate_link(value: str) -> None:
    """Refuse a link that is not an ordinary web address, so that a page never carries a script as a link."""
    if check_link(value):
        raise ValidationError(
            "“%(value)s” is not a web address. It begins with https:// or http:// and has no blanks or quotation marks.",
            params={"value": value},
        )


def default_practice_days() -> list[int]:
    return [0, 1, 2, 3, 4]


class Learner(AbstractUser):
    """One learner is one user."""

    class Instrument(models.TextChoices):
        ACOUSTIC = "acoustic", "acoustic piano"
        DIGITAL = "digital", "digital piano"
        SHORT = "short", "something shorter than 88 keys"

    time_zone = models.CharField(max_length=64, default="UTC", validators=[validate_time_zone])
    first_weekday = models.PositiveSmallIntegerField(choices=WEEKDAYS, default=0)
    practice_days = models.JSONField(default=default_practice_days, blank=True)
    film_day = models.PositiveSmallIntegerField(choices=WEEKDAYS, default=6)
    minutes_per_day = models.PositiveSmallIntegerField(
        default=30,
        validators=[MinValueValidator(LEAST_MINUTES), MaxValueValidator(MOST_MINUTES)],
    )
    instrument = models.CharField(max_length=8, choices=Instrument, default=Instrument.ACOUSTIC)
    has_played_before = models.BooleanField(default=False)
    set_up_on = models.DateField(null=True, blank=True)
    # The lowest and highest key, as MIDI numbers (60 is middle C): 21 to 108 are the 88 keys of a full-size instrument.
    lowest_midi = models.PositiveSmallIntegerField(
        default=21, validators=[MinValueValidator(0), MaxValueValidator(127)]
    )
    highest_midi = models.PositiveSmallIntegerField(
        default=108, validators=[MinValueValidator(0), MaxValueValidator(127)]
    )
    pedal_count = models.PositiveSmallIntegerField(default=3, validators=[MaxValueValidator(3)])
    is_sample = models.BooleanField(default=False)
    # Bytes this learner's clips and pictures may take; NULL means the setting for everybody.
    quota_bytes = models.BigIntegerField(null=True, blank=True, validators=[MinValueValidator(0)])

    def today(self, now: datetime | None = None) -> date:
        """Return the learner's local date."""
        return (now or timezone.now()).astimezone(self.zone).date()

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The learner's time zone; UTC where this computer has since forgotten it."""
        try:
            return zoneinfo.ZoneInfo(self.time_zone)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError):
            return zoneinfo.ZoneInfo("UTC")


class Skill(models.Model):
    """Something that can be seen or heard, in the learner's own words. The slug never changes."""

    class Gate(models.TextChoices):
        TICK = "tick", "must be ticked"
        WATCH = "watch", "watched for ever, never blocks"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="skills")
    slug = models.SlugField(max_length=80)
    name = models.CharField(max_length=80)
    group = models.CharField(max_length=30, default="own")
    stage = models.PositiveSmallIntegerField(default=10, validators=[MinValueValidator(1), MaxValueValidator(10)])
    definition = models.TextField(max_length=600, blank=True)
    see_or_hear = models.JSONField(default=list, blank=True)
    faults = models.JSONField(default=list, blank=True)
    evidence_channels = models.JSONField(default=list, blank=True)
    gate = models.CharField(max_length=5, choices=Gate, default=Gate.TICK)
    is_shipped = models.BooleanField(default=False)
    is_hidden = models.BooleanField(default=False)
    not_for_me = models.BooleanField(default=False)
    not_for_me_reason = models.CharField(max_length=200, blank=True)
    needs: "models.ManyToManyField[Skill, Prerequisite]" = models.ManyToManyField(
        "self",
        through="Prerequisite",
        through_fields=("skill", "need"),
        symmetrical=False,
        related_name="needed_by",
    )

    class Meta:
        ordering: ClassVar[list[str]] = ["stage", "name", "slug"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(
                fields=["learner", "slug"],
                name="skill_slug_once",
                violation_error_message="You have a skill of this name.",
            ),
            models.CheckConstraint(
                condition=Q(not_for_me=False) | ~Q(not_for_me_reason=""),
                name="skill_not_for_me_has_reason",
                violation_error_message="Say why this skill is not for you.",
            ),
            models.CheckConstraint(
                condition=Q(is_shipped=True) | Q(slug__startswith="own-"),
                name="skill_own_slug",
                violation_error_message="The short name of a skill of your own begins with “own-”.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_watched(self) -> bool:
        return self.gate == self.Gate.WATCH


class Prerequisite(models.Model):
    """`skill` needs `need` first."""

    skill = models.ForeignKey(Skill, on_delete=models.CASCADE, related_name="prerequisite_rows")
    need = models.ForeignKey(Skill, on_delete=models.CASCADE, related_name="dependent_rows")

    class Meta:
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(fields=["skill", "need"], name="prerequisite_once"),
            models.CheckConstraint(
                condition=~Q(skill=models.F("need")),
                name="prerequisite_not_itself",
                violation_error_message="A skill cannot need itself.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.skill_id} needs {self.need_id}"


class Book(models.Model):
    """A method book or a book of exercises that the learner owns."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="books")
    title = models.CharField(max_length=300)
    position = models.PositiveIntegerField(default=1)
    # What the check-up found and the learner left as it is, by the finding's own key.
    left_as_is = models.JSONField(default=list, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["position", "created_at"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(
                fields=["learner", "title"],
                name="book_title_once",
                violation_error_message="You have a book of this title.",
            )
        ]

    def __str__(self) -> str:
        return self.title


class Unit(models.Model):
    """One step of a book.

    Stored are the things that happened; the state follows from them:

        to come --(gate opens)--> open --(on a sheet)--> in work --(move on / I am here / all taught is ticked)--> done
           ^                                                |
           +------------------ (go back) -------------------+

    `waits_for` is the unit proposed by *go back*; until it is done again this one stays to come.
    """

    class Follows(models.TextChoices):
        BEFORE = "before", "the unit before it"
        NAMED = "named", "the units named"

    class DoneBy(models.TextChoices):
        VERDICT = "verdict", "move on"
        HERE = "here", "I am here"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    book = models.ForeignKey(Book, on_delete=models.CASCADE, related_name="units")
    position = models.PositiveIntegerField()
    chapter = models.CharField(max_length=300, blank=True)
    title = models.CharField(max_length=300)
    page = models.CharField(max_length=40, blank=True)
    new_words = models.TextField(max_length=4000, blank=True)
    link = models.CharField(max_length=2000, blank=True, validators=[validate_link])
    teaches: "models.ManyToManyField[Skill, Any]" = models.ManyToManyField(Skill, blank=True, related_name="taught_by")
    extra_needs: "models.ManyToManyField[Skill, Any]" = models.ManyToManyField(
        Skill, blank=True, related_name="needed_by_units"
    )
    # Keys of signs and words that are new here (curriculum.score): a fermata, “dolce”, a tie.
    signs = models.JSONField(default=list, blank=True)
    follows = models.CharField(max_length=6, choices=Follows, default=Follows.BEFORE)
    after: "models.ManyToManyField[Unit, Any]" = models.ManyToManyField(
        "self", symmetrical=False, blank=True, related_name="before"
    )
    begun_on = models.DateField(null=True, blank=True)
    done_on = models.DateField(null=True, blank=True)
    done_by = models.CharField(max_length=7, choices=DoneBy, blank=True)
    sent_back_on = models.DateField(null=True, blank=True)
    waits_for = models.ForeignKey(
        "self",
        on_delete=models.SET_NULL,
        null=True,
        blank=True,
        related_name="holds_back",
    )
    opened_anyway_on = models.DateField(null=True, blank=True)
    opened_anyway_reason = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar[list[str]] = [
            "book__position",
            "book__created_at",
            "position",
        ]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.UniqueConstraint(
                fields=["book", "position"],
                name="unit_position_once",
                violation_error_message="Two units of a book cannot have the same place.",
            ),
            models.CheckConstraint(
                condition=Q(opened_anyway_on=None) | ~Q(opened_anyway_reason=""),
                name="unit_opened_anyway_has_reason",
                violation_error_message="Say why you open this unit now.",
            ),
        ]

    def __str__(self) -> str:
        return self.title


class Piece(models.Model):
    """A piece outside the book's steps. Its state follows from its skills: not looked at, held, open, in work, learnt."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="pieces")
    title = models.CharField(max_length=160)
    composer = models.CharField(max_length=120, blank=True)
    source = models.CharField(max_length=160, blank=True)
    link = models.CharField(max_length=500, blank=True, validators=[validate_link])
    is_dream = models.BooleanField(default=False)
    why_this_one = models.CharField(max_length=300, blank=True)
    looked_at_on = models.DateField(null=True, blank=True)
    needs: "models.ManyToManyField[Skill, Any]" = models.ManyToManyField(
        Skill, blank=True, related_name="needed_by_pieces"
    )
    beyond = models.JSONField(default=list, blank=True)
    begun_on = models.DateField(null=True, blank=True)
    learnt_on = models.DateField(null=True, blank=True)
    opened_anyway_on = models.DateField(null=True, blank=True)
    opened_anyway_reason = models.CharField(max_length=200, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["-is_dream", "title", "created_at"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.CheckConstraint(
                condition=Q(opened_anyway_on=None) | ~Q(opened_anyway_reason=""),
                name="piece_opened_anyway_has_reason",
                violation_error_message="Say why you open this piece now.",
            )
        ]

    def __str__(self) -> str:
        return self.title


class Score(models.Model):
    """Written music of the learner's own: read from a file, typed, or made from a pattern.

    The normalised MusicXML with our own note ids lies beside the file as it came, in `folder`; everything else is made
    from it. A piece has at most one score, a unit may have several.
    """

    class Source(models.TextChoices):
        FILE = "file", "read from a file"
        TYPED = "typed", "typed"
        PATTERN = "pattern", "made from a pattern"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="scores")
    piece = models.OneToOneField(Piece, on_delete=models.CASCADE, null=True, blank=True, related_name="score")
    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, null=True, blank=True, related_name="scores")
    title = models.CharField(max_length=200)
    source = models.CharField(max_length=7, choices=Source)
    given_name = models.CharField(max_length=200, blank=True)
    right_text = models.TextField(max_length=20_000, blank=True)
    left_text = models.TextField(max_length=20_000, blank=True)
    pattern = models.JSONField(default=dict, blank=True)
    # What the reader asked and the learner answered, such as which hand a staff is for.
    answers = models.JSONField(default=dict, blank=True)
    facts = models.JSONField(default=dict, blank=True)
    warnings = models.JSONField(default=list, blank=True)
    content_sha256 = models.CharField(max_length=64, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    changed_at = models.DateTimeField(auto_now=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["title", "created_at"]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.CheckConstraint(
                condition=Q(piece=None) | Q(unit=None),
                name="score_for_one",
                violation_error_message="A score belongs to one piece or to one unit.",
            )
        ]

    def __str__(self) -> str:
        return self.title

    @property
    def folder(self) -> Path:
        """The folder of its files: scores/aa/UUID in the data folder."""
        name = str(self.id)
        return Path(settings.KEYSLIP_DATA) / "scores" / name[:2] / name

    @property
    def original_path(self) -> Path:
        return self.folder / "original"

    @property
    def musicxml_path(self) -> Path:
        return self.folder / "score.musicxml"


class Demand(models.Model):
    """Something a piece asks for, with the bars where it does: found in its score, or written by hand.

    No skill means that it is beyond what Keyslip can name; once confirmed it blocks.
    """

    class Answer(models.TextChoices):
        ASKED = "asked", "not yet answered"
        YES = "yes", "yes"
        NO = "no", "no"

    piece = models.ForeignKey(Piece, on_delete=models.CASCADE, related_name="demands")
    detector = models.CharField(max_length=40, blank=True)
    skill = models.ForeignKey(Skill, on_delete=models.SET_NULL, null=True, blank=True, related_name="demanded_by")
    bars = models.CharField(max_length=2000, blank=True)
    detail = models.CharField(max_length=200, blank=True)
    sure_frac = models.FloatField(default=1.0, validators=[MinValueValidator(0.0), MaxValueValidator(1.0)])
    answer = models.CharField(max_length=5, choices=Answer, default=Answer.ASKED)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["id"]

    def __str__(self) -> str:
        return self.detail or self.detector


class Placement(models.Model):
    """The questions a returner was asked to find the place in the book and the skills that are there; kept to go on later."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="placements")
    book = models.ForeignKey(Book, on_delete=models.SET_NULL, null=True, blank=True, related_name="placements")
    answers = models.JSONField(default=list, blank=True)
    started_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["-started_at"]

    def __str__(self) -> str:
        return f"placement {self.started_at:%Y-%m-%d}"


class Evidence(models.Model):
    """One thing that was shown, or claimed, on one day. Never edited; withdrawn instead of deleted."""

    class Source(models.TextChoices):
        REVIEW = "review", "review"
        TRY = "try", "first try"
        CHECK = "check", "check"
        HAND = "hand", "by hand"
        CLAIM = "claim", "claim"

    learner = models.ForeignKey(Learner, on_delete=models.CASCADE, related_name="evidence")
    skill = models.ForeignKey(Skill, on_delete=models.CASCADE, related_name="evidence")
    played_on = models.DateField()
    source = models.CharField(max_length=6, choices=Source)
    passed = models.BooleanField()
    is_first_try = models.BooleanField(default=True)
    reason = models.CharField(max_length=200, blank=True)
    reference = models.CharField(max_length=120, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar[list[str]] = ["played_on", "id"]
        indexes: ClassVar[list[models.Index]] = [
            models.Index(fields=["learner", "skill", "played_on"], name="evidence_by_skill")
        ]
        constraints: ClassVar[list[models.BaseConstraint]] = [
            models.CheckConstraint(
                condition=~Q(source="hand") | ~Q(reason=""),
                name="evidence_by_hand_has_reason",
                violation_error_message="Say why you set this by hand.",
            ),
            models.UniqueConstraint(
                fields=["skill", "reference"],
                condition=Q(withdrawn_at=None) & ~Q(reference=""),
                name="evidence_reference_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.skill_id} {self.played_on} {self.source}"


def slugs(skills: Iterable[Skill]) -> list[str]:
    """Return the slugs of `skills`, in their order."""
    return [skill.slug for skill in skills]
