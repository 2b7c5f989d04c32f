"""Closures, loops and orders, judged by networkx."""

import itertools
import random

import networkx as nx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.graph.errors import GraphError, LoopError
from curriculum.graph.prerequisites import closure, find_loop, learnable_order, loop_closed_by, needed_by

MANY = settings(max_examples=300, derandomize=True, deadline=None)
IDS = [f"s{number:02}" for number in range(40)]


def some_needs(seed: int, *, can_loop: bool) -> dict[str, frozenset[str]]:
    """Prerequisites among up to 40 ids, thin or thick; ids without any are sometimes missing as keys."""
    chance = random.Random(seed)
    ids = IDS[: chance.randint(1, len(IDS))]
    chance.shuffle(ids)
    needs = {}
    for place, skill in enumerate(ids):
        pool = ids if can_loop else ids[:place]
        direct = frozenset(chance.sample(pool, k=min(len(pool), chance.choice([0, 0, 1, 1, 2, 4]))))
        if direct or chance.random() < 0.5:
            needs[skill] = direct
    return needs


small_needs = st.dictionaries(st.sampled_from(IDS[:6]), st.frozensets(st.sampled_from(IDS[:6]), max_size=3), max_size=6)
any_needs = small_needs | st.integers(0, 2**32).map(lambda seed: some_needs(seed, can_loop=True))
acyclic_needs = st.integers(0, 2**32).map(lambda seed: some_needs(seed, can_loop=False))
some_ids = st.frozensets(st.sampled_from(IDS))
ranks = st.dictionaries(st.sampled_from(IDS), st.tuples(st.integers(0, 3)))


def as_networkx(needs, ids=()):
    graph = nx.DiGraph()
    graph.add_nodes_from(ids)
    for skill, direct in needs.items():
        graph.add_node(skill)
        graph.add_edges_from((skill, need) for need in direct)
    return graph


@MANY
@given(any_needs, some_ids)
def test_closure_equals_networkx_descendants(needs, targets):
    graph = as_networkx(needs, targets)
    expected = set(targets).union(*(nx.descendants(graph, target) for target in targets))
    assert closure(targets, needs=needs) == expected


@MANY
@given(any_needs)
def test_loop_is_found_exactly_where_networkx_finds_no_order(needs):
    loop = find_loop(needs)
    assert bool(loop) == (not nx.is_directed_acyclic_graph(as_networkx(needs)))
    if loop:
        assert loop[0] == loop[-1]
        assert len(set(loop)) == len(loop) - 1
        assert all(need in needs[skill] for skill, need in itertools.pairwise(loop))


@MANY
@given(acyclic_needs, st.sampled_from(IDS), some_ids)
def test_loop_is_refused_exactly_where_networkx_would_then_find_one(needs, skill, new_needs):
    loop = loop_closed_by(skill, new_needs=new_needs, needs=needs)
    after = needs | {skill: frozenset(new_needs)}
    assert bool(loop) == (not nx.is_directed_acyclic_graph(as_networkx(after)))
    if loop:
        assert loop[0] == loop[-1] == skill
        assert all(need in after[here] for here, need in itertools.pairwise(loop))
        shortest = min(len(cycle) for cycle in nx.simple_cycles(as_networkx(after), length_bound=len(loop)))
        assert len(loop) == shortest + 1


@MANY
@given(acyclic_needs, some_ids, ranks)
def test_learnable_order_equals_networkx_order_of_the_closed_graph(needs, ids, rank):
    graph = nx.transitive_closure_dag(as_networkx(needs, ids)).subgraph(ids).reverse()
    expected = nx.lexicographical_topological_sort(graph, key=lambda skill: (rank.get(skill, ()), skill))
    assert learnable_order(ids, needs=needs, rank=rank) == tuple(expected)


@MANY
@given(any_needs, some_ids, st.sampled_from(IDS))
def test_chain_of_need_is_as_short_as_networkx_says(needs, targets, skill):
    chain = needed_by(skill, targets=targets, needs=needs)
    graph = as_networkx(needs, {*targets, skill})
    lengths = [nx.shortest_path_length(graph, target, skill) for target in targets if nx.has_path(graph, target, skill)]
    if not lengths:
        assert chain == ()
        return
    assert chain[0] == skill
    assert chain[-1] in targets
    assert len(chain) == min(lengths) + 1
    assert all(below in needs[above] for below, above in itertools.pairwise(chain))


@MANY
@given(any_needs, some_ids)
def test_order_is_refused_exactly_where_the_closure_has_a_loop(needs, ids):
    below = as_networkx(needs, ids).subgraph(closure(ids, needs=needs))
    if nx.is_directed_acyclic_graph(below):
        order = learnable_order(ids, needs=needs)
        assert set(order) == ids
    else:
        with pytest.raises(LoopError, match="in a circle") as caught:
            learnable_order(ids, needs=needs)
        assert caught.value.loop[0] == caught.value.loop[-1]
        assert isinstance(caught.value, GraphError)


def test_order_holds_through_ids_that_were_not_asked_for():
    needs = {"a": frozenset({"m"}), "m": frozenset({"z"})}
    assert learnable_order(["a", "z"], needs=needs) == ("z", "a")


def test_skill_that_would_need_itself_is_a_loop_of_one():
    assert loop_closed_by("a", new_needs=["a"], needs={}) == ("a", "a")
    assert find_loop({"a": frozenset({"a"})}) == ("a", "a")


def test_nothing_asked_gives_nothing():
    assert closure([], needs={}) == frozenset()
    assert find_loop({}) == ()
    assert learnable_order([], needs={}) == ()
    assert needed_by("a", targets=[], needs={}) == ()


def test_ten_thousand_skills_in_one_chain_need_no_recursion():
    needs = {f"{number}": frozenset({f"{number + 1}"}) for number in range(10_000)}
    assert len(closure(["0"], needs=needs)) == 10_001
    assert find_loop(needs) == ()
    assert learnable_order(["0", "10000"], needs=needs) == ("10000", "0")
    assert len(needed_by("10000", targets=["0"], needs=needs)) == 10_001
    assert len(find_loop(needs | {"10000": frozenset({"0"})})) == 10_002
    assert len(loop_closed_by("10000", new_needs=["0"], needs=needs)) == 10_002


@pytest.mark.parametrize("what", ["closure", "loop", "closing", "order", "chain"])
def test_ten_thousand_skills_with_fifty_thousand_needs_are_answered(what):
    chance = random.Random(5)
    ids = [f"skill-{number}" for number in range(10_000)]
    needs = {
        skill: frozenset(chance.choices(ids[:place], k=5)) if place else frozenset() for place, skill in enumerate(ids)
    }
    match what:
        case "closure":
            assert len(closure(ids[-100:], needs=needs)) > 1000
        case "loop":
            assert find_loop(needs) == ()
        case "closing":
            assert loop_closed_by(ids[0], new_needs=ids[-3:], needs=needs)
        case "order":
            assert len(learnable_order(ids, needs=needs)) == len(ids)
        case "chain":
            assert needed_by(ids[0], targets=ids[-3:], needs=needs)
