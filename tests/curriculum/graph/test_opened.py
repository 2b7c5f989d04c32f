"""What opened between two days, beside the gates of each day."""

import random
from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.graph.gates import SkillFacts, UnitFacts, piece_gate, unit_gates
from curriculum.graph.opened import OpenedItem, PieceFacts, opened_between
from curriculum.graph.standing import EvidenceItem, Source, Standing, standing_of

FIRST = date(2025, 3, 1)


def day(number: int) -> date:
    return FIRST + timedelta(days=number - 1)


def right(*numbers: int) -> list[EvidenceItem]:
    return [EvidenceItem(day(number), Source.TRY, passed=True) for number in numbers]


SKILLS = {"place": SkillFacts("place"), "legato": SkillFacts("legato", frozenset({"place"}))}
UNITS = {
    "one": UnitFacts("one", "book", 1, teaches=frozenset({"place"})),
    "two": UnitFacts("two", "book", 2, teaches=frozenset({"legato"}), after=frozenset({"one"})),
}


def opened(start, end, **more):
    world = {"skills": SKILLS, "evidence": {}, "units": UNITS, "pieces": {}} | more
    return opened_between(day(start), day(end), **world)


def test_unit_opens_when_the_one_before_it_is_done_and_what_it_needs_is_played():
    found = opened(3, 10, evidence={"place": right(5)}, done_on={"one": day(7)})
    assert found.units == (OpenedItem("two", ("place",), ("one",)),)
    assert [(move.skill, move.before, move.report.standing) for move in found.skills] == [
        ("place", Standing.UNTRIED, Standing.IN_WORK)
    ]


def test_what_was_open_before_or_is_done_already_did_not_open():
    assert opened(7, 10, evidence={"place": right(5)}, done_on={"one": day(7)}).units == ()
    assert opened(3, 10, evidence={"place": right(5)}, done_on={"one": day(7), "two": day(9)}).units == ()
    assert opened(10, 3, evidence={"place": right(5)}).units == ()


def test_unit_is_done_by_ticks_unless_it_was_sent_back():
    evidence = {"place": right(1, 8, 14)}
    assert [item.id for item in opened(13, 14, evidence=evidence).units] == ["two"]
    assert opened(13, 14, evidence=evidence, never_by_ticks={"one"}).units == ()


def test_piece_opens_with_the_last_skill_it_waits_for():
    pieces = {"tune": PieceFacts(frozenset({"legato"})), "far": PieceFacts(frozenset({"legato"}), ("plucking",))}
    evidence = {"place": right(1, 8, 14), "legato": right(2, 9, 20)}
    assert opened(14, 19, evidence=evidence, pieces=pieces).pieces == ()
    assert opened(14, 20, evidence=evidence, pieces=pieces).pieces == (OpenedItem("tune", ("legato",)),)
    assert opened(1, 20, evidence=evidence, pieces=pieces).pieces == (OpenedItem("tune", ("place", "legato")),)


def test_withdrawing_evidence_changes_what_opened():
    pieces = {"tune": PieceFacts(frozenset({"place"}))}
    assert opened(13, 15, evidence={"place": right(1, 8, 14)}, pieces=pieces).pieces
    assert not opened(13, 15, evidence={"place": right(1, 8)}, pieces=pieces).pieces


@settings(max_examples=150, derandomize=True, deadline=None)
@given(st.integers(0, 2**32))
def test_what_opened_is_what_the_two_days_differ_by(seed):
    chance = random.Random(seed)
    names = [f"s{number}" for number in range(6)]
    skills = {
        name: SkillFacts(name, frozenset(chance.sample(names[:place], k=min(place, chance.choice([0, 1])))))
        for place, name in enumerate(names)
    }
    evidence = {
        name: [
            EvidenceItem(
                day(chance.randint(1, 60)), chance.choice([Source.TRY] * 4 + [Source.CLAIM]), chance.random() < 0.8
            )
            for _ in range(chance.randint(0, 12))
        ]
        for name in names
    }
    units = {
        f"u{number}": UnitFacts(
            f"u{number}",
            "book",
            number,
            teaches=frozenset(chance.sample(names, k=1)),
            after=frozenset({f"u{number - 1}"} if number else ()),
        )
        for number in range(5)
    }
    pieces = {f"p{number}": PieceFacts(frozenset(chance.sample(names, k=2))) for number in range(3)}
    done_on = {unit_id: day(chance.randint(1, 60)) for unit_id in units if chance.random() < 0.5}
    start, end = sorted(chance.sample(range(1, 70), k=2))
    found = opened_between(
        day(start), day(end), skills=skills, evidence=evidence, units=units, pieces=pieces, done_on=done_on
    )
    is_open: list[set[str]] = []
    done: set[str] = set()
    for number in (start, end):
        standings = {name: standing_of(evidence[name], today=day(number)) for name in names}
        facts = {
            name: SkillFacts(name, skills[name].needs, standings[name].standing, standings[name].has_pass)
            for name in names
        }
        done = {
            unit.id
            for unit in units.values()
            if done_on.get(unit.id, date.max) <= day(number)
            or all(standings[name].standing in {"ticked", "due"} for name in unit.teaches)
        }
        lived = {
            unit.id: UnitFacts(unit.id, "book", unit.position, unit.teaches, after=unit.after, is_done=unit.id in done)
            for unit in units.values()
        }
        gates = unit_gates(units=lived, skills=facts)
        now_open = {unit_id for unit_id, gate in gates.items() if gate.is_open}
        now_open |= {name for name, piece in pieces.items() if piece_gate(piece.needs, skills=facts, units={}).is_open}
        is_open.append(now_open)
    assert {item.id for item in (*found.units, *found.pieces)} == is_open[1] - is_open[0] - done
