"""The two gates: hand-made cases, brute force over small worlds, and networkx over larger ones."""

import itertools
import random

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.graph.errors import LoopError, UnknownIdError
from curriculum.graph.gates import (
    SkillFacts,
    UnitFacts,
    known_skills,
    piece_gate,
    unit_gate,
    unit_gates,
    unit_needs,
)
from curriculum.graph.standing import Standing

MANY = settings(max_examples=300, derandomize=True, deadline=None)


def make_skills(**needs: str) -> dict[str, SkillFacts]:
    """Skills by name with what they need, as "a b"; a mark in front says more: ticked *, in work and right once +."""
    skills = {}
    for name, words in needs.items():
        marks = {word for word in words.split() if word in {"*", "+", "-", "watch", "aside"}}
        standing = Standing.UNTRIED
        if "*" in marks:
            standing = Standing.TICKED
        elif marks & {"+", "-"}:
            standing = Standing.IN_WORK
        skills[name] = SkillFacts(
            name,
            needs=frozenset(words.split()) - marks,
            standing=standing,
            has_pass="+" in marks or "*" in marks,
            is_watch="watch" in marks,
            is_not_for_me="aside" in marks,
        )
    return skills


def make_unit(number: int, *, teaches: str = "", needs: str = "", after: str = "", is_done: bool = False) -> UnitFacts:
    return UnitFacts(
        f"u{number}",
        book="book",
        position=number,
        teaches=frozenset(teaches.split()),
        needs=frozenset(needs.split()),
        after=frozenset(after.split()),
        is_done=is_done,
    )


def by_id(*units: UnitFacts) -> dict[str, UnitFacts]:
    return {unit.id: unit for unit in units}


def test_unit_needs_what_its_skills_need_less_what_it_teaches():
    skills = make_skills(place="", legato="place", slur="legato", pulse="")
    unit = make_unit(1, teaches="legato slur", needs="pulse")
    assert unit_needs(unit, skills=skills) == {"place", "pulse"}


def test_unit_waits_for_the_units_it_comes_after():
    units = by_id(make_unit(1), make_unit(2, is_done=True), make_unit(3, after="u1 u2"))
    gate = unit_gate("u3", units=units, skills={})
    assert (gate.is_open, gate.waiting_units) == (False, ("u1",))


@pytest.mark.parametrize(
    ("place", "is_open"),
    [("", False), ("-", False), ("+", True), ("*", True), ("watch", True), ("aside", True)],
)
def test_unit_opens_by_what_stands_behind_its_need(place, is_open):
    units = by_id(make_unit(1, teaches="place", is_done=True), make_unit(2, teaches="legato", after="u1"))
    gate = unit_gate("u2", units=units, skills=make_skills(place=place, legato="place"))
    assert gate.is_open == is_open
    assert gate.waiting_skills == (() if is_open else ("place",))


@pytest.mark.parametrize("standing", [Standing.CLAIMED, Standing.DUE])
def test_claimed_and_due_count_as_ticked_at_both_gates(standing):
    skills = {"place": SkillFacts("place", standing=standing)}
    units = by_id(make_unit(1, needs="place"))
    assert unit_gate("u1", units=units, skills=skills).is_open
    assert piece_gate(["place"], skills=skills, units=units).is_open


def test_what_lies_below_a_ticked_skill_opens_units_too():
    skills = make_skills(place="", legato="place *", chord="place")
    units = by_id(make_unit(1, teaches="place"), make_unit(2, teaches="chord"))
    assert unit_gate("u2", units=units, skills=skills).is_open


def test_derived_need_that_no_unit_teaches_is_taken_for_granted():
    gate = unit_gate("u1", units=by_id(make_unit(1, teaches="legato")), skills=make_skills(place="", legato="place"))
    assert (gate.is_open, gate.taken_for_granted) == (True, ("place",))


def test_named_need_that_no_unit_teaches_holds():
    gate = unit_gate("u1", units=by_id(make_unit(1, needs="place")), skills=make_skills(place=""))
    assert (gate.is_open, gate.waiting_skills, gate.taken_for_granted) == (False, ("place",), ())


def test_derived_need_that_only_later_units_teach_is_taken_for_granted():
    skills = make_skills(place="", legato="place")
    units = by_id(make_unit(1, teaches="legato"), make_unit(2, after="u1"), make_unit(3, teaches="place", after="u2"))
    gate = unit_gate("u1", units=units, skills=skills)
    assert (gate.is_open, gate.taken_for_granted) == (True, ("place",))


def test_derived_need_that_an_unconnected_unit_teaches_holds():
    skills = make_skills(place="", legato="place")
    units = by_id(make_unit(1, teaches="legato"), make_unit(2, teaches="place"))
    gate = unit_gate("u1", units=units, skills=skills)
    assert (gate.is_open, gate.waiting_skills) == (False, ("place",))


def test_waiting_skills_come_in_learnable_order():
    skills = make_skills(aim="zeal", zeal="", both="aim zeal")
    units = by_id(make_unit(1, teaches="aim zeal"), make_unit(2, teaches="both"))
    assert unit_gate("u2", units=units, skills=skills).waiting_skills == ("zeal", "aim")


def test_nothing_becomes_known_through_a_watched_skill_or_one_set_aside():
    skills = make_skills(sit="", arch="sit watch", stretch="", octave="stretch aside", legato="arch")
    assert known_skills(skills=skills) == {"arch", "octave"}
    gate = piece_gate(["legato", "octave"], skills=skills, units={})
    assert [blocker.skill for blocker in gate.blockers] == ["sit", "legato", "stretch"]


def test_watched_skill_alone_never_holds_a_piece():
    assert piece_gate(["arch"], skills=make_skills(arch="watch"), units={}).is_open


def test_piece_in_work_with_a_pass_is_not_enough_for_a_piece():
    gate = piece_gate(["place"], skills=make_skills(place="+"), units={})
    assert not gate.is_open
    assert gate.blockers[0].standing is Standing.IN_WORK


def test_piece_without_skills_is_not_open():
    gate = piece_gate([], skills=make_skills(place="*"), units={})
    assert (gate.is_open, gate.blockers, gate.beyond) == (False, (), ())


def test_demand_beyond_any_skill_holds_a_piece():
    gate = piece_gate(["place"], skills=make_skills(place="*"), units={}, beyond=["plucking the strings"])
    assert (gate.is_open, gate.blockers, gate.beyond) == (False, (), ("plucking the strings",))


def test_blockers_say_why_and_where():
    skills = make_skills(place="", legato="place", scale="legato")
    units = by_id(make_unit(1, teaches="place"), make_unit(2, teaches="legato", after="u1"))
    told = [
        (blocker.skill, blocker.needed_by, blocker.unit, blocker.is_gap)
        for blocker in piece_gate(["scale"], skills=skills, units=units).blockers
    ]
    assert told == [
        ("place", ("legato", "scale"), "u1", False),
        ("legato", ("scale",), "u2", False),
        ("scale", (), None, True),
    ]


def test_nearest_unit_is_one_not_done_with_fewest_to_do_before_it():
    skills = make_skills(place="")
    units = by_id(
        make_unit(1, teaches="place", is_done=True),
        make_unit(2),
        make_unit(3, teaches="place", after="u2"),
        make_unit(4, teaches="place", after="u1"),
        make_unit(5, teaches="place", after="u1"),
    )
    assert piece_gate(["place"], skills=skills, units=units).blockers[0].unit == "u4"
    done = {unit_id: make_unit(unit.position, teaches="place", is_done=True) for unit_id, unit in units.items()}
    assert piece_gate(["place"], skills=skills, units=done).blockers[0].unit == "u1"


def test_unknown_ids_are_refused_by_name():
    skills = make_skills(place="", legato="place gone")
    with pytest.raises(UnknownIdError, match="'gone'"):
        piece_gate(["legato"], skills=skills, units={})
    with pytest.raises(UnknownIdError, match="'nowhere'"):
        piece_gate(["nowhere"], skills=skills, units={})
    with pytest.raises(UnknownIdError, match="'gone'"):
        unit_gate("u1", units=by_id(make_unit(1, teaches="legato")), skills=skills)
    with pytest.raises(UnknownIdError, match="'gone'"):
        known_skills(skills=make_skills(legato="gone *"))
    with pytest.raises(UnknownIdError, match="comes after 'u9'"):
        unit_gate("u1", units=by_id(make_unit(1, after="u9")), skills=skills)
    with pytest.raises(UnknownIdError, match="'u7' is asked for"):
        unit_gate("u7", units={}, skills=skills)


def test_loop_below_a_piece_is_named():
    with pytest.raises(LoopError, match="a needs b needs a"):
        piece_gate(["a"], skills=make_skills(a="b", b="a"), units={})


def test_units_that_come_after_each_other_stay_closed_without_hanging():
    units = by_id(make_unit(1, teaches="a", after="u2"), make_unit(2, teaches="b", after="u1"))
    gates = unit_gates(units=units, skills=make_skills(a="b", b=""))
    assert not any(gate.is_open for gate in gates.values())


# Brute force.


def make_world(seed: int, *, skill_count: int = 9, unit_count: int = 7):
    """A small random world: acyclic skills, units in two books, standings of every kind."""
    chance = random.Random(seed)
    names = [f"s{number}" for number in range(chance.randint(1, skill_count))]
    chance.shuffle(names)
    skills = {}
    for place, name in enumerate(names):
        standing = chance.choice([Standing.UNTRIED, Standing.UNTRIED, *Standing])
        skills[name] = SkillFacts(
            name,
            needs=frozenset(chance.sample(names[:place], k=min(place, chance.choice([0, 1, 1, 2])))),
            standing=standing,
            has_pass=standing is not Standing.UNTRIED and chance.random() < 0.6,
            is_watch=chance.random() < 0.1,
            is_not_for_me=chance.random() < 0.1,
            rank=(chance.randint(1, 3),),
        )
    units = {}
    for number in range(chance.randint(0, unit_count)):
        units[f"u{number}"] = UnitFacts(
            f"u{number}",
            book=chance.choice("ab"),
            position=number,
            teaches=frozenset(chance.sample(names, k=min(len(names), chance.choice([0, 1, 1, 2])))),
            needs=frozenset(chance.sample(names, k=min(len(names), chance.choice([0, 0, 0, 1])))),
            after=frozenset(chance.sample(list(units), k=min(len(units), chance.choice([0, 1, 1, 2])))),
            is_done=chance.random() < 0.4,
        )
    named = frozenset(chance.sample(names, k=chance.randint(0, min(3, len(names)))))
    return skills, units, named


def reachable(graph: dict[str, frozenset[str]]) -> dict[str, set[str]]:
    """What can be reached from each id by one step or more, by joining until nothing changes."""
    found = {key: set(direct) for key, direct in graph.items()}
    for middle in found:
        for start in found:
            if middle in found[start]:
                found[start] |= found[middle]
    return found


def naive_known(skills):
    below = reachable({name: skill.needs for name, skill in skills.items()})
    return {
        name
        for name, skill in skills.items()
        if skill.is_watch
        or skill.is_not_for_me
        or skill.standing in {"claimed", "ticked", "due"}
        or any(name in below[above] for above in skills if skills[above].standing in {"claimed", "ticked", "due"})
    }


worlds = st.integers(0, 2**32).map(make_world)


@MANY
@given(worlds)
def test_known_skills_equal_brute_force(world):
    skills, _, _ = world
    assert known_skills(skills=skills) == naive_known(skills)


@MANY
@given(worlds)
def test_unit_gates_equal_brute_force(world):
    skills, units, _ = world
    known = naive_known(skills)
    earlier = reachable({unit_id: unit.after for unit_id, unit in units.items()})
    gates = unit_gates(units=units, skills=skills)
    assert gates == {unit_id: unit_gate(unit_id, units=units, skills=skills) for unit_id in units}
    for unit_id, unit in units.items():
        holding, granted = set(), set()
        for name in skills:
            is_derived = any(name in skills[taught].needs for taught in unit.teaches)
            if name in unit.teaches or not (is_derived or name in unit.needs):
                continue
            if name in known or (skills[name].standing == "in_work" and skills[name].has_pass):
                continue
            elsewhere = [
                other.id
                for other in units.values()
                if name in other.teaches and other.id != unit_id and unit_id not in earlier[other.id]
            ]
            (holding if name in unit.needs or elsewhere else granted).add(name)
        waiting = {before for before in unit.after if not units[before].is_done}
        gate = gates[unit_id]
        assert set(gate.waiting_skills) == holding
        assert set(gate.taken_for_granted) == granted
        assert set(gate.waiting_units) == waiting
        assert gate.is_open == (not holding and not waiting)


@MANY
@given(worlds)
def test_piece_gate_equals_brute_force(world):
    skills, units, named = world
    below = reachable({name: skill.needs for name, skill in skills.items()})
    wanted = named.union(*(below[name] for name in named))
    missing = wanted - naive_known(skills)
    gate = piece_gate(named, skills=skills, units=units)
    told = [blocker.skill for blocker in gate.blockers]
    assert set(told) == missing
    assert gate.is_open == (bool(named) and not missing)
    for place, name in enumerate(told):
        assert not below[name] & set(told[place:])
    earlier = reachable({unit_id: unit.after for unit_id, unit in units.items()})
    for blocker in gate.blockers:
        chain = (blocker.skill, *blocker.needed_by)
        assert chain[-1] in named
        assert all(low in skills[high].needs for low, high in itertools.pairwise(chain))
        teachers = [unit for unit in units.values() if blocker.skill in unit.teaches]
        assert blocker.is_gap == (not teachers) == (blocker.unit is None)
        if teachers:
            distance = {
                unit.id: (unit.is_done, sum(not units[other].is_done for other in earlier[unit.id]), unit.position)
                for unit in teachers
            }
            assert distance[blocker.unit] == min(distance.values())


@MANY
@given(st.integers(0, 2**32))
def test_blockers_equal_networkx_on_larger_graphs(seed):
    skills, units, named = make_world(seed, skill_count=60, unit_count=20)
    graph = nx.DiGraph([(name, need) for name, skill in skills.items() for need in skill.needs])
    graph.add_nodes_from(skills)
    ticked = {name for name, skill in skills.items() if skill.standing.counts_as_ticked}
    known = ticked.union(*(nx.descendants(graph, name) for name in ticked))
    known |= {name for name, skill in skills.items() if skill.is_watch or skill.is_not_for_me}
    missing = named.union(*(nx.descendants(graph, name) for name in named)) - known
    order = nx.lexicographical_topological_sort(
        nx.transitive_closure_dag(graph).subgraph(missing).reverse(), key=lambda name: (skills[name].rank, name)
    )
    told = piece_gate(named, skills=skills, units=units).blockers
    assert [blocker.skill for blocker in told] == list(order)
    for blocker in told:
        shortest = min(
            nx.shortest_path_length(graph, target, blocker.skill)
            for target in named
            if nx.has_path(graph, target, blocker.skill)
        )
        assert len(blocker.needed_by) == shortest


@MANY
@given(worlds, st.integers(0, 2**32).map(random.Random))
def test_ticking_one_more_skill_closes_nothing(world, chance):
    skills, units, named = world
    name = chance.choice(sorted(skills))
    ticked = skills | {name: SkillFacts(name, needs=skills[name].needs, standing=Standing.TICKED, has_pass=True)}
    before, after = (unit_gates(units=units, skills=each) for each in (skills, ticked))
    assert all(after[unit_id].is_open for unit_id, gate in before.items() if gate.is_open)
    blocked_before, blocked_after = (
        {blocker.skill for blocker in piece_gate(named, skills=each, units=units).blockers} for each in (skills, ticked)
    )
    assert blocked_after <= blocked_before


def test_ten_thousand_skills_and_two_thousand_units_are_answered():
    chance = random.Random(3)
    names = [f"s{number}" for number in range(10_000)]
    skills = {
        name: SkillFacts(
            name,
            needs=frozenset(chance.choices(names[max(0, place - 500) : place], k=5)) if place else frozenset(),
            standing=Standing.TICKED if place < 200 else Standing.UNTRIED,
        )
        for place, name in enumerate(names)
    }
    units = {}
    for number in range(2_000):
        before = frozenset({f"u{number - 1}"}) if number else frozenset()
        taught = frozenset(names[5 * number : 5 * number + 5])
        units[f"u{number}"] = UnitFacts(f"u{number}", "book", number, teaches=taught, after=before)
    gates = unit_gates(units=units, skills=skills)
    assert sum(gate.is_open for gate in gates.values()) == 1
    gate = piece_gate(names[-3:], skills=skills, units=units)
    assert len(gate.blockers) > 5_000
