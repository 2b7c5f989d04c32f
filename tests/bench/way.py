"""The cheapest way over 2,000 units in three books: seconds, and how far from proved.

`busy` is the processor's seconds: where they are far below the clock's, others used the computer, and the search had less time.
"""

import random
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from curriculum.graph.gates import UnitFacts
from curriculum.graph.prerequisites import closure
from curriculum.graph.way import cheapest_way

SKILLS, UNITS, BOOKS, STRANDS = 1_000, 2_000, 3, 12
SEEDS = range(3)


@dataclass(frozen=True)
class Like:
    """What the three books are like.

    `stray` is how far a book's order strays from the order of the skills, in skills; with much of it, units of different
    books often teach each other what they need. `chained` and `extra` are shares of units: that name the one before as
    earlier, and that need something beyond what follows from what they teach.
    """

    stray: float = 20.0
    chained: float = 0.0
    extra: float = 0.1
    most_taught: int = 2
    is_in_strands: bool = True


LIKE = {
    "as books are": Like(),
    "a fifth chained": Like(chained=0.2),
    "all chained": Like(chained=1.0),
    "three new at a time": Like(most_taught=3, extra=0.2),
    "orders far apart": Like(stray=80.0, extra=0.2),
    "skills thrown in": Like(stray=30.0, most_taught=3, is_in_strands=False),
}


def make_world(seed: int, like: Like):
    """Three books, each a walk through the same skills in an order of its own, for a learner some way in."""
    chance = random.Random(seed)
    names = [f"s{number}" for number in range(SKILLS)]
    strand = {name: chance.randrange(STRANDS) for name in names}
    needs: dict[str, frozenset[str]] = {}
    for place, name in enumerate(names):
        same = [other for other in names[max(0, place - 60) : place] if strand[other] == strand[name]][-3:]
        across = names[max(0, place - 40) : place]
        picked = chance.sample(same, k=min(len(same), 1))
        picked += chance.sample(across, k=min(len(across), int(chance.random() < 0.4)))
        needs[name] = frozenset(picked)
    units = []
    for book in range(BOOKS):
        count = UNITS // BOOKS + (book < UNITS % BOOKS)
        walk = sorted(range(SKILLS), key=lambda place: place + chance.uniform(-like.stray, like.stray) / 2)
        # What is taken up early in this book's order is taught before what needs it.
        order = {place: turn for turn, place in enumerate(walk)}
        lots: list[frozenset[str]] = []
        for turn in sorted(chance.choices(range(SKILLS), k=count)):
            first = walk[turn]
            near = [walk[other] for other in range(max(0, turn - 25), min(SKILLS, turn + 25))]
            if like.is_in_strands:
                near = [place for place in near if strand[names[place]] == strand[names[first]]]
            near.sort(key=lambda place: abs(order[place] - turn))
            pool = near[:4] if like.is_in_strands else near
            extra = chance.sample(pool, k=min(len(pool), chance.randint(1, like.most_taught) - 1))
            lots.append(frozenset(names[place] for place in {first, *extra}))
        for position, teaches in enumerate(lots):
            below = frozenset().union(*(needs[skill] for skill in teaches)) - teaches
            top = max(int(skill[1:]) for skill in teaches)
            more = chance.sample(names[max(0, top - 60) : top], k=min(top, int(chance.random() < like.extra)))
            after = {f"{book}-{position - 1}"} if position and chance.random() < like.chained else set()
            units.append(
                UnitFacts(
                    f"{book}-{position}",
                    f"book {book}",
                    position,
                    teaches=teaches,
                    needs=below | frozenset(more) - teaches,
                    after=frozenset(after),
                    weeks=chance.choice([1, 1, 1, 2, 2, 3]),
                )
            )
    known = closure(chance.sample(names[: SKILLS // 10], k=20), needs=needs)
    return {"target": names[-25:], "needs": needs, "units": put_right(units, known=known), "known": known}


def put_right(units, *, known):
    """Take out needs that could never be met, as somebody does who goes through the check-up of a book."""
    taught = frozenset().union(*(unit.teaches for unit in units))
    have, played, right, left = set(known), set(), {}, list(units)
    while left:
        ready = [unit for unit in left if unit.needs & taught <= have and unit.after <= played]
        if not ready:
            first = min((unit for unit in left if unit.after <= played), key=lambda unit: unit.position)
            ready = [replace(first, needs=first.needs & have)]
        right |= {unit.id: unit for unit in ready}
        have = have.union(*(unit.teaches for unit in ready))
        played |= {unit.id for unit in ready}
        left = [unit for unit in left if unit.id not in played]
    return [right[unit.id] for unit in units]


def main() -> None:
    print(f"{'':20}{'seconds':>9}{'busy':>7}{'missing':>9}{'units':>7}{'weeks':>7}{'bound':>7}{'gap %':>7}")
    for name, like in LIKE.items():
        for seed in SEEDS:
            world = make_world(seed, like)
            began_s, began_busy_s = time.perf_counter(), time.process_time()
            way = cheapest_way(**world)
            spent_s, busy_s = time.perf_counter() - began_s, time.process_time() - began_busy_s
            if way.units is None:
                print(f"{name:20}{spent_s:9.2f}{busy_s:7.2f}{len(way.blocked_by):9} no way")
                continue
            gap = 100 * (way.weeks - way.bound) / way.weeks if way.weeks else 0.0
            print(
                f"{name:20}{spent_s:9.2f}{busy_s:7.2f}{len(way.blocked_by):9}{len(way.units):7}"
                f"{way.weeks:7}{way.bound:7}{gap:7.2f}"
            )


if __name__ == "__main__":
    main()
