"""A pasted contents list, read into units and chapters.

How a line is read
------------------
Bullets, dot leaders, doubled spaces and a comma at the end are dropped. What is left is a title with, perhaps, a printed
unit number before it and a page before or after it.

**A page is believed at once** when it is marked (``p. 12``, ``page 12``, ``pp. 12-13``, ``S. 12``, ``pág. 12``) or set apart from the title by a
dot leader, a tab, a bar, two or more spaces, a comma or a long dash. Roman pages (``xii``) are believed under the same conditions.

**A bare number after a single space, a dash or an opening bracket** may be a page or may belong to the title ("Symphony 9").
It is believed only if that is the habit of this list: at least three lines end so, they outnumber the lines whose page
is set apart, they do not simply count 1, 2, 3 …, at least four in five neighbouring numbers do not fall, and
this number itself lies between the pages believed before and after it. Numbers after *no*, *op*, *K* and
the like, after ``/`` (3/4) or after *bar* or *bars* never are pages. Where it is not the habit, such a number is still believed, with a doubt,
if at least three pages are set apart and rise, it lies between those nearest above and below (where several lines end so, above the first
and below the last of them, near to it, is enough), and the word before it is none
that pieces are counted with (*study 5*). A range (``12-13``) is believed without these conditions unless such a word stands
before it. Numbers glued to their titles (*Skips4*) are pages only if nearly every line ends so and they rise.
Otherwise the number stays in the title and the line carries a doubt.

**Of two numbers set apart at the end** the last is the page, unless it only counts 1, 2, 3 … down the list while the other rises, or a head
names a column behind the page (*Title, Page, Track*). After a leader, letters that are misread digits (``1O``) are a page, with a doubt.

**A table with a head** (*Chapter, Title, Page*, between tabs or bars) is read by its columns; the head is left out.

**A bare number in front** ("12 The Waltz") is the page, unless the same line also ends in a page or
the numbers in front count 1, 2, 3 … through the list; then they are unit numbers. If only some lines that end in a page have one and they do not
count (*100 Candles*), they belong to the titles. ``3.``, ``3)``, ``3:`` and ``Unit 3`` in
front are always unit numbers.

**A title that goes on** in small letters on the next line, which has the page, is one unit, unless the list is typed in small letters throughout.

**Chapters** are lines that say so (*Chapter 2*, *PART ONE*, *Section 3*, *Zweiter Teil*), headings (``# …``, ``[…]``, a colon at the
end), and, only in lists where other lines have pages, lines without a page that are in capitals, stand after a blank line or
further left than the line below, and are followed at once by a line with a page; lines without a page that count *I., II.* or *A., B.* or *1., 2.* over
lines with pages; lines numbered *2* over lines numbered *2.1*; and several lines in capitals with pages of their own, if the list begins with one and
most titles are not in capitals. A list made of nothing but
*Chapter 1 …, Chapter 2 …* is a list of units.

Worked example: in ``PART ONE``, ``1. Skips .... 4``, ``2. The Waltz, p. 6`` the first line is a chapter and the others are
its units 1 and 2 on pages 4 and 6.
"""

from __future__ import annotations

import itertools
import re
import unicodedata
from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal

from curriculum.outline.errors import BinaryOutlineError, EmptyOutlineError, TooLargeError

Kind = Literal["unit", "chapter", "skipped"]

# Share of control characters above which a paste is taken for a file, not text. A PDF or picture pasted as text has
# ten times as many; a contents list has none.
_CONTROL_SHARE = 0.01
# Lines ending in a bare number that are needed before that can be called the list's habit. With two, "Study 4" and
# "Study 7" would be pages.
_HABIT_LINES = 3
# Lines ending in a bare number that are needed before the first or after the last sure page. A lone one there is "Symphony 9".
_SEVERAL_LINES = 2
# Pages between such a number and the sure page next to it. Pieces in a first method book have a few pages.
_LONGEST_STEP = 30
# Share of neighbouring numbers that must not fall for the numbers to be pages. Some books print
# supplementary pieces out of order; titles with numbers fall about every second time.
_RISING_SHARE = 0.8
# Bare numbers of four digits are years more often than pages.
_HIGHEST_BARE_PAGE = 999
# Characters in a heading that does not say it is one; longer lines are titles or remarks.
_LONGEST_HEADING = 120
# Pages in a range such as 12-13 that needs no mark. Pieces in a first method book have a few pages.
_LONGEST_RANGE = 30


@dataclass(frozen=True, slots=True)
class ContentsLimits:
    """How much is accepted.

    Parameters
    ----------
    most_bytes : int
        Longest paste, in bytes of UTF-8.
    most_lines : int
        Most lines, blank ones counted.
    most_units : int
        Most units in one book.
    longest_line : int
        Longest line in characters; longer ones are skipped with a warning.
    """

    most_bytes: int = 400_000
    most_lines: int = 5_000
    most_units: int = 2_000
    longest_line: int = 300


@dataclass(frozen=True, slots=True)
class ContentsWarning:
    """Something worth a look.

    Parameters
    ----------
    line_number : int
        Line of the paste, from 1.
    text : str
        One plain sentence.
    """

    line_number: int
    text: str


@dataclass(frozen=True, slots=True)
class ContentsLine:
    """One line that is not blank.

    Parameters
    ----------
    line_number : int
        Line of the paste, from 1.
    kind : {"unit", "chapter", "skipped"}
        What it was taken for.
    title : str
        The title; of a skipped line, the line itself.
    page : str
        ``12``, ``12-13``, ``xii`` or empty.
    number : str
        The printed number of the unit or chapter, or empty.
    doubt : str
        Empty, or a plain sentence.
    chapter : str
        Of a unit: the title of the chapter it stands under, or empty.
    """

    line_number: int
    kind: Kind
    title: str
    page: str = ""
    number: str = ""
    doubt: str = ""
    chapter: str = ""


@dataclass(frozen=True, slots=True)
class Contents:
    """A contents list as read.

    Parameters
    ----------
    lines : tuple of ContentsLine
        Every line that is not blank, in the order of the paste.
    warnings : tuple of ContentsWarning
        Sorted by line.
    """

    lines: tuple[ContentsLine, ...]
    warnings: tuple[ContentsWarning, ...]

    @property
    def units(self) -> tuple[ContentsLine, ...]:
        """The units, in order."""
        return tuple(line for line in self.lines if line.kind == "unit")

    @property
    def chapters(self) -> tuple[str, ...]:
        """The chapter titles, in order, each once."""
        titles = (line.title if line.kind == "chapter" else line.chapter for line in self.lines)
        return tuple(dict.fromkeys(title for title in titles if title))


# --- one line ------------------------------------------------------------------------------------------------

_ROMAN = r"(?=[ivxlc])(?:xc|xl|l?x{0,3})(?:ix|iv|v?i{0,3})"
_ARABIC = r"\d{1,4}(?:[ ]?[-–—‑−][ ]?\d{1,4})?"
_PAGE = rf"(?:{_ARABIC}|{_ROMAN}(?:[ ]?[-–—‑−][ ]?{_ROMAN})?)"
_PAGE_WORD = r"(?:pages?|pgs?\.?|pp?\.|pp?(?=[ ]?\d)|seiten?|s\.(?=[ ]?\d)|p[aá]ginas?|p[aá]gs?\.?|blz\.?|bladzijde|sid\.(?=[ ]?\d))"
_MARKED_AT_END = re.compile(
    rf"(?:^|[\s,;:.…·(\[|–—-])[(\[]?(?:on |see )?{_PAGE_WORD}[ ]?({_PAGE})[)\]]?$", re.IGNORECASE
)
_MARKED_IN_FRONT = re.compile(rf"^[(\[]?{_PAGE_WORD}[ ]?({_PAGE})[)\]]?(?:[\s.,:;)|–—-]+|$)", re.IGNORECASE)
_AT_END = re.compile(rf"(?:^|(?<=[\s.,…·•∙|_–—(\[-]))({_PAGE})[)\]]?$", re.IGNORECASE)
_IN_FRONT = re.compile(rf"^[(\[]?({_ARABIC})[)\]]?(?=[\s,|–—-])(?![ ]?[-–—][ ]?\d)")
_BULLET = re.compile(r"^(?:[•◦▪▫‣⁃∙●○■□►▶→»◆◇✓✔☐☑➢]+[ ]?|[-–—*·+>](?=[ \t])|o(?=\t))\s*")
# Signs that lead the eye to the page; an ellipsis counts twice. One full stop ends an abbreviation.
_DOTS = ".…·‥_․•∙"
_DASHES = "-–—"
_LEADER_SIGNS = 2
_COUNT = (
    r"(?:\d{1,4}(?:\.\d{1,3})*[a-z]?|[ivxlc]{1,6}|one|two|three|four|five|six|seven|eight|nine|ten|eleven|twelve"
    r"|eins|zwei|drei|vier|fünf|un|deux|trois|quatre|cinq|uno|due|tre|quattro|dos|tres|cuatro|cinco)"
)
# English, German, French, Spanish, Italian, Portuguese, Dutch: the languages of method books met with so far.
_CHAPTER_WORD = (
    r"(?:chapter|ch(?:ap)?\.?|part|section|book|level|stage|volume|vol\.|module|grade|term|kapitel|kap\.|teil|abschnitt|heft|stufe|chapitre|partie|niveau|livre"
    r"|cap[ií]tulo|parte|secci[oó]n|nivel|libro|m[oó]dulo|capitolo|sezione|hoofdstuk|deel)"
)
_ORDINAL = (
    r"(?:first|second|third|fourth|fifth|sixth|seventh|eighth|ninth|tenth|\d{1,2}(?:st|nd|rd|th|[eè]re|er|e|[eè]me|\.|ª|º)"
    r"|(?:erst|zweit|dritt|viert|fünft|sechst)e[rs]?|premi[eè]re?|premier|deuxi[eè]me|seconde?|troisi[eè]me|quatri[eè]me|cinqui[eè]me"
    r"|primer[oa]?|segund[oa]|tercer[oa]?|cuart[oa]|quint[oa]|prim[oa]|second[oa]|terz[oa]|quart[oa])"
)
_CHAPTER = re.compile(rf"^{_CHAPTER_WORD}[ ]+({_COUNT})(?![\w/])\s*[:.)–—-]*\s*(.*)$", re.IGNORECASE)
_ORDINAL_CHAPTER = re.compile(
    rf"^(?:({_ORDINAL})[ ]+{_CHAPTER_WORD}|{_CHAPTER_WORD}[ ]+(?:the[ ]+)?({_ORDINAL}))(?:$|\s*[:.)–—-]+\s*(.*)$)",
    re.IGNORECASE,
)
_LABEL = re.compile(
    rf"^(?:unit[éàe]?|lesson|week|day|step|item|lecci[oó]n|le[cç]on|lektion|lezione|li[cç][aã]o|unidade?|einheit|woche|semaine|semana|stunde)[ ]*(?:no\.?[ ]?|nr\.?[ ]?|#[ ]?)?({_COUNT})(?![\w/])\s*[:.)–—|-]*\s*(.*)$",
    re.IGNORECASE,
)
_NUMBERED = re.compile(
    r"^(?:#[ ]?(\d{1,4}[a-z]?)|[(]?(\d{1,4}(?:\.\d{1,3})*[a-z]?)(?:[.:][)]?(?![\d])|[)]|\.?[ ]?[)]))\s*[–—-]?\s*(.*)$",
    re.IGNORECASE,
)
# "II. Two hands" or "B) Two hands": a counted heading only if the others count with it.
_COUNTED = re.compile(r"^\(?([IVXL]{1,6}|[A-Za-z])[.)]\s+(.*)$")
_GLUED = re.compile(r"(?<=[^\W\d_])(\d{1,3})$")
# What text recognition makes of a number: 1O for 10, l2 for 12.
_MISREAD = re.compile(r"(?=[OoIlS]*\d)([\dOoIlS]{1,3})$")
_MISREAD_LETTERS = str.maketrans("OoIlS", "00115")
_TWO_TITLES = re.compile(r"(?:[.…·_•][ ]?){3,}\s*\d{1,3}\s+[^\W\d_]")
_SUBNUMBER = re.compile(r"^(\d{1,3}(?:\.\d{1,3})+|\d{1,3}[a-z])[ ]+(.*)$", re.IGNORECASE)
_PIECE_NUMBER = re.compile(
    r"^(?:exercise|study|etude|piece|song|no\.|nr\.)[ ]*(?:no\.?[ ]?)?(\d{1,4}[a-z]?)\b", re.IGNORECASE
)
_NEVER_A_PAGE = re.compile(
    r"(?:\b(?:no|nr|nos|op|opus|k|kv|bwv|hob|d|rv|woo|number|bars?|measures?|fingers?|grade|level|year|anno|in)\.?|[/#№:]|\d[-–])$",
    re.IGNORECASE,
)
_NUMBERING_WORD = re.compile(
    r"\b(?:stud(?:y|ies)|exercises?|[eé]tudes?|sonatas?|sonatinas?|symphony|symphonies|preludes?|lessons?|units?|parts?|books?|volumes?|vol\.?|"
    r"sections?|weeks?|days?|pieces?|songs|duets?|variations?|movements?|scenes?|acts?|steps?|reviews?|tests?|quiz|patterns?|versions?)$",
    re.IGNORECASE,
)
_SKIP = re.compile(
    r"^(?:(?:table of )?contents(?: list| page)?|index of (?:pieces|units)|(?:(?:no\.?|number|unit|lesson|chapter|title|piece|name|page|pages|pg\.?|p\.|track|cd|audio|composer|level)[\s|,/]*){2,}"
    r"|pages?|pg\.?|p\.|titles?|continued|\(continued\)|contents \(continued\))[:.]?$",
    re.IGNORECASE,
)
# Heads of columns, and what they hold. A column with another head is left out.
_COLUMN_WORDS = {
    "title": "title name piece song tune titel titre título titolo exercise stück morceau pieza brano",
    "page": "page pages pg p pp seite seiten s página pagina pág pag blz",
    "number": "no number nr # unit lesson week nº n° lección leçon lektion lezione",
    "chapter": "chapter section part kapitel chapitre partie capítulo parte capitolo",
    "composer": "composer arranger by komponist compositeur compositor compositore",
    "other": "track cd audio video level grade key duration time stage",
}
_COLUMNS = {word: kind for kind, words in _COLUMN_WORDS.items() for word in words.split()}


@dataclass(slots=True)
class _Draft:
    """One line while it is being read."""

    line_number: int
    raw: str
    indent: int
    after_blank: bool
    is_listed: bool = False  # had a bullet
    kind: Kind = "unit"
    title: str = ""
    number: str = ""
    page: str = ""
    doubt: str = ""
    bare_end: str = ""  # number at the end that may be a page
    title_without_end: str = ""
    bare_front: str = ""  # number in front that may be a page or a unit number
    title_without_front: str = ""
    is_front_apart: bool = False  # by a tab, a bar or a wide gap
    page_before: str = ""  # of two numbers at the end, the one before the page
    title_before: str = ""
    counted: str = ""  # a Roman number or a letter in front
    title_without_count: str = ""
    column_chapter: str = ""
    end_is_banned: bool = False
    is_page_only: bool = False
    is_label: bool = False
    is_chapter_label: bool = False
    is_heading: bool = False
    chapter_rest: str = ""


def _clean(line: str) -> str:
    """The line with odd spaces made plain and invisible characters taken out; tabs stay."""
    kept: list[str] = []
    for char in unicodedata.normalize("NFC", line):
        kind = unicodedata.category(char)
        if char == "\t":
            kept.append(char)
        elif kind == "Zs":
            kept.append(" ")
        elif kind in {"Cc", "Cf", "Cs"}:
            continue
        else:
            kept.append(char)
    return "".join(kept)


def _tidy_page(page: str) -> str:
    return re.sub(r"[ ]?[-–—‑−][ ]?", "-", page.strip()).lower()


def _tidy_title(title: str) -> str:
    title = re.sub(r"\s*[|\t]\s*", " ", title)
    title = re.sub(r"\s+", " ", title).strip()
    title = _drop_leader(title)
    title = re.sub(r"[\s,;|]+$", "", title)
    title = re.sub(r"(?:^|\s)[–—-]+$", "", title)
    title = re.sub(r"^[\s,;|:]+", "", title)
    for left, right in (("**", "**"), ("__", "__"), ('"', '"'), ("“", "”")):
        if len(title) > len(left) + len(right) and title.startswith(left) and title.endswith(right):
            inner = title[len(left) : len(title) - len(right)]
            if left not in inner and right not in inner:
                title = inner.strip()
    return title


def _drop_leader(text: str) -> str:
    # Scanned by hand from the end: a pattern that may begin anywhere takes seconds on pages of dots.
    text = text.rstrip()
    start = len(text)
    while start and (text[start - 1] in _DOTS or text[start - 1] in _DASHES or text[start - 1].isspace()):
        start -= 1
    run = text[start:]
    dots = sum(run.count(dot) for dot in _DOTS) + run.count("…")
    dashes = sum(run.count(dash) for dash in _DASHES)
    if dots < _LEADER_SIGNS and dashes < _LEADER_SIGNS:
        return text
    # "arr. ......": the first full stop belongs to the word.
    is_abbreviated = start > 0 and text[start - 1].isalpha() and re.match(r"\.\s+\.\.", run) is not None
    return text[: start + 1] if is_abbreviated else text[:start]


def _is_worded(text: str) -> bool:
    """Whether there is a title in it: a letter, or a picture sign such as a note."""
    return any(c.isalpha() or unicodedata.category(c) == "So" for c in text)


def _start(text: str, draft: _Draft) -> None:
    """Fill a draft from its own line alone."""
    text = text.strip().strip("|").strip()
    while (bullet := _BULLET.match(text)) and bullet.end() < len(text):
        draft.is_listed = True
        text = text[bullet.end() :]
    text = re.sub(r"[\s,;]+$", "", text)
    heading = re.match(r"^#{1,6}[ \t]+(.+?)[ #]*$", text) or re.match(r"^\*\*([^*]+)\*\*:?$", text)
    if heading and _is_worded(heading[1]):
        draft.is_heading = True
        text = heading[1]
    boxed = re.match(r"^\[([^\[\]]+)\]$", text)
    if boxed and _is_worded(boxed[1]) and not re.fullmatch(rf"{_PAGE_WORD}?[ ]?{_ARABIC}", boxed[1], re.IGNORECASE):
        draft.is_heading = True
        text = boxed[1]
    if _SKIP.match(_tidy_title(text)):
        draft.kind, draft.title = "skipped", _tidy_title(text)
        return
    if not _is_worded(text) or re.fullmatch(rf"[\s.…·_–—|(\[-]*{_PAGE_WORD}?[ ]?({_PAGE})[)\]]?", text, re.IGNORECASE):
        only = re.search(rf"({_PAGE})[)\]]?$", text, re.IGNORECASE)
        strange = re.sub(r"[\s.…·_–—|(\[)\],-]", "", text)
        draft.kind, draft.title = "skipped", re.sub(r"\s+", " ", text)
        if only and strange.lower().endswith(re.sub(r"[\s–—‑−-]", "", only[1].lower())):
            draft.is_page_only, draft.page = True, _tidy_page(only[1])
        return

    # A page that is marked as one.
    if (found := _MARKED_AT_END.search(text)) and _is_worded(text[: found.start()]):
        draft.page, text = _tidy_page(found[1]), text[: found.start()]
    elif (found := _MARKED_IN_FRONT.match(text)) and _is_worded(text[found.end() :]):
        draft.page, text = _tidy_page(found[1]), text[found.end() :]
    else:
        text = _page_at_end(text, draft)
    if draft.page and _TWO_TITLES.search(text):
        draft.doubt = "There may be two titles on this line."
    elif draft.page:
        _second_number(text, draft)
    _number_in_front(text, draft)
    if draft.title_before:
        draft.title_before = draft.title_before.strip()[len(text.strip()) - len(draft.title) :]


def _second_number(text: str, draft: _Draft) -> None:
    """Note a further number set apart before the page: one of the two may be a track."""
    found = re.search(r"(?<=[\s.…·•_|])(\d{1,3})$", text.rstrip(" \t|"))
    if found is None or not _is_worded(text[: found.start()]):
        return
    before = text[: found.start()].rstrip(" \t|")
    gap = text[len(before) : found.start()]
    if _drop_leader(before) != before or "\t" in gap or "|" in gap or len(gap) >= 2:
        draft.page_before, draft.title_before = found[1], _drop_leader(before)


def _page_at_end(text: str, draft: _Draft) -> str:
    """Take a page off the end where it is set apart; note a bare number where it is not."""
    found = _AT_END.search(text)
    if found is None or not _is_worded(text[: found.start()]):
        return _misread_page_at_end(text, draft) if found is None else text
    page, before = found[1], text[: found.start()]
    is_bracketed = before.endswith(("(", "["))
    if is_bracketed != (text[-1] in ")]"):
        return text
    is_roman = not page[0].isdigit()
    if is_bracketed:
        before = before[:-1]
    rest = before.rstrip(" \t|")
    gap = before[len(rest) :]
    leader = _drop_leader(rest)
    has_leader = leader != rest
    is_set_apart = has_leader or "\t" in gap or "|" in gap or len(gap) >= 2
    if (
        rest.endswith(",")
        and ((page.isdigit() and int(page) <= _HIGHEST_BARE_PAGE) or not page.isdigit())
        and not is_roman
    ):
        is_set_apart = True
    if page.isdigit() and re.search(r"[^\W\d][.)]?[ ]?—[ ]?$", before):
        is_set_apart, leader = True, re.sub(r"[ ]?—[ ]?$", "", before)
    if is_roman:
        # "Part  II" and "Duet v" are titles; small letters after a leader or a wide gap are pages.
        if not is_set_apart or (page != page.lower() and not has_leader):
            return text
        draft.page = _tidy_page(page)
        return leader
    if is_set_apart:
        draft.page = _tidy_page(page)
        return leader
    dashed = re.sub(r"[ ][-–—:·•]$", "", rest)
    is_banned = bool(_NEVER_A_PAGE.search(rest)) or (not gap and dashed == rest and not is_bracketed)
    if is_banned or (page.isdigit() and int(page) > _HIGHEST_BARE_PAGE):
        draft.end_is_banned = True
        return text
    if not page.isdigit() and _is_range(page) and not _NUMBERING_WORD.search(dashed):
        draft.page = _tidy_page(page)
        return dashed
    draft.bare_end, draft.title_without_end = _tidy_page(page), dashed
    return text


def _misread_page_at_end(text: str, draft: _Draft) -> str:
    """Take a number behind a leader off the end though text recognition took some of its digits for letters."""
    misread = _MISREAD.search(text)
    if misread is None or misread[1].isdigit():
        return text
    before = text[: misread.start()]
    if _drop_leader(before) == before.rstrip() or not _is_worded(before):
        return text
    draft.page = misread[1].translate(_MISREAD_LETTERS)
    draft.doubt = f"“{misread[1]}” was read as page {draft.page}."
    return _drop_leader(before)


def _is_range(page: str) -> bool:
    first, _, last = _tidy_page(page).partition("-")
    return first.isdigit() and last.isdigit() and int(first) < int(last) <= int(first) + _LONGEST_RANGE


def _is_chapter_label(text: str, draft: _Draft) -> bool:
    """Fill a draft from a line that says it is a chapter; whether it does."""
    title = _tidy_title(text)
    if chapter := _CHAPTER.match(title):
        draft.number, draft.chapter_rest = chapter[1], chapter[2]
    elif ordinal := _ORDINAL_CHAPTER.match(title):
        draft.number, draft.chapter_rest = ordinal[1] or ordinal[2], ordinal[3] or ""
    else:
        return False
    draft.is_chapter_label, draft.title = True, text
    if not _is_worded(draft.chapter_rest) and not re.search(r"\d", draft.title_without_end):
        draft.bare_end = ""  # the number is the chapter's own
    return True


def _number_in_front(text: str, draft: _Draft) -> None:
    """Split a unit number, or what may be one, from the front of the title."""
    text = text.strip()
    without_end = draft.title_without_end.strip()

    def both(cut: int) -> None:
        draft.title = text[cut:]
        if draft.bare_end:
            draft.title_without_end = without_end[cut:]

    if _is_chapter_label(text, draft):
        return
    if (label := _LABEL.match(text)) is not None:
        draft.is_label = True
        draft.number = label[1]
        if _is_worded(label[2]):
            both(label.start(2))
        else:
            draft.title = text
            if not _is_worded(re.sub(r"^\w+", "", without_end)) and not re.search(r"\d", without_end):
                draft.bare_end = ""  # the number is the unit's own
    elif (numbered := _NUMBERED.match(text)) and _is_worded(numbered[3]):
        draft.number = numbered[1] or numbered[2]
        both(numbered.start(3))
    elif (sub := _SUBNUMBER.match(text)) and _is_worded(sub[2]):
        draft.number = sub[1]
        both(sub.start(2))
    elif (front := _IN_FRONT.match(text)) and _is_worded(text[front.end() :]):
        draft.bare_front = _tidy_page(front[1])
        cut = re.match(r"[\s,|]*(?:[–—-](?=\s))?\s*", text[front.end() :])
        start = front.end() + (cut.end() if cut else 0)
        draft.title = text
        draft.title_without_front = text[start:]
        draft.is_front_apart = re.match(r"[ ]*[\t|]|[ ]{2}", text[front.end() :]) is not None
    else:
        draft.title = text
        _note_count(text, draft)
        if piece := _PIECE_NUMBER.match(text):
            draft.number = piece[1]
            if draft.bare_end == draft.number and not re.search(r"\d", without_end):
                draft.bare_end = ""


def _note_count(text: str, draft: _Draft) -> None:
    if (counted := _COUNTED.match(text)) and _is_worded(counted[2]):
        draft.counted, draft.title_without_count = counted[1], counted[2]


# --- the list as a whole ------------------------------------------------------------------------------------------


def _first_page(page: str) -> int | None:
    head = page.split("-", maxsplit=1)[0]
    return int(head) if head.isdigit() else None


def _settle_fronts(drafts: list[_Draft]) -> None:
    """Decide whether bare numbers in front are pages or unit numbers."""
    fronts = [d for d in drafts if d.kind == "unit" and d.bare_front]
    values = [_first_page(d.bare_front) or 0 for d in fronts]
    steps = sum(b - a == 1 for a, b in itertools.pairwise(values))
    paged = sum(bool(d.page) for d in fronts)
    counts_up = len(values) >= 3 and values[0] <= 1 and steps >= _RISING_SHARE * (len(values) - 1)
    units = sum(d.kind == "unit" for d in drafts)
    if fronts and paged * 2 >= len(fronts):
        # Beside pages they are unit numbers if most lines have one; "100 Candles" now and then is a title.
        counts_up = counts_up or (len(fronts) * 2 > units and values == sorted(values))
        for draft in fronts:
            if draft.page and not counts_up and not draft.is_front_apart:
                draft.bare_front = ""
        fronts = [d for d in fronts if d.bare_front]
    # With numbers in front that count up, the bare number at the end may be the page.
    for draft in fronts:
        if draft.page or counts_up:
            if "-" in draft.bare_front:
                continue
            draft.number = draft.bare_front
            shift = len(draft.title) - len(draft.title_without_front)
            draft.title = draft.title_without_front
            if draft.bare_end:
                draft.title_without_end = draft.title_without_end.strip()[shift:]
        else:
            draft.page, draft.title, draft.bare_end = draft.bare_front, draft.title_without_front, ""


def _settle_ends(drafts: list[_Draft]) -> None:
    """Decide whether bare numbers at the end are pages: the rule is in the module docstring."""
    bare = [d for d in drafts if d.kind == "unit" and not d.page and d.bare_end and _is_worded(d.title_without_end)]
    sure = [d for d in drafts if d.kind != "skipped" and d.page]
    values = [_first_page(d.bare_end) or 0 for d in bare]
    pairs = list(itertools.pairwise(values))
    rising = sum(b >= a for a, b in pairs)
    counts_up = bool(values) and values[0] <= 1 and all(b - a == 1 for a, b in pairs)
    is_habit = (
        len(bare) >= _HABIT_LINES and len(bare) > len(sure) and not counts_up and rising >= _RISING_SHARE * len(pairs)
    )
    open_lines = {id(d) for d in bare} if is_habit else set()
    # Those that fit: a longest rising run, so that one odd number does not push out its neighbours.
    candidates = [
        (index, _first_page(d.page or d.bare_end) or 0, bool(d.page))
        for index, d in enumerate(drafts)
        if (id(d) in open_lines or d.page) and _first_page(d.page or d.bare_end) is not None
    ]
    keep = _longest_rising(candidates) if is_habit else _between_neighbours(drafts, bare)
    for index, draft in enumerate(drafts):
        if draft.kind != "unit" or draft.page or not draft.bare_end:
            continue
        if index in keep and (id(draft) in open_lines or not is_habit):
            draft.page = draft.bare_end
            draft.title = draft.title_without_end
            if not is_habit or _NUMBERING_WORD.search(draft.title.strip()):
                draft.doubt = f"The number at the end, {draft.page}, was taken for the page."
        else:
            draft.doubt = f"No page found. The number at the end, {draft.bare_end}, was kept in the title."


def _between_neighbours(drafts: list[_Draft], bare: list[_Draft]) -> set[int]:
    """Indices of lines whose bare number lies between the pages set apart on the nearest lines above and below."""
    # Above the first and below the last such page a number near to it is enough, if several lines end in one.
    pages = [_first_page(d.page) if d.kind != "skipped" else None for d in drafts]
    known = [page for page in pages if page is not None]
    if len(known) < _HABIT_LINES or known != sorted(known):
        return set()
    below: list[int | None] = [None] * len(drafts)
    nearest: int | None = None
    for index in range(len(drafts) - 1, -1, -1):
        below[index] = nearest
        nearest = pages[index] if pages[index] is not None else nearest
    kept: set[int] = set()
    allowed = {id(d) for d in bare if not _NUMBERING_WORD.search(d.title_without_end.strip())}
    are_several = len(allowed) >= _SEVERAL_LINES
    above: int | None = None
    for index, draft in enumerate(drafts):
        page, under = _first_page(draft.bare_end), below[index]
        if (
            id(draft) in allowed
            and page is not None
            and (above is not None or under is not None)
            and (are_several or (above is not None and under is not None))
            and page >= (above if above is not None else max(1, (under or 0) - _LONGEST_STEP))
            and page <= (under if under is not None else (above or 0) + _LONGEST_STEP)
        ):
            kept.add(index)
            above = page
        above = pages[index] if pages[index] is not None else above
    return kept


def _longest_rising(candidates: list[tuple[int, int, bool]]) -> set[int]:
    """Indices of a longest subsequence whose pages never fall."""
    tails: list[int] = []
    tail_at: list[int] = []
    before: list[int] = []
    for here, (_, page, _) in enumerate(candidates):
        place = bisect_right(tails, page)
        before.append(tail_at[place - 1] if place else -1)
        if place == len(tails):
            tails.append(page)
            tail_at.append(here)
        else:
            tails[place] = page
            tail_at[place] = here
    kept: set[int] = set()
    at = tail_at[-1] if tail_at else -1
    while at >= 0:
        kept.add(candidates[at][0])
        at = before[at]
    return kept


def _settle_loose_pages(drafts: list[_Draft]) -> None:
    """Give page numbers that stand alone on a line to the title above (or below, if the list begins with one)."""
    loose = [d for d in drafts if d.is_page_only]
    if not loose:
        return
    listed = [d for d in drafts if d.kind == "unit" or d.is_page_only]
    comes_first = bool(listed) and listed[0].is_page_only
    order = drafts if not comes_first else list(reversed(drafts))
    above: _Draft | None = None
    for draft in order:
        if draft.is_page_only and above is not None and not above.page:
            above.page = draft.page
            above.doubt = ""
            draft.doubt = f"Taken for the page of line {above.line_number}."
            above = None
        elif draft.is_page_only:
            draft.doubt = "A number with no title."
            above = None
        else:
            above = draft if draft.kind == "unit" else None


def _settle_second_numbers(drafts: list[_Draft], *, page_is_before: bool) -> None:
    """Of two numbers at the end, take the first for the page if the head says so or the second only counts."""
    double = [d for d in drafts if d.kind == "unit" and d.page_before]
    first = [int(d.page_before) for d in double]
    second = [_first_page(d.page) or 0 for d in double]
    only_counts = len(double) >= _HABIT_LINES and all(b - a == 1 for a, b in itertools.pairwise(second))
    if not page_is_before and (not only_counts or first != sorted(first)):
        return
    for draft in double:
        if draft.bare_front:
            draft.title_without_front = draft.title_before[len(draft.title) - len(draft.title_without_front) :]
        draft.title, draft.page = draft.title_before, draft.page_before


def _settle_glued(drafts: list[_Draft]) -> None:
    """Take numbers glued to their titles for pages where nearly all lines end so and the numbers rise."""
    units = [d for d in drafts if d.kind == "unit"]
    glued = [(d, found[1]) for d in units if not d.page and (found := _GLUED.search(d.title.rstrip()))]
    values = [int(digits) for _, digits in glued]
    only_counts = bool(values) and values[0] <= 1 and all(b - a == 1 for a, b in itertools.pairwise(values))
    if (
        len(glued) < max(_HABIT_LINES, _RISING_SHARE * len(units))
        or only_counts
        or values != sorted(set(values))
        or any(_NUMBERING_WORD.search(d.title.rstrip()[: -len(digits)]) for d, digits in glued)
    ):
        return
    for draft, digits in glued:
        draft.page = digits
        draft.title = draft.title.rstrip()[: -len(digits)]
        draft.title_without_front = draft.title_without_front.rstrip()[: -len(digits)]


def _settle_outline_numbers(drafts: list[_Draft]) -> None:
    """Make the line numbered 2 the chapter of those numbered 2.1, 2.2, ... below it."""
    units = [d for d in drafts if d.kind == "unit"]
    for above, below in itertools.pairwise(units):
        number = above.bare_front or above.number
        if number.isdigit() and below.number.startswith(f"{number}."):
            if above.bare_front:
                shift = len(above.title) - len(above.title_without_front)
                above.title, above.number, above.bare_front = above.title_without_front, number, ""
                above.title_without_end = above.title_without_end.strip()[shift:]
            above.is_heading = True


def _settle_wraps(drafts: list[_Draft]) -> None:
    """Join a title with the line below that ends it in small letters and has its page."""
    units = [d for d in drafts if d.kind == "unit"]

    def continues(above: _Draft, below: _Draft) -> bool:
        return (
            not above.page
            and not (above.is_chapter_label or above.is_heading or _is_capitals(above.title))
            and not (above.is_label and not _is_worded(above.title))
            and not above.title.rstrip().endswith(":")
            and below.line_number == above.line_number + 1
            and not below.number
            and not below.is_listed
            and _begins_small(below.title)
        )

    ends = [below for above, below in itertools.pairwise(units) if continues(above, below)]
    other_small = sum(_begins_small(d.title) for d in units) - len(ends)
    if other_small > (1 - _RISING_SHARE) * len(units):
        return
    for above, below in reversed(list(itertools.pairwise(units))):
        if below.page and continues(above, below):
            above.title = f"{_tidy_title(above.title)} {_tidy_title(below.title)}"
            above.page, above.bare_end, above.doubt = below.page, "", below.doubt
            below.kind = "skipped"
            below.doubt = f"Taken for the end of the title on line {above.line_number}."


def _begins_small(title: str) -> bool:
    first = next((c for c in title if c.isalpha()), "")
    return first != first.upper()


def _settle_counted_headings(drafts: list[_Draft]) -> None:
    """Make lines without a page that count I, II, III, or A, B, C, or 1, 2, 3 over lines with pages chapters."""
    units = [d for d in drafts if d.kind == "unit"]
    after = dict(zip((id(d) for d in units), units[1:], strict=False))
    schemes = (
        {id(d): _roman_value(d.counted) for d in units if d.counted},
        {id(d): ord(d.counted.lower()) - ord("a") + 1 for d in units if len(d.counted) == 1},
        {id(d): int(d.number) for d in units if d.number.isdigit() and not d.is_label and not d.is_chapter_label},
    )
    for scheme in schemes:
        members = [d for d in units if id(d) in scheme]
        if (
            len(members) >= _SEVERAL_LINES
            and [scheme[id(d)] for d in members] == list(range(1, len(members) + 1))
            and not any(d.page or d.is_heading for d in members)
            and all(id(d) in after and after[id(d)].page for d in members)
        ):
            for draft in members:
                draft.is_heading = True
                if draft.counted and not draft.number:
                    draft.number, draft.title = draft.counted, draft.title_without_count
            return


def _roman_value(text: str) -> int:
    values = [{"I": 1, "V": 5, "X": 10, "L": 50}.get(letter, 0) for letter in text]
    signed = [-a if a < b else a for a, b in itertools.pairwise([*values, 0])]
    return sum(signed) if all(values) else 0


def _settle_capitals(drafts: list[_Draft]) -> None:
    """Make titles in capitals chapters, though they have pages, where the other titles are not and the first comes before them."""
    paged = [d for d in drafts if d.kind == "unit" and d.page and _first_page(d.page) is not None]
    capitals = [d for d in paged if _is_capitals(d.title)]
    if (
        len(capitals) >= _SEVERAL_LINES
        and len(capitals) * 2 <= len(paged)
        and paged[0] is capitals[0]
        and len({_tidy_title(d.title) for d in capitals}) == len(capitals)
        and not any(_is_capitals(a.title) and _is_capitals(b.title) for a, b in itertools.pairwise(paged))
        and paged[-1] is not capitals[-1]
    ):
        for draft in capitals:
            draft.is_heading = True


# --- tables with a head ---------------------------------------------------------------------------------------


def _cells(line: str) -> list[str]:
    separator = "\t" if "\t" in line else "|"
    return [cell.strip() for cell in line.strip(" ").strip("|").strip(" ").split(separator)]


def _head(line: str) -> tuple[str, ...]:
    """What the columns hold, if the line is the head of a table; empty otherwise."""
    cells = _cells(line) if "\t" in line or "|" in line else line.split()
    kinds = tuple(_COLUMNS.get(cell.casefold().strip(".:*"), "") for cell in cells)
    return kinds if len(kinds) >= 2 and all(kinds) and kinds.count("title") == 1 and kinds.count("page") <= 1 else ()


def _is_row(line: str, head: tuple[str, ...], draft: _Draft) -> bool:
    """Fill a draft from a row under a head; whether it was one."""
    cells = _cells(line)
    if len(cells) != len(head) or ("\t" not in line and "|" not in line):
        return False
    row = dict(zip(head, cells, strict=True))
    page = re.fullmatch(rf"(?:{_PAGE_WORD}[ ]?)?({_PAGE})", row.get("page", ""), re.IGNORECASE)
    if not _is_worded(row["title"]) or (page is None and row.get("page", "")):
        return False
    draft.title, draft.page = row["title"], _tidy_page(page[1]) if page else ""
    draft.column_chapter = _tidy_title(row.get("chapter", ""))
    number = re.search(r"\d{1,4}(?:\.\d{1,3})*[a-z]?$", row.get("number", ""))
    draft.number = number[0] if number else ""
    if composer := row.get("composer", ""):
        draft.title = f"{draft.title} ({composer})"
    return True


def _settle_chapters(drafts: list[_Draft]) -> None:
    listed = [d for d in drafts if d.kind == "unit"]
    paged = sum(bool(d.page) for d in listed)
    others_have_pages = paged >= 1
    plain = [d for d in listed if not d.is_chapter_label and not d.is_heading]
    # Blank lines around a heading mean something only where the titles stand close.
    has_gaps = sum(d.after_blank for d in listed if d.page) * 2 > paged
    for index, draft in enumerate(listed):
        following = listed[index + 1] if index + 1 < len(listed) else None
        adjacent = following is not None and following.line_number == draft.line_number + 1
        title = _tidy_title(draft.title)
        if draft.is_heading or (draft.is_chapter_label and plain):
            draft.kind = "chapter"
        elif draft.page or draft.bare_front:
            continue
        elif title.endswith(":") and len(title) <= _LONGEST_HEADING and following is not None:
            draft.kind = "chapter"
            draft.title = title[:-1]
        elif not others_have_pages or following is None or len(title) > _LONGEST_HEADING or draft.is_listed:
            continue
        elif (
            following.page
            and (
                (_is_capitals(title) and not _is_capitals(_tidy_title(following.title)))
                or (draft.is_label and not following.is_label)
                or (not draft.number and draft.after_blank and following.after_blank and not has_gaps)
                or (not draft.number and adjacent and (draft.after_blank or following.indent > draft.indent))
            )
        ) or (
            _is_capitals(title)
            and following.kind == "unit"
            and not draft.number
            and sum(_is_capitals(_tidy_title(d.title)) for d in plain if d.page) * 2 <= paged
        ):
            draft.kind = "chapter"
        if draft.kind == "chapter":
            draft.doubt = ""
    # "PART ONE" with its title on the line below.
    for above, below in itertools.pairwise(listed):
        if (
            above.kind == "chapter"
            and above.is_chapter_label
            and not above.chapter_rest
            and below.line_number == above.line_number + 1
            and not below.page
            and not below.number
            and not below.is_listed
            and not below.is_chapter_label
            and others_have_pages
            and below.kind in {"unit", "chapter"}
        ):
            above.title = f"{_tidy_title(above.title)}: {_tidy_title(below.title)}"
            below.kind = "skipped"
            below.doubt = f"Taken for the title of the chapter on line {above.line_number}."


def _is_capitals(text: str) -> bool:
    letters = [c for c in text if c.isalpha()]
    return len(letters) >= 3 and all(c == c.upper() for c in letters)


def _drafts(raw_lines: list[str], longest_line: int) -> tuple[list[_Draft], list[ContentsWarning], tuple[str, ...]]:
    """What each line says by itself, warnings, and what the columns hold if there is a head."""
    warnings: list[ContentsWarning] = []
    drafts: list[_Draft] = []
    after_blank = True
    head: tuple[str, ...] = ()
    for line_number, raw in enumerate(raw_lines, start=1):
        line = _clean(raw)
        if not line.strip():
            after_blank = True
            continue
        indent = len(line.expandtabs(4)) - len(line.expandtabs(4).lstrip())
        draft = _Draft(line_number=line_number, raw=line, indent=indent, after_blank=after_blank)
        after_blank = False
        drafts.append(draft)
        if len(line.strip()) > longest_line:
            draft.kind = "skipped"
            draft.title = line.strip()[:longest_line]
            draft.doubt = f"Longer than {longest_line} characters."
            warnings.append(
                ContentsWarning(
                    line_number,
                    f"Line {line_number} is {len(line.strip())} characters long and was left out; a title has at most {longest_line}.",
                )
            )
            continue
        if not head and (head := _head(line)):
            draft.kind, draft.title = "skipped", _tidy_title(line)
        elif not head or not _is_row(line, head, draft):
            _start(line, draft)
    return drafts, warnings, head


def read_contents(text: str, *, limits: ContentsLimits | None = None) -> Contents:
    r"""Units and chapters of a contents list as somebody typed or pasted it.

    The rules, with a worked example, are in the module docstring. Markup is text like any other.

    Parameters
    ----------
    text : str
        The paste. Any line ends; any length, refused above the limits.
    limits : ContentsLimits, optional
        How much is accepted.

    Returns
    -------
    Contents
        Every line that is not blank, and warnings about titles that come twice, pages that go backwards and lines that were
        too long.

    Raises
    ------
    EmptyOutlineError
        Nothing in the paste is a unit.
    BinaryOutlineError
        It is not text.
    TooLargeError
        More bytes, lines or units than ``limits`` allows.

    Examples
    --------
    >>> contents = read_contents("PART ONE\n1. Skips .... 4\n2. The Waltz, p. 6")
    >>> [(unit.number, unit.title, unit.page, unit.chapter) for unit in contents.units]
    [('1', 'Skips', '4', 'PART ONE'), ('2', 'The Waltz', '6', 'PART ONE')]
    """
    limits = limits or ContentsLimits()
    size = len(text.encode("utf-8", "surrogatepass"))
    if size > limits.most_bytes:
        raise TooLargeError(
            f"The list is {size // 1000} kB long; at most {limits.most_bytes // 1000} kB can be read. Paste it in parts."
        )
    _refuse_binary(text)
    raw_lines = re.split(r"\r\n|[\n\r\v\f\x85\u2028\u2029]", text)
    while raw_lines and not raw_lines[-1].strip():
        raw_lines.pop()
    if len(raw_lines) > limits.most_lines:
        raise TooLargeError(
            f"The list has {len(raw_lines)} lines; at most {limits.most_lines} can be read. Paste it in parts.",
            line_number=limits.most_lines + 1,
        )
    drafts, warnings, head = _drafts(raw_lines, limits.longest_line)
    page_is_before = "page" in head and head.index("title") < head.index("page") < len(head) - 1
    _settle_second_numbers(drafts, page_is_before=page_is_before)
    _settle_glued(drafts)
    _settle_outline_numbers(drafts)
    _settle_fronts(drafts)
    _settle_ends(drafts)
    _settle_loose_pages(drafts)
    _settle_wraps(drafts)
    _settle_counted_headings(drafts)
    _settle_capitals(drafts)
    _settle_chapters(drafts)

    lines: list[ContentsLine] = []
    chapter = ""
    for draft in drafts:
        title = _tidy_title(draft.title) or draft.title.strip()
        doubt = draft.doubt
        if draft.kind == "chapter":
            chapter = title
        elif draft.kind == "unit" and not draft.page and not doubt:
            doubt = "No page found."
        lines.append(
            ContentsLine(
                line_number=draft.line_number,
                kind=draft.kind,
                title=title,
                page="" if draft.kind == "skipped" else draft.page,
                number="" if draft.kind == "skipped" else draft.number,
                doubt=doubt,
                chapter=(draft.column_chapter or chapter) if draft.kind == "unit" else "",
            )
        )
    units = [line for line in lines if line.kind == "unit"]
    if not units:
        raise EmptyOutlineError("There is no unit in this list. Type or paste one title on each line.")
    if len(units) > limits.most_units:
        raise TooLargeError(
            f"The list has {len(units)} units; a book can have at most {limits.most_units}. Enter it as two books.",
            line_number=units[limits.most_units].line_number,
        )
    warnings += _look_over(units)
    return Contents(lines=tuple(lines), warnings=tuple(sorted(warnings, key=lambda w: (w.line_number, w.text))))


def _refuse_binary(text: str) -> None:
    if not text.strip():
        raise EmptyOutlineError("The list is empty. Type or paste one title on each line.")
    if "\x00" in text:
        line = text.count("\n", 0, text.index("\x00")) + 1
        raise BinaryOutlineError(
            f"This looks like a file and not like text (line {line}). Copy the contents list as text and paste that.",
            line_number=line,
        )
    strange = sum(
        1 for c in text if c == "\ufffd" or (unicodedata.category(c) in {"Cc", "Cs"} and c not in "\t\n\r\v\f\x85")
    )
    if strange > max(2, _CONTROL_SHARE * len(text)):
        raise BinaryOutlineError(
            f"This looks like a file and not like text: {strange} of its {len(text)} characters cannot be shown. "
            "Copy the contents list as text and paste that."
        )


def _look_over(units: list[ContentsLine]) -> list[ContentsWarning]:
    """Warnings about titles that come twice and pages that go backwards."""
    warnings: list[ContentsWarning] = []
    seen: dict[str, int] = {}
    last: ContentsLine | None = None
    for unit in units:
        key = re.sub(r"[\W_]+", " ", unicodedata.normalize("NFKD", unit.title).casefold()).strip() or unit.title
        if key in seen:
            warnings.append(
                ContentsWarning(
                    unit.line_number,
                    f"Lines {seen[key]} and {unit.line_number} have the same title, “{unit.title}”. Both were kept.",
                )
            )
        else:
            seen[key] = unit.line_number
        page = _first_page(unit.page)
        if page is None:
            continue
        if last is not None and (before := _first_page(last.page)) is not None and page < before:
            warnings.append(
                ContentsWarning(
                    unit.line_number,
                    f"Line {unit.line_number} is on page {unit.page}, before line {last.line_number} on page {last.page}.",
                )
            )
        last = unit
    return warnings
