"""Sets of units of which every answer takes one, found by raising prices against them.

The first unit that teaches any skill of a set S needs no skill of S. So where one skill of S is wanted, every answer takes one of
the units that teach a skill of S and need none of it. `Climber` finds such sets by a dual ascent, as Wong did for trees that
reach given places of a directed graph (1984; from memory), here with units that wait for several things at once. Units cost what
they are priced at. For a wanted skill that cannot be reached for nothing, a set of skills around it is found that nothing free
leads into; then the units that do lead into it are made cheaper by the least of their prices, so that one more is free.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from curriculum.graph.task import Task

# Prices below this count as nothing, in the unit of the prices.
LEAST_PRICE = 1e-9


@dataclass(frozen=True, slots=True)
class Climb:
    """What one ascent found.

    Attributes
    ----------
    cuts : tuple of frozenset of int
        Sets of units, by their numbers in the task, of which every answer takes at least one.
    left : tuple of float
        What is left of the price of each unit, 0 or more.
    bound : float
        No answer costs less than this, in the unit of the prices.
    """

    cuts: tuple[frozenset[int], ...]
    left: tuple[float, ...]
    bound: float


class Climber:
    """Finds sets of units of which every answer takes one.

    Parameters
    ----------
    task : Task
        The task; all it wants can be reached.

    Examples
    --------
    >>> from curriculum.graph.gates import UnitFacts
    >>> units = [
    ...     UnitFacts("u1", "book", 1, teaches=frozenset({"a"}), needs=frozenset({"b"})),
    ...     UnitFacts("u2", "book", 2, teaches=frozenset({"b"}), needs=frozenset({"a"})),
    ...     UnitFacts("u3", "book", 3, teaches=frozenset({"a"})),
    ... ]
    >>> task = Task(["b"], needs={}, units=units, known=[])
    >>> climb = Climber(task).climb([1.0, 1.0, 1.0], order=["b"], is_by_price=False)
    >>> [sorted(task.ids[place] for place in cut) for cut in climb.cuts]
    [['u2'], ['u3']]
    """

    def __init__(self, task: Task) -> None:
        # A unit that others come after teaches one thing more: that it was played.
        number = {skill: place for place, skill in enumerate(sorted(task.teachers))}
        needs = [[number[skill] for skill in each] for each in task.needs]
        teaches = [[number[skill] for skill in sorted(each)] for each in task.teaches]
        count = len(number)
        for place, followers in enumerate(task.followers):
            if followers:
                teaches[place].append(count)
                for follower in followers:
                    needs[follower].append(count)
                count += 1
        self._number = number
        self._teachers: list[list[int]] = [[] for _ in range(count)]
        self._waiting: list[list[int]] = [[] for _ in range(count)]
        for place, each in enumerate(teaches):
            for skill in each:
                self._teachers[skill].append(place)
        for place, each in enumerate(needs):
            for skill in each:
                self._waiting[skill].append(place)
        # Fewest teachers first: few teachers make a small set.
        self._needs = [sorted(each, key=lambda skill: len(self._teachers[skill])) for each in needs]
        self._teaches = teaches

    def climb(self, prices: Sequence[float], *, order: Sequence[str], is_by_price: bool) -> Climb:
        """Return sets of units of which every answer takes one.

        Parameters
        ----------
        prices : sequence of float, shape (n,)
            Price of each unit, 0 or more. Sets hold only units with a price above 0, so with a price of 0 for the units of
            an answer the sets are those that it fails, and there is one as long as it does not reach all that is wanted.
        order : sequence of str
            Wanted skills in the order in which they are served; other orders find other sets.
        is_by_price : bool
            Whether sets grow by the need that is cheapest to add, which is slower and often better, or by the one with the
            fewest teachers.

        Returns
        -------
        Climb
            No sets where all of `order` is reached for nothing.

        Examples
        --------
        >>> from curriculum.graph.gates import UnitFacts
        >>> task = Task(["a"], needs={}, units=[UnitFacts("u1", "book", 1, teaches=frozenset({"a"}))], known=[])
        >>> Climber(task).climb([2.0], order=["a"], is_by_price=True)
        Climb(cuts=(frozenset({0}),), left=(0.0,), bound=2.0)
        """
        return _Ascent(self, prices).run([self._number[skill] for skill in order], is_by_price=is_by_price)


class _Ascent:
    """One ascent under way: prices left, and what is reached for nothing."""

    def __init__(self, climber: Climber, prices: Sequence[float]) -> None:
        self.climber = climber
        self.left = [price if price > LEAST_PRICE else 0.0 for price in prices]
        self.open_count = [len(needs) for needs in climber._needs]
        self.is_reached = [False] * len(climber._teachers)
        for place, count in enumerate(list(self.open_count)):
            if not count and not self.left[place]:
                self._play(place)

    def run(self, order: Sequence[int], *, is_by_price: bool) -> Climb:
        cuts: list[frozenset[int]] = []
        bound = 0.0
        for skill in order:
            while not self.is_reached[skill]:
                cut = self._around(skill, is_by_price=is_by_price)
                cuts.append(frozenset(cut))
                bound += self._lower(cut)
        return Climb(tuple(cuts), tuple(self.left), bound)

    def _play(self, first: int) -> None:
        """Reach all that playing one more unit leads to for nothing."""
        waiting = [first]
        while waiting:
            for skill in self.climber._teaches[waiting.pop()]:
                if self.is_reached[skill]:
                    continue
                self.is_reached[skill] = True
                for follower in self.climber._waiting[skill]:
                    self.open_count[follower] -= 1
                    if not self.open_count[follower] and not self.left[follower]:
                        waiting.append(follower)

    def _around(self, skill: int, *, is_by_price: bool) -> set[int]:
        """Return the units that lead into a set of skills around one that is not reached; all of them have a price."""
        inside = set(self.climber._waiting[skill])
        cut: set[int] = set()
        waiting = [skill]
        while waiting:
            for teacher in self.climber._teachers[waiting.pop()]:
                if teacher in inside:
                    continue
                if self.left[teacher]:
                    cut.add(teacher)
                    continue
                # It costs nothing, so something it needs is not reached; with that in the set it does not lead in.
                lacking = [need for need in self.climber._needs[teacher] if not self.is_reached[need]]
                grown = lacking[0]
                if is_by_price and len(lacking) > 1:
                    grown = min(lacking, key=lambda need: self._price_of_adding(need, inside, cut))
                waiting.append(grown)
                inside.update(self.climber._waiting[grown])
        return cut - inside

    def _price_of_adding(self, need: int, inside: set[int], cut: set[int]) -> float:
        return sum(
            self.left[teacher]
            for teacher in self.climber._teachers[need]
            if teacher not in inside and teacher not in cut
        )

    def _lower(self, cut: set[int]) -> float:
        """Make the units of a set cheaper by the least of their prices, and return it."""
        least = min(self.left[place] for place in cut)
        for place in sorted(cut):
            left = self.left[place] - least
            self.left[place] = left if left > LEAST_PRICE else 0.0
            if not self.left[place] and not self.open_count[place]:
                self._play(place)
        return least
