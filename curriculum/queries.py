"""Reads of the learner's books, skills and pieces.

`learner_graph` gathers everything that the gates need in eight queries, whatever the number of books or years of
evidence, and answers every question of the pages from memory.
"""

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from functools import cached_property
from itertools import zip_longest
from uuid import UUID

from django.db.models import Model, Prefetch, Q, QuerySet
from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django_htmx.middleware import HtmxDetails

from curriculum.graph.gates import (
    PieceGate,
    SkillFacts,
    UnitFacts,
    UnitGate,
    known_skills,
    piece_gate,
    unit_gates,
    unit_needs,
)
from curriculum.graph.prerequisites import closure
from curriculum.graph.standing import EvidenceItem, Source, Standing, StandingReport, StandingRules, standing_of
from curriculum.graph.wording import say_day
from curriculum.models import Book, Demand, Evidence, Learner, Piece, Placement, Prerequisite, Score, Skill, Unit
from curriculum.outline.phrases import SkillWords, suggest_skills

# The families of skills in the order of the skills page, with the heading of each.
FAMILIES = {
    "body": "Body",
    "hand": "Hand",
    "keyboard": "Keyboard",
    "reading": "Reading",
    "rhythm": "Pulse and rhythm",
    "touch": "Touch",
    "dynamics": "Loudness",
    "coordination": "Two hands",
    "patterns": "Scales, chords and figures",
    "pedal": "Pedal",
    "ornaments": "Ornaments",
    "musicianship": "Musicianship",
    "practice": "Practising",
    "own": "Your own",
}

# Names that one sentence lists before it says "and 3 more". Beyond four a reader skips.
MOST_NAMED = 4


class LearnerRequest(HttpRequest):
    """A request from behind the sign-in; htmx may be asking."""

    user: Learner
    htmx: HtmxDetails


class UnitState(StrEnum):
    """Where a unit stands; in step order."""

    TO_COME = "to_come"
    OPEN = "open"
    IN_WORK = "in_work"
    DONE = "done"

    @property
    def label(self) -> str:
        return self.value.replace("_", " ")


class PieceState(StrEnum):
    """Where a piece stands."""

    NOT_LOOKED_AT = "not_looked_at"
    HELD = "held"
    OPEN = "open"
    IN_WORK = "in_work"
    LEARNT = "learnt"

    @property
    def label(self) -> str:
        return self.value.replace("_", " ")


def get_skill(learner: Learner, pk: UUID) -> Skill:
    """Return this learner's skill or raise Http404."""
    return get_object_or_404(Skill, learner=learner, pk=pk)


def get_book(learner: Learner, pk: UUID) -> Book:
    """Return this learner's book or raise Http404."""
    return get_object_or_404(Book, learner=learner, pk=pk)


def get_unit(learner: Learner, pk: UUID) -> Unit:
    """Return this learner's unit, with its book, or raise Http404."""
    return get_object_or_404(Unit.objects.select_related("book", "waits_for"), book__learner=learner, pk=pk)


def get_evidence(learner: Learner, pk: int) -> Evidence:
    """Return this learner's row of evidence, with its skill, or raise Http404."""
    return get_object_or_404(Evidence.objects.select_related("skill"), learner=learner, pk=pk)


def get_piece(learner: Learner, pk: UUID) -> Piece:
    """Return this learner's piece or raise Http404."""
    return get_object_or_404(Piece, learner=learner, pk=pk)


def get_score(learner: Learner, pk: UUID) -> Score:
    """Return this learner's score, with what it belongs to, or raise Http404."""
    return get_object_or_404(Score.objects.select_related("piece", "unit__book"), learner=learner, pk=pk)


def get_placement(learner: Learner, pk: UUID) -> Placement:
    """Return this learner's placement or raise Http404."""
    return get_object_or_404(Placement, learner=learner, pk=pk)


def scores_for(
    learner: Learner, *, unit: Unit | None = None, piece: Piece | None = None, keep: UUID | None = None
) -> QuerySet[Score]:
    """Return the learner's scores that may stand beside a unit or a piece: its own, those that belong to nothing, and `keep`; by title."""
    fits = Q(unit=None, piece=None) | Q(pk=keep)
    if unit is not None:
        fits |= Q(unit=unit)
    if piece is not None:
        fits |= Q(piece=piece)
    return Score.objects.filter(fits, learner=learner)


def visible_skills(learner: Learner) -> QuerySet[Skill]:
    """Return the learner's skills that are not hidden, easiest first."""
    return Skill.objects.filter(learner=learner, is_hidden=False)


def pieces_of(learner: Learner) -> QuerySet[Piece]:
    """Return the learner's pieces with the skills they name, dream pieces first."""
    return Piece.objects.filter(learner=learner).prefetch_related("needs")


def pieces_with_demands(learner: Learner) -> QuerySet[Piece]:
    """Return the learner's pieces with the skills they name, what is asked in which bars, and their score."""
    return pieces_of(learner).prefetch_related("demands").select_related("score")


def get_typed_demand(learner: Learner, pk: int) -> Demand:
    """Return what this learner wrote by hand about bars of a piece, or raise Http404."""
    return get_object_or_404(Demand.objects.select_related("piece"), piece__learner=learner, pk=pk, detector="")


def evidence_of(skill: Skill) -> QuerySet[Evidence]:
    """Return all evidence of a skill, withdrawn rows too (`withdrawn_at` not NULL), newest first."""
    return Evidence.objects.filter(skill=skill).order_by("-played_on", "-id")


def prerequisites_of(learner: Learner) -> dict[str, frozenset[str]]:
    """Return slug -> slugs of its direct prerequisites, for every skill of the learner that has any."""
    needs: defaultdict[str, set[str]] = defaultdict(set)
    rows = Prerequisite.objects.filter(skill__learner=learner).values_list("skill__slug", "need__slug")
    for slug, need in rows:
        needs[slug].add(need)
    return {slug: frozenset(found) for slug, found in needs.items()}


@dataclass
class LearnerGraph:
    """Everything the gates know about one learner on one day. Skills are named by slug, units by the text of their id."""

    learner: Learner
    today: date
    skills: dict[str, Skill]
    needs: dict[str, frozenset[str]]
    reports: dict[str, StandingReport]
    units: dict[str, Unit]
    teaches: dict[str, frozenset[str]]
    extra_needs: dict[str, frozenset[str]]
    after: dict[str, frozenset[str]]
    evidence: dict[str, list[EvidenceItem]] = field(default_factory=dict)
    _states: dict[str, UnitState] = field(default_factory=dict)
    _piece_gates: dict[UUID, PieceGate] = field(default_factory=dict)

    @cached_property
    def skill_facts(self) -> dict[str, SkillFacts]:
        return {
            slug: SkillFacts(
                id=slug,
                needs=self.needs.get(slug, frozenset()),
                standing=self.reports[slug].standing,
                has_pass=self.reports[slug].has_pass,
                is_watch=skill.is_watched,
                is_not_for_me=skill.not_for_me,
                rank=(skill.stage,),
            )
            for slug, skill in self.skills.items()
        }

    @cached_property
    def unit_facts(self) -> dict[str, UnitFacts]:
        return {
            unit_id: UnitFacts(
                id=unit_id,
                book=str(unit.book_id),
                position=unit.position,
                teaches=self.teaches[unit_id],
                needs=self.extra_needs[unit_id],
                after=self.after[unit_id],
                is_done=self.is_done(unit),
            )
            for unit_id, unit in self.units.items()
        }

    @cached_property
    def known(self) -> frozenset[str]:
        """Skills that count as known: ticked, claimed or due a check, and everything below those."""
        return known_skills(skills=self.skill_facts)

    def report(self, slug: str) -> StandingReport:
        return self.reports[slug]

    def is_done(self, unit: Unit) -> bool:
        """Done by verdict, by “I am here”, or because all it teaches is ticked; not while it waits, or is waited for, after *go back*."""
        if unit.done_on:
            return True
        if unit.sent_back_on or unit.pk in self._waited_for:
            return False
        taught = [slug for slug in self.teaches[str(unit.pk)] if not self.skills[slug].not_for_me]
        # What is watched blocks nothing, unless there is nothing else by which the unit could be done.
        wanted = [slug for slug in taught if not self.skills[slug].is_watched] or taught
        return bool(wanted) and all(self.reports[slug].standing in {Standing.TICKED, Standing.DUE} for slug in wanted)

    @cached_property
    def _waited_for(self) -> frozenset[UUID | None]:
        """Units that were taken up again by *go back*; ticks alone do not finish them, a verdict does."""
        return frozenset(unit.waits_for_id for unit in self.units.values() if unit.sent_back_on)

    @cached_property
    def never_by_ticks(self) -> frozenset[str]:
        """Units that ticks alone do not finish: sent back, or taken up again because another was."""
        return frozenset(
            unit_id for unit_id, unit in self.units.items() if unit.sent_back_on or unit.pk in self._waited_for
        )

    def unit_state(self, unit: Unit) -> UnitState:
        unit_id = str(unit.pk)
        if unit_id not in self._states:
            self._states[unit_id] = self._unit_state(unit)
        return self._states[unit_id]

    def _unit_state(self, unit: Unit) -> UnitState:
        if self.is_done(unit):
            return UnitState.DONE
        if unit.begun_on:
            return UnitState.IN_WORK
        if unit.opened_anyway_on:
            return UnitState.OPEN
        if unit.waits_for_id:
            return UnitState.TO_COME
        # Sent back with nothing to take up first: the gate alone decides, or the book would stand still for ever.
        return UnitState.OPEN if self.unit_gate(unit).is_open else UnitState.TO_COME

    @cached_property
    def unit_gates(self) -> dict[str, UnitGate]:
        return unit_gates(units=self.unit_facts, skills=self.skill_facts)

    def unit_gate(self, unit: Unit) -> UnitGate:
        return self.unit_gates[str(unit.pk)]

    def why_not_open(self, unit: Unit) -> str:
        """Say in one or two sentences what a unit to come waits for; empty for any other unit."""
        if self.unit_state(unit) is not UnitState.TO_COME:
            return ""
        if unit.sent_back_on and unit.waits_for_id:
            return f"Sent back on {say_day(unit.sent_back_on, today=self.today)}. First take up {say_unit(self.units[str(unit.waits_for_id)], seen_from=unit)} again."
        gate = self.unit_gate(unit)
        parts = []
        if gate.waiting_units:
            waiting = [self.units[unit_id] for unit_id in gate.waiting_units]
            parts.append(f"Comes after {say_list([say_unit(other, seen_from=unit) for other in waiting])}.")
        if gate.waiting_skills:
            named = [f"{self.skills[slug].name} ({self.standing_word(slug)})" for slug in gate.waiting_skills]
            parts.append(f"Needs {say_list(named)}.")
        return " ".join(parts)

    def taken_for_granted(self, unit: Unit) -> list[Skill]:
        """Skills that the book takes for granted at a unit that is not done: named, and holding nothing."""
        if self.is_done(unit):
            return []
        return [self.skills[slug] for slug in self.unit_gate(unit).taken_for_granted]

    def standing_word(self, slug: str) -> str:
        """The standing of a skill as one of the words that templates have a sign for."""
        skill, report = self.skills[slug], self.reports[slug]
        if skill.not_for_me:
            return "not for me"
        if skill.is_watched:
            return "watched"
        if report.is_by_hand and report.standing is Standing.TICKED:
            return "ticked by hand"
        return "due a check" if report.standing is Standing.DUE else report.standing.value.replace("_", " ")

    def unit_needs(self, unit: Unit) -> frozenset[str]:
        """Skills that a unit needs: those named, and what the skills it teaches rest on."""
        return unit_needs(self.unit_facts[str(unit.pk)], skills=self.skill_facts)

    def piece_gate(self, piece: Piece) -> PieceGate:
        """Return the gate of a piece; reads `piece.needs` (prefetch it for lists)."""
        if piece.pk not in self._piece_gates:
            self._piece_gates[piece.pk] = piece_gate(
                [skill.slug for skill in piece.needs.all()],
                skills=self.skill_facts,
                units=self.unit_facts,
                beyond=piece.beyond,
            )
        return self._piece_gates[piece.pk]

    def piece_state(self, piece: Piece) -> PieceState:
        if piece.learnt_on:
            return PieceState.LEARNT
        if piece.begun_on:
            return PieceState.IN_WORK
        if not piece.looked_at_on or not (piece.needs.all() or piece.beyond):
            return PieceState.NOT_LOOKED_AT
        if piece.opened_anyway_on:
            return PieceState.OPEN
        return PieceState.OPEN if self.piece_gate(piece).is_open else PieceState.HELD

    def failed_checks(self, piece: Piece) -> list[Skill]:
        """Skills of a begun or learnt piece whose last check failed: a flag, never a closing."""
        return [skill for skill in piece.needs.all() if self.reports[skill.slug].check_failed_on]

    def units_of(self, book: Book) -> list[Unit]:
        """Return the units of a book in its order."""
        return [unit for unit in self.units.values() if unit.book_id == book.pk]

    def here(self, book: Book) -> Unit | None:
        """The unit the learner stands at: the first that is in work, else open, else to come; None when all is done."""
        units = self.units_of(book)
        for wanted in (UnitState.IN_WORK, UnitState.OPEN, UnitState.TO_COME):
            for unit in units:
                if self.unit_state(unit) == wanted:
                    return unit
        return None

    def next_units(self, book: Book, *, count: int = 2) -> list[Unit]:
        """Return the next units that are not done, from where the learner stands; fewer at the end of the book."""
        here = self.here(book)
        if here is None:
            return []
        ahead = [unit for unit in self.units_of(book) if unit.position >= here.position and not self.is_done(unit)]
        return ahead[:count]

    @cached_property
    def _teachers(self) -> dict[str, list[Unit]]:
        teachers: defaultdict[str, list[Unit]] = defaultdict(list)
        for unit_id, unit in self.units.items():
            for slug in self.teaches[unit_id]:
                teachers[slug].append(unit)
        return dict(teachers)

    def taught_by(self, slug: str) -> list[Unit]:
        """Return the units that teach a skill, in the order of the books."""
        return self._teachers.get(slug, [])

    def needed_by(self, slug: str) -> list[Skill]:
        """Return the skills that rest directly on a skill, easiest first."""
        found = [self.skills[other] for other, needs in self.needs.items() if slug in needs]
        return sorted(found, key=lambda skill: (skill.stage, skill.name))

    @cached_property
    def count_unnamed(self) -> int:
        """How many units do not say yet what is new in them. A gap may be taught in one of those."""
        return sum(not taught for taught in self.teaches.values())

    def is_gap(self, slug: str) -> bool:
        """True where no unit of the learner's books teaches the skill."""
        return not self.taught_by(slug)

    def below(self, slugs: Iterable[str]) -> frozenset[str]:
        """Return the skills named and all that they rest on."""
        return closure(slugs, needs=self.needs)

    def names(self, slugs: Iterable[str]) -> list[str]:
        return [self.skills[slug].name for slug in slugs]


def say_unit(unit: Unit, *, seen_from: Unit | None = None) -> str:
    """Name a unit inside a sentence, with its book where that is another one."""
    named = f"unit {unit.position}, “{unit.title}”"
    is_far = seen_from is None or seen_from.book_id != unit.book_id
    return f"{named} of {unit.book.title}" if is_far else named


def say_list(words: Sequence[str], *, most: int = MOST_NAMED) -> str:
    """Join words as a sentence does; what is beyond `most` is only counted."""
    shown = list(words[:most])
    if len(words) > most:
        shown.append(f"{len(words) - most} more")
    return " and ".join(filter(None, [", ".join(shown[:-1]), *shown[-1:]]))


def learner_graph(learner: Learner, *, today: date | None = None, rules: StandingRules | None = None) -> LearnerGraph:
    """Gather skills, evidence, units and their links of one learner. Withdrawn evidence is left out."""
    day = today or learner.today()
    wanted = rules or StandingRules()
    skills = {skill.slug: skill for skill in Skill.objects.filter(learner=learner)}
    slug_of = {skill.pk: slug for slug, skill in skills.items()}
    items: defaultdict[str, list[EvidenceItem]] = defaultdict(list)
    rows = Evidence.objects.filter(learner=learner, withdrawn_at=None).values_list(
        "skill_id", "played_on", "source", "passed", "is_first_try", "reason"
    )
    for skill_id, played_on, source, passed, is_first_try, reason in rows:
        items[slug_of[skill_id]].append(
            EvidenceItem(
                played_on=played_on, source=Source(source), passed=passed, is_first_try=is_first_try, reason=reason
            )
        )
    units = {
        str(unit.pk): unit for unit in Unit.objects.filter(book__learner=learner).select_related("book", "waits_for")
    }
    return LearnerGraph(
        learner=learner,
        today=day,
        skills=skills,
        needs=prerequisites_of(learner),
        reports={slug: standing_of(items[slug], today=day, rules=wanted) for slug in skills},
        units=units,
        teaches=_skills_by_unit(learner, units, link=Unit.teaches.through, slug_of=slug_of),
        extra_needs=_skills_by_unit(learner, units, link=Unit.extra_needs.through, slug_of=slug_of),
        after=_units_after(learner, units),
        evidence=dict(items),
    )


def _skills_by_unit(
    learner: Learner, units: dict[str, Unit], *, link: type[Model], slug_of: dict[UUID, str]
) -> dict[str, frozenset[str]]:
    found: defaultdict[str, set[str]] = defaultdict(set)
    rows = link._default_manager.filter(unit__book__learner=learner).values_list("unit_id", "skill_id")
    for unit_id, skill_id in rows:
        found[str(unit_id)].add(slug_of[skill_id])
    return {unit_id: frozenset(found[unit_id]) for unit_id in units}


def _units_after(learner: Learner, units: dict[str, Unit]) -> dict[str, frozenset[str]]:
    named: defaultdict[str, set[str]] = defaultdict(set)
    rows = Unit.after.through._default_manager.filter(from_unit__book__learner=learner).values_list(
        "from_unit_id", "to_unit_id"
    )
    for unit_id, after_id in rows:
        named[str(unit_id)].add(str(after_id))
    after: dict[str, frozenset[str]] = {}
    last_of_book: dict[UUID, str] = {}
    for unit_id, unit in units.items():
        if unit.follows == Unit.Follows.NAMED:
            after[unit_id] = frozenset(named[unit_id])
        else:
            before = last_of_book.get(unit.book_id)
            after[unit_id] = frozenset({before} if before else ())
        last_of_book[unit.book_id] = unit_id
    return after


def books_of(learner: Learner) -> QuerySet[Book]:
    """Return the learner's books in their order, each with its units in the book's order."""
    return Book.objects.filter(learner=learner).prefetch_related(Prefetch("units", Unit.objects.order_by("position")))


def skills_by_slug(learner: Learner, slugs: Sequence[str]) -> dict[str, Skill]:
    """Return slug -> skill for those of `slugs` that the learner has."""
    return {skill.slug: skill for skill in Skill.objects.filter(learner=learner, slug__in=slugs)}


# Skills offered for one phrase. Three hold the right one nearly always (measured); two more cost one line each.
MOST_SUGGESTED = 5


def suggested_skills(skills: Iterable[Skill], words: str, *, most: int = MOST_SUGGESTED) -> list[Skill]:
    """Return the skills that words are most likely about, best first; hidden ones are left out.

    The words are read as a whole and phrase by phrase (`;`, line ends), so that the second thing named is not lost.
    """
    known = [skill for skill in skills if not skill.is_hidden]
    vocabulary = [
        SkillWords(
            slug=skill.slug,
            name=skill.name,
            group=skill.group,
            definition=skill.definition,
            lines=tuple(skill.see_or_hear),
        )
        for skill in known
    ]
    phrases = [phrase for phrase in re.split(r"[;\n]", words) if phrase.strip()][:most]
    per_phrase = [suggest_skills(phrase, skills=vocabulary, most=3) for phrase in phrases]
    ranked = [slug for rank in zip_longest(*per_phrase) for slug in rank if slug]
    by_slug = {skill.slug: skill for skill in known}
    return [by_slug[slug] for slug in dict.fromkeys(ranked)][:most]
