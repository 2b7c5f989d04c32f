"""Pasted contents lists."""

import json
from pathlib import Path

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

LISTS = Path(__file__).resolve().parents[2] / "data" / "outline"


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


def triples(text):
    return [(unit.title, unit.page, unit.chapter) for unit in read_contents(text).units]


@pytest.mark.parametrize("name", ["contents_blind", "contents_blind_second", "contents_blind_third"])
def test_four_units_in_five_of_lists_by_another_hand_are_read_right(name):
    right = wanted = 0
    for entry in json.loads((LISTS / f"{name}.json").read_text(encoding="utf-8")):
        read = triples("\n".join(entry["lines"]))
        wanted += len(entry["units"])
        for titles, pages, chapters in entry["units"]:
            hit = next((unit for unit in read if unit[0] in titles and unit[1] in pages and unit[2] in chapters), None)
            if hit is not None:
                right += 1
                read.remove(hit)
    assert right >= 0.8 * wanted


def test_bare_numbers_beside_marked_pages_are_pages_at_both_ends_of_the_list():
    text = "skips 4\nhops 6\nrests p7\nmarch, 9\npolka p. 10\nround - 12"
    assert [page for _, page, _ in triples(text)] == ["4", "6", "7", "9", "10", "12"]


def test_lone_bare_number_at_the_end_of_the_list_stays_in_its_title():
    text = "Skips, p. 4\nSteps, p. 6\nRests, p. 7\nSymphony 9"
    assert triples(text)[-1] == ("Symphony 9", "", "")


@pytest.mark.parametrize("between", ["\t", " | "])
def test_columns_of_a_table_with_a_head_are_read_by_their_names(between):
    rows = [("Chapter", "Page", "Title"), ("Start", "4", "Study 12"), ("Start", "6", "March"), ("More", "9", "Polka")]
    text = "\n".join(between.join(row) for row in rows)
    assert triples(text) == [("Study 12", "4", "Start"), ("March", "6", "Start"), ("Polka", "9", "More")]
    assert [line.kind for line in read_contents(text).lines] == ["skipped", "unit", "unit", "unit"]


def test_row_of_a_table_with_other_columns_than_its_head_is_read_as_a_line():
    assert triples("Title\tPage\nSkips\t4\nMarch, p. 6") == [("Skips", "4", ""), ("March", "6", "")]


def test_last_of_two_numbers_that_only_counts_is_not_the_page():
    text = "Skips .... 4 .... 1\nSteps .... 6 .... 2\nMarch .... 9 .... 3"
    assert triples(text) == [("Skips", "4", ""), ("Steps", "6", ""), ("March", "9", "")]


def test_head_that_names_a_column_behind_the_page_is_believed():
    text = "Title Page Track\nSkips .... 4 .... 12\nSteps .... 6 .... 15"
    assert triples(text) == [("Skips", "4", ""), ("Steps", "6", "")]


def test_capitals_with_pages_over_titles_in_small_letters_are_chapters():
    text = "GETTING READY .... 3\nSkips .... 4\nSteps .... 6\nMOVING .... 8\nMarch .... 9"
    assert triples(text) == [("Skips", "4", "GETTING READY"), ("Steps", "6", "GETTING READY"), ("March", "9", "MOVING")]


def test_capitals_among_the_titles_are_units():
    text = "Skips .... 4\nSteps .... 6\nREVIEW .... 8\nMarch .... 9\nREVIEW 2 .... 10\nPolka .... 12"
    assert [title for title, _, _ in triples(text)] == ["Skips", "Steps", "REVIEW", "March", "REVIEW 2", "Polka"]


def test_numbers_that_begin_a_title_now_and_then_stay_in_it():
    text = "76 Sparrows .... 20\nThe Lake .... 22\nThe Hill .... 23\n100 Candles .... 26"
    assert [title for title, _, _ in triples(text)] == ["76 Sparrows", "The Lake", "The Hill", "100 Candles"]


@pytest.mark.parametrize(
    ("typed", "title", "page"),
    [
        ("Übung .... S. 9", "Übung", "9"),
        ("Das Mädchen, Seite 9", "Das Mädchen", "9"),
        ("El camino .... pág. 5", "El camino", "5"),
        ("Il mattino, pag. 6", "Il mattino", "6"),
        ("Canción, página 7", "Canción", "7"),
        ("Lied .... blz. 7", "Lied", "7"),
        ("Walzer s. 9", "Walzer", "9"),
        ("Waltz—14", "Waltz", "14"),
        ("Waltz • • • • 12", "Waltz", "12"),
        ("Folk song, arr. .... 12", "Folk song, arr.", "12"),
    ],
)
def test_page_is_recognised_in_other_languages_and_with_other_leaders(typed, title, page):
    line = only_line(typed)
    assert (line.title, line.page) == (title, page)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("Kapitel 1: Die Tasten", "Kapitel 2: Die Hände"),
        ("Erster Teil", "Zweiter Teil"),
        ("Première partie", "Deuxième partie"),
        ("Primera parte", "Segunda parte"),
        ("Capítulo 1", "Capítulo 2"),
        ("Chapitre 1", "Chapitre 2"),
        ("Part the First", "Part the Second"),
    ],
)
def test_chapters_are_recognised_in_other_languages(first, second):
    text = f"{first}\nSkips .... 4\n{second}\nMarch .... 9"
    assert triples(text) == [("Skips", "4", first), ("March", "9", second)]


@pytest.mark.parametrize("label", ["Lección 3.", "Leçon 3 :", "Lektion 3:", "Lezione 3 –"])
def test_label_of_a_unit_in_other_languages_is_its_number(label):
    line = only_line(f"{label} Skips .... 9")
    assert (line.title, line.page, line.number) == ("Skips", "9", "3")


def test_title_that_goes_on_in_small_letters_on_the_next_line_is_one_unit():
    text = "Walking along the road that\n   goes on and\n   over the hill .... 12\nSkips .... 14\nMarch .... 15"
    contents = read_contents(text)
    assert contents.units[0].title == "Walking along the road that goes on and over the hill"
    assert [(unit.page, unit.chapter) for unit in contents.units] == [("12", ""), ("14", ""), ("15", "")]
    assert contents.lines[1].doubt == "Taken for the end of the title on line 1."


def test_titles_typed_in_small_letters_are_not_run_together():
    text = "Getting ready\nskips .... 4\nsteps .... 6\nmarch .... 7"
    assert [title for title, _, _ in triples(text)][-3:] == ["skips", "steps", "march"]


def test_number_with_its_parts_numbered_below_is_a_chapter():
    text = "1 Getting Ready 3\n1.1 Skips 4\n1.2 Steps 5\n2 Moving 7\n2.1 March 8"
    contents = read_contents(text)
    assert triples(text) == [("Skips", "4", "Getting Ready"), ("Steps", "5", "Getting Ready"), ("March", "8", "Moving")]
    assert [(line.number, line.page) for line in contents.lines if line.kind == "chapter"] == [("1", "3"), ("2", "7")]


@pytest.mark.parametrize(
    "marks", [("I.", "II.", "III."), ("A.", "B.", "C."), ("1.", "2.", "3."), ("(a)", "(b)", "(c)")]
)
def test_counted_lines_without_pages_over_paged_lines_are_chapters(marks):
    text = (
        f"{marks[0]} Start\nSkips .... 4\nSteps .... 5\n{marks[1]} Middle\nMarch .... 8\n{marks[2]} End\nPolka .... 9"
    )
    assert triples(text) == [
        ("Skips", "4", "Start"),
        ("Steps", "5", "Start"),
        ("March", "8", "Middle"),
        ("Polka", "9", "End"),
    ]


def test_initials_and_lone_capital_letters_stay_in_their_titles():
    assert [title for title, _, _ in triples("C. Minor Tune .... 4\nA. Dance .... 6")] == ["C. Minor Tune", "A. Dance"]


def test_letters_misread_for_digits_behind_a_leader_are_a_page_with_a_doubt():
    line = only_line("Rowing Home............1O")
    assert (line.title, line.page) == ("Rowing Home", "10")
    assert line.doubt == "“1O” was read as page 10."


def test_numbers_glued_to_their_titles_are_pages_when_all_lines_end_so():
    assert triples("Skips4\nHops6\nMarch9") == [("Skips", "4", ""), ("Hops", "6", ""), ("March", "9", "")]
    assert [page for _, page, _ in triples("Skips4\nSteps\nMarch")] == ["", "", ""]


@pytest.mark.parametrize(
    ("first", "second"), [("Kapitel 1", "Kapitel 2"), ("ch 1", "ch 2"), ("Chapter 1", "Chapter 2")]
)
def test_number_of_a_chapter_is_not_its_page(first, second):
    text = f"{first}\nSkips, p. 4\nHops, p. 6\n{second}\nMarch, p. 9"
    assert triples(text) == [("Skips", "4", first), ("Hops", "6", first), ("March", "9", second)]
    assert [line.page for line in read_contents(text).lines if line.kind == "chapter"] == ["", ""]


def test_line_between_blank_lines_over_titles_that_stand_close_is_a_chapter():
    text = "Start\n\nSkips, 4\nHops, 5\n\nFive fingers\n\nMarch, 8\nPolka, 9"
    assert [chapter for _, _, chapter in triples(text)] == ["Start", "Start", "Five fingers", "Five fingers"]
    assert [chapter for _, _, chapter in triples("Start\n\nSkips, 4\n\nHops, 5\n\nMarch, 6")] == [""] * 4


def test_two_titles_on_one_line_are_doubted():
    assert only_line("Skips .... 4    March .... 12").doubt == "There may be two titles on this line."


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
