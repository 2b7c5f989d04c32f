"""The cheapest way: hand-made cases, and brute force over every set of units in hundreds of small worlds."""

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.graph.errors import LoopError, UnknownIdError
from curriculum.graph.gates import SkillFacts, UnitFacts
from curriculum.graph.prerequisites import closure
from curriculum.graph.standing import Standing
from curriculum.graph.way import Way, alternatives_on_way, cheapest_way, completed_units

MANY = settings(max_examples=400, derandomize=True, deadline=None)


def make_unit(name, *, teaches="", needs="", after="", weeks=1, is_done=False) -> UnitFacts:
    book, position = name[0], int(name[1:])
    return UnitFacts(
        name,
        book,
        position,
        teaches=frozenset(teaches.split()),
        needs=frozenset(needs.split()),
        after=frozenset(after.split()),
        weeks=weeks,
        is_done=is_done,
    )


def find_way(target, *units, known="", limit_s=20.0, **needs) -> Way:
    below = {skill: frozenset(words.split()) for skill, words in needs.items()}
    found = closure(known.split(), needs=below)
    return cheapest_way(target.split(), needs=below, units=units, known=found, limit_s=limit_s)


def test_nothing_missing_is_a_way_of_no_weeks():
    way = find_way("a", make_unit("a1", teaches="a"), known="b", b="a")
    assert (way.blocked_by, way.units, way.weeks, way.is_optimal, way.bound) == ((), (), 0, True, 0)


def test_units_that_teach_only_what_is_known_are_skipped():
    units = [make_unit(f"a{number}", teaches=f"s{number}") for number in range(1, 6)]
    way = find_way("s5", *units, known="s2", s5="s4 s2", s4="s1")
    assert way.units == ("a1", "a4", "a5")


def test_cheaper_book_is_taken_and_unit_that_teaches_two_saves_one():
    way = find_way(
        "a b",
        make_unit("a1", teaches="a", weeks=2),
        make_unit("a2", teaches="b", weeks=2),
        make_unit("b1", teaches="a b", weeks=3),
    )
    assert (way.units, way.weeks) == (("b1",), 3)


def test_units_named_as_earlier_are_taken_too_unless_done():
    units = [make_unit("a1"), make_unit("a2", after="a1"), make_unit("a3", teaches="a", after="a2")]
    assert find_way("a", *units).units == ("a1", "a2", "a3")
    assert find_way("a", units[0], make_unit("a2", after="a1", is_done=True), units[2]).units == ("a3",)


def test_done_unit_is_taken_again_where_what_it_teaches_is_missing():
    way = find_way("b", make_unit("a1", teaches="a", weeks=3, is_done=True), make_unit("a2", teaches="b", needs="a"))
    assert (way.units, way.weeks) == (("a1", "a2"), 4)


def test_done_unit_whose_needs_are_not_there_waits_for_them_too():
    way = find_way("a", make_unit("a1", teaches="a", needs="b", is_done=True), make_unit("a2", teaches="b"))
    assert way.units == ("a2", "a1")


def test_gap_is_named_and_counts_as_known():
    way = find_way("b", make_unit("a1", teaches="b", needs="a x"), b="a c")
    assert way.blocked_by == ("a", "c", "b")
    assert set(way.gaps) == {"a", "c", "x"}
    assert way.units == ("a1",)


def test_gap_that_only_a_unit_left_out_needs_is_not_named():
    way = find_way("b", make_unit("a1", teaches="b"), make_unit("a2", teaches="b", needs="x", weeks=2))
    assert way.gaps == ()


def test_units_that_teach_each_other_what_they_need_are_no_way():
    way = find_way("a", make_unit("a1", teaches="a", needs="b"), make_unit("b1", teaches="b", needs="a"))
    assert (way.units, way.weeks, way.bound, way.is_optimal) == (None, None, None, False)
    assert way.reason == (
        "'a' cannot be reached: 'a' is taught only by 'a1', 'a1' needs 'b', 'b' is taught only by 'b1', 'b1' needs 'a', "
        "and so it goes round in a circle."
    )


def test_way_into_a_circle_is_paid_for():
    """The two units of the circle are cheap together, and worth nothing without a third."""
    units = [
        make_unit("a1", teaches="a", needs="b"),
        make_unit("a2", teaches="b", needs="a"),
        make_unit("b1", teaches="b", weeks=5),
        make_unit("b2", teaches="a", weeks=7),
    ]
    assert (find_way("a b", *units).units, find_way("a b", *units).weeks) == (("b1", "a1"), 6)


def test_unit_after_itself_never_enters():
    way = find_way("a", make_unit("a1", teaches="a", after="a1"))
    assert way.units is None
    assert "'a1' comes after 'a1'" in way.reason


def test_unit_is_not_its_own_teacher():
    assert find_way("a", make_unit("a1", teaches="a", needs="a")).units is None
    assert find_way("a", make_unit("a1", teaches="a", needs="a"), make_unit("a2", teaches="a", weeks=9)).units == (
        "a2",
    )


def test_loop_below_the_target_is_refused_by_name():
    with pytest.raises(LoopError, match="a needs b needs a"):
        find_way("a", a="b", b="a")


def test_unknown_unit_and_doubled_unit_are_refused():
    with pytest.raises(UnknownIdError, match="'a9'"):
        find_way("a", make_unit("a1", teaches="a", after="a9"))
    with pytest.raises(UnknownIdError, match="one id each"):
        find_way("a", make_unit("a1", teaches="a"), make_unit("a1", teaches="a"))


def test_without_time_the_best_found_comes_with_a_bound():
    units = [
        make_unit(f"a{number}", teaches=f"s{number % 4} s{number % 3 + 4}", weeks=number) for number in range(1, 30)
    ]
    way = find_way("s0 s1 s2 s3 s4 s5 s6", *units, limit_s=1e-9)
    assert not way.is_optimal
    assert way.units
    assert 0 <= way.bound < way.weeks


# Brute force.


def make_world(seed: int):
    """A small world in which circles, gaps, done units and competing books are common."""
    chance = random.Random(seed)
    names = [f"s{number}" for number in range(chance.randint(1, 7))]
    needs = {
        name: frozenset(chance.sample(names[:place], k=min(place, chance.choice([0, 0, 1, 2]))))
        for place, name in enumerate(names)
    }
    ids = [f"{chance.choice('abc')}{number}" for number in range(chance.randint(0, 9))]
    units = []
    for name in ids:
        teaches = frozenset(chance.sample(names, k=min(len(names), chance.choice([0, 1, 1, 2, 3]))))
        derived = frozenset().union(*(needs[skill] for skill in teaches)) - teaches
        extra = frozenset(chance.sample(names, k=min(len(names), chance.choice([0, 0, 1, 1, 2]))))
        units.append(
            UnitFacts(
                name,
                name[0],
                int(name[1:]),
                teaches=teaches,
                needs=(derived if chance.random() < 0.5 else frozenset()) | extra,
                after=frozenset(chance.sample(ids, k=min(len(ids), chance.choice([0, 0, 0, 0, 1, 1, 2])))),
                is_done=chance.random() < 0.25,
                weeks=chance.randint(1, 5),
            )
        )
    ticked = chance.sample(names, k=chance.choice([0, 0, 1]) if len(names) > 1 else 0)
    target = chance.sample(names, k=min(len(names), chance.choice([1, 1, 2])))
    return target, needs, units, closure(ticked, needs=needs)


def can_follow(order, units, *, known, gaps) -> bool:
    """Whether each unit of an order may enter when its turn comes."""
    have, played = known | gaps, {unit.id for unit in units.values() if unit.is_done}
    for unit_id in order:
        unit = units[unit_id]
        if not (unit.needs <= have and unit.after <= played):
            return False
        have, played = have | unit.teaches, played | {unit_id}
    return True


def try_everything(target, needs, units, known):
    """The fewest weeks of any set of units that can be played and teaches all that is missing; None without one."""
    missing = closure(target, needs=needs) - known
    taught = frozenset().union(*(unit.teaches for unit in units)) if units else frozenset()
    best = None
    for count in range(len(units) + 1):
        for chosen in itertools.combinations(units, count):
            have = known | ((missing | frozenset().union(*(unit.needs for unit in chosen))) - taught)
            played = {unit.id for unit in units if unit.is_done}
            left = list(chosen)
            while ready := [unit for unit in left if unit.needs <= have and unit.after <= played]:
                have = have.union(*(unit.teaches for unit in ready))
                played |= {unit.id for unit in ready}
                left = [unit for unit in left if unit not in ready]
            if not left and missing <= have:
                weeks = sum(unit.weeks for unit in chosen)
                best = weeks if best is None else min(best, weeks)
    return best


worlds = st.integers(0, 2**32).map(make_world)


@MANY
@given(worlds)
def test_way_is_as_cheap_as_brute_force_says(world):
    target, needs, units, known = world
    way = cheapest_way(target, needs=needs, units=units, known=known, limit_s=20.0)
    missing = closure(target, needs=needs) - known
    taught = frozenset().union(*(unit.teaches for unit in units)) if units else frozenset()
    assert set(way.blocked_by) == missing
    assert len(way.blocked_by) == len(missing)
    for place, skill in enumerate(way.blocked_by):
        assert not closure(needs[skill], needs=needs) & set(way.blocked_by[place:])
    best = try_everything(target, needs, units, known)
    assert way.weeks == best
    assert (way.units is None) == (best is None) == bool(way.reason)
    if way.units is None:
        return
    by_id = {unit.id: unit for unit in units}
    assert len(set(way.units)) == len(way.units)
    assert sum(by_id[unit_id].weeks for unit_id in way.units) == way.weeks == way.bound
    assert way.is_optimal
    assert can_follow(way.units, by_id, known=known, gaps=frozenset(way.gaps))
    assert missing <= known.union(way.gaps, *(by_id[unit_id].teaches for unit_id in way.units))
    needed = frozenset().union(*(by_id[unit_id].needs for unit_id in way.units)) - known
    assert set(way.gaps) == (missing | needed) - taught


@settings(max_examples=100, derandomize=True, deadline=None)
@given(worlds)
def test_alternatives_cost_what_brute_force_says(world):
    target, needs, units, known = world
    way = cheapest_way(target, needs=needs, units=units, known=known, limit_s=20.0)
    task = {"target": target, "needs": needs, "units": units, "known": known}
    for found in alternatives_on_way(way, **task, limit_s=20.0):
        # Taken out of every set, the unit stays where it is, so that what it alone teaches does not become a gap.
        dear = [
            UnitFacts(unit.id, unit.book, unit.position, unit.teaches, unit.needs, unit.after, unit.is_done, weeks=1000)
            if unit.id == found.unit
            else unit
            for unit in units
        ]
        assert try_everything(target, needs, dear, known) == way.weeks + found.weeks_more
        assert found.is_optimal
        assert found.unit in found.dropped
        assert set(found.dropped) <= set(way.units)
        assert not set(found.instead) & set(way.units)


def test_alternative_names_what_could_stand_in():
    units = [
        make_unit("a1", teaches="a"),
        make_unit("a2", teaches="b", needs="a"),
        make_unit("b1", teaches="c"),
        make_unit("b2", teaches="b", needs="c", weeks=2),
    ]
    task = {"target": ["b"], "needs": {}, "units": units, "known": []}
    (found,) = alternatives_on_way(cheapest_way(**task), **task)
    assert (found.unit, found.skills) == ("a2", ("b",))
    assert (found.instead, found.dropped, found.weeks_more) == (("b1", "b2"), ("a1", "a2"), 1)


def test_no_way_and_no_contest_have_no_alternatives():
    task = {"target": ["b"], "needs": {}, "units": [make_unit("a1", teaches="b", needs="b")], "known": []}
    assert alternatives_on_way(cheapest_way(**task), **task) == ()
    task["units"] = [make_unit("a1", teaches="b")]
    assert alternatives_on_way(cheapest_way(**task), **task) == ()


def test_completed_units_need_what_holds_them_at_the_gate():
    skills = {
        "place": SkillFacts("place", standing=Standing.TICKED),
        "pulse": SkillFacts("pulse"),
        "legato": SkillFacts("legato", frozenset({"place", "pulse"})),
        "scale": SkillFacts("scale", frozenset({"legato", "arch", "untaught"})),
        "arch": SkillFacts("arch", is_watch=True),
        "untaught": SkillFacts("untaught"),
    }
    units = {
        unit.id: unit
        for unit in [
            make_unit("a1", teaches="pulse"),
            make_unit("a2", teaches="legato", after="a1"),
            make_unit("a3", teaches="scale", after="a2"),
        ]
    }
    told = {unit.id: unit.needs for unit in completed_units(units=units, skills=skills)}
    assert told == {"a1": frozenset(), "a2": {"pulse"}, "a3": {"legato"}}


def test_two_thousand_units_in_one_chain_need_no_recursion():
    units = [
        make_unit(f"a{number}", teaches=f"s{number}", after=f"a{number - 1}" if number else "")
        for number in range(2000)
    ]
    way = find_way("s1999", *units)
    assert (way.weeks, way.is_optimal) == (2000, True)
