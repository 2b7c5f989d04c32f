"""Which skills come back, and together with which."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lessons.planning.checks import MOST_SKILLS_A_LINE, CheckReason, SkillToCheck, choose_checks
from lessons.planning.errors import CandidateError

DAY = date(2025, 3, 3)

skills_to_check = st.lists(
    st.builds(
        SkillToCheck,
        id=st.sampled_from([f"s{number}" for number in range(12)]),
        units=st.lists(st.sampled_from(["u1", "u2", "u3"]), unique=True, max_size=3).map(tuple),
        reason=st.sampled_from(CheckReason),
        since=st.integers(0, 60).map(lambda days: DAY + timedelta(days=days)),
        rank=st.integers(1, 9),
    ),
    unique_by=lambda skill: skill.id,
)


def test_nothing_to_check_gives_no_line():
    assert choose_checks([]) == ()


def test_what_holds_the_next_unit_comes_before_a_claim_that_lapses():
    claim = SkillToCheck("a", ("u1",), CheckReason.CLAIM_LAPSES, DAY)
    holds = SkillToCheck("b", ("u2",), CheckReason.HOLDS_NEXT_UNIT, DAY + timedelta(days=9))
    assert [line.skills for line in choose_checks([claim, holds])] == [("b",), ("a",)]


def test_skills_of_one_unit_share_a_line_up_to_three():
    skills = [SkillToCheck(f"s{number}", ("u1",), CheckReason.DUE, DAY) for number in range(5)]
    lines = choose_checks(skills)
    assert [len(line.skills) for line in lines] == [3, 2]


def test_a_skill_that_no_unit_teaches_stands_alone():
    lines = choose_checks(
        [
            SkillToCheck("a", (), CheckReason.DUE, DAY),
            SkillToCheck("b", (), CheckReason.DUE, DAY),
        ]
    )
    assert [(line.unit, line.skills) for line in lines] == [(None, ("a",)), (None, ("b",))]


def test_a_skill_named_twice_is_refused():
    twin = SkillToCheck("a", (), CheckReason.DUE, DAY)
    with pytest.raises(CandidateError, match="twice"):
        choose_checks([twin, twin])


def test_no_skills_a_line_is_refused():
    with pytest.raises(CandidateError, match="wanted 1 or more"):
        choose_checks([], most_skills_a_line=0)


@settings(derandomize=True, max_examples=200)
@given(skills_to_check, st.randoms(use_true_random=False))
def test_every_skill_stands_once_in_a_line_of_its_own_unit_whatever_the_order(skills, chance):
    lines = choose_checks(skills)
    told = [skill for line in lines for skill in line.skills]
    assert sorted(told) == sorted(skill.id for skill in skills)
    units = {skill.id: skill.units for skill in skills}
    for line in lines:
        assert len(line.skills) <= MOST_SKILLS_A_LINE
        assert all(line.unit in units[skill] for skill in line.skills if line.unit is not None)
    shuffled = list(skills)
    chance.shuffle(shuffled)
    assert choose_checks(shuffled) == lines
    assert [line.reason for line in lines] == sorted(line.reason for line in lines)
