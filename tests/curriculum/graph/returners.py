"""Invented returners: drawn from the stated prior, answering the questions of the placement, truly or with slips."""

import csv
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import yaml

from curriculum.graph.placement import (
    DEFAULT_RULES,
    Answer,
    PlacementRules,
    PlacementSkill,
    PlacementUnit,
    Questioner,
    QuestionKind,
    Said,
    draw_states,
)
from curriculum.graph.prerequisites import closure, learnable_order

ROOT = Path(__file__).resolve().parents[3]


@dataclass(frozen=True)
class Study:
    """Shares of skills placed right, 0 to 1, over all learners and all skills that can hold something back.

    `wrongly_placed_frac` and `wrongly_left_frac` make up the rest. `book_alone_frac`: after the questions about the book.
    `always_the_same_frac`: if every learner were told the same, the best that the prior alone gives. `questions`: asked on
    average. `worst_frac`: of the learner placed worst.
    """

    right_frac: float
    wrongly_placed_frac: float
    wrongly_left_frac: float
    book_alone_frac: float
    always_the_same_frac: float
    worst_frac: float
    questions: float


@cache
def shipped_skills() -> tuple[PlacementSkill, ...]:
    rows = yaml.safe_load((ROOT / "curriculum/content/skills.yaml").read_text(encoding="utf-8"))["skills"]
    gating = {row["id"] for row in rows if row["gate"] == "tick"}
    return tuple(
        PlacementSkill(row["id"], frozenset(row["prerequisites"]) & gating, row["stage"], row["group"])
        for row in rows
        if row["id"] in gating
    )


@cache
def shipped_units() -> tuple[PlacementUnit, ...]:
    with (ROOT / "keyslip/sample/book.csv").open(encoding="utf-8", newline="") as opened:
        return tuple(
            PlacementUnit(f"unit-{row['position']}", frozenset(row["teaches"].split(";")))
            for row in csv.DictReader(opened)
        )


@cache
def shipped_questioner() -> Questioner:
    return Questioner(skills=shipped_skills(), units=shipped_units())


@cache
def shipped_needs() -> dict[str, frozenset[str]]:
    return {skill.id: skill.needs for skill in shipped_skills()}


def draw_learners(*, count: int, seed: int, rules: PlacementRules = DEFAULT_RULES) -> list[frozenset[str]]:
    """Learners from the prior (or another one), none of them among the states that the placement itself draws."""
    by_id = {skill.id: skill for skill in shipped_skills()}
    order = learnable_order(by_id, needs=shipped_needs(), rank={skill.id: (skill.stage,) for skill in by_id.values()})
    states = draw_states([by_id[skill] for skill in order], needs=shipped_needs(), rules=rules, count=count, seed=seed)
    return [frozenset(np.array(order)[state].tolist()) for state in states]


def true_answer(have: frozenset[str], kind: QuestionKind, wanted: str) -> bool:
    if kind is QuestionKind.SKILL:
        return wanted in have
    unit = next(unit for unit in shipped_units() if unit.id == wanted)
    return closure(unit.teaches & shipped_needs().keys(), needs=shipped_needs()) <= have


def ask(questioner: Questioner, have: frozenset[str], *, wrong_frac: float = 0.0, seed: int = 0) -> list[Answer]:
    chance = np.random.default_rng(seed)
    answers: list[Answer] = []
    while question := questioner.next_question(answers):
        slips = chance.random() < wrong_frac
        said = Said.YES if true_answer(have, question.kind, question.id) != slips else Said.NO
        answers.append(Answer(question.kind, question.id, said))
    return answers


def ask_all(questioner: Questioner, number: int) -> list[Answer]:
    """The answers of one of 400 learners, by level."""
    return ask(questioner, draw_learners(count=400, seed=7)[number])


def study(
    *,
    learners: int,
    seed: int,
    wrong_frac: float,
    truth: PlacementRules = DEFAULT_RULES,
    questioner: Questioner | None = None,
) -> Study:
    asking = questioner or shipped_questioner()
    ids = shipped_needs().keys()
    drawn = draw_learners(count=learners, seed=seed, rules=truth)
    usual = asking.result([]).placed
    right, too_much, too_little, book, same, counts = [], [], [], [], [], []
    for number, have in enumerate(drawn):
        answers = ask(asking, have, wrong_frac=wrong_frac, seed=seed * 1000 + number)
        placed = asking.result(answers).placed
        on_book = [answer for answer in answers if answer.kind is QuestionKind.UNIT]
        right.append(1 - len(placed ^ have) / len(ids))
        too_much.append(len(placed - have) / len(ids))
        too_little.append(len(have - placed) / len(ids))
        book.append(1 - len(asking.result(on_book).placed ^ have) / len(ids))
        same.append(1 - len(usual ^ have) / len(ids))
        counts.append(len(answers))
    means = [float(np.mean(values)) for values in (right, too_much, too_little, book, same)]
    return Study(*means, worst_frac=min(right), questions=float(np.mean(counts)))
