"""Reads of the week: lessons, sheets, tries, clips and takes."""

from datetime import date, datetime, timedelta
from uuid import UUID

from django.db.models import BigIntegerField, Case, Count, F, Prefetch, Q, QuerySet, Value, When
from django.shortcuts import get_object_or_404
from django.utils import timezone

from curriculum.models import Learner, Skill, Unit
from lessons.models import Assignment, Clip, Correction, Job, Lesson, ReferencePicture, Still, Take, Try, Upload

# Minutes without a try after which the hands have rested. Our inference: shorter gaps go into turning pages.
REST_MINUTES = 8


def week_start(learner: Learner, day: date) -> date:
    """Return the first day of the learner's week that holds `day`."""
    return day - timedelta(days=(day.weekday() - learner.first_weekday) % 7)


def following_week(lesson: Lesson) -> date:
    """Return the first day of the week after a lesson.

    Where the learner's first weekday was changed meanwhile it is the nearest such day to the lesson's end: two sheets then
    share at most three days, or leave as many between them.
    """
    return week_start(lesson.learner, lesson.ends_on + timedelta(days=1 + 3))


def get_lesson(learner: Learner, pk: UUID) -> Lesson:
    """Return this learner's lesson or raise Http404."""
    return get_object_or_404(Lesson, learner=learner, pk=pk)


def get_assignment(learner: Learner, pk: UUID) -> Assignment:
    """Return this learner's assignment, with its lesson, unit and piece, or raise Http404."""
    rows = Assignment.objects.select_related("lesson", "unit", "unit__book", "piece")
    return get_object_or_404(rows, lesson__learner=learner, pk=pk)


def get_try(learner: Learner, pk: UUID) -> Try:
    """Return this learner's try or raise Http404."""
    return get_object_or_404(Try.objects.select_related("assignment"), assignment__lesson__learner=learner, pk=pk)


def get_clip(learner: Learner, pk: UUID) -> Clip:
    """Return this learner's clip, with its lesson, or raise Http404."""
    return get_object_or_404(Clip.objects.select_related("lesson", "assignment"), lesson__learner=learner, pk=pk)


def get_take(learner: Learner, pk: UUID) -> Take:
    """Return this learner's take, with its clip and assignment, or raise Http404."""
    rows = Take.objects.select_related("clip", "assignment", "assignment__lesson")
    return get_object_or_404(rows, clip__lesson__learner=learner, pk=pk)


def get_correction(learner: Learner, pk: UUID) -> Correction:
    """Return this learner's correction or raise Http404."""
    return get_object_or_404(
        Correction.objects.select_related("assignment"), assignment__lesson__learner=learner, pk=pk
    )


def lessons_of(learner: Learner) -> QuerySet[Lesson]:
    """Return the learner's lessons, newest week first."""
    return Lesson.objects.filter(learner=learner).order_by("-starts_on")


def lesson_list(learner: Learner) -> QuerySet[Lesson]:
    """Return the learner's lessons, newest week first, each with the numbers of its lines and clips."""
    return lessons_of(learner).annotate(
        line_count=Count("assignments", distinct=True), clip_count=Count("clips", distinct=True)
    )


def week_number(lesson: Lesson) -> int:
    """Return which week of this learner the lesson is, counting from 1."""
    return Lesson.objects.filter(learner_id=lesson.learner_id, starts_on__lte=lesson.starts_on).count()


def film_lesson(learner: Learner, *, today: date | None = None) -> Lesson | None:
    """Return the lesson to film: this week's, else the newest begun one that is not decided; None where there is none."""
    day = today or learner.today()
    begun = lessons_of(learner).filter(starts_on__lte=day)
    return current_lesson(learner, today=day) or begun.filter(decided_at=None).first()


def current_lesson(learner: Learner, *, today: date | None = None) -> Lesson | None:
    """Return the lesson whose seven days hold today; None where no sheet is set yet.

    A sheet lasts its seven days also where the learner's first weekday was changed in the middle of them.
    """
    day = today or learner.today()
    return lessons_of(learner).filter(starts_on__lte=day, starts_on__gt=day - timedelta(days=7)).first()


def latest_lesson(learner: Learner) -> Lesson | None:
    """Return the newest lesson that has begun or is set ahead; None before the first sheet."""
    return lessons_of(learner).first()


def lesson_before(lesson: Lesson) -> Lesson | None:
    """Return the learner's lesson of an earlier week nearest to this one; None for the first."""
    return lessons_of(lesson.learner).filter(starts_on__lt=lesson.starts_on).first()


def sheet_of(lesson: Lesson) -> QuerySet[Assignment]:
    """Return the lines of the sheet in their order, with unit, piece, skills, tries, takes and carried corrections."""
    return (
        Assignment.objects.filter(lesson=lesson)
        .select_related("unit", "unit__book", "piece", "lesson")
        .prefetch_related(
            "skills",
            "tries",
            "carries",
            Prefetch("takes", Take.objects.select_related("clip").order_by("number")),
        )
        .order_by("position")
    )


def open_corrections(learner: Learner) -> QuerySet[Correction]:
    """Return corrections that no later verdict has let go, oldest first; `carried_to` NULL means not on a sheet yet."""
    return (
        Correction.objects.filter(assignment__lesson__learner=learner, let_go_on=None)
        .select_related("assignment", "assignment__unit", "assignment__piece", "assignment__lesson", "carried_to")
        .order_by("created_at")
    )


def get_upload(learner: Learner, pk: UUID) -> Upload:
    """Return this learner's upload, with its lesson and learner, or raise Http404."""
    rows = Upload.objects.select_related("lesson", "lesson__learner", "learner", "clip")
    return get_object_or_404(rows, learner=learner, pk=pk)


def unfinished_uploads(learner: Learner) -> QuerySet[Upload]:
    """Return what is on its way and may still go on, newest first."""
    rows = Upload.objects.filter(learner=learner, finished_at=None, expires_at__gt=timezone.now())
    return rows.select_related("lesson", "assignment").order_by("-created_at")


def clips_of(lesson: Lesson) -> QuerySet[Clip]:
    """Return the clips of a lesson, oldest first, with their takes and jobs."""
    return Clip.objects.filter(lesson=lesson).select_related("assignment").prefetch_related("takes", "jobs")


def clips_by_size(learner: Learner) -> QuerySet[Clip]:
    """Return all clips of a learner, those first that take most; a file as it came that is gone takes nothing."""
    gone = Q(state=Clip.State.REFUSED) | Q(original_gone_on__isnull=False)
    kept = Case(When(gone, then=Value(0)), default=F("size_bytes"), output_field=BigIntegerField())
    return _clips_of_learner(learner).annotate(taken=kept + F("made_bytes")).order_by("-taken", "created_at")


def clips_by_day(learner: Learner) -> QuerySet[Clip]:
    """Return all clips of a learner, the first played first."""
    return _clips_of_learner(learner).order_by("played_on", "created_at")


def _clips_of_learner(learner: Learner) -> QuerySet[Clip]:
    return Clip.objects.filter(lesson__learner=learner).select_related("assignment", "lesson")


def judged_take(assignment: Assignment) -> Take | None:
    """Return the take of an assignment that is judged; None where nothing was filmed."""
    return Take.objects.filter(assignment=assignment, is_judged=True).select_related("clip").first()


def newest_job(clip: Clip) -> Job | None:
    """Return the newest job that prepares a clip; None only for a clip whose rows were made by hand."""
    return clip.jobs.filter(kind=Job.Kind.PREPARE_CLIP).order_by("-created_at").first()


def has_first_try(assignment: Assignment, day: date) -> bool:
    """True where the first try of `day` is written down."""
    return Try.objects.filter(assignment=assignment, played_on=day, is_first_of_day=True).exists()


def tries_of(assignment: Assignment) -> QuerySet[Try]:
    """Return the tries of an assignment, oldest first."""
    return Try.objects.filter(assignment=assignment).order_by("created_at")


def minutes_at_a_stretch(learner: Learner, *, now: datetime | None = None) -> int:
    """Return for how many minutes the learner has been writing tries without a rest; 0 after a rest.

    Only tries tell that somebody is at the keys, so that a stretch is never shorter than what is returned.
    """
    moment = now or timezone.now()
    rest = timedelta(minutes=REST_MINUTES)
    # No stretch worth the name is longer than three hours.
    recent = Try.objects.filter(
        assignment__lesson__learner=learner, created_at__gt=moment - timedelta(hours=3), created_at__lte=moment
    ).order_by("-created_at")
    began = moment
    for written_at in recent.values_list("created_at", flat=True):
        if began - written_at > rest:
            break
        began = written_at
    return int((moment - began).total_seconds() // 60)


def get_picture(learner: Learner, pk: UUID) -> ReferencePicture:
    """Return this learner's reference picture, with its unit or skill, or raise Http404."""
    rows = ReferencePicture.objects.select_related("unit", "unit__book", "skill")
    return get_object_or_404(rows, learner=learner, pk=pk)


def pictures_of(learner: Learner, *, unit: Unit | None, skill: Skill | None) -> QuerySet[ReferencePicture]:
    """Return the reference pictures of a unit or of a skill, oldest first."""
    return ReferencePicture.objects.filter(learner=learner, unit=unit, skill=skill).order_by("created_at")


def get_still(learner: Learner, pk: UUID) -> Still:
    """Return this learner's still, with its take, clip and assignment, or raise Http404."""
    rows = Still.objects.select_related("take", "take__clip", "take__assignment", "take__assignment__unit")
    return get_object_or_404(rows, take__clip__lesson__learner=learner, pk=pk)


def stills_of(take: Take) -> QuerySet[Still]:
    """Return the stills of a take, by their moment."""
    return Still.objects.filter(take=take).order_by("at_s", "created_at")


def stills_of_line(assignment: Assignment) -> QuerySet[Still]:
    """Return the stills of all takes of an assignment, with their takes and clips: the take that is judged first, then by moment."""
    rows = Still.objects.filter(take__assignment=assignment).select_related("take", "take__clip")
    return rows.order_by("-take__is_judged", "take__number", "at_s")


def watched_skills(learner: Learner) -> QuerySet[Skill]:
    """Return the skills of body and hand that are watched with every review and never block, in step order."""
    return Skill.objects.filter(learner=learner, gate=Skill.Gate.WATCH, is_hidden=False, not_for_me=False)


def skills_for_pictures(assignment: Assignment) -> list[Skill]:
    """Return the skills a picture of this assignment may belong to: those it exercises, then those watched anyway."""
    exercised = [skill for skill in assignment.skills.all() if not skill.is_hidden]
    known = {skill.pk for skill in exercised}
    return [*exercised, *(skill for skill in watched_skills(assignment.lesson.learner) if skill.pk not in known)]


def pictures_for_line(assignment: Assignment) -> list[ReferencePicture]:
    """Return what an assignment may be held against: pictures of its unit, of its skills, of skills watched anyway; in this order."""
    places = {skill.pk: place for place, skill in enumerate(skills_for_pictures(assignment))}
    wanted = Q(skill__in=places)
    if assignment.unit_id:
        wanted |= Q(unit=assignment.unit_id)
    rows = ReferencePicture.objects.filter(wanted, learner=assignment.lesson.learner).select_related("unit", "skill")
    return sorted(rows, key=lambda row: (-1 if row.skill_id is None else places[row.skill_id], row.created_at))
