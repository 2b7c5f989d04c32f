"""The units that could serve a target, by number, and what can be said of them before anything is solved."""

import heapq
import itertools
from collections.abc import Collection, Iterable, Mapping, Sequence

from curriculum.graph.errors import UnknownIdError
from curriculum.graph.gates import UnitFacts
from curriculum.graph.prerequisites import Needs, closure

# Passes over all units in the search for musts. Two or three are the rule; stopping early only makes the program weaker.
MOST_PASSES = 12
# Units beyond which no musts are looked for: they take a bit for each pair of units. The program is weaker without them.
MOST_FOR_MUSTS = 8_000
# Skills whose way is added one by one, at about 20 ms each; then all that are left together, which costs more units.
MOST_OPENINGS = 4
# Ways round a loop that a sentence tells before it stops.
MOST_TOLD = 4


class Task:
    """One target and the units that could serve it, by number.

    Numbers are given to units that can be played at all and could be of use, in the order in which they become playable.
    """

    def __init__(
        self,
        target: Iterable[str],
        *,
        needs: Needs,
        units: Sequence[UnitFacts],
        known: Collection[str],
        gaps: frozenset[str] | None = None,
    ) -> None:
        self.units = {unit.id: unit for unit in units}
        if len(self.units) < len(units):
            raise UnknownIdError(f"{len(units)} units share {len(self.units)} ids; wanted one id each")
        self.known = known if isinstance(known, (set, frozenset)) else frozenset(known)
        self.missing = closure(target, needs=needs) - self.known
        taught = {skill for unit in units for skill in unit.teaches}
        every_need = {need for unit in units for need in unit.needs} - self.known
        self.all_gaps = gaps if gaps is not None else (self.missing | every_need) - taught
        self.gaps = self.missing & self.all_gaps
        self.wanted = self.missing - self.gaps
        self._find_playable(units)
        self._keep_useful(units)
        self._find_musts()

    def is_gap(self, skill: str) -> bool:
        return skill in self.all_gaps

    def _find_playable(self, units: Sequence[UnitFacts]) -> None:
        """Play every unit that can be played until nothing changes; what is left over never can."""
        waiting_for_skill: dict[str, list[str]] = {}
        waiting_for_unit: dict[str, list[str]] = {}
        counts: dict[str, int] = {}
        ready: list[str] = []
        for unit in units:
            needs = [need for need in unit.needs if need not in self.known and need not in self.all_gaps]
            after = []
            for before in unit.after:
                if before not in self.units:
                    raise UnknownIdError(f"unit {unit.id!r} comes after {before!r}; wanted one of the units given")
                if not self.units[before].is_done:
                    after.append(before)
            counts[unit.id] = len(needs) + len(after)
            for need in needs:
                waiting_for_skill.setdefault(need, []).append(unit.id)
            for before in after:
                waiting_for_unit.setdefault(before, []).append(unit.id)
            if not counts[unit.id]:
                ready.append(unit.id)
        self.reached: set[str] = set()
        self.playable: dict[str, int] = {}
        for unit_id in ready:  # grows while it is walked
            self.playable[unit_id] = len(self.playable)
            freed = list(waiting_for_unit.get(unit_id, ()))
            for skill in self.units[unit_id].teaches - self.reached:
                self.reached.add(skill)
                freed += waiting_for_skill.get(skill, ())
            for follower in freed:
                counts[follower] -= 1
                if not counts[follower]:
                    ready.append(follower)

    def _keep_useful(self, units: Sequence[UnitFacts]) -> None:
        """Number the playable units that teach something wanted, or serve one that does."""
        teachers: dict[str, list[str]] = {}
        for unit_id in self.playable:
            for skill in self.units[unit_id].teaches:
                teachers.setdefault(skill, []).append(unit_id)
        useful: set[str] = set()
        asked: set[str] = set()
        waiting = list(self.wanted)
        while waiting:
            skill = waiting.pop()
            if skill in asked:
                continue
            asked.add(skill)
            found = [unit_id for unit_id in teachers.get(skill, ()) if unit_id not in useful]
            while found:
                unit_id = found.pop()
                if unit_id in useful:
                    continue
                useful.add(unit_id)
                waiting += self._open_needs(unit_id)
                found += self._open_after(unit_id)
        self.ids = [unit_id for unit_id in self.playable if unit_id in useful]
        self.number = {unit_id: place for place, unit_id in enumerate(self.ids)}
        self.weeks = [self.units[unit_id].weeks for unit_id in self.ids]
        self.needs = [sorted(self._open_needs(unit_id)) for unit_id in self.ids]
        self.after = [[self.number[before] for before in self._open_after(unit_id)] for unit_id in self.ids]
        self.followers: list[list[int]] = [[] for _ in self.ids]
        for place, earlier in enumerate(self.after):
            for before in earlier:
                self.followers[before].append(place)
        self.teaches = [self.units[unit_id].teaches & asked for unit_id in self.ids]
        self.teachers: dict[str, list[int]] = {skill: [] for skill in asked}
        for place, taught in enumerate(self.teaches):
            for skill in taught:
                self.teachers[skill].append(place)
        books = list(dict.fromkeys(unit.book for unit in units))
        shelf = {book: place for place, book in enumerate(books)}
        self.place_in_books = [
            (shelf[self.units[unit_id].book], self.units[unit_id].position, unit_id) for unit_id in self.ids
        ]

    def _open_needs(self, unit_id: str) -> list[str]:
        return [need for need in self.units[unit_id].needs if need not in self.known and need not in self.all_gaps]

    def _open_after(self, unit_id: str) -> list[str]:
        return [before for before in self.units[unit_id].after if not self.units[before].is_done]

    def _find_musts(self) -> None:
        """For each unit, as bits, the units that are played before it on every way."""
        if len(self.ids) > MOST_FOR_MUSTS:
            self.musts = [0] * len(self.ids)
            return
        everything = (1 << len(self.ids)) - 1
        musts = [everything] * len(self.ids)
        for _ in range(MOST_PASSES):
            is_changed = False
            for place, needs in enumerate(self.needs):
                found = 0
                for before in self.after[place]:
                    found |= musts[before] | 1 << before
                for need in needs:
                    common = everything
                    for teacher in self.teachers[need]:
                        if teacher != place:
                            common &= musts[teacher] | 1 << teacher
                    found |= common
                found &= ~(1 << place)
                if found != musts[place]:
                    musts[place] = found
                    is_changed = True
            if not is_changed:
                break
        else:
            # Not settled: what is left is too much, so only what follows from the books themselves is kept.
            musts = self._musts_of_books()
        self.musts = musts

    def _musts_of_books(self) -> list[int]:
        musts = [0] * len(self.ids)
        for place, before in enumerate(self.after):  # numbers rise along `after`
            for earlier in before:
                musts[place] |= musts[earlier] | 1 << earlier
        return musts

    def common_musts(self, teachers: Iterable[int]) -> int:
        """Return, as bits, the units that are played whichever of some teachers is."""
        common = (1 << len(self.ids)) - 1
        for teacher in teachers:
            common &= self.musts[teacher] | 1 << teacher
        return common

    def supports(self, place: int, need: str) -> list[int]:
        """Units that could teach a need of a unit before it is played."""
        return [teacher for teacher in self.teachers[need] if teacher != place and not self.musts[teacher] >> place & 1]

    def sum_weeks(self, chosen: Iterable[int]) -> int:
        return sum(self.weeks[place] for place in chosen)

    def cheap_set(self, prices: Sequence[float]) -> frozenset[int]:
        """Return a set of units that serves, near the cheapest where `prices` are good; without units it can do without."""
        teacher_of, _ = self._settle(prices)
        return self._thinned(self._trace(self.wanted, teacher_of=teacher_of))

    def _settle(self, prices: Sequence[float]) -> tuple[dict[str, int], list[float]]:
        """Return a cheap teacher for each skill, and what each unit costs."""
        # The cost of a unit is taken to be its price and the costs of all it waits for, as if nothing were shared; the
        # cheapest are settled first (Knuth 1977, from memory). Each settled unit leans on units settled earlier, so there
        # is no circle.
        waiting_for_skill: dict[str, list[int]] = {}
        open_count = [len(needs) + len(after) for needs, after in zip(self.needs, self.after, strict=True)]
        cost = list(prices)
        for place, needs in enumerate(self.needs):
            for need in needs:
                waiting_for_skill.setdefault(need, []).append(place)
        heap = [(cost[place], place) for place, count in enumerate(open_count) if not count]
        heapq.heapify(heap)
        teacher_of: dict[str, int] = {}
        while heap:
            paid, place = heapq.heappop(heap)
            freed = list(self.followers[place])
            for skill in self.teaches[place]:
                if skill not in teacher_of:
                    teacher_of[skill] = place
                    freed += waiting_for_skill.get(skill, ())
            for follower in freed:
                cost[follower] += paid
                open_count[follower] -= 1
                if not open_count[follower]:
                    heapq.heappush(heap, (cost[follower], follower))
        return teacher_of, cost

    def _trace(self, skills: Iterable[str], *, teacher_of: Mapping[str, int]) -> set[int]:
        """Return the units that lead to some skills, each skill by its settled teacher."""
        chosen: set[int] = set()
        waiting = [teacher_of[skill] for skill in skills]
        while waiting:
            place = waiting.pop()
            if place not in chosen:
                chosen.add(place)
                waiting += self.after[place]
                waiting += [teacher_of[need] for need in self.needs[place]]
        return chosen

    def opened_up(self, chosen: frozenset[int]) -> frozenset[int]:
        """Return a set that serves, from one that may not: where units wait for each other, or for what is left out."""
        # As long as something wanted is not taught, the cheapest way to the nearest of it is added, units already there for
        # nothing. Units that are stuck and of no use in the end are left out.
        grown = set(chosen)
        for turn in itertools.count():
            played = set(self.play(frozenset(grown)))
            lacking = self.wanted - {skill for place in played for skill in self.teaches[place]}
            if not lacking:
                return self._thinned(played)
            prices = [0.0 if place in grown else float(weeks) for place, weeks in enumerate(self.weeks)]
            teacher_of, cost = self._settle(prices)
            nearest = sorted(lacking, key=lambda skill: (cost[teacher_of[skill]], skill))
            grown |= self._trace(nearest if turn >= MOST_OPENINGS else nearest[:1], teacher_of=teacher_of)
        return frozenset(grown)

    def _thinned(self, chosen: set[int]) -> frozenset[int]:
        """Leave out units, dearest first, that the others can do without in the order in which they are played."""
        turn = {place: turn for turn, place in enumerate(self.play(frozenset(chosen)))}
        teachers: dict[str, set[int]] = {}
        first_needed: dict[str, int] = {}
        for place in chosen:
            for skill in self.teaches[place]:
                teachers.setdefault(skill, set()).add(place)
            for need in self.needs[place]:
                first_needed[need] = min(turn[place], first_needed.get(need, len(turn)))
        asked = self.wanted | first_needed.keys()
        is_before = {before for place in chosen for before in self.after[place]}
        left = set(chosen)
        for place in sorted(chosen, key=lambda place: (-self.weeks[place], place)):
            if place in is_before:
                continue
            for skill in self.teaches[place] & asked:
                needed_at = first_needed.get(skill, len(turn))
                if not any(other != place and turn[other] < needed_at for other in teachers[skill]):
                    break
            else:
                left.discard(place)
                for skill in self.teaches[place]:
                    teachers[skill].discard(place)
        return frozenset(left)

    def play(self, chosen: frozenset[int]) -> list[int]:
        """Return the units of a set that can be played, in an order that keeps to the books where it can."""
        waiting_for_skill: dict[str, list[int]] = {}
        waiting_for_unit: dict[int, list[int]] = {}
        counts: dict[int, int] = {}
        heap = []
        for place in chosen:
            counts[place] = len(self.needs[place]) + len(self.after[place])
            for need in self.needs[place]:
                waiting_for_skill.setdefault(need, []).append(place)
            for before in self.after[place]:
                waiting_for_unit.setdefault(before, []).append(place)
            if not counts[place]:
                heap.append((self.place_in_books[place], place))
        heapq.heapify(heap)
        taught: set[str] = set()
        played = []
        while heap:
            place = heapq.heappop(heap)[1]
            played.append(place)
            freed = list(waiting_for_unit.get(place, ()))
            for skill in self.teaches[place]:
                if skill not in taught:
                    taught.add(skill)
                    freed += waiting_for_skill.get(skill, ())
            for follower in freed:
                counts[follower] -= 1
                if not counts[follower]:
                    heapq.heappush(heap, (self.place_in_books[follower], follower))
        return played

    def in_order(self, chosen: frozenset[int]) -> tuple[str, ...]:
        """Return the ids of a set of units in playing order."""
        return tuple(self.ids[place] for place in self.play(chosen))

    def say_stuck(self, skill: str) -> str:
        """Say why a skill cannot be reached: units that wait for one another, as far as a loop."""
        waits: list[str] = []
        seen: set[str] = set()
        kind, here = "skill", skill
        while here not in seen and len(waits) < MOST_TOLD:
            seen.add(here)
            if kind == "skill":
                teachers = [unit for unit in self.units.values() if here in unit.teaches]
                unit = min(teachers, key=lambda unit: (unit.book, unit.position, unit.id))
                waits.append(f"{here!r} is taught only by {_listed([unit.id for unit in teachers])}")
            else:
                unit = self.units[here]
            needs = [need for need in self._open_needs(unit.id) if need not in self.reached]
            after = [before for before in self._open_after(unit.id) if before not in self.playable]
            if needs:
                kind, here = "skill", min(needs)
                waits.append(f"{unit.id!r} needs {here!r}")
            else:
                kind, here = "unit", min(after)
                waits.append(f"{unit.id!r} comes after {here!r}")
        told = ", ".join(waits)
        ending = "and so it goes round in a circle" if here in seen else "and so on, in a circle"
        return f"{skill!r} cannot be reached: {told}, {ending}."


def _listed(ids: Sequence[str]) -> str:
    shown = [repr(each) for each in sorted(ids)[:MOST_TOLD]]
    more = len(ids) - len(shown)
    return " and ".join([", ".join(shown), f"{more} more"] if more else [", ".join(shown)])
