"""Pasted contents lists."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from curriculum.outline import (
    BinaryOutlineError,
    ContentsLimits,
    EmptyOutlineError,
    OutlineError,
    TooLargeError,
    read_contents,
)


def only_line(text):
    [line] = read_contents(text).lines
    return line


@pytest.mark.parametrize(
    ("typed", "title", "page", "number"),
    [
        ("12  The Waltz", "The Waltz", "12", ""),
        ("12 The Waltz", "The Waltz", "12", ""),
        ("12\tThe Waltz", "The Waltz", "12", ""),
        ("p.12 The Waltz", "The Waltz", "12", ""),
        ("p. 12: The Waltz", "The Waltz", "12", ""),
        ("Page 12 - The Waltz", "The Waltz", "12", ""),
        ("The Waltz .......... 12", "The Waltz", "12", ""),
        ("The Waltz..........12", "The Waltz", "12", ""),
        ("The Waltz . . . . . . 12", "The Waltz", "12", ""),
        ("The Waltz …… 12", "The Waltz", "12", ""),
        ("The Waltz…12", "The Waltz", "12", ""),
        ("The Waltz ____ 12", "The Waltz", "12", ""),
        ("The Waltz ·····12", "The Waltz", "12", ""),
        ("The Waltz, p. 12", "The Waltz", "12", ""),
        ("The Waltz p12", "The Waltz", "12", ""),
        ("The Waltz (page 12)", "The Waltz", "12", ""),
        ("The Waltz [pp. 12–13]", "The Waltz", "12-13", ""),
        ("The Waltz, 12", "The Waltz", "12", ""),
        ("The Waltz,12,", "The Waltz", "12", ""),
        ("The Waltz | 12", "The Waltz", "12", ""),
        ("| 3 | The Waltz | 12 |", "The Waltz", "12", "3"),
        ("Unit 3: The Waltz (page 12)", "The Waltz", "12", "3"),
        ("3. The Waltz 12-13", "The Waltz", "12-13", "3"),
        ("3) The Waltz\t12—13", "The Waltz", "12-13", "3"),
        ("3\tThe Waltz\t12", "The Waltz", "12", "3"),
        ("2.3 The Waltz .... 12", "The Waltz", "12", "2.3"),
        ("#4 The Waltz .... 12", "The Waltz", "12", "4"),
        ("• The Waltz\t12", "The Waltz", "12", ""),
        ("– The Waltz, p. 12", "The Waltz", "12", ""),
        ("- The Waltz, p. 12", "The Waltz", "12", ""),
        ("Preface\txii", "Preface", "xii", ""),
        ("Before you begin .... iv", "Before you begin", "iv", ""),
        ("“The Waltz”\u00a0\u00a012", "The Waltz", "12", ""),
        ("The Farmer’s Song\u00a0\u00a012", "The Farmer’s Song", "12", ""),
        ("Study No. 5 .... 12", "Study No. 5", "12", "5"),
        ("Symphony 9  12", "Symphony 9", "12", ""),
        ("Minuet in G 3/4  12", "Minuet in G 3/4", "12", ""),
        ("Prelude in C, Op. 28 no 7, p. 12", "Prelude in C, Op. 28 no 7", "12", ""),
        ("<b>Waltz</b>  12", "<b>Waltz</b>", "12", ""),
    ],
)
def test_page_and_number_come_off_the_title(typed, title, page, number):
    line = only_line(typed)
    assert (line.kind, line.title, line.page, line.number, line.doubt) == ("unit", title, page, number, "")


@pytest.mark.parametrize(
    "title",
    [
        "Study No. 5",
        "Prelude in C, Op. 28 no 7",
        "Symphony 9",
        "Minuet in G 3/4",
        "The Waltz 12",
        "Duet II",
        "Sonata K. 545",
        "Song of 1812",
        "Bars 5-8",
        "Part of the Dance",
        "Studies 3-4",
    ],
)
def test_number_that_may_belong_to_the_title_stays_and_is_doubted(title):
    line = only_line(title)
    assert (line.kind, line.title, line.page) == ("unit", title, "")
    assert line.doubt.startswith("No page found.")


def test_label_of_a_unit_is_its_number():
    line = only_line("Lesson 4 - Skips")
    assert (line.title, line.number, line.page, line.doubt) == ("Skips", "4", "", "No page found.")


def test_bare_numbers_at_the_end_are_pages_when_that_is_the_habit_of_the_list():
    contents = read_contents("Skips 4\nStudy No. 5\nSymphony 9\nMarch 8\nDance 9\nStudy 3 10\nPolka 12")
    assert [(unit.title, unit.page) for unit in contents.units] == [
        ("Skips", "4"),
        ("Study No. 5", ""),
        ("Symphony 9", ""),
        ("March", "8"),
        ("Dance", "9"),
        ("Study 3", "10"),
        ("Polka", "12"),
    ]


def test_titles_that_only_count_up_have_no_pages():
    contents = read_contents("Tune 1\nTune 2\nTune 3\nTune 4")
    assert [unit.page for unit in contents.units] == ["", "", "", ""]


def test_numbers_that_jump_about_stay_in_their_titles():
    contents = read_contents("Tune 12\nDance 3\nMarch 40\nPolka 2\nSong 17")
    assert [unit.page for unit in contents.units] == [""] * 5


def test_lone_bare_number_is_a_page_where_it_fits_between_its_neighbours():
    contents = read_contents("Skips .... 4\nThe Lake 6\nSteps .... 7\nRests .... 9")
    assert (contents.units[1].title, contents.units[1].page) == ("The Lake", "6")
    assert contents.units[1].doubt == "The number at the end, 6, was taken for the page."


def test_numbers_in_front_that_count_from_one_are_unit_numbers():
    contents = read_contents("1 Skips 5\n2 Steps 6\n3 March 8\n4 Polka 9")
    assert [(unit.number, unit.title, unit.page) for unit in contents.units] == [
        ("1", "Skips", "5"),
        ("2", "Steps", "6"),
        ("3", "March", "8"),
        ("4", "Polka", "9"),
    ]


def test_numbers_in_front_that_do_not_count_are_pages():
    contents = read_contents("4 Skips\n6 Steps\n7 March\n9 Polka")
    assert [(unit.title, unit.page) for unit in contents.units] == [
        ("Skips", "4"),
        ("Steps", "6"),
        ("March", "7"),
        ("Polka", "9"),
    ]


def test_chapters_are_recognised_and_units_know_theirs():
    contents = read_contents(
        """Contents

Chapter 2: Moving the hand
1. Skips  4
PART ONE
2. Old Song  7
Part II – Far away .... 9
3. March  10
GETTING READY
4. Polka  11
# Later
5. Round  12
[Extra]
6. Canon  13
Last things:
7. Duet  14

Sundries
March in D  15
"""
    )
    assert [(unit.title, unit.chapter) for unit in contents.units] == [
        ("Skips", "Chapter 2: Moving the hand"),
        ("Old Song", "PART ONE"),
        ("March", "Part II – Far away"),
        ("Polka", "GETTING READY"),
        ("Round", "Later"),
        ("Canon", "Extra"),
        ("Duet", "Last things"),
        ("March in D", "Sundries"),
    ]
    assert contents.lines[0].kind == "skipped"
    assert len(contents.chapters) == 8


def test_unit_labels_without_pages_over_paged_lines_are_chapters():
    contents = read_contents("Unit 1\nSkips  3\nSteps  4\nUnit 2\nMarch  6")
    assert [(unit.title, unit.chapter) for unit in contents.units] == [
        ("Skips", "Unit 1"),
        ("Steps", "Unit 1"),
        ("March", "Unit 2"),
    ]


def test_chapter_label_takes_its_title_from_the_line_below():
    contents = read_contents("PART ONE\nThe right hand\nSkips .... 4\nSteps .... 5")
    assert contents.chapters == ("PART ONE: The right hand",)
    assert [unit.title for unit in contents.units] == ["Skips", "Steps"]


def test_list_of_nothing_but_chapters_is_a_list_of_units():
    contents = read_contents("Chapter 1 Skips .... 3\nChapter 2 Steps .... 9")
    assert [(unit.number, unit.page) for unit in contents.units] == [("1", "3"), ("2", "9")]


def test_all_capitals_list_is_not_all_chapters():
    contents = read_contents("SKIPS .... 3\nSTEPS\nMARCH .... 9")
    assert [unit.title for unit in contents.units] == ["SKIPS", "STEPS", "MARCH"]


def test_pages_on_lines_of_their_own_belong_to_the_title_above():
    contents = read_contents("Skips\n3\nSteps\n..... 4")
    assert [(unit.title, unit.page, unit.doubt) for unit in contents.units] == [("Skips", "3", ""), ("Steps", "4", "")]


def test_pages_on_lines_of_their_own_above_the_titles():
    contents = read_contents("3\nSkips\n4\nSteps")
    assert [(unit.title, unit.page) for unit in contents.units] == [("Skips", "3"), ("Steps", "4")]


def test_head_of_a_table_and_rules_are_skipped():
    contents = read_contents("| No | Title | Page |\n|---|---|---|\n| 1 | Skips | 3 |\n-----")
    assert [line.kind for line in contents.lines] == ["skipped", "skipped", "unit", "skipped"]


def test_twice_used_title_is_kept_with_a_warning_naming_both_lines():
    contents = read_contents("Duet, p. 3\nMarch, p. 4\nduet, p. 5")
    assert len(contents.units) == 3
    [warning] = contents.warnings
    assert warning.line_number == 3
    assert "Lines 1 and 3" in warning.text


def test_page_that_goes_backwards_is_warned_of():
    [warning] = read_contents("Duet, p. 13\nMarch, p. 4").warnings
    assert warning.text == "Line 2 is on page 4, before line 1 on page 13."


@pytest.mark.parametrize("end", ["\r\n", "\r", "\n", "\u2028", "\f"])
def test_every_kind_of_line_end_counts(end):
    contents = read_contents(f"Skips, p. 3{end}Steps, p. 4{end}")
    assert [(unit.line_number, unit.title) for unit in contents.units] == [(1, "Skips"), (2, "Steps")]


def test_markup_stays_text():
    line = only_line("<script>alert(1)</script>")
    assert line.title == "<script>alert(1)</script>"


def test_invisible_characters_are_taken_out():
    assert only_line("\ufeffThe \u200bWa\u00adltz\u202e, p. 4").title == "The Waltz"


@pytest.mark.parametrize("text", ["", "   \n\t\n", "Contents\n\nPage"])
def test_list_without_units_is_refused(text):
    with pytest.raises(EmptyOutlineError, match="one title on each line"):
        read_contents(text)


@pytest.mark.parametrize(
    "text", ["Skips\x00, p. 4", "%PDF\x01\x02\x03\x04\x05\x06 waltz", "\ufffd\ufffd\ufffd\ufffdabc"]
)
def test_file_pasted_as_text_is_refused(text):
    with pytest.raises(BinaryOutlineError, match="looks like a file"):
        read_contents(text)


def test_five_thousand_lines_are_read():
    text = "\n\n".join(f"Unit {n}: The tune {n} of many .... {n}" for n in range(1, 2001))
    text += "\n" * (4999 - text.count("\n"))
    contents = read_contents(text)
    assert len(contents.units) == 2000
    assert contents.units[-1].page == "2000"


def test_too_many_lines_are_refused_with_their_number():
    with pytest.raises(TooLargeError, match="5001 lines; at most 5000"):
        read_contents("\n" * 5000 + "Skips")


def test_too_many_units_are_refused_with_their_number():
    with pytest.raises(TooLargeError, match="2001 units; a book can have at most 2000"):
        read_contents("\n".join(f"Tune number {n} x" for n in range(2001)))


def test_too_many_bytes_are_refused():
    with pytest.raises(TooLargeError, match="401 kB"):
        read_contents("é" * 200_500)


def test_too_long_line_is_left_out_with_a_warning():
    contents = read_contents("Skips, p. 3\n" + "x" * 301)
    assert [line.kind for line in contents.lines] == ["unit", "skipped"]
    assert contents.warnings[0].line_number == 2
    assert "301 characters" in contents.warnings[0].text


def test_limits_can_be_set():
    with pytest.raises(TooLargeError):
        read_contents("a\nb\nc", limits=ContentsLimits(most_units=2))


@given(st.text())
@example("#")
@example("**")
@example("Part 1\nPart 2\n:")
@example("1 1\n1 1\n1 1")
@example('() 1\n[] 2\n"" 3')
@settings(derandomize=True, max_examples=300, deadline=None)
def test_any_text_gives_contents_or_an_outline_error(text):
    try:
        contents = read_contents(text)
    except OutlineError:
        return
    assert all(unit.title.strip() for unit in contents.units)
    assert all("\n" not in line.title and "\t" not in line.title for line in contents.units)
    numbers = [line.line_number for line in contents.lines]
    assert numbers == sorted(set(numbers))


_WORDS = st.sampled_from(
    [
        "Part",
        "Unit",
        "Study",
        "Waltz",
        "1",
        "2",
        "12",
        "p.",
        "….",
        "......",
        "\t",
        "  ",
        " ",
        "-",
        "–",
        ":",
        ",",
        "(",
        ")",
        "iv",
        "#",
        "\n",
        "\n\n",
        "OP",
    ]
)


@given(st.lists(_WORDS, max_size=40).map("".join))
@settings(derandomize=True, max_examples=500, deadline=None)
def test_any_mixture_of_the_usual_parts_gives_contents_or_an_outline_error(text):
    try:
        contents = read_contents(text)
    except OutlineError:
        return
    assert all(unit.title.strip() for unit in contents.units)
