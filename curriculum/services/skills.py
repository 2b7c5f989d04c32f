"""Writes about skills: the shipped vocabulary, the learner's own, and what they rest on."""

from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import yaml
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.text import slugify

from curriculum.graph.prerequisites import loop_closed_by
from curriculum.models import Learner, Prerequisite, Skill
from curriculum.queries import prerequisites_of

SKILLS_FILE = Path(__file__).parent.parent / "content" / "skills.yaml"


@cache
def shipped_skills() -> list[dict[str, Any]]:
    """Return the shipped vocabulary as plain rows, read once; nobody changes them."""
    rows: list[dict[str, Any]] = yaml.safe_load(SKILLS_FILE.read_text(encoding="utf-8"))["skills"]
    return rows


@transaction.atomic
def seed_skills(learner: Learner) -> None:
    """Give the learner a row of their own for each shipped skill they lack; rows they have stay as they are."""
    rows = shipped_skills()
    have = set(Skill.objects.filter(learner=learner).values_list("slug", flat=True))
    fresh = {row["id"] for row in rows} - have
    Skill.objects.bulk_create(
        Skill(
            learner=learner,
            slug=row["id"],
            name=row["name"],
            group=row["group"],
            stage=row["stage"],
            definition=row["definition"],
            see_or_hear=row["see_or_hear"],
            faults=row["faults"],
            evidence_channels=row["evidence"],
            gate=row["gate"],
            is_shipped=True,
        )
        for row in rows
        if row["id"] in fresh
    )
    ids = dict(Skill.objects.filter(learner=learner, is_shipped=True).values_list("slug", "pk"))
    Prerequisite.objects.bulk_create(
        Prerequisite(skill_id=ids[row["id"]], need_id=ids[need])
        for row in rows
        if row["id"] in fresh
        for need in row["prerequisites"]
    )


@transaction.atomic
def add_skill(
    learner: Learner,
    *,
    name: str,
    definition: str = "",
    see_or_hear: Sequence[str] = (),
    group: str = "own",
    stage: int = 10,
    gate: str = Skill.Gate.TICK,
    needs: Iterable[Skill] = (),
) -> Skill:
    """Add a skill of the learner's own; its slug begins with `own-` and never changes."""
    skill = Skill(
        learner=learner,
        slug=_free_slug(learner, name),
        name=name,
        definition=definition,
        see_or_hear=list(see_or_hear),
        group=group,
        stage=stage,
        gate=gate,
    )
    skill.full_clean()
    skill.save()
    set_needs(skill, needs)
    return skill


@transaction.atomic
def change_skill(skill: Skill, *, needs: Iterable[Skill], **fields: Any) -> None:
    """Change what is written about a skill and what it rests on. Its slug stays."""
    for name, value in fields.items():
        setattr(skill, name, value)
    skill.full_clean()
    skill.save()
    set_needs(skill, needs)


def _free_slug(learner: Learner, name: str) -> str:
    base = f"own-{slugify(name)[:48] or 'skill'}"
    taken = set(Skill.objects.filter(learner=learner, slug__startswith=base).values_list("slug", flat=True))
    slug, number = base, 2
    while slug in taken:
        slug, number = f"{base}-{number}", number + 1
    return slug


@transaction.atomic
def set_needs(skill: Skill, needs: Iterable[Skill]) -> None:
    """Replace what a skill rests on.

    Raises
    ------
    ValidationError
        If that closes a loop; the message names the skills of the loop.
    """
    wanted = {need.slug: need for need in needs}
    graph = {slug: found for slug, found in prerequisites_of(skill.learner).items() if slug != skill.slug}
    loop = loop_closed_by(skill.slug, new_needs=wanted, needs=graph)
    if loop:
        names = dict(Skill.objects.filter(learner=skill.learner, slug__in=loop).values_list("slug", "name"))
        raise ValidationError(
            "That would go round in a circle: %(loop)s. Leave one of these out.",
            code="loop",
            params={"loop": " needs ".join(f"“{names[slug]}”" for slug in loop)},
        )
    Prerequisite.objects.filter(skill=skill).delete()
    Prerequisite.objects.bulk_create(Prerequisite(skill=skill, need=need) for need in wanted.values())


def hide_skill(skill: Skill, *, hidden: bool = True) -> None:
    """Take a skill out of the lists, or bring it back. It keeps its evidence."""
    skill.is_hidden = hidden
    skill.save(update_fields=["is_hidden"])


def mark_not_for_me(skill: Skill, *, reason: str) -> None:
    """Let a skill block nothing, with the learner's reason (hand, instrument, injury)."""
    skill.not_for_me, skill.not_for_me_reason = True, reason
    skill.full_clean(exclude=["learner"])
    skill.save(update_fields=["not_for_me", "not_for_me_reason"])


def mark_for_me_again(skill: Skill) -> None:
    """Take *not for me* back."""
    skill.not_for_me, skill.not_for_me_reason = False, ""
    skill.save(update_fields=["not_for_me", "not_for_me_reason"])


def delete_skill(skill: Skill) -> None:
    """Delete a skill of the learner's own with its evidence. Shipped ones can only be hidden."""
    if skill.is_shipped:
        raise ValidationError("“%(name)s” came with Keyslip. Hide it instead.", params={"name": skill.name})
    skill.delete()
