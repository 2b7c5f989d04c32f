"""Eight invented weeks, told through the same services that the pages use."""

import random
import tempfile
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any

from django.core.files import File
from django.core.files.base import ContentFile

from curriculum import services as curriculum
from curriculum.forms_scores import check_typed
from curriculum.models import Learner, Score, Skill
from curriculum.outline.table import read_table
from curriculum.queries import learner_graph, skills_by_slug
from keyslip.sample import NAME, WEEKS
from keyslip.sample.clips import TUNE, tune_notes, write_clip
from keyslip.sample.drawing import hand_from_above
from lessons import services as lessons
from lessons.models import Assignment, CameraView, Lesson
from lessons.queries import judged_take, sheet_of, week_start
from reviews import services as reviews
from reviews.models import SkillAnswer

BOOK_FILE = Path(__file__).parent / "book.csv"
# Units that the sample learner had done before the eight weeks, so that the book page shows a journey under way.
UNITS_BEFORE = 6
# The weeks, counted from the present one backwards, that have a clip: how fast the tune is played, which notes are missed for which
# key, and before which the playing stops.
CLIP_WEEKS: dict[int, dict[str, Any]] = {
    0: {"bpm": 84.0},
    1: {"bpm": 72.0, "wrong": {11: 64}, "stop_before": 16},
    4: {"bpm": 60.0, "wrong": {11: 64, 19: 64}},
}
TUNE_TITLE = "There and back"
SEED = 11
# Seconds into a take at which its still is taken: a note sounds there.
STILL_AFTER_S = 1.0
# The one thing to change, in the sample learner's words, for each dimension that their sheets ask for.
TO_CHANGE = {
    "notes": "Look at the next note while this one sounds.",
    "rhythm": "Count aloud through the bar line, without a breath there.",
    "evenness": "Let the thumb arrive with no more weight than the other fingers.",
    "articulation": "Hold each note until the next one speaks.",
    "fluency": "Go on after a slip; mend it on the next time round.",
}


def is_name_taken() -> bool:
    """True where somebody of this house is called like the sample and is not it."""
    return Learner.objects.filter(username=NAME, is_sample=False).exists()


def load_sample(*, today: date, tell: Callable[[str], None] = print) -> Learner:
    """Make the learner `sample` anew, whatever was there of it before; return it.

    Raises
    ------
    ValueError
        If a learner of this house is called so; nobody's work is replaced.
    """
    if is_name_taken():
        raise ValueError(f"a learner of this house is called “{NAME}”; nothing was made")
    Learner.objects.filter(username=NAME).delete()
    learner = curriculum.create_learner(NAME, password="", is_sample=True)
    learner.set_unusable_password()
    learner.is_staff = learner.is_superuser = False
    learner.practice_days, learner.film_day, learner.minutes_per_day = [1, 2, 4, 5], 6, 35
    learner.instrument = Learner.Instrument.DIGITAL
    learner.save()
    tell("learner and skills")
    outline = read_table(BOOK_FILE.read_text(encoding="utf-8"))[0]
    book = curriculum.add_book(learner, title=outline.title, units=outline.units)
    _add_pieces(learner, today=today)
    first_day = week_start(learner, today) - timedelta(weeks=WEEKS - 1)
    curriculum.stand_here(book.units.order_by("position")[UNITS_BEFORE], today=first_day)
    chance = random.Random(SEED)
    for weeks_ago in reversed(range(WEEKS)):
        _live_week(
            learner, starts_on=week_start(learner, today) - timedelta(weeks=weeks_ago), today=today, chance=chance
        )
        tell(f"week {WEEKS - weeks_ago} of {WEEKS}")
    # Last, because it says that the sample is whole.
    learner.set_up_on = first_day
    learner.save(update_fields=["set_up_on"])
    return learner


def _add_pieces(learner: Learner, *, today: date) -> None:
    dream = curriculum.add_piece(
        learner,
        title="The Night Ferry",
        composer="I. Corviere (invented)",
        is_dream=True,
        why_this_one="I heard it through a window by the harbour and stood in the rain.",
    )
    wanted = ["rocking-bass", "hand-balance", "legato-pedal", "thumb-under", "tempo-bending", "hands-together-simple"]
    curriculum.look_at_piece(dream, needs=skills_by_slug(learner, wanted).values(), today=today)
    lullaby = curriculum.add_piece(learner, title="Slow Tide", composer="A. Marrow (invented)", source="a loose sheet")
    curriculum.look_at_piece(
        lullaby, needs=skills_by_slug(learner, ["hands-alternating", "treble-reading", "legato"]).values(), today=today
    )
    curriculum.add_piece(learner, title="Market Day", composer="O. Tenn (invented)", source="a friend's copy")
    pony = curriculum.add_piece(learner, title="Grey Pony", composer="traditional (invented)")
    curriculum.look_at_piece(pony, needs=skills_by_slug(learner, ["five-finger-place"]).values(), today=today)
    curriculum.finish_piece(pony, today=today - timedelta(weeks=WEEKS + 4))


def _live_week(learner: Learner, *, starts_on: date, today: date, chance: random.Random) -> None:
    graph = learner_graph(learner, today=starts_on)
    lines = lessons.propose_lines(learner, today=starts_on, graph=graph)
    for line in lines:
        line.bpm = line.bpm or chance.choice([60, 66, 72])
        line.hands = line.hands or chance.choice([Assignment.Hands.RIGHT, Assignment.Hands.TOGETHER])
        line.bars = line.bars or "1-8"
    lesson = lessons.set_sheet(learner, starts_on=starts_on, lines=lines, today=starts_on)
    sheet = list(sheet_of(lesson))
    _practise(learner, sheet, starts_on=starts_on, today=today, chance=chance)
    weeks_ago = (week_start(learner, today) - starts_on).days // 7
    if weeks_ago in CLIP_WEEKS:
        film_day = starts_on + timedelta(days=(learner.film_day - starts_on.weekday()) % 7)
        _film(lesson, sheet, played_on=min(film_day, today), chance=chance, played=CLIP_WEEKS[weeks_ago])
    if weeks_ago:
        _review(lesson, sheet, decided_on=starts_on + timedelta(days=6), chance=chance)


def _practise(
    learner: Learner, sheet: list[Assignment], *, starts_on: date, today: date, chance: random.Random
) -> None:
    for weekday in learner.practice_days:
        played_on = starts_on + timedelta(days=(weekday - starts_on.weekday()) % 7)
        if played_on > today:
            continue
        for row in sheet:
            for _ in range(chance.randint(2, 4)):
                lessons.write_try(row, was_right=chance.random() < 0.78, played_on=played_on)


def _film(
    lesson: Lesson, sheet: list[Assignment], *, played_on: date, chance: random.Random, played: dict[str, Any]
) -> None:
    row = next((line for line in sheet if line.kind == Assignment.Kind.UNIT), sheet[0])
    _give_notes(row)
    late_s = [0.0, *(chance.uniform(-0.02, 0.03) for _ in range(15))]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "lesson.mp4"
        write_clip(path, tune_notes(loud_thumb_db=3.0, late_s=late_s, **played))
        with path.open("rb") as file:
            upload = File(file, name=f"lesson-{played_on}.mp4")
            _, job = lessons.record_clip(
                lesson, upload=upload, assignment=row, played_on=played_on, was_first_today=True
            )
    if job is not None:
        lessons.run_through(str(job.pk))
    _take_pictures(row)


def _give_notes(row: Assignment) -> None:
    """Type the tune for the unit of a line, as its learner would, and let the line ask for the right hand."""
    chosen = {"key": "C", "metre": "2/4", "unit": "1/8", "bpm": row.bpm}
    written = check_typed(TUNE, "", kept=chosen).written
    if written is None:
        raise ValueError(f"the tune of the sample cannot be read: {TUNE}")
    row.score = curriculum.add_score(
        row.lesson.learner,
        written=written,
        source=Score.Source.TYPED,
        title=TUNE_TITLE,
        unit=row.unit,
        right_text=TUNE,
        left_text="",
        answers={"typed": chosen},
    )
    row.hands, row.bars = Assignment.Hands.RIGHT, "1-8"
    row.save(update_fields=["score", "hands", "bars"])


def _take_pictures(row: Assignment) -> None:
    """Take a still of a filmed line, and keep a drawing of what it should look like for its unit."""
    take = judged_take(row)
    if take is None or row.unit is None:
        return
    still = lessons.take_still(take, at_s=take.start_s + STILL_AFTER_S, view=CameraView.TOP)
    lessons.describe_still(still, view=still.view, words="the thumb has just played")
    if not row.unit.reference_pictures.exists():
        lessons.add_picture(
            row.lesson.learner,
            upload=ContentFile(hand_from_above(), name="drawing.png"),
            unit=row.unit,
            view=CameraView.TOP,
            words="An invented drawing: one finger on each of five keys",
        )


def _review(lesson: Lesson, sheet: list[Assignment], *, decided_on: date, chance: random.Random) -> None:
    for row in sheet:
        take = judged_take(row)
        levels = []
        if take is not None:
            for dimension in row.dimensions:
                level = chance.choice([2, 3, 3, 4])
                levels.append(level)
                reviews.write_mark(take, dimension=dimension, level=level)
            reviews.pin_note(take, at_s=take.start_s + 1.4, text="a breath before the bar line")
            for skill in row.skills.all():
                _answer(row, skill, is_right=min(levels, default=3) >= 3)
        if row.kind == Assignment.Kind.OLDER:
            continue
        is_well = chance.random() < 0.7 and min(levels, default=3) >= 3
        verdict = Assignment.Verdict.MOVE_ON if is_well else Assignment.Verdict.ANOTHER_WEEK
        lessons.decide_assignment(row, verdict=verdict, today=decided_on)
        if not is_well and take is not None:
            lessons.write_correction(row, dimension=row.dimensions[0], text=TO_CHANGE[row.dimensions[0]])
    work_on = next(row.dimensions[0] for row in sheet if row.kind == Assignment.Kind.UNIT)
    lessons.choose_work_on(lesson, dimension=work_on, text=TO_CHANGE[work_on])
    # The service writes the present moment; these weeks were decided on their own evenings.
    lesson.decided_at = datetime.combine(decided_on, time(20, 30), tzinfo=UTC)
    lesson.save(update_fields=["decided_at"])


def _answer(row: Assignment, skill: Skill, *, is_right: bool) -> None:
    reviews.answer_skill(row, skill=skill, answer=SkillAnswer.Answer.YES if is_right else SkillAnswer.Answer.NOT_YET)
