"""Placement: how many skills of invented returners are placed right, and how long a question takes.

The seed for tuning is 5; these are others. Base rates stand beside each number: telling everybody the same, and asking about
the book alone.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from curriculum.graph.placement import DEFAULT_RULES, PlacementRules, Questioner
from tests.curriculum.graph.returners import shipped_questioner, shipped_skills, shipped_units, study

LEARNERS = 100
SEEDS = (101, 102, 103)
# Whether the placement's own prior is right about the learners, or they are more uneven, or even.
TRUTHS = {
    "as the prior": DEFAULT_RULES,
    "more uneven": PlacementRules(family_sd=1.6, skill_sd=0.8),
    "single skills stray": PlacementRules(family_sd=0.4, skill_sd=1.2),
    "quite even": PlacementRules(family_sd=0.2, skill_sd=0.1),
}


def main() -> None:
    began_s = time.perf_counter()
    questioner = Questioner(skills=shipped_skills(), units=shipped_units())
    built_s = time.perf_counter() - began_s
    began_s = time.perf_counter()
    questioner.next_question([])
    print(
        f"{len(shipped_skills())} skills, {len(shipped_units())} units: getting ready {built_s * 1e3:.0f} ms", end=", "
    )
    print(f"a question {(time.perf_counter() - began_s) * 1e3:.0f} ms")
    print(
        f"{'learners':22}{'wrong':>7}{'seed':>6}{'right %':>9}{'book':>7}{'same':>7}{'worst':>7}{'claimed':>9}{'missed':>8}{'asked':>7}"
    )
    for name, truth in TRUTHS.items():
        for wrong_frac in (0.0, 0.1):
            for seed in SEEDS if truth is DEFAULT_RULES else SEEDS[:1]:
                found = study(
                    learners=LEARNERS, seed=seed, wrong_frac=wrong_frac, truth=truth, questioner=shipped_questioner()
                )
                shares = (
                    found.right_frac,
                    found.book_alone_frac,
                    found.always_the_same_frac,
                    found.worst_frac,
                    found.wrongly_placed_frac,
                    found.wrongly_left_frac,
                )
                told = "".join(
                    f"{100 * share:{width}.1f}" for share, width in zip(shares, (9, 7, 7, 7, 9, 8), strict=True)
                )
                print(f"{name:22}{wrong_frac:7.0%}{seed:6}{told}{found.questions:7.1f}")
    print("claimed, missed: of all skills, those wrongly placed and those wrongly left out, %")


if __name__ == "__main__":
    main()
