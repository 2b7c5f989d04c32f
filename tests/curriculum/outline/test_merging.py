"""Taking a shared outline into one's own book: nothing of one's own is lost, and every conflict is named."""

from hypothesis import given, settings
from hypothesis import strategies as st

from curriculum.outline import BookOutline, UnitOutline, check_book, read_json, write_json
from curriculum.outline.merging import Choice, ConflictKind, merge_plan, merged_book, shareable

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
        merged = merged_book(theirs, existing=mine, skills=SKILLS, choices={conflict.key: choice})
        return [unit.teaches for unit in merged.units]

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
    merged = merged_book(theirs, existing=mine, skills=SKILLS)
    assert [(unit.position, unit.title, unit.after) for unit in merged.units] == [
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
    merged = merged_book(theirs, existing=mine, skills=SKILLS, choices=choices)
    check_book(merged)
    assert len(merged.units) == len(mine.units) + len(plan.new_units)
    if choice is not Choice.THEIRS:
        kept = [unit.title for unit in merged.units]
        assert all(kept.count(title) >= [u.title for u in mine.units].count(title) for title in set(kept))


@settings(max_examples=40)
@given(mine=outlines(), theirs=outlines())
def test_own_words_all_stay_where_nothing_is_chosen(mine: BookOutline, theirs: BookOutline) -> None:
    merged = merged_book(theirs, existing=mine, skills=SKILLS)
    taught = [set(unit.teaches) for unit in merged.units]
    for unit in mine.units:
        assert any(set(unit.teaches) <= each for each in taught)
