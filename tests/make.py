"""Rows for tests, with sensible defaults. A test writes only what it is about."""

from collections.abc import Iterable, Sequence
from datetime import date
from itertools import count
from typing import Any

from PIL import Image

from curriculum import services as curriculum
from curriculum.models import Book, Evidence, Learner, Piece, Skill, Unit
from lessons import services as lessons
from lessons.models import Assignment, Clip, Lesson, ReferencePicture, Still, Take, Try, Upload
from lessons.queries import week_start
from lessons.uploads import Slice
from reviews.models import Mark, SkillAnswer

_number = count(1)

# The book -------------------------------------------------------------------------------------------------------------


def make_learner(username: str = "", **fields: Any) -> Learner:
    """Make a learner without skills; `make_skill` gives them some."""
    return Learner.objects.create_user(
        username or f"learner-{next(_number)}", password="a long passphrase", **{"set_up_on": date(2026, 1, 5)} | fields
    )


def make_skill(learner: Learner, slug: str = "", *, needs: Sequence[Skill] = (), **fields: Any) -> Skill:
    """Make a shipped skill of a learner."""
    slug = slug or f"skill-{next(_number)}"
    known: dict[str, Any] = {
        "name": slug.replace("-", " ").capitalize(),
        "group": "rhythm",
        "stage": 1,
        "see_or_hear": [f"You can hear {slug}."],
        "is_shipped": True,
    }
    skill = Skill.objects.create(learner=learner, slug=slug, **known | fields)
    curriculum.set_needs(skill, needs)
    return skill


def make_book(learner: Learner, title: str = "", **fields: Any) -> Book:
    """Make a book without units."""
    place = Book.objects.filter(learner=learner).count() + 1
    return Book.objects.create(learner=learner, title=title or f"Book {next(_number)}", **{"position": place} | fields)


def make_unit(book: Book, title: str = "", *, teaches: Iterable[Skill] = (), **fields: Any) -> Unit:
    """Make a unit at the end of a book."""
    place = book.units.count() + 1
    unit = Unit.objects.create(book=book, title=title or f"Unit {place}", **{"position": place} | fields)
    unit.teaches.set(teaches)
    return unit


def make_piece(learner: Learner, title: str = "", *, needs: Iterable[Skill] = (), **fields: Any) -> Piece:
    """Make a piece; looked at if it names skills."""
    wanted = list(needs)
    known: dict[str, Any] = {"looked_at_on": date(2026, 1, 5) if wanted else None}
    piece = Piece.objects.create(learner=learner, title=title or f"Piece {next(_number)}", **known | fields)
    piece.needs.set(wanted)
    return piece


def make_evidence(
    skill: Skill, *, played_on: date = date(2026, 1, 8), passed: bool = True, source: str = "review", **fields: Any
) -> Evidence:
    """Make one row of evidence in force."""
    return Evidence.objects.create(
        learner=skill.learner, skill=skill, played_on=played_on, passed=passed, source=source, **fields
    )


# The week -------------------------------------------------------------------------------------------------------------


def make_lesson(learner: Learner, *, starts_on: date | None = None, **fields: Any) -> Lesson:
    """Make an empty lesson, by default of the week that holds today."""
    return Lesson.objects.create(learner=learner, starts_on=starts_on or week_start(learner, learner.today()), **fields)


def make_assignment(
    lesson: Lesson,
    *,
    title: str = "Five-finger exercise",
    kind: str = Assignment.Kind.UNIT,
    dimensions: Sequence[str] = ("notes",),
    skills: Iterable[Skill] = (),
    **fields: Any,
) -> Assignment:
    """Make a line at the end of a sheet."""
    row = Assignment.objects.create(
        lesson=lesson,
        position=lesson.assignments.count() + 1,
        title=title,
        kind=kind,
        dimensions=list(dimensions),
        **{"why": "It is time for it."} | fields,
    )
    row.skills.set(skills)
    return row


def make_clip(lesson: Lesson, *, state: str = Clip.State.READY, content: bytes | None = None, **fields: Any) -> Clip:
    """Make a clip without a job; with `content` that is the browser copy and the original on disk."""
    known: dict[str, Any] = {
        "kind": Clip.Kind.VIDEO,
        "played_on": lesson.starts_on,
        "duration_s": 30.0,
        "given_name": "IMG_0001.MOV",
        "size_bytes": 12_000_000,
        "has_copy": content is not None,
    }
    clip = Clip.objects.create(lesson=lesson, state=state, **known | fields)
    if content is not None:
        clip.folder.mkdir(parents=True, exist_ok=True)
        clip.original_path.write_bytes(content)
        clip.copy_path.write_bytes(content)
    return clip


def make_upload(lesson: Lesson, *, arrived: bytes = b"", size_bytes: int | None = 1_000_000, **fields: Any) -> Upload:
    """Make an upload of which some bytes have arrived; `size_bytes` None is a recording."""
    upload = lessons.begin_upload(
        lesson, size_bytes=size_bytes, **{"played_on": lesson.starts_on, "given_name": "IMG_0001.MOV"} | fields
    )
    if arrived:
        lessons.add_slice(upload, Slice(0, len(arrived)), chunks=[arrived])
    return upload


def make_take(
    assignment: Assignment, *, clip: Clip | None = None, start_s: float = 0.0, end_s: float = 30.0, **fields: Any
) -> Take:
    """Make a take of an assignment, judged if it is the first."""
    number = fields.pop("number", assignment.takes.count() + 1)
    return Take.objects.create(
        clip=clip or make_clip(assignment.lesson),
        assignment=assignment,
        start_s=start_s,
        end_s=end_s,
        number=number,
        **{"is_judged": number == 1} | fields,
    )


def make_try(assignment: Assignment, *, was_right: bool = True, played_on: date | None = None, **fields: Any) -> Try:
    """Make a try without evidence; the first of its day unless said otherwise."""
    day = played_on or assignment.lesson.starts_on
    first = not assignment.tries.filter(played_on=day).exists()
    return Try.objects.create(
        assignment=assignment, was_right=was_right, played_on=day, **{"is_first_of_day": first} | fields
    )


# The review -----------------------------------------------------------------------------------------------------------


def make_mark(take: Take, dimension: str = "notes", *, level: int | None = 3, **fields: Any) -> Mark:
    """Make a mark of a first look."""
    return Mark.objects.create(take=take, dimension=dimension, level=level, **fields)


def make_filmed(lesson: Lesson, **fields: Any) -> Take:
    """Make a line of the sheet with a clip that plays and a take over all of it."""
    return make_take(make_assignment(lesson, **fields), clip=make_clip(lesson, has_copy=True))


def make_answer(assignment: Assignment, skill: Skill, answer: str = "yes") -> SkillAnswer:
    """Make an answer to a skill's own line, without evidence."""
    return SkillAnswer.objects.create(assignment=assignment, skill=skill, answer=answer)


# Pictures -------------------------------------------------------------------------------------------------------------


def make_picture(
    learner: Learner, *, unit: Unit | None = None, skill: Skill | None = None, **fields: Any
) -> ReferencePicture:
    """Make a reference picture of a unit or a skill, with its two files."""
    known: dict[str, Any] = {"width_px": 160, "height_px": 120, "view": "side"}
    row = ReferencePicture.objects.create(learner=learner, unit=unit, skill=skill, **known | fields)
    return _with_files(row)


def make_still(take: Take, *, at_s: float = 1.0, **fields: Any) -> Still:
    """Make a still of a take, with its two files."""
    known: dict[str, Any] = {"width_px": 160, "height_px": 120, "view": "side"}
    return _with_files(Still.objects.create(take=take, at_s=at_s, **known | fields))


def _with_files(row: Any) -> Any:
    row.folder.mkdir(parents=True)
    Image.new("RGB", (row.width_px, row.height_px), (120, 140, 130)).save(row.large_path)
    Image.new("RGB", (row.width_px // 4, row.height_px // 4), (120, 140, 130)).save(row.small_path)
    return row
