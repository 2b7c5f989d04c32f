"""Every address of the app, and a row of each kind to ask for by it."""

from collections.abc import Iterator
from typing import Any

from django.urls import URLPattern, URLResolver, get_resolver, reverse

from curriculum.models import Demand, Learner, Placement
from curriculum.score.patterns.spec import Pattern
from curriculum.services import add_pattern
from reviews.models import MomentNote
from tests.make import (
    make_assignment,
    make_book,
    make_clip,
    make_evidence,
    make_lesson,
    make_mark,
    make_picture,
    make_piece,
    make_skill,
    make_still,
    make_take,
    make_try,
    make_unit,
    make_upload,
)


def patterns(found: Any = None, names: tuple[str, ...] = ()) -> Iterator[tuple[str, URLPattern]]:
    """Yield every address of the app with its full name."""
    for entry in (found or get_resolver()).url_patterns:
        if isinstance(entry, URLResolver):
            yield from patterns(entry, (*names, entry.namespace) if entry.namespace else names)
        else:
            yield ":".join((*names, str(entry.name))), entry


OWNED = {name: entry for name, entry in patterns() if "pk" in entry.pattern.converters}
OTHER = {name: entry for name, entry in patterns() if not entry.pattern.converters}


def rows_of(learner: Learner, *, text: str = "Plain") -> dict[str, Any]:
    """Make one row of each kind, with `text` in every place for text, under the first word of its address."""
    skill = make_skill(learner, "own-tune", name=text[:80], definition=text, see_or_hear=[text], is_shipped=False)
    book = make_book(learner, text, position=1)
    unit = make_unit(
        book, text, teaches=[skill], chapter=text, page=text[:40], new_words=text, link="https://example.org/play"
    )
    make_unit(book, text)
    piece = make_piece(
        learner, text, needs=[skill], composer=text, source=text, is_dream=True, why_this_one=text, beyond=[text]
    )
    lesson = make_lesson(learner, practice_days=[0, 2], work_on_text=text)
    row = make_assignment(lesson, title=text, unit=unit, skills=[skill], why=text)
    make_assignment(lesson, title=text, kind="piece", piece=piece, why=text)
    row.corrections.create(dimension="notes", text=text)
    clip = make_clip(lesson, content=b"film", given_name=text)
    take = make_take(row, clip=clip)
    make_mark(take)
    note = MomentNote.objects.create(take=take, dimension="notes", at_s=1.0, text=text)
    return {
        "skills": skill,
        "books": book,
        "units": unit,
        "set-up": unit,
        "pieces": piece,
        "bars": Demand.objects.create(piece=piece, skill=skill, bars="1-4", answer="yes"),
        "scores": add_pattern(learner, pattern=Pattern(kind="five_finger"), title=text, unit=unit),
        "placement": Placement.objects.create(learner=learner, book=book),
        "evidence": make_evidence(skill, source="hand", reason=text),
        "lessons": lesson,
        "assignments": row,
        "tries": make_try(row),
        "clips": clip,
        "uploads": make_upload(lesson, given_name=text, arrived=b"film"),
        "takes": take,
        "stills": make_still(take, words=text),
        "pictures": make_picture(learner, skill=skill, words=text),
        "notes": note,
    }


def address(name: str, rows: dict[str, Any]) -> str:
    """Return the address of this name for one of `rows`."""
    entry = OWNED[name]
    given = {"pk": rows[str(entry.pattern).split("/")[0]].pk}
    if "dimension" in entry.pattern.converters:
        given["dimension"] = "notes"
    if "hand" in entry.pattern.converters:
        given["hand"] = "right"
    return reverse(name, kwargs=given)
