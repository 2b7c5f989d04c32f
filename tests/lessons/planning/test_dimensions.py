"""What an assignment is judged by."""

import random

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.rubric import RUBRIC_FILE
from lessons.planning.dimensions import BY_CHANNEL, BY_GROUP, DIMENSIONS, SkillHint, suggest_dimensions
from lessons.planning.errors import CandidateError
from lessons.planning.week import KINDS

SKILLS_FILE = RUBRIC_FILE.parent / "skills.yaml"


@pytest.mark.parametrize(
    ("group", "expected"),
    [
        ("rhythm", "rhythm"),
        ("touch", "articulation"),
        ("dynamics", "dynamics-balance"),
        ("keyboard", "notes"),
        ("reading", "notes"),
        ("patterns", "evenness"),
        ("body", "posture"),
        ("hand", "hand-shape"),
        ("musicianship", "shape"),
    ],
)
def test_group_of_a_skill_says_what_it_is_judged_by(group, expected):
    assert suggest_dimensions([SkillHint("s", group)], kind="unit")[0] == expected


def test_weakest_last_mark_comes_first():
    skills = [SkillHint("a", "touch"), SkillHint("b", "rhythm")]
    marks = {"rhythm": 3, "articulation": 2, "evenness": 1}
    assert suggest_dimensions(skills, kind="unit", last_level_by_dimension=marks) == (
        "evenness",
        "articulation",
        "rhythm",
    )


def test_dependable_dimension_gives_way_unless_it_is_the_only_one():
    touch = [SkillHint("a", "touch")]
    assert suggest_dimensions(touch, kind="unit", last_level_by_dimension={"articulation": 4}) == ("evenness",)
    rhythm = [SkillHint("a", "body")]
    assert suggest_dimensions(rhythm, kind="unit", last_level_by_dimension={"posture": 4}) == ("posture",)


def test_own_skill_is_judged_by_how_it_is_heard():
    own = [SkillHint("own-mordent", "own", ("audio-level", "video-front"))]
    assert suggest_dimensions(own, kind="piece") == ("dynamics-balance", "posture")


def test_nothing_known_asks_for_notes_and_keeping_going():
    assert suggest_dimensions([], kind="unit") == ("notes", "fluency")
    assert suggest_dimensions([SkillHint("own-x", "own", ("self-report",))], kind="unit") == ("notes", "fluency")


@pytest.mark.parametrize(("kind", "most"), [("unit", 3), ("piece", 3), ("check", 2), ("correction", 1), ("older", 1)])
def test_kind_limits_how_many_are_asked(kind, most):
    skills = [SkillHint(group, group) for group in BY_GROUP]
    assert len(suggest_dimensions(skills, kind=kind)) == most


def test_unknown_kind_and_impossible_mark_are_refused():
    with pytest.raises(CandidateError, match="'song'"):
        suggest_dimensions([], kind="song")
    with pytest.raises(CandidateError, match="is 5"):
        suggest_dimensions([], kind="unit", last_level_by_dimension={"notes": 5})


def test_dimensions_and_groups_are_those_that_are_shipped():
    rubric = yaml.safe_load(RUBRIC_FILE.read_text(encoding="utf-8"))
    skills = yaml.safe_load(SKILLS_FILE.read_text(encoding="utf-8"))
    assert [row["id"] for row in rubric["dimensions"]] == list(DIMENSIONS)
    assert {row["group"] for row in skills["skills"]} == set(BY_GROUP)
    assert set(skills["about"]["evidence_channels"]) - set(BY_CHANNEL) == {"self-report"}


@settings(max_examples=100, derandomize=True, deadline=None)
@given(
    st.lists(
        st.builds(
            SkillHint,
            id=st.sampled_from("abcdef"),
            group=st.sampled_from([*BY_GROUP, "own"]),
            evidence_channels=st.lists(st.sampled_from([*BY_CHANNEL, "self-report"])).map(tuple),
        ),
        max_size=8,
    ),
    st.sampled_from(KINDS),
    st.dictionaries(st.sampled_from(DIMENSIONS), st.integers(1, 4)),
    st.integers(0, 2**32).map(random.Random),
)
def test_one_to_three_known_dimensions_whatever_the_order(skills, kind, marks, chance):
    told = suggest_dimensions(skills, kind=kind, last_level_by_dimension=marks)
    assert 1 <= len(told) <= 3
    assert set(told) <= set(DIMENSIONS)
    assert len(set(told)) == len(told)
    levels = [marks.get(dimension, 2.5) for dimension in told]
    assert levels == sorted(levels)
    shuffled = chance.sample(skills, k=len(skills))
    assert suggest_dimensions(shuffled, kind=kind, last_level_by_dimension=marks) == told
