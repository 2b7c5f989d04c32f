"""Taking a shared outline into one's own book: nothing of one's own is lost, and every conflict is named."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.outline import BookOutline, SkillOutline, UnitOutline, check_book, read_json, write_json
from curriculum.outline.merging import (
    Choice,
    ConflictKind,
    merge_plan,
    merged,
    merged_book,
    shareable,
    unit_circle,
)

SKILLS = ("steps", "skips", "legato", "pulse")


def book(*units: UnitOutline) -> BookOutline:
    return BookOutline("First Year", units)


def test_outline_without_a_book_of_ones_own_becomes_that_book() -> None:
    theirs = book(UnitOutline(1, "Steps", teaches=("steps",)), UnitOutline(2, "Skips", after=(1,)))
    assert merged_book(theirs, existing=None, skills=SKILLS) == theirs
    assert merge_plan(theirs, existing=None, skills=SKILLS).new_units == (1, 2)


def test_book_merged_with_itself_has_no_conflict_and_stays() -> None:
    mine = book(UnitOutline(1, "Steps", page="4", teaches=("steps",)), UnitOutline(2, "Skips", teaches=("skips",)))
    plan = merge_plan(mine, existing=mine, skills=SKILLS)
    assert (plan.conflicts, plan.new_units, plan.filled, plan.unchanged) == ((), (), (), 2)
    assert merged_book(mine, existing=mine, skills=SKILLS) == mine


def test_unit_is_known_again_by_its_title_though_it_stands_elsewhere() -> None:
    mine = book(UnitOutline(1, "A Waltz"), UnitOutline(2, "Steps"))
    theirs = book(UnitOutline(1, "steps ", page="9"))
    assert merge_plan(theirs, existing=mine, skills=SKILLS).filled == ((1, "page"),)
    assert [unit.page for unit in merged_book(theirs, existing=mine, skills=SKILLS).units] == ["", "9"]


def test_own_word_wins_until_another_choice_is_made() -> None:
    mine, theirs = book(UnitOutline(1, "Steps", page="4")), book(UnitOutline(1, "Steps", page="5"))
    (conflict,) = merge_plan(theirs, existing=mine, skills=SKILLS).conflicts
    assert (conflict.key, conflict.mine, conflict.theirs) == ("1:page", "4", "5")
    assert conflict.choices == (Choice.MINE, Choice.THEIRS)
    assert merged_book(theirs, existing=mine, skills=SKILLS).units[0].page == "4"
    taken = merged_book(theirs, existing=mine, skills=SKILLS, choices={"1:page": Choice.THEIRS})
    assert taken.units[0].page == "5"


def test_skill_taught_elsewhere_is_a_conflict_and_settled_as_chosen() -> None:
    mine = book(UnitOutline(1, "Steps", teaches=("steps",)), UnitOutline(2, "Skips"))
    theirs = book(UnitOutline(2, "Skips", teaches=("steps",)))
    (conflict,) = merge_plan(theirs, existing=mine, skills=SKILLS).conflicts
    assert (conflict.kind, conflict.skill) == (ConflictKind.TAUGHT_ELSEWHERE, "steps")

    def teaches(choice: Choice) -> list[tuple[str, ...]]:
        taken = merged_book(theirs, existing=mine, skills=SKILLS, choices={conflict.key: choice})
        return [unit.teaches for unit in taken.units]

    assert teaches(Choice.MINE) == [("steps",), ()]
    assert teaches(Choice.THEIRS) == [(), ("steps",)]
    assert teaches(Choice.BOTH) == [("steps",), ("steps",)]


def test_unknown_skill_is_named_with_its_units_and_left_out() -> None:
    theirs = book(UnitOutline(1, "Trills", teaches=("own-trill",)), UnitOutline(2, "More", needs=("own-trill",)))
    (conflict,) = merge_plan(theirs, existing=None, skills=SKILLS).conflicts
    assert (conflict.kind, conflict.positions) == (ConflictKind.UNKNOWN_SKILL, (1, 2))
    assert all(not unit.teaches and not unit.needs for unit in merged_book(theirs, existing=None, skills=SKILLS).units)


def test_new_unit_stands_after_the_unit_it_follows_and_names_it_by_its_new_place() -> None:
    mine = book(UnitOutline(1, "Steps"), UnitOutline(2, "A Waltz", after=(1,)))
    theirs = book(UnitOutline(1, "Steps"), UnitOutline(2, "Skips", after=(1,)), UnitOutline(3, "A Waltz"))
    taken = merged_book(theirs, existing=mine, skills=SKILLS)
    assert [(unit.position, unit.title, unit.after) for unit in taken.units] == [
        (1, "Steps", None),
        (2, "Skips", (1,)),
        (3, "A Waltz", (1,)),
    ]


def test_what_is_given_away_holds_no_notes_and_no_links() -> None:
    mine = book(UnitOutline(1, "Steps", link="https://example.org/x", new_words="printed words", teaches=("steps",)))
    given_away = write_json(shareable(mine))
    assert "printed words" not in given_away
    assert "example.org" not in given_away
    assert read_json(given_away).units[0].teaches == ("steps",)


def test_other_title_at_one_place_is_one_unit_or_two() -> None:
    mine = book(UnitOutline(1, "Steps"), UnitOutline(2, "Skips", page="6"), UnitOutline(3, "A Waltz", after=(2,)))
    theirs = book(UnitOutline(2, "Leaps", page="7"))
    assert [conflict.key for conflict in merge_plan(theirs, existing=mine, skills=SKILLS).conflicts] == [
        "2:page",
        "2:title",
    ]

    def titles(choice: Choice) -> list[str]:
        taken = merged(theirs, existing=mine, skills=SKILLS, choices={"2:title": choice})
        assert [unit.after for unit in taken.book.units if unit.title == "A Waltz"] == [(taken.mine.index(2) + 1,)]
        return [unit.title for unit in taken.book.units]

    assert titles(Choice.MINE) == ["Steps", "Skips", "A Waltz"]
    assert titles(Choice.THEIRS) == ["Steps", "Leaps", "A Waltz"]
    assert sorted(titles(Choice.BOTH)) == ["A Waltz", "Leaps", "Skips", "Steps"]


def test_other_order_is_one_conflict_and_the_own_one_holds() -> None:
    mine = book(UnitOutline(1, "Steps"), UnitOutline(2, "Skips"), UnitOutline(3, "Own"), UnitOutline(4, "Echo"))
    theirs = book(UnitOutline(1, "Steps"), UnitOutline(2, "Echo"), UnitOutline(3, "Skips"))
    conflict = merge_plan(theirs, existing=mine, skills=SKILLS).conflicts[0]
    assert (conflict.key, conflict.mine, conflict.theirs) == ("order", ("Skips", "Echo"), ("Echo", "Skips"))
    assert merged(theirs, existing=mine, skills=SKILLS).mine == (1, 2, 3, 4)
    assert merged(theirs, existing=mine, skills=SKILLS, choices={"order": Choice.THEIRS}).mine == (1, 4, 2, 3)


def test_unit_before_named_by_its_number_is_no_conflict() -> None:
    mine = book(UnitOutline(1, "Steps"), UnitOutline(2, "Skips"), UnitOutline(3, "Echo", after=(1,)))
    theirs = book(UnitOutline(1, "Steps"), UnitOutline(2, "Skips", after=(1,)), UnitOutline(3, "Echo"))
    (conflict,) = merge_plan(theirs, existing=mine, skills=SKILLS).conflicts
    assert (conflict.key, conflict.mine, conflict.theirs) == ("3:after", (1,), None)
    taken = merged_book(theirs, existing=mine, skills=SKILLS, choices={"3:after": Choice.THEIRS})
    assert [unit.after for unit in taken.units] == [None, None, None]


def test_new_unit_that_would_close_a_circle_is_named_and_follows_the_unit_before() -> None:
    mine = book(UnitOutline(1, "Steps"), UnitOutline(2, "Skips"))
    theirs = book(UnitOutline(1, "Steps"), UnitOutline(2, "Echo", after=(3,)), UnitOutline(3, "Skips", after=()))
    plan = merge_plan(theirs, existing=mine, skills=SKILLS)
    circle = next(conflict for conflict in plan.conflicts if conflict.kind is ConflictKind.CIRCLE)
    assert (circle.key, circle.choices[0]) == ("2:after", Choice.MINE)
    assert unit_circle(merged_book(theirs, existing=mine, skills=SKILLS)) == []
    both_theirs = {conflict.key: Choice.THEIRS for conflict in plan.conflicts}
    taken = merged_book(theirs, existing=mine, skills=SKILLS, choices=both_theirs)
    assert [(unit.title, unit.after) for unit in taken.units] == [("Steps", None), ("Echo", (3,)), ("Skips", ())]
    assert unit_circle(taken) == []


def test_described_skill_is_taken_unless_left_out() -> None:
    trill = SkillOutline("own-trill", "Trill", needs=("legato", "own-lost"))
    theirs = BookOutline("A", (UnitOutline(1, "Trills", teaches=("own-trill", "legato")),), (trill,))
    kinds = {conflict.skill: conflict.kind for conflict in merge_plan(theirs, existing=None, skills=SKILLS).conflicts}
    assert kinds == {"own-trill": ConflictKind.NEW_SKILL, "own-lost": ConflictKind.UNKNOWN_SKILL}
    taken = merged(theirs, existing=None, skills=SKILLS)
    assert taken.book.units[0].teaches == ("own-trill", "legato")
    assert taken.book.skills == (replace(trill, needs=("legato",)),)
    left = merged(theirs, existing=None, skills=SKILLS, choices={"skill:own-trill": Choice.MINE})
    assert (left.book.units[0].teaches, left.book.skills) == (("legato",), ())


def test_skill_described_otherwise_is_rewritten_field_by_field() -> None:
    mine = SkillOutline("own-trill", "Trill", definition="Two keys in turn.", see_or_hear=("Even.",))
    other = SkillOutline("own-trill", "Trills", definition="Fast.", see_or_hear=("Even.",), needs=("legato",))
    theirs = BookOutline("A", (UnitOutline(1, "Trills", teaches=("own-trill",)),), (other,))
    task = {"existing": None, "skills": [*SKILLS, "own-trill"], "own_skills": (mine,)}
    keys = [conflict.key for conflict in merge_plan(theirs, **task).conflicts]
    assert keys == [f"skill:own-trill:{name}" for name in ("name", "definition", "needs")]
    assert merged(theirs, **task).book.skills == ()
    choices = {"skill:own-trill:needs": Choice.THEIRS, "skill:own-trill:name": Choice.THEIRS}
    assert merged(theirs, **task, choices=choices).book.skills == (replace(mine, name="Trills", needs=("legato",)),)


@st.composite
def outlines(draw: st.DrawFn) -> BookOutline:
    titles = draw(st.lists(st.sampled_from(["Steps", "Skips", "A Waltz", "Echo", "Round"]), max_size=5))
    units = []
    for position, title in enumerate(titles, start=1):
        earlier = st.lists(st.integers(1, position - 1), unique=True, max_size=2) if position > 1 else st.just([])
        units.append(
            UnitOutline(
                position,
                title,
                page=draw(st.sampled_from(["", "4", "5"])),
                teaches=tuple(draw(st.lists(st.sampled_from([*SKILLS, "own-x"]), unique=True, max_size=2))),
                after=draw(st.one_of(st.none(), earlier.map(tuple))),
            )
        )
    return BookOutline("A", tuple(units))


@settings(max_examples=40)
@given(mine=outlines(), theirs=outlines(), choice=st.sampled_from(list(Choice)))
def test_whatever_is_merged_can_be_kept_and_loses_no_unit_of_ones_own(
    mine: BookOutline, theirs: BookOutline, choice: Choice
) -> None:
    plan = merge_plan(theirs, existing=mine, skills=SKILLS)
    choices = {conflict.key: choice for conflict in plan.conflicts if choice in conflict.choices}
    taken = merged(theirs, existing=mine, skills=SKILLS, choices=choices)
    check_book(taken.book)
    assert sorted(filter(None, taken.mine)) == [unit.position for unit in mine.units]
    assert sorted(filter(None, taken.theirs)) == [unit.position for unit in theirs.units]
    if choice is Choice.MINE:
        assert bool(unit_circle(taken.book)) <= bool(unit_circle(mine))
    apart = sum(conflict.field == "title" for conflict in plan.conflicts) if choice is Choice.BOTH else 0
    assert len(taken.book.units) == len(mine.units) + len(plan.new_units) + apart
    if choice is not Choice.THEIRS:
        kept = [unit.title for unit in taken.book.units]
        assert all(kept.count(title) >= [u.title for u in mine.units].count(title) for title in set(kept))


@settings(max_examples=40)
@given(mine=outlines(), theirs=outlines())
def test_own_words_all_stay_where_nothing_is_chosen(mine: BookOutline, theirs: BookOutline) -> None:
    taken = merged_book(theirs, existing=mine, skills=SKILLS)
    taught = [set(unit.teaches) for unit in taken.units]
    for unit in mine.units:
        assert any(set(unit.teaches) <= each for each in taught)
