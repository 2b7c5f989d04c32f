"""Taking a shared outline in: as a book of its own, or into a book that the learner has. All of it or nothing."""

from collections.abc import Iterable, Mapping

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F

from curriculum.graph.prerequisites import loop_closed_by
from curriculum.models import Book, Learner, Skill, Unit
from curriculum.outline import BookOutline, OutlineError, SkillOutline
from curriculum.outline.merging import Choice, ConflictKind, Merged, MergePlan, merge_plan, merged
from curriculum.queries import FAMILIES, prerequisites_of
from curriculum.services.books import (
    ASIDE,
    add_book,
    outline_of,
    own_skill_outlines,
    refuse_loop,
    refuse_unknown,
    skill_outline,
)
from curriculum.services.skills import set_needs


def plan_import(learner: Learner, outline: BookOutline, *, into: Book | None) -> MergePlan:
    """Say what taking an outline in would do. Nothing is written."""
    return merge_plan(
        outline,
        existing=outline_of(into) if into else None,
        skills=_slugs(learner),
        own_skills=own_skill_outlines(learner),
    )


def loops_of_plan(learner: Learner, plan: MergePlan) -> dict[str, str]:
    """Say of each conflict about what a skill needs which circle the outline's side would close; by the conflict's key."""
    needs = prerequisites_of(learner)
    names = dict(Skill.objects.filter(learner=learner).values_list("slug", "name"))
    found = {}
    for conflict in plan.conflicts:
        if conflict.kind is not ConflictKind.SKILL_DIFFERS or conflict.field != "needs":
            continue
        wanted = [str(slug) for slug in conflict.theirs or () if slug in needs]
        others = {slug: below for slug, below in needs.items() if slug != conflict.skill}
        loop = loop_closed_by(conflict.skill, new_needs=wanted, needs=others)
        if loop:
            found[conflict.key] = " needs ".join(f"“{names[slug]}”" for slug in loop)
    return found


@transaction.atomic
def import_outline(
    learner: Learner,
    outline: BookOutline,
    *,
    into: Book | None,
    choices: Mapping[str, Choice] | None = None,
    leave_out: bool = False,
) -> Book:
    """Take an outline in as chosen. Evidence and where the own units stand stay as they are.

    With `leave_out` skills that nobody describes are left out; otherwise they are refused.

    Raises
    ------
    ValidationError
        If the result could not be kept; then nothing is.
    """
    slugs = _slugs(learner)
    unknown = {slug for unit in outline.units for slug in (*unit.teaches, *unit.needs)} - slugs
    unknown -= {skill.slug for skill in outline.skills}
    if unknown and not leave_out:
        refuse_unknown(unknown)
    try:
        result = merged(
            outline,
            existing=outline_of(into) if into else None,
            skills=slugs,
            own_skills=own_skill_outlines(learner),
            choices=choices,
        )
    except OutlineError as error:
        raise ValidationError(str(error)) from error
    _write_skills(learner, result.book.skills)
    if into is None:
        return add_book(learner, title=outline.title, units=result.book.units)
    _write_units(into, result)
    refuse_loop(into)
    return into


@transaction.atomic
def import_outlines(learner: Learner, outlines: Iterable[BookOutline], *, leave_out: bool = False) -> list[Book]:
    """Take in several outlines as books of their own, all of them or none."""
    return [import_outline(learner, outline, into=None, leave_out=leave_out) for outline in outlines]


def _slugs(learner: Learner) -> set[str]:
    return set(Skill.objects.filter(learner=learner).values_list("slug", flat=True))


def _write_skills(learner: Learner, outlines: tuple[SkillOutline, ...]) -> None:
    """Add skills that are not there and rewrite those that are, first themselves and then what they rest on."""
    rows = {skill.slug: skill for skill in Skill.objects.filter(learner=learner)}
    names = {skill.name.casefold(): slug for slug, skill in rows.items()}
    changed = []
    for outline in outlines:
        if names.get(outline.name.casefold(), outline.slug) != outline.slug:
            raise ValidationError(
                "You have another skill called “%(name)s”. Leave this one out, or give yours another name first.",
                params={"name": outline.name},
            )
        names[outline.name.casefold()] = outline.slug
        is_new = outline.slug not in rows
        skill = rows.setdefault(outline.slug, Skill(learner=learner, slug=outline.slug))
        has_other_needs = is_new or set(skill_outline(skill).needs) != set(outline.needs)
        skill.name, skill.definition, skill.see_or_hear = outline.name, outline.definition, list(outline.see_or_hear)
        skill.group = outline.family if outline.family in FAMILIES else "own"
        skill.stage, skill.gate = outline.stage, outline.gate
        skill.full_clean(exclude=["learner"])
        skill.save()
        if has_other_needs:
            changed.append((skill, outline.needs))
    for skill, needs in changed:
        set_needs(skill, [rows[slug] for slug in needs])


def _write_units(book: Book, result: Merged) -> None:
    """Write the units of a merged book. Rows that stay keep themselves, with all that happened to them."""
    own = dict(enumerate(book.units.order_by("position"), start=1))
    skills = {skill.slug: skill for skill in Skill.objects.filter(learner=book.learner)}
    book.units.update(position=F("position") + ASIDE)
    rows: dict[int, Unit] = {}
    sides = list(zip(result.book.units, result.mine, result.after_is_theirs, strict=True))
    for place, (outline, mine, _) in enumerate(sides, start=1):
        unit = own[mine] if mine is not None else Unit(book=book)
        unit.position, unit.title, unit.chapter, unit.page = place, outline.title, outline.chapter, outline.page
        unit.link, unit.new_words = outline.link, outline.new_words
        unit.full_clean(exclude=["book", "waits_for"], validate_unique=False, validate_constraints=False)
        unit.save()
        rows[outline.position] = unit
    for outline, _mine, after_is_theirs in sides:
        unit = rows[outline.position]
        unit.teaches.set([skills[slug] for slug in outline.teaches])
        unit.extra_needs.set([skills[slug] for slug in outline.needs])
        if after_is_theirs:
            unit.follows = Unit.Follows.BEFORE if outline.after is None else Unit.Follows.NAMED
            unit.save(update_fields=["follows"])
            unit.after.set([rows[position] for position in outline.after or ()])
