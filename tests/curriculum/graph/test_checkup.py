"""The check-up of the books: each finding with its place, and what accepting a proposal makes of it."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.graph.checkup import Finding, FindingKind, Proposal, ProposalKind, accept, check_up
from curriculum.graph.errors import ProposalError
from curriculum.graph.gates import SkillFacts, UnitFacts
from curriculum.graph.standing import Standing

MANY = settings(max_examples=200, derandomize=True, deadline=None)


def make_skills(**needs) -> dict[str, SkillFacts]:
    return {name: SkillFacts(name, needs=frozenset(words.split())) for name, words in needs.items()}


def make_books(*rows) -> dict[str, UnitFacts]:
    """Units as ("a1", teaches, needs): book a, place 1; each after the unit before it in its book unless said."""
    units = {}
    last = {}
    for row in rows:
        name, teaches, needs, after = (*row, *("", None)[len(row) - 2 :])
        book = name[0]
        before = frozenset({last[book]} if book in last else ()) if after is None else frozenset(after.split())
        units[name] = UnitFacts(
            name,
            book,
            int(name[1:]),
            teaches=frozenset(teaches.split()),
            needs=frozenset(needs.split()),
            after=before,
        )
        last[book] = name
    return units


def told(findings) -> list[tuple]:
    return [(finding.kind.value, finding.unit, finding.skills, finding.other_unit) for finding in findings]


def kinds(finding: Finding) -> list[str]:
    return [proposal.kind.value for proposal in finding.proposals]


def test_a_book_in_order_has_no_findings():
    units = make_books(("a1", "place"), ("a2", "legato"))
    assert check_up(units=units, skills=make_skills(place="", legato="place")) == ()


def test_need_taught_later_is_found_with_both_places():
    units = make_books(("a1", "pulse"), ("a2", "legato"), ("a3", "place"))
    (finding,) = check_up(units=units, skills=make_skills(place="", legato="place", pulse=""))
    assert told([finding]) == [("taught_later", "a2", ("place",), "a3")]
    assert kinds(finding) == ["move_before", "move_after", "add_teaches"]


def test_unit_that_needs_what_lies_between_is_not_moved_forward():
    skills = make_skills(place="pulse", legato="place", pulse="")
    units = make_books(("a1", "legato"), ("a2", "pulse"), ("a3", "place"))
    (finding,) = check_up(units=units, skills=skills)
    assert kinds(finding) == ["move_after", "add_teaches"]
    moved = accept(finding.proposals[0], units=units)
    assert check_up(units=moved, skills=skills) == ()
    assert sorted(moved, key=lambda name: moved[name].position) == ["a2", "a3", "a1"]
    assert [moved[name].after for name in ("a2", "a3", "a1")] == [frozenset(), {"a2"}, {"a3"}]


def test_units_named_as_earlier_are_not_overtaken():
    units = make_books(("a1", "legato"), ("a2", "pulse"), ("a3", "place", "", "a1"))
    (finding,) = check_up(units=units, skills=make_skills(place="", legato="place", pulse=""))
    assert kinds(finding) == ["add_teaches"]


def test_named_need_can_be_dropped():
    units = make_books(("a1", "legato", "place"), ("a2", "place", "legato"))
    findings = check_up(units=units, skills=make_skills(place="", legato=""))
    assert kinds(findings[0]) == ["drop_need", "add_teaches"]


def test_need_that_another_book_teaches_is_no_finding():
    units = make_books(("a1", "legato"), ("a2", "place"), ("b1", "place"))
    findings = check_up(units=units, skills=make_skills(place="", legato="place"))
    assert [finding.kind.value for finding in findings] == ["taught_twice"]


def test_skill_taught_nowhere_is_given_to_the_unit_whose_words_point_at_it():
    skills = make_skills(place="", legato="place", pulse="")
    units = make_books(("a1", "pulse"), ("a2", "legato"))
    (finding,) = check_up(units=units, skills=skills, suggested={"a1": ["pulse", "place"]})
    assert told([finding]) == [("taught_nowhere", "a2", ("place",), None)]
    assert [(proposal.kind.value, proposal.unit) for proposal in finding.proposals] == [
        ("add_teaches", "a1"),
        ("add_teaches", "a2"),
        ("claim", None),
    ]


def test_what_only_a_piece_wants_is_found_without_a_place():
    skills = make_skills(place="", legato="place")
    findings = check_up(units=make_books(("a1", "place")), skills=skills, wanted=["legato"])
    assert told(findings) == [("taught_nowhere", None, ("legato",), None)]
    assert kinds(findings[0]) == ["claim"]


def test_what_is_known_watched_or_set_aside_is_no_finding():
    skills = make_skills(legato="place arch stretch")
    skills["place"] = SkillFacts("place", standing=Standing.CLAIMED)
    skills["arch"] = SkillFacts("arch", is_watch=True)
    skills["stretch"] = SkillFacts("stretch", is_not_for_me=True)
    assert check_up(units=make_books(("a1", "legato")), skills=skills, wanted=["stretch"]) == ()


def test_unit_that_teaches_nothing_offers_what_its_words_point_at():
    units = make_books(("a1", ""))
    (finding,) = check_up(units=units, skills=make_skills(a="", b="", c="", d=""), suggested={"a1": list("abcd")})
    assert kinds(finding) == ["add_teaches"] * 3 + ["name_new"]
    done = {"a1": UnitFacts("a1", "a", 1, is_done=True)}
    assert check_up(units=done, skills={}) == ()


def test_two_books_that_teach_the_same_are_found_once_for_each_pair():
    skills = make_skills(place="", legato="", pulse="")
    units = make_books(("a1", "place legato"), ("b1", "pulse"), ("b2", "legato place pulse"), ("b3", "legato"))
    (finding,) = check_up(units=units, skills=skills)[:1]
    assert told([finding]) == [("taught_twice", "b2", ("legato", "place"), "a1")]
    assert [(proposal.kind.value, proposal.unit, proposal.skill) for proposal in finding.proposals] == [
        ("need_instead", "b2", "legato"),
        ("need_instead", "b2", "place"),
        ("skip", "a1", None),
    ]


def test_unit_that_would_teach_nothing_else_is_passed_over():
    units = make_books(("a1", "place"), ("b1", "place"))
    (finding,) = check_up(units=units, skills=make_skills(place=""))
    assert kinds(finding) == ["skip", "skip"]
    assert check_up(units=accept(finding.proposals[0], units=units), skills=make_skills(place="")) == ()


def test_what_cannot_be_accepted_is_refused():
    units = make_books(("a1", ""), ("b1", ""))
    for proposal, words in [
        (Proposal(ProposalKind.NAME_NEW, "a1"), "for the learner to write"),
        (Proposal(ProposalKind.SKIP, "a7"), "'a7' is not given"),
        (Proposal(ProposalKind.SKIP), "None is not given"),
        (Proposal(ProposalKind.MOVE_BEFORE, "a1", other_unit="b1"), "two units of one book"),
        (Proposal(ProposalKind.MOVE_AFTER, "a1", other_unit="a1"), "two units of one book"),
    ]:
        with pytest.raises(ProposalError, match=words):
            accept(proposal, units=units)
    assert accept(Proposal(ProposalKind.CLAIM, skill="place"), units=units) == units


# Whole books, thrown together.


def make_world(seed: int):
    chance = random.Random(seed)
    names = [f"s{number}" for number in range(chance.randint(1, 12))]
    skills = {
        name: SkillFacts(
            name,
            needs=frozenset(chance.sample(names[:place], k=min(place, chance.choice([0, 1, 1, 2])))),
            standing=chance.choice([Standing.UNTRIED] * 6 + [Standing.TICKED]),
            is_watch=chance.random() < 0.1,
        )
        for place, name in enumerate(names)
    }
    rows = []
    for book in "ab"[: chance.randint(1, 2)]:
        for position in range(1, chance.randint(1, 8)):
            teaches = chance.sample(names, k=min(len(names), chance.choice([0, 1, 1, 1, 2])))
            needs = chance.sample(names, k=min(len(names), chance.choice([0, 0, 0, 1])))
            rows.append((f"{book}{position}", " ".join(teaches), " ".join(needs)))
    wanted = chance.sample(names, k=1)
    return make_books(*rows), skills, wanted


def can_be_accepted(proposal: Proposal) -> bool:
    return proposal.kind not in {ProposalKind.NAME_NEW, ProposalKind.CLAIM}


@MANY
@given(st.integers(0, 2**32).map(make_world))
def test_accepting_any_proposal_makes_its_finding_go_away(world):
    units, skills, wanted = world
    for finding in check_up(units=units, skills=skills, wanted=wanted):
        for proposal in filter(can_be_accepted, finding.proposals):
            changed = accept(proposal, units=units)
            left = told(check_up(units=changed, skills=skills, wanted=wanted))
            assert told([finding])[0] not in left
            if proposal.kind in {ProposalKind.MOVE_BEFORE, ProposalKind.MOVE_AFTER}:
                before = told(check_up(units=units, skills=skills, wanted=wanted))
                pairs = [{each[1:3] for each in all_ if each[0] == "taught_later"} for all_ in (before, left)]
                assert pairs[1] < pairs[0], "a move upsets nothing else"


@MANY
@given(st.integers(0, 2**32).map(make_world))
def test_whoever_accepts_the_first_proposal_again_and_again_comes_to_an_end(world):
    units, skills, wanted = world
    for _ in range(200):
        proposals = [
            proposal
            for finding in check_up(units=units, skills=skills, wanted=wanted)
            for proposal in finding.proposals[:1]
            if can_be_accepted(proposal)
        ]
        if not proposals:
            break
        units = accept(proposals[0], units=units)
    else:
        pytest.fail("the check-up never ends")


@MANY
@given(st.integers(0, 2**32).map(make_world))
def test_findings_are_what_a_naive_reading_finds(world):
    units, skills, wanted = world
    found = check_up(units=units, skills=skills, wanted=wanted)
    assert {finding.unit for finding in found if finding.kind is FindingKind.TEACHES_NOTHING} == {
        unit.id for unit in units.values() if not unit.teaches
    }
    known = {name for name, skill in skills.items() if skill.is_watch}
    ticked = [name for name, skill in skills.items() if skill.standing is Standing.TICKED]
    while ticked:
        name = ticked.pop()
        known.add(name)
        ticked += skills[name].needs
    for unit in units.values():
        needs = (unit.needs.union(*(skills[name].needs for name in unit.teaches)) - unit.teaches) - known
        for name in needs:
            teachers = [other for other in units.values() if name in other.teaches]
            is_later = bool(teachers) and all(
                other.book == unit.book and other.position > unit.position for other in teachers
            )
            assert is_later == (("taught_later", unit.id, (name,)) in [each[:3] for each in told(found)])
            nowhere = {finding.skills[0] for finding in found if finding.kind is FindingKind.TAUGHT_NOWHERE}
            assert (name in nowhere) == (not teachers)
    assert all(finding.proposals for finding in found)
