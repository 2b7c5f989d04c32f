"""Writes about books and their units."""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any, NoReturn

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import F, Max

from curriculum.graph.prerequisites import closure, find_loop
from curriculum.models import Book, Evidence, Learner, Skill, Unit, slugs
from curriculum.outline import (
    BookOutline,
    EmptyOutlineError,
    SkillOutline,
    TableReading,
    UnitOutline,
    read_books,
    read_json,
)
from curriculum.outline.book import MOST_IN_LIST, MOST_UNITS
from curriculum.queries import learner_graph
from curriculum.services.evidence import claim_skills, withdraw_evidence

# Added to places while units change theirs, so that no two share one on the way. More than any book has units.
ASIDE = 1_000_000


def read_book_file(data: bytes, *, name: str) -> TableReading:
    """Return the books of a CSV or JSON file. Nothing is written.

    Raises
    ------
    OutlineError
        If it cannot be read, or holds no unit.
    """
    if name.lower().endswith(".json") or data.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"{":
        return TableReading(books=(read_json(data),))
    reading = read_books(data)
    if not reading.books:
        raise EmptyOutlineError("There is no unit in this file, only its header.")
    return reading


@transaction.atomic
def add_book(learner: Learner, *, title: str, units: Iterable[UnitOutline] = ()) -> Book:
    """Add a book with its units in the order given; they are numbered from 1."""
    last = Book.objects.filter(learner=learner).aggregate(last=Max("position"))["last"] or 0
    book = Book(learner=learner, title=title, position=last + 1)
    _save_title(book)
    append_units(book, units)
    return book


def _save_title(book: Book) -> None:
    """Save a book, or say which other one has its title. Two windows may have asked at the same moment."""
    book.full_clean(exclude=["learner"], validate_unique=False, validate_constraints=False)
    twice = ValidationError(
        {
            "title": ValidationError(
                "You have a book called “%(title)s” already. Give this one another title.", params={"title": book.title}
            )
        }
    )
    if Book.objects.filter(learner=book.learner, title=book.title).exclude(pk=book.pk).exists():
        raise twice
    try:
        with transaction.atomic():
            book.save()
    except IntegrityError as error:
        raise twice from error


@transaction.atomic
def add_books(learner: Learner, outlines: Iterable[BookOutline]) -> list[Book]:
    """Add several books, all of them or none."""
    return [add_book(learner, title=outline.title, units=outline.units) for outline in outlines]


def change_book(book: Book, *, title: str) -> None:
    """Give a book another title."""
    book.title = title
    _save_title(book)


def delete_book(book: Book) -> None:
    """Delete a book with its units. Evidence and the sheets of past weeks stay."""
    book.delete()


@transaction.atomic
def append_units(book: Book, units: Iterable[UnitOutline]) -> list[Unit]:
    """Add units at the end of a book, with all that their outlines carry."""
    last = book.units.aggregate(last=Max("position"))["last"] or 0
    outlines = list(units)
    _refuse_too_many(book, more=len(outlines))
    rows = [
        Unit(
            book=book,
            position=last + number,
            chapter=outline.chapter,
            title=outline.title,
            page=outline.page,
            new_words=outline.new_words,
            link=outline.link,
            follows=Unit.Follows.BEFORE if outline.after is None else Unit.Follows.NAMED,
        )
        for number, outline in enumerate(outlines, start=1)
    ]
    for row in rows:
        row.clean_fields(exclude=["book"])
    Unit.objects.bulk_create(rows)
    _link_units(book, outlines, rows)
    refuse_loop(book)
    return rows


def _refuse_too_many(book: Book, *, more: int) -> None:
    """Refuse more units than a file of the book could carry."""
    count = book.units.count() + more
    if count > MOST_UNITS:
        raise ValidationError(
            f"That would be {count} units; a book has at most {MOST_UNITS}. Enter the rest as a second book.",
            code="too-many",
        )


def refuse_loop(book: Book) -> None:
    """Refuse an order in which a unit would, in the end, come after itself."""
    units = list(book.units.order_by("position"))
    if not any(unit.follows == Unit.Follows.NAMED for unit in units):
        return
    after: dict[str, frozenset[str]] = {}
    named: dict[str, set[str]] = {}
    links = Unit.after.through._default_manager.filter(from_unit__book=book).values_list("from_unit_id", "to_unit_id")
    for unit_id, after_id in links:
        named.setdefault(str(unit_id), set()).add(str(after_id))
    for before, unit in zip([None, *units], units, strict=False):
        if unit.follows == Unit.Follows.NAMED:
            after[str(unit.pk)] = frozenset(named.get(str(unit.pk), ()))
        elif before is not None:
            after[str(unit.pk)] = frozenset({str(before.pk)})
    loop = find_loop(after)
    if loop:
        by_id = {str(unit.pk): unit for unit in units}
        raise ValidationError(
            "That would go round in a circle: %(loop)s. Leave one of these out.",
            code="loop",
            params={
                "loop": " comes after ".join(
                    f"unit {by_id[unit_id].position}, “{by_id[unit_id].title}”" for unit_id in loop
                )
            },
        )


def refuse_unknown(slugs: Iterable[str]) -> NoReturn:
    """Refuse skills that the learner has not."""
    raise ValidationError(
        "You have no skill called %(slugs)s. Add it on the skills page first, or leave it out.",
        code="unknown-skill",
        params={"slugs": ", ".join(f"“{slug}”" for slug in sorted(slugs))},
    )


def _link_units(book: Book, outlines: Sequence[UnitOutline], rows: Sequence[Unit]) -> None:
    ids = dict(Skill.objects.filter(learner=book.learner).values_list("slug", "pk"))
    unknown = {slug for outline in outlines for slug in (*outline.teaches, *outline.needs)} - set(ids)
    if unknown:
        refuse_unknown(unknown)
    by_position = {outline.position: row for outline, row in zip(outlines, rows, strict=True)}
    teaches, needs, after = [], [], []
    for outline, row in zip(outlines, rows, strict=True):
        teaches += [Unit.teaches.through(unit_id=row.pk, skill_id=ids[slug]) for slug in dict.fromkeys(outline.teaches)]
        needs += [Unit.extra_needs.through(unit_id=row.pk, skill_id=ids[slug]) for slug in dict.fromkeys(outline.needs)]
        after += [
            Unit.after.through(from_unit_id=row.pk, to_unit_id=by_position[position].pk)
            for position in dict.fromkeys(outline.after or ())
        ]
    Unit.teaches.through._default_manager.bulk_create(teaches)
    Unit.extra_needs.through._default_manager.bulk_create(needs)
    Unit.after.through._default_manager.bulk_create(after)


def outline_of(book: Book) -> BookOutline:
    """Return a book as plain data, the way export writes it."""
    units = list(book.units.order_by("position").prefetch_related("teaches", "extra_needs", "after"))
    place = {unit.pk: number for number, unit in enumerate(units, start=1)}
    named = {skill.slug for unit in units for skill in (*unit.teaches.all(), *unit.extra_needs.all())}
    return BookOutline(
        title=book.title,
        skills=_own_below(named, own_skill_outlines(book.learner)),
        units=tuple(
            UnitOutline(
                position=place[unit.pk],
                chapter=unit.chapter,
                title=unit.title,
                page=unit.page,
                teaches=tuple(sorted(skill.slug for skill in unit.teaches.all())),
                needs=tuple(sorted(skill.slug for skill in unit.extra_needs.all())),
                after=None
                if unit.follows == Unit.Follows.BEFORE
                else tuple(sorted(place[other.pk] for other in unit.after.all() if other.pk in place)),
                link=unit.link,
                new_words=unit.new_words,
            )
            for unit in units
        ),
    )


def own_skill_outlines(learner: Learner) -> tuple[SkillOutline, ...]:
    """Return the learner's own skills as plain data, by slug."""
    rows = Skill.objects.filter(learner=learner, is_shipped=False).order_by("slug").prefetch_related("needs")
    return tuple(skill_outline(skill) for skill in rows)


def skill_outline(skill: Skill) -> SkillOutline:
    """Return a skill as plain data, the way export writes it."""
    return SkillOutline(
        slug=skill.slug,
        name=skill.name,
        definition=skill.definition,
        see_or_hear=tuple(skill.see_or_hear),
        family=skill.group,
        stage=skill.stage,
        gate=skill.gate,
        needs=tuple(sorted(need.slug for need in skill.needs.all())),
    )


def _own_below(slugs: set[str], own: Sequence[SkillOutline]) -> tuple[SkillOutline, ...]:
    """Own skills that are named, and own skills that those rest on."""
    needs = {skill.slug: frozenset(skill.needs) for skill in own}
    below = closure(slugs & needs.keys(), needs=needs)
    return tuple(skill for skill in own if skill.slug in below)


@transaction.atomic
def insert_unit(book: Book, *, position: int, title: str, **fields: Any) -> Unit:
    """Insert a unit at `position` (1 is the first place); later units move one place down."""
    _refuse_too_many(book, more=1)
    _shift(book, since=position, by=1)
    unit = Unit(book=book, position=position, title=title, **fields)
    unit.full_clean()
    unit.save()
    return unit


@transaction.atomic
def change_unit(
    unit: Unit,
    *,
    teaches: Iterable[Skill] | None = None,
    extra_needs: Iterable[Skill] | None = None,
    after: Iterable[Unit] | None = None,
    today: date | None = None,
    **fields: Any,
) -> None:
    """Change what is written about a unit, what is new in it, what it needs and what it comes after.

    With `today`, what is new in a unit that “I am here” passed over is claimed like the rest, so that naming it late
    holds nothing back.
    """
    for name, value in fields.items():
        setattr(unit, name, value)
    unit.full_clean()
    unit.save()
    if teaches is not None:
        taught = _few_enough(teaches)
        unit.teaches.set(taught)
        if today is not None and unit.done_by == Unit.DoneBy.HERE:
            claim_skills(taught, today=today, reference=_here_reference(unit))
    if extra_needs is not None:
        unit.extra_needs.set(_few_enough(extra_needs))
    if after is not None:
        unit.after.set(list(after))
    refuse_loop(unit.book)


def _few_enough(skills: Iterable[Skill]) -> list[Skill]:
    chosen = list(skills)
    if len(chosen) > MOST_IN_LIST:
        raise ValidationError(f"{len(chosen)} skills are too many for one unit. Choose at most {MOST_IN_LIST}.")
    return chosen


@transaction.atomic
def rewrite_unit(unit: Unit, *, place: int, **fields: Any) -> None:
    """Change what is written about a unit and its place in the book, both or neither."""
    change_unit(unit, **fields)
    if place != unit.position:
        move_unit(unit, to_position=place)


@transaction.atomic
def move_unit(unit: Unit, *, to_position: int) -> None:
    """Move a unit to another place of its book; the others close up."""
    order = list(unit.book.units.order_by("position"))
    order.remove(unit)
    order.insert(max(0, min(to_position - 1, len(order))), unit)
    _renumber(unit.book, order)
    refuse_loop(unit.book)


@transaction.atomic
def delete_unit(unit: Unit) -> None:
    """Delete a unit. Evidence and sheets of earlier weeks stay."""
    book = unit.book
    unit.delete()
    _renumber(book, list(book.units.order_by("position")))
    refuse_loop(book)


def _shift(book: Book, *, since: int, by: int) -> None:
    book.units.filter(position__gte=since).update(position=F("position") + ASIDE)
    book.units.filter(position__gte=ASIDE).update(position=F("position") - ASIDE + by)


def _renumber(book: Book, order: Sequence[Unit]) -> None:
    book.units.update(position=F("position") + ASIDE)
    for number, unit in enumerate(order, start=1):
        unit.position = number
    Unit.objects.bulk_update(order, ["position"])


@transaction.atomic
def stand_here(unit: Unit, *, today: date) -> int:
    """“I am here”: units before this one are done and their skills claimed; return how many units that marked.

    Saying it again further back takes back what an earlier “I am here” had marked from there on, and a verdict on the
    unit itself. What was decided about units after it stays.
    """
    later = unit.book.units.filter(position__gte=unit.position, done_by=Unit.DoneBy.HERE)
    withdraw_evidence(*[_here_reference(other) for other in later])
    later.update(done_on=None, done_by="")
    Unit.objects.filter(pk=unit.pk).update(sent_back_on=None, waits_for=None, done_on=None, done_by="")
    earlier = list(unit.book.units.filter(position__lt=unit.position, done_on=None).prefetch_related("teaches"))
    # Tried and not ticked yet is claimed as well: it would hold the very unit at which the learner says they are.
    reports = learner_graph(unit.book.learner, today=today).reports
    standing = {slug for slug, report in reports.items() if report.standing.counts_as_ticked}
    for other in earlier:
        lacking = [skill for skill in other.teaches.all() if skill.slug not in standing]
        claim_skills(lacking, today=today, reference=_here_reference(other), also_tried=True)
        standing.update(slugs(lacking))
    unit.book.units.filter(position__lt=unit.position, done_on=None).update(
        done_on=today, done_by=Unit.DoneBy.HERE, begun_on=None, sent_back_on=None, waits_for=None
    )
    return len(earlier)


def _here_reference(unit: Unit) -> str:
    return f"here:{unit.pk}"


def begin_unit(unit: Unit, *, today: date) -> None:
    """A unit that stands on a sheet is in work."""
    if unit.begun_on or unit.done_on:
        return
    unit.begun_on, unit.sent_back_on, unit.waits_for = today, None, None
    unit.save(update_fields=["begun_on", "sent_back_on", "waits_for"])


@transaction.atomic
def finish_unit(unit: Unit, *, today: date) -> None:
    """The verdict *move on*: the unit is done, and units that waited for it may be taken up again."""
    unit.done_on, unit.done_by = today, Unit.DoneBy.VERDICT
    unit.begun_on, unit.sent_back_on, unit.waits_for = unit.begun_on or today, None, None
    unit.save(update_fields=["done_on", "done_by", "begun_on", "sent_back_on", "waits_for"])
    Unit.objects.filter(waits_for=unit).update(sent_back_on=None, waits_for=None)


@transaction.atomic
def reopen_unit(unit: Unit) -> None:
    """Take a verdict back: the unit is in work as before."""
    unit.done_on, unit.done_by, unit.sent_back_on, unit.waits_for = None, "", None, None
    unit.save(update_fields=["done_on", "done_by", "sent_back_on", "waits_for"])


@transaction.atomic
def send_back(unit: Unit, *, proposed: Unit | None, today: date) -> None:
    """The verdict *go back*: the unit is to come again, and `proposed` is taken up first, whatever is ticked by now."""
    unit.begun_on, unit.done_on, unit.done_by = None, None, ""
    unit.sent_back_on, unit.waits_for = today, proposed
    unit.opened_anyway_on, unit.opened_anyway_reason = None, ""
    unit.full_clean()
    unit.save()
    if proposed is not None:
        proposed.done_on, proposed.done_by, proposed.begun_on = None, "", today
        proposed.sent_back_on = proposed.waits_for = None
        proposed.save()


def put_back(unit: Unit, *, done_on: date | None, done_by: str = "") -> None:
    """Write where a unit stood before it was taken up again by mistake: done on a day, or not begun."""
    unit.begun_on, unit.done_on, unit.done_by = done_on, done_on, done_by if done_on else ""
    unit.save(update_fields=["begun_on", "done_on", "done_by"])


def open_unit_anyway(unit: Unit, *, reason: str, today: date) -> None:
    """Open a held unit, with a reason. It shows as such and is no evidence."""
    unit.opened_anyway_on, unit.opened_anyway_reason = today, reason.strip()
    unit.sent_back_on = unit.waits_for = None
    unit.full_clean()
    unit.save()


def claims_of_here(unit: Unit) -> int:
    """Return how many claims in force an earlier “I am here” made for this unit."""
    return Evidence.objects.filter(reference=_here_reference(unit), withdrawn_at=None).count()
