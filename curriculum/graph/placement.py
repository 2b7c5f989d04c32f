"""Where a returner stands: at most six questions about the book, then at most twelve about skills.

First the own book is halved again and again: *could you play page 34 today, slowly, without stopping?* Then come skills, each
chosen to leave the fewest skills in doubt, given the prerequisites. This is in the spirit of knowledge space theory (Doignon
and Falmagne 1985; from memory): a learner's state is a set of skills that holds, with each skill, what lies below it, and each
answer shifts belief among the states. There are far too many states to list, so belief is spread over a few thousand drawn
from a prior, always the same ones.

The prior
---------
A learner has a level, uniform from below the first stage to above the last. Each family of skills (reading, rhythm ...) lies
above or below that level by a normal deviation of `family_sd` stages, and each skill by one of `skill_sd` stages of its own. A
skill is there where level and deviations together reach its stage and everything below it is there. The numbers are our
inference; nobody measured them. `tests/bench/placement.py` also reports learners who are more uneven than that.

Answers
-------
*Yes* and *no* are believed, but not quite: each is taken to be wrong with the chance `wrong_frac`, so that one slip can be
outvoted. *Cannot tell* changes nothing and is not asked again. At the end a skill is placed where it is more likely there than
not. What lies below a placed skill is always placed too. Watched skills and those not for the learner are neither asked nor
placed.

A worked example. Two units; the page of the first is in reach and that of the second is not, so *place* is there:

>>> skills = [PlacementSkill("place", stage=2), PlacementSkill("legato", needs=frozenset({"place"}), stage=6)]
>>> units = [PlacementUnit("u1", frozenset({"place"})), PlacementUnit("u2", frozenset({"legato"}))]
>>> questioner = Questioner(skills=skills, units=units)
>>> questioner.next_question([])
Question(kind=<QuestionKind.UNIT: 'unit'>, id='u1', number=1, most=2)
>>> answers = [Answer(QuestionKind.UNIT, "u1", Said.YES), Answer(QuestionKind.UNIT, "u2", Said.NO)]
>>> sorted(questioner.result(answers).placed)
['place']
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from curriculum.graph.errors import PlacementError
from curriculum.graph.prerequisites import Needs, closure, learnable_order

# States that belief is spread over. With 5,000 of them 97.9 % of skills were placed right, with 40,000 98.4 %; time and
# memory grow in proportion.
MOST_STATES = 6_000
# Truth values held at most, states times skills; keeps a vocabulary of thousands of skills below 20 MB.
MOST_VALUES = 4_000_000
# Seed of the states. Another one gives other questions and about the same results.
SEED = 20


class QuestionKind(StrEnum):
    """What a question is about."""

    UNIT = "unit"
    SKILL = "skill"


class Said(StrEnum):
    """What the learner answered."""

    YES = "yes"
    NO = "no"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True)
class PlacementRules:
    """The numbers of the placement.

    Attributes
    ----------
    most_on_units : int
        Most questions about the book; fewer where fewer halvings are enough.
    most_on_skills : int
        Most questions about skills.
    level_margin : float
        Stages by which the level may lie below the first or above the last stage.
    family_sd : float
        Standard deviation of a family of skills from the level, in stages.
    skill_sd : float
        Standard deviation of a single skill, in stages.
    wrong_frac : float
        Chance with which an answer is taken to be wrong, above 0 and below 0.5. Higher, and true answers are believed too
        little; lower, and one slip decides.
    least_doubt : float
        Skills expected to be placed wrongly below which no more is asked.
    """

    most_on_units: int = 6
    most_on_skills: int = 12
    level_margin: float = 0.5
    family_sd: float = 0.8
    skill_sd: float = 0.4
    wrong_frac: float = 0.06
    least_doubt: float = 0.1


DEFAULT_RULES = PlacementRules()


@dataclass(frozen=True, slots=True)
class PlacementSkill:
    """What the placement needs to know of a skill.

    Attributes
    ----------
    id : str
        Its own id.
    needs : frozenset of str
        Its direct prerequisites. Those that are not given, watched or not for the learner are passed over.
    stage : int
        Its place in the order of skills.
    family : str
        The family it belongs to.
    """

    id: str
    needs: frozenset[str] = frozenset()
    stage: int = 1
    family: str = ""


@dataclass(frozen=True, slots=True)
class PlacementUnit:
    """A unit of the own book: its id and what it teaches. Skills that are not given are passed over."""

    id: str
    teaches: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes
    ----------
    kind : QuestionKind
        Whether it is about a unit or a skill.
    id : str
        The unit ("could you play this page today, slowly, without stopping?") or the skill.
    number : int
        Which of the questions of its kind it is, from 1.
    most : int
        How many of its kind there are at most.
    """

    kind: QuestionKind
    id: str
    number: int
    most: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What the learner said to one question."""

    kind: QuestionKind
    id: str
    said: Said


@dataclass(frozen=True, slots=True)
class PlacementResult:
    """Where the learner stands.

    Attributes
    ----------
    placed : frozenset of str
        Skills that are more likely there than not, to be claimed; with each, what lies below it.
    chances : dict of str to float
        For each skill, how likely it is there, 0 to 1.
    unit : str or None
        The first unit of the book that teaches a skill not placed; None where there is none.
    in_doubt : tuple of str
        Skills that could as well be the other way round (chance 0.2 to 0.8), the most doubtful first: good ones for the
        first clip.
    """

    placed: frozenset[str]
    chances: dict[str, float]
    unit: str | None
    in_doubt: tuple[str, ...]


# A skill is in doubt when its chance lies between this and its complement.
DOUBT_FROM = 0.2


class Questioner:
    """Asks for one learner's place. The same skills, units and answers always give the same question.

    Parameters
    ----------
    skills : sequence of PlacementSkill
        Skills that may be asked and placed: without those that are watched, hidden or not for the learner.
    units : sequence of PlacementUnit
        Units of the own book in its order; empty without a book.
    rules : PlacementRules
        The numbers.

    Raises
    ------
    LoopError
        If prerequisites go round in a circle.
    PlacementError
        If a skill or a unit is given twice, or a number is out of range.
    """

    def __init__(
        self,
        *,
        skills: Sequence[PlacementSkill],
        units: Sequence[PlacementUnit] = (),
        rules: PlacementRules = DEFAULT_RULES,
    ) -> None:
        if not 0 < rules.wrong_frac < 0.5:
            raise PlacementError(f"wrong_frac is {rules.wrong_frac}; wanted above 0 and below 0.5")
        by_id = {skill.id: skill for skill in skills}
        if len(by_id) < len(skills) or len({unit.id for unit in units}) < len(units):
            raise PlacementError("a skill or a unit is given twice; wanted one id each")
        self.rules = rules
        needs = {skill.id: skill.needs & by_id.keys() for skill in skills}
        order = learnable_order(by_id, needs=needs, rank={skill.id: (skill.stage,) for skill in skills})
        self._number = {skill: place for place, skill in enumerate(order)}
        self._units = tuple(units)
        self._states = draw_states([by_id[skill] for skill in order], needs=needs, rules=rules)
        self._as_numbers: NDArray[np.float32] = self._states.astype(np.float32)
        self._pages: dict[str, NDArray[np.bool_]] = {}
        for unit in units:
            below = closure(unit.teaches & by_id.keys(), needs=needs)
            if below:
                columns = [self._number[skill] for skill in below]
                self._pages[unit.id] = np.all(self._states[:, columns], axis=1)

    @property
    def most_on_units(self) -> int:
        """How many questions about the book are asked at most: as many as halve it down to one unit."""
        return min(self.rules.most_on_units, math.ceil(math.log2(len(self._pages) + 1)))

    def next_question(self, answers: Sequence[Answer]) -> Question | None:
        """Return the next question.

        Parameters
        ----------
        answers : sequence of Answer
            All answers so far, in the order of the questions.

        Returns
        -------
        Question or None
            None where enough has been asked; `result` then says where the learner stands. It may be asked for earlier.

        Raises
        ------
        PlacementError
            If an answer is about something that is not given, or the same thing is answered twice.
        """
        belief = self._belief(answers)
        asked = {kind: {answer.id for answer in answers if answer.kind is kind} for kind in QuestionKind}
        chances = belief @ self._as_numbers
        if self._doubt(chances) <= self.rules.least_doubt:
            return None
        if not asked[QuestionKind.SKILL] and len(asked[QuestionKind.UNIT]) < self.most_on_units:
            page = self._halving_page(belief, asked=asked[QuestionKind.UNIT])
            if page is not None:
                return Question(QuestionKind.UNIT, page, len(asked[QuestionKind.UNIT]) + 1, self.most_on_units)
        if len(asked[QuestionKind.SKILL]) < min(self.rules.most_on_skills, len(self._number)):
            skill = self._telling_skill(belief, chances=chances, asked=asked[QuestionKind.SKILL])
            if skill is not None:
                return Question(
                    QuestionKind.SKILL, skill, len(asked[QuestionKind.SKILL]) + 1, self.rules.most_on_skills
                )
        return None

    def result(self, answers: Sequence[Answer]) -> PlacementResult:
        """Return where the learner stands by the answers so far.

        Parameters
        ----------
        answers : sequence of Answer
            All answers so far.

        Returns
        -------
        PlacementResult
            Without answers, what the prior alone says.

        Raises
        ------
        PlacementError
            If an answer is about something that is not given, or the same thing is answered twice.
        """
        chances = np.clip(self._belief(answers) @ self._as_numbers, 0.0, 1.0)
        told = {skill: round(float(chances[place]), 4) for skill, place in self._number.items()}
        placed = frozenset(skill for skill, place in self._number.items() if chances[place] > 0.5)
        doubtful = [skill for skill, chance in told.items() if DOUBT_FROM <= chance <= 1 - DOUBT_FROM]
        doubtful.sort(key=lambda skill: abs(told[skill] - 0.5))
        ahead = (unit.id for unit in self._units if (unit.teaches & self._number.keys()) - placed)
        return PlacementResult(placed=placed, chances=told, unit=next(ahead, None), in_doubt=tuple(doubtful))

    def still_asked(self, answers: Sequence[Answer]) -> tuple[Answer, ...]:
        """Return the answers about skills and units that are given; others may have gone since they were asked.

        Parameters
        ----------
        answers : sequence of Answer
            Answers from an earlier day.

        Returns
        -------
        tuple of Answer
            In the same order.
        """
        given = {QuestionKind.UNIT: self._pages.keys(), QuestionKind.SKILL: self._number.keys()}
        return tuple(answer for answer in answers if answer.id in given[answer.kind])

    def _belief(self, answers: Sequence[Answer]) -> NDArray[np.float32]:
        logs = np.zeros(len(self._states), dtype=np.float64)
        seen: set[tuple[QuestionKind, str]] = set()
        for answer in answers:
            if (answer.kind, answer.id) in seen:
                raise PlacementError(
                    f"{answer.kind} {answer.id!r} is answered twice; wanted one answer to each question"
                )
            seen.add((answer.kind, answer.id))
            truth = self._truth(answer)
            if answer.said is not Said.CANNOT_TELL:
                agrees = truth == (answer.said is Said.YES)
                logs += np.where(agrees, math.log1p(-self.rules.wrong_frac), math.log(self.rules.wrong_frac))
        weights: NDArray[np.float64] = np.exp(logs - logs.max())
        return np.asarray(weights / weights.sum(), dtype=np.float32)

    def _truth(self, answer: Answer) -> NDArray[np.bool_]:
        if answer.kind is QuestionKind.UNIT and answer.id in self._pages:
            return self._pages[answer.id]
        if answer.kind is QuestionKind.SKILL and answer.id in self._number:
            return self._states[:, self._number[answer.id]]
        raise PlacementError(f"{answer.kind} {answer.id!r} is answered; wanted one that is asked about")

    @staticmethod
    def _doubt(chances: NDArray[np.float32]) -> float:
        """Return how many skills are expected to be placed wrongly."""
        return float(np.minimum(chances, 1 - chances).sum())

    def _halving_page(self, belief: NDArray[np.float32], *, asked: set[str]) -> str | None:
        best: tuple[float, str] | None = None
        for unit_id, truth in self._pages.items():
            if unit_id not in asked:
                distance = abs(float(belief @ truth) - 0.5)
                if best is None or distance < best[0] - 1e-6:
                    best = (distance, unit_id)
        return best[1] if best is not None else None

    def _telling_skill(
        self, belief: NDArray[np.float32], *, chances: NDArray[np.float32], asked: set[str]
    ) -> str | None:
        """Return the skill whose answer is expected to leave the fewest skills placed wrongly."""
        both = (self._as_numbers * belief[:, np.newaxis]).T @ self._as_numbers
        wrong = self.rules.wrong_frac
        there_and_yes = wrong * chances[np.newaxis, :] + (1 - 2 * wrong) * both
        yes = (wrong + (1 - 2 * wrong) * chances)[:, np.newaxis]
        there_and_no = chances[np.newaxis, :] - there_and_yes
        after_yes = np.minimum(there_and_yes, yes - there_and_yes).sum(axis=1)
        after_no = np.minimum(there_and_no, (1 - yes) - there_and_no).sum(axis=1)
        left = after_yes + after_no
        best: tuple[float, str] | None = None
        for skill, place in self._number.items():
            if skill not in asked and (best is None or left[place] < best[0] - 1e-5):
                best = (float(left[place]), skill)
        return best[1] if best is not None else None


def write_answers(answers: Sequence[Answer]) -> list[dict[str, str]]:
    """Return answers as plain rows, to be kept as JSON.

    Parameters
    ----------
    answers : sequence of Answer
        Answers.

    Returns
    -------
    list of dict
        One row each, with `kind`, `id` and `said`.

    Examples
    --------
    >>> write_answers([Answer(QuestionKind.SKILL, "place", Said.YES)])
    [{'kind': 'skill', 'id': 'place', 'said': 'yes'}]
    """
    return [{"kind": answer.kind.value, "id": answer.id, "said": answer.said.value} for answer in answers]


def read_answers(rows: object) -> tuple[Answer, ...]:
    """Return answers from plain rows.

    Parameters
    ----------
    rows : object
        As `write_answers` made them.

    Returns
    -------
    tuple of Answer
        In the same order; empty for no rows.

    Raises
    ------
    PlacementError
        If the rows are anything else.

    Examples
    --------
    >>> read_answers([{"kind": "skill", "id": "place", "said": "yes"}])[0].said.value
    'yes'
    """
    try:
        return tuple(
            Answer(QuestionKind(row["kind"]), str(row["id"]), Said(row["said"]))
            for row in rows  # type: ignore[attr-defined]
        )
    except (TypeError, KeyError, ValueError) as error:
        raise PlacementError(f"{rows!r} are no answers; wanted rows of kind, id and said") from error


def draw_states(
    skills: Sequence[PlacementSkill],
    *,
    needs: Needs,
    rules: PlacementRules = DEFAULT_RULES,
    count: int | None = None,
    seed: int = SEED,
) -> NDArray[np.bool_]:
    """Return states of learners drawn from the prior.

    Parameters
    ----------
    skills : sequence of PlacementSkill
        Skills in learnable order.
    needs : mapping of str to frozenset of str
        Direct prerequisites of each, among these skills only.
    rules : PlacementRules
        The numbers of the prior.
    count : int, optional
        How many; as many as the placement itself uses unless said.
    seed : int
        Seed of the draw.

    Returns
    -------
    NDArray of bool, shape (count, n_skills)
        Whether each learner has each skill. Levels are spread evenly over their range instead of drawn.

    Raises
    ------
    PlacementError
        If a skill comes before one that it needs.

    Examples
    --------
    >>> states = draw_states([PlacementSkill("place"), PlacementSkill("legato", stage=9)], needs={}, count=1000)
    >>> bool(states[:, 0].mean() > states[:, 1].mean())
    True
    """
    if not skills:
        return np.zeros((1, 0), dtype=np.bool_)
    drawn = count if count is not None else max(min(MOST_STATES, MOST_VALUES // len(skills)), 1)
    chance = np.random.default_rng(seed)
    stages = np.array([skill.stage for skill in skills], dtype=np.float64)
    low, high = stages.min() - 0.5 - rules.level_margin, stages.max() - 0.5 + rules.level_margin
    levels = low + (high - low) * (np.arange(drawn) + 0.5) / drawn
    families: Mapping[str, int] = {
        family: place for place, family in enumerate(sorted({skill.family for skill in skills}))
    }
    deviations = chance.normal(0.0, rules.family_sd, (drawn, len(families)))
    states = np.zeros((drawn, len(skills)), dtype=np.bool_)
    place_of = {skill.id: place for place, skill in enumerate(skills)}
    for place, skill in enumerate(skills):
        own = chance.normal(0.0, rules.skill_sd, drawn)
        has = levels + deviations[:, families[skill.family]] + own >= skill.stage - 0.5
        for need in needs.get(skill.id, ()):
            if place_of[need] >= place:
                raise PlacementError(f"{skill.id!r} comes before {need!r}, which it needs; wanted learnable order")
            has &= states[:, place_of[need]]
        states[:, place] = has
    return states
