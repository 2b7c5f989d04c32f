"""Sets of units of which every answer takes one, held against every set of units that serves."""

import itertools
import random

from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.graph.ascent import Climber
from curriculum.graph.gates import UnitFacts
from curriculum.graph.task import Task


def make_task(seed: int) -> Task:
    """A small task in which circles are common; what cannot be reached is left out of the target."""
    chance = random.Random(seed)
    names = [f"s{number}" for number in range(chance.randint(2, 6))]
    ids = [f"u{number}" for number in range(chance.randint(2, 8))]
    units = [
        UnitFacts(
            name,
            "book",
            place,
            teaches=frozenset(chance.sample(names, k=chance.choice([1, 1, 2]))),
            needs=frozenset(chance.sample(names, k=chance.choice([0, 1, 1, 2]))),
            after=frozenset(chance.sample(ids, k=chance.choice([0, 0, 0, 1]))),
            weeks=chance.randint(1, 4),
        )
        for place, name in enumerate(ids)
    ]
    reached = Task(names, needs={}, units=units, known=[]).reached
    return Task(sorted(reached), needs={}, units=units, known=[])


def sets_that_serve(task: Task):
    """Every set of units that can be played and teaches all that is wanted."""
    numbers = range(len(task.ids))
    for count in range(len(task.ids) + 1):
        for chosen in itertools.combinations(numbers, count):
            played = task.play(frozenset(chosen))
            taught = frozenset().union(*(task.teaches[place] for place in played))
            if len(played) == count and task.wanted <= taught:
                yield frozenset(chosen)


tasks = st.integers(0, 2**32).map(make_task)


@settings(max_examples=150, derandomize=True, deadline=None)
@given(tasks, st.booleans(), st.randoms(use_true_random=False))
def test_every_set_that_serves_takes_a_unit_of_each_cut_and_costs_the_bound_at_least(task, is_by_price, chance):
    order = sorted(task.wanted)
    chance.shuffle(order)
    climb = Climber(task).climb([float(weeks) for weeks in task.weeks], order=order, is_by_price=is_by_price)
    for chosen in sets_that_serve(task):
        assert all(cut & chosen for cut in climb.cuts)
        assert task.sum_weeks(chosen) >= climb.bound


@settings(max_examples=150, derandomize=True, deadline=None)
@given(tasks, st.booleans(), st.data())
def test_units_for_nothing_fail_a_cut_exactly_where_they_leave_something_wanted_untaught(task, is_by_price, data):
    chosen = data.draw(st.frozensets(st.integers(0, len(task.ids) - 1))) if task.ids else frozenset()
    prices = [0.0 if place in chosen else 1.0 for place in range(len(task.ids))]
    climb = Climber(task).climb(prices, order=sorted(task.wanted), is_by_price=is_by_price)
    taught = frozenset().union(*(task.teaches[place] for place in task.play(chosen)))
    assert bool(climb.cuts) == bool(task.wanted - taught)
    assert not any(cut & chosen for cut in climb.cuts)


@settings(max_examples=100, derandomize=True, deadline=None)
@given(tasks, st.data())
def test_any_units_are_opened_up_to_a_set_that_serves(task, data):
    chosen = data.draw(st.frozensets(st.integers(0, len(task.ids) - 1))) if task.ids else frozenset()
    grown = task.opened_up(chosen)
    played = task.play(grown)
    assert len(played) == len(grown)
    assert task.wanted <= frozenset().union(*(task.teaches[place] for place in played))
