"""Prerequisites and gates at 10,000 skills and 50,000 needs, beside networkx in the same run."""

import random
import sys
import time
from collections.abc import Callable
from pathlib import Path

import networkx as nx

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from curriculum.graph.gates import SkillFacts, UnitFacts, piece_gate, unit_gates
from curriculum.graph.prerequisites import closure, find_loop, learnable_order
from curriculum.graph.standing import Standing

SKILLS, UNITS, NEEDS_EACH, ROUNDS = 10_000, 2_000, 5, 5


def median_s(work: Callable[[], object]) -> float:
    """Return the median processor time of a few rounds, in seconds."""
    spent = []
    for _ in range(ROUNDS):
        began_s = time.process_time()
        work()
        spent.append(time.process_time() - began_s)
    return sorted(spent)[ROUNDS // 2]


def block_by_networkx(graph: nx.DiGraph, targets: list[str], ticked: list[str], *, in_turn: bool) -> list[str]:
    """What is missing for the targets, in learnable order; `in_turn` breaks ties by id, as ours does."""
    wanted = set(targets).union(*(nx.descendants(graph, name) for name in targets))
    known = set(ticked).union(*(nx.descendants(graph, name) for name in ticked))
    missing = graph.subgraph(wanted - known).copy().reverse(copy=False)
    return list(nx.lexicographical_topological_sort(missing) if in_turn else nx.topological_sort(missing))


def block(needs: dict[str, frozenset[str]], targets: list[str], ticked: list[str]) -> tuple[str, ...]:
    return learnable_order(closure(targets, needs=needs) - closure(ticked, needs=needs), needs=needs)


def main() -> None:
    chance = random.Random()
    names = [f"s{number}" for number in range(SKILLS)]
    needs = {
        name: frozenset(chance.choices(names[max(0, place - 500) : place], k=NEEDS_EACH)) if place else frozenset()
        for place, name in enumerate(names)
    }
    graph = nx.DiGraph((name, need) for name, found in needs.items() for need in found)
    targets = names[-100:]
    skills = {
        name: SkillFacts(name, needs=needs[name], standing=Standing.TICKED if place < 200 else Standing.UNTRIED)
        for place, name in enumerate(names)
    }
    units = {
        f"u{number}": UnitFacts(
            f"u{number}",
            "book",
            number,
            teaches=frozenset(names[5 * number : 5 * number + 5]),
            after=frozenset({f"u{number - 1}"}) if number else frozenset(),
        )
        for number in range(UNITS)
    }
    ticked = names[200:300]
    assert block(needs, targets, ticked) == tuple(block_by_networkx(graph, targets, ticked, in_turn=True))
    rows: list[tuple[str, float, float | None]] = [
        (
            "blocking set, 100 targets",
            median_s(lambda: block(needs, targets, ticked)),
            median_s(lambda: block_by_networkx(graph, targets, ticked, in_turn=True)),
        ),
        (
            "the same, any order of ties",
            median_s(lambda: block(needs, targets, ticked)),
            median_s(lambda: block_by_networkx(graph, targets, ticked, in_turn=False)),
        ),
        (
            "blocking set, one target",
            median_s(lambda: block(needs, names[-1:], ticked[:1])),
            median_s(lambda: block_by_networkx(graph, names[-1:], ticked[:1], in_turn=True)),
        ),
        (
            "closure of 100 skills",
            median_s(lambda: closure(targets, needs=needs)),
            median_s(lambda: set(targets).union(*(nx.descendants(graph, name) for name in targets))),
        ),
        (
            "looking for a loop",
            median_s(lambda: find_loop(needs)),
            median_s(lambda: nx.is_directed_acyclic_graph(graph)),
        ),
        (
            "learnable order of all",
            median_s(lambda: learnable_order(names, needs=needs)),
            median_s(lambda: list(nx.topological_sort(graph))),
        ),
        ("gates of 2,000 units", median_s(lambda: unit_gates(units=units, skills=skills)), None),
        ("what blocks a piece", median_s(lambda: piece_gate(names[-3:], skills=skills, units=units)), None),
    ]
    print(f"{'':28}{'ours ms':>10}{'networkx ms':>14}{'ratio':>8}")
    for name, ours_s, theirs_s in rows:
        theirs = f"{theirs_s * 1e3:14.1f}{theirs_s / ours_s:8.1f}" if theirs_s is not None else f"{'':>14}{'':>8}"
        print(f"{name:28}{ours_s * 1e3:10.1f}{theirs}")


if __name__ == "__main__":
    main()
