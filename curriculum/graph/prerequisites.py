"""What lies below a skill, loops, and an order in which it can be learnt.

Prerequisites are a mapping from an id to the ids it needs directly. An id that is missing as a key needs nothing.
Nothing here recurses, so the depth of the prerequisites is not limited by the interpreter. With n ids and m
prerequisites each function takes about n + m steps (`learnable_order`: times the logarithm of n).
"""

import heapq
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import TypeAlias

from curriculum.graph.errors import LoopError

Needs: TypeAlias = Mapping[str, frozenset[str]]

NOTHING: frozenset[str] = frozenset()


def closure(targets: Iterable[str], *, needs: Needs) -> frozenset[str]:
    """Return the targets together with everything below them.

    Parameters
    ----------
    targets : iterable of str
        Ids to start from, in any order.
    needs : mapping of str to frozenset of str
        Direct prerequisites of each id. Loops do no harm here.

    Returns
    -------
    frozenset of str
        Every target and every id that a target needs, directly or not. Empty for no targets.

    Examples
    --------
    >>> sorted(closure(["scale"], needs={"scale": frozenset({"thumb"}), "thumb": frozenset({"place"})}))
    ['place', 'scale', 'thumb']
    """
    found = set(targets)
    waiting = list(found)
    while waiting:
        for need in needs.get(waiting.pop(), NOTHING):
            if need not in found:
                found.add(need)
                waiting.append(need)
    return frozenset(found)


def find_loop(needs: Needs) -> tuple[str, ...]:
    """Return one loop among the prerequisites, or nothing where there is none.

    Ids that need nothing are peeled off until none is left to peel. What remains needs something that remains too, so
    walking along it must come back to where it has been.

    Parameters
    ----------
    needs : mapping of str to frozenset of str
        Direct prerequisites of each id.

    Returns
    -------
    tuple of str
        The ids along one loop, each needing the next, the first repeated at the end: ``(a, b, c, a)``. Empty where
        there is no loop. The same prerequisites always give the same loop.

    Examples
    --------
    >>> find_loop({"a": frozenset({"b"}), "b": frozenset({"c"}), "c": frozenset({"a"})})
    ('a', 'b', 'c', 'a')
    >>> find_loop({"a": frozenset({"b"})})
    ()
    """
    open_needs = {skill: len(direct) for skill, direct in needs.items()}
    wanted_by = _wanted_by(needs)
    free = [skill for skill in wanted_by if not open_needs.get(skill)]
    while free:
        skill = free.pop()
        for above in wanted_by.get(skill, NOTHING):
            open_needs[above] -= 1
            if not open_needs[above]:
                free.append(above)
    stuck = {skill for skill, count in open_needs.items() if count > 0}
    if not stuck:
        return ()
    place: dict[str, int] = {}
    walk: list[str] = []
    here = min(stuck)
    while here not in place:
        place[here] = len(walk)
        walk.append(here)
        here = min(need for need in needs[here] if need in stuck)
    return (*walk[place[here] :], here)


def loop_closed_by(skill: str, *, new_needs: Iterable[str], needs: Needs) -> tuple[str, ...]:
    """Return the loop that would arise if a skill were given these prerequisites.

    Parameters
    ----------
    skill : str
        The skill that is about to get prerequisites.
    new_needs : iterable of str
        The prerequisites it is about to get.
    needs : mapping of str to frozenset of str
        Direct prerequisites as they are now. What `skill` itself needs now plays no part.

    Returns
    -------
    tuple of str
        A shortest such loop, each id needing the next, beginning and ending with `skill`. Empty where no loop arises.

    Examples
    --------
    >>> loop_closed_by("place", new_needs=["scale"], needs={"scale": frozenset({"place"})})
    ('place', 'scale', 'place')
    >>> loop_closed_by("scale", new_needs=["place"], needs={})
    ()
    """
    came_from = dict.fromkeys(sorted(set(new_needs)), skill)
    waiting = deque(came_from)
    while waiting:
        here = waiting.popleft()
        if here == skill:
            walk = [skill]
            step = came_from[skill]
            while step != skill:
                walk.append(step)
                step = came_from[step]
            return (skill, *reversed(walk))
        for need in sorted(needs.get(here, NOTHING)):
            if need not in came_from:
                came_from[need] = here
                waiting.append(need)
    return ()


def learnable_order(
    ids: Iterable[str], *, needs: Needs, rank: Mapping[str, tuple[int, ...]] | None = None
) -> tuple[str, ...]:
    """Return the ids in an order in which each comes after everything it needs.

    An id is ready once everything it needs has been placed. Ids that were not asked for but lie between are passed as
    soon as they are ready, so that an order through them holds as well.

    Parameters
    ----------
    ids : iterable of str
        Ids to order; repeats count once.
    needs : mapping of str to frozenset of str
        Direct prerequisites of each id. Where a needs b and b needs c, c comes before a even if b is not among `ids`.
    rank : mapping of str to tuple of int, optional
        Of several ids that could come next, the one of lowest rank does; equal ranks go by id. An id without a rank
        has the empty tuple, which is the lowest.

    Returns
    -------
    tuple of str
        Each id once. Empty for no ids.

    Raises
    ------
    LoopError
        If what the ids need goes round in a circle.

    Examples
    --------
    >>> below = {"scale": frozenset({"thumb"}), "thumb": frozenset({"place"})}
    >>> learnable_order(["scale", "pulse", "place"], needs=below, rank={"place": (1,), "pulse": (2,), "scale": (3,)})
    ('place', 'pulse', 'scale')
    """
    asked = set(ids)
    reached = closure(asked, needs=needs)
    # Numbers instead of ids: of two that are ready the lower number comes first, and comparing numbers is fast.
    in_turn = sorted(reached)
    if rank:
        in_turn.sort(key=lambda skill: rank.get(skill, ()))
    number = {skill: place for place, skill in enumerate(in_turn)}
    is_asked = [skill in asked for skill in in_turn]
    open_needs: list[int] = []
    wanted_by: list[list[int]] = [[] for _ in in_turn]
    for place, skill in enumerate(in_turn):
        direct = needs.get(skill, NOTHING)
        open_needs.append(len(direct))
        for need in direct:
            wanted_by[number[need]].append(place)
    ready: list[int] = []
    passed = [place for place, count in enumerate(open_needs) if not count]
    left = len(in_turn)
    order: list[str] = []
    while passed or ready:
        # What was not asked for is passed at once; only what was asked for waits its turn by rank.
        if passed:
            here = passed.pop()
            if is_asked[here]:
                heapq.heappush(ready, here)
                continue
        else:
            here = heapq.heappop(ready)
            order.append(in_turn[here])
        left -= 1
        for above in wanted_by[here]:
            open_needs[above] -= 1
            if not open_needs[above]:
                passed.append(above)
    if left:
        raise LoopError(find_loop({skill: needs.get(skill, NOTHING) for skill in reached}))
    return tuple(order)


def needed_by(skill: str, *, targets: Iterable[str], needs: Needs) -> tuple[str, ...]:
    """Return a shortest chain that says why a target needs a skill.

    Parameters
    ----------
    skill : str
        The skill in question.
    targets : iterable of str
        What is to be played in the end.
    needs : mapping of str to frozenset of str
        Direct prerequisites of each id.

    Returns
    -------
    tuple of str
        From `skill` to one of the targets, each needed directly by the next. Only ``(skill,)`` where the skill is
        itself a target; empty where no target needs it, and for no targets.

    Examples
    --------
    >>> below = {"scale": frozenset({"thumb"}), "thumb": frozenset({"place"})}
    >>> needed_by("place", targets=["scale"], needs=below)
    ('place', 'thumb', 'scale')
    """
    return chain_up(skill, steps=steps_towards(targets, needs=needs))


def steps_towards(targets: Iterable[str], *, needs: Needs) -> dict[str, str]:
    """Return, for everything below the targets, the next step on a shortest way up to a target.

    Parameters
    ----------
    targets : iterable of str
        What is to be played in the end.
    needs : mapping of str to frozenset of str
        Direct prerequisites of each id.

    Returns
    -------
    dict of str to str
        One entry for each id in the closure of the targets, nearest first; a target leads to itself. Empty for no
        targets.

    Examples
    --------
    >>> steps_towards(["scale"], needs={"scale": frozenset({"thumb"})})
    {'scale': 'scale', 'thumb': 'scale'}
    """
    steps = {target: target for target in sorted(set(targets))}
    waiting = deque(steps)
    while waiting:
        here = waiting.popleft()
        for need in sorted(needs.get(here, NOTHING)):
            if need not in steps:
                steps[need] = here
                waiting.append(need)
    return steps


def chain_up(skill: str, *, steps: Mapping[str, str]) -> tuple[str, ...]:
    """Return the ids from a skill up to a target.

    Parameters
    ----------
    skill : str
        Where the chain begins.
    steps : mapping of str to str
        As returned by `steps_towards`.

    Returns
    -------
    tuple of str
        From `skill` to the target, both included; empty if the steps do not hold `skill`.

    Examples
    --------
    >>> chain_up("thumb", steps={"scale": "scale", "thumb": "scale"})
    ('thumb', 'scale')
    """
    if skill not in steps:
        return ()
    chain = [skill]
    while steps[chain[-1]] != chain[-1]:
        chain.append(steps[chain[-1]])
    return tuple(chain)


def reach_bits(steps: Sequence[Sequence[int]]) -> list[int]:
    """Return, for each of n numbers, which others can be reached from it by one step or more.

    Parameters
    ----------
    steps : sequence of sequence of int, shape (n,)
        For each number the numbers one step away, each 0 to n - 1. May go round in circles.

    Returns
    -------
    list of int
        One whole number each, whose bit i says whether i can be reached; about n * n / 8 bytes altogether. A number
        reaches itself only where it lies in a circle. Empty for no numbers.

    Examples
    --------
    >>> [f"{bits:03b}" for bits in reach_bits([[1], [2], []])]
    ['110', '100', '000']
    """
    reached = [0] * len(steps)
    open_steps = [len(each) for each in steps]
    arriving: list[list[int]] = [[] for _ in steps]
    for here, each in enumerate(steps):
        for there in each:
            arriving[there].append(here)
    free = [here for here, count in enumerate(open_steps) if not count]
    for here in free:  # grows while it is walked
        bits = 0
        for there in steps[here]:
            bits |= reached[there] | 1 << there
        reached[here] = bits
        for before in arriving[here]:
            open_steps[before] -= 1
            if not open_steps[before]:
                free.append(before)
    # What is left lies in a circle or leads to one; it is walked singly.
    for here, count in enumerate(open_steps):
        if count:
            bits = 0
            waiting = list(steps[here])
            while waiting:
                there = waiting.pop()
                if not bits >> there & 1:
                    bits |= 1 << there
                    if open_steps[there]:
                        waiting += steps[there]
                    else:
                        bits |= reached[there]
            reached[here] = bits
    return reached


def _wanted_by(needs: Needs) -> dict[str, list[str]]:
    """Turn "needs" round: for each id that is needed, the ids that need it directly."""
    wanted: dict[str, list[str]] = {}
    for skill, direct in needs.items():
        for need in direct:
            wanted.setdefault(need, []).append(skill)
    return wanted
