"""Somebody who is always right, on five days a week, must not be held up by the rules."""

from dataclasses import dataclass, field
from datetime import date, timedelta

import pytest
import yaml

from curriculum.graph.gates import SkillFacts, UnitFacts, piece_gate, unit_gates
from curriculum.graph.standing import EvidenceItem, Source, Standing, standing_of
from curriculum.rubric import RUBRIC_FILE
from lessons.planning.week import Candidate, compose_week

SKILLS_FILE = RUBRIC_FILE.parent / "skills.yaml"

# An invented book: what is new in each of its thirty units.
BOOK = """
key-names finger-numbers
five-finger-place
steady-pulse basic-values
hands-alternating detached-touch
staff-basics treble-reading
bass-reading interval-reading
mirror-motion
simple-metre rests
legato loud-soft
grand-staff
hands-together-simple
eighth-pairs fingering-marks
staccato score-marks
accidentals keep-going
parallel-motion
ties upbeats
even-five-finger solid-triads
place-shift
black-key-comfort five-finger-keys
broken-chords
key-signatures
graded-levels swell-fade
dotted-quarter
two-note-slurs
sounding-together
thumb-under
scale-one-octave
hand-independence
pedal-foot pedal-with-chord
hand-balance phrase-shaping
"""

FIRST_MONDAY = date(2025, 3, 3)

# Skills that one check line plays at once. With one alone, two lines a week fall ever further behind a book that brings
# one or two skills a week.
SKILLS_OF_A_CHECK = 3


@dataclass
class PerfectLearner:
    """Plays every line of every sheet right on five days, films it on Sunday, and moves on."""

    minutes_per_day: int = 30
    today: date = FIRST_MONDAY
    units: dict[str, UnitFacts] = field(default_factory=dict)
    evidence: dict[str, list[EvidenceItem]] = field(default_factory=dict)
    done: set[str] = field(default_factory=set)
    has_moved_on: bool = False

    def __post_init__(self) -> None:
        shipped = yaml.safe_load(SKILLS_FILE.read_text(encoding="utf-8"))["skills"]
        self.shipped = {row["id"]: row for row in shipped}
        self.evidence = {slug: [] for slug in self.shipped}
        for number, line in enumerate(BOOK.split("\n")[1:-1], start=1):
            after = frozenset({f"unit {number - 1}"}) if number > 1 else frozenset()
            self.units[f"unit {number}"] = UnitFacts(
                f"unit {number}", "book", number, teaches=frozenset(line.split()), after=after
            )

    def report(self, slug: str):
        return standing_of(self.evidence[slug], today=self.today)

    def skills(self) -> dict[str, SkillFacts]:
        facts = {}
        for slug, row in self.shipped.items():
            report = self.report(slug)
            facts[slug] = SkillFacts(
                slug,
                needs=frozenset(row["prerequisites"]),
                standing=report.standing,
                has_pass=report.has_pass,
                is_watch=row["gate"] == "watch",
                rank=(row["stage"],),
            )
        return facts

    def book(self) -> dict[str, UnitFacts]:
        return {
            name: UnitFacts(
                name, "book", unit.position, unit.teaches, unit.needs, unit.after, is_done=name in self.done
            )
            for name, unit in self.units.items()
        }

    def sheet(self) -> dict[str, frozenset[str]]:
        """This week's lines with the skills that each exercises."""
        skills, units = self.skills(), self.book()
        exercises: dict[str, frozenset[str]] = {}
        candidates = []
        for name, gate in unit_gates(units=units, skills=skills).items():
            if gate.is_open and name not in self.done:
                candidates.append(Candidate(name, "unit", name, 10, "The next open unit.", order=units[name].position))
                exercises[name] = units[name].teaches
        to_check = self.skills_to_check()
        for first in range(0, len(to_check), SKILLS_OF_A_CHECK):
            together = to_check[first : first + SKILLS_OF_A_CHECK]
            key = f"check {' '.join(together)}"
            candidates.append(
                Candidate(key, "check", key, 4, "Due a check, or one right day from a tick.", order=first)
            )
            exercises[key] = frozenset(together)
        lines = compose_week(candidates, minutes_per_day=self.minutes_per_day, days=5, has_moved_on=self.has_moved_on)
        return {line.key: exercises[line.key] for line in lines}

    def skills_to_check(self) -> list[str]:
        """What is due a check, and what one more right day would tick, the one that waits longest first."""
        waiting = []
        for slug in self.shipped:
            report = self.report(slug)
            since = report.due_on if report.standing is Standing.DUE else report.ripe_on
            if since is not None:
                waiting.append((since, self.shipped[slug]["stage"], slug))
        return [slug for *_, slug in sorted(waiting)]

    def live_a_week(self) -> dict[str, frozenset[str]]:
        """Practise from Monday to Friday, film on Sunday, decide; the next day is Monday."""
        lines = self.sheet()
        for weekday in (0, 1, 2, 3, 4, 6):
            source = Source.REVIEW if weekday == 6 else Source.TRY
            for slug in set().union(*lines.values()):
                self.evidence[slug].append(EvidenceItem(self.today + timedelta(days=weekday), source, True))
        self.done |= lines.keys() & self.units.keys()
        self.has_moved_on = True
        self.today += timedelta(days=7)
        return lines


@dataclass(frozen=True)
class Week:
    number: int
    lines: dict[str, frozenset[str]]
    standing: dict[str, Standing]
    waiting_skills: tuple[str, ...]
    is_two_hand_piece_open: bool


def live_through_the_book(minutes_per_day: int) -> list[Week]:
    learner = PerfectLearner(minutes_per_day=minutes_per_day)
    weeks: list[Week] = []
    while len(learner.done) < len(learner.units):
        gates = unit_gates(units=learner.book(), skills=learner.skills())
        following = next(gate for name, gate in gates.items() if name not in learner.done)
        lines = learner.live_a_week()
        skills = learner.skills()
        piece = piece_gate({"hands-together-simple"}, skills=skills, units=learner.book())
        weeks.append(
            Week(
                number=len(weeks) + 1,
                lines=lines,
                standing={slug: skill.standing for slug, skill in skills.items()},
                waiting_skills=following.waiting_skills,
                is_two_hand_piece_open=piece.is_open,
            )
        )
        assert len(weeks) <= 60, "stuck"
    return weeks


@pytest.fixture(scope="module", params=[10, 30, 120])
def weeks(request) -> list[Week]:
    return live_through_the_book(request.param)


def test_five_finger_place_is_ticked_by_week_three(weeks):
    assert weeks[2].standing["five-finger-place"] is Standing.TICKED


def test_every_week_has_a_unit_and_the_book_never_waits_for_a_skill(weeks):
    assert len(weeks) == 30
    for week in weeks:
        assert any(key.startswith("unit ") for key in week.lines)
        assert week.waiting_skills == ()


def test_hands_together_come_in_the_order_of_the_book_and_open_a_piece_a_week_later(weeks):
    began = next(week.number for week in weeks if "hands-together-simple" in set().union(*week.lines.values()))
    opened = next(week.number for week in weeks if week.is_two_hand_piece_open)
    assert began == 11
    assert opened == 12


def test_skills_taught_keep_being_ticked_as_the_book_goes_on(weeks):
    for week in weeks:
        taught_before = set().union(
            *(skills for earlier in weeks[: max(0, week.number - 4)] for skills in earlier.lines.values())
        )
        behind = [slug for slug in taught_before if not week.standing[slug].counts_as_ticked]
        assert behind == []


def test_five_minutes_a_day_go_through_the_book_too():
    weeks = live_through_the_book(5)
    assert len(weeks) == 30
    assert all(week.waiting_skills == () for week in weeks)
