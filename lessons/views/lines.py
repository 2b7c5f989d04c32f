"""A line of the sheet as pages show it: the row, and what it says in words."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from curriculum.rubric import Dimension, rubric
from lessons.models import Assignment, Take, Try
from lessons.services import Line


@dataclass(frozen=True, slots=True)
class SheetLine:
    """A line with its tries counted. Reads only what `lessons.queries.sheet_of` has gathered."""

    row: Assignment
    good: list[Dimension]
    tries: list[Try]
    right_count: int
    first_today: Try | None
    takes: list[Take]
    # True where one tap may write today's first try.
    is_tappable: bool

    @property
    def tally(self) -> str:
        """The tries as a fact: “14 tries, 10 right”."""
        if not self.tries:
            return "not started"
        return f"{count(len(self.tries), 'try', 'tries')}, {self.right_count} right"

    @property
    def what(self) -> str:
        """What is played and where it stands, as one sentence or two; empty where nothing is known."""
        kind = "Check" if self.row.kind == Assignment.Kind.CHECK else ""
        parts = [kind, sentence(self.row.plain), sentence(self.row.source)]
        return ". ".join(part for part in parts if part) + ("." if any(parts) else "")


def sheet_line(row: Assignment, *, today: date, is_tappable: bool) -> SheetLine:
    """Return the line for one row of a sheet."""
    tries = list(row.tries.all())
    return SheetLine(
        row=row,
        good=[rubric().dimensions[name] for name in row.dimensions if name in rubric().dimensions],
        tries=tries,
        right_count=sum(each.was_right for each in tries),
        first_today=next((each for each in tries if each.is_first_of_day and each.played_on == today), None),
        takes=list(row.takes.all()),
        is_tappable=is_tappable,
    )


def good_of(line: Line) -> list[Dimension]:
    """Return what good is for a line that is not set yet."""
    return [rubric().dimensions[name] for name in line.dimensions]


def sentence(text: str) -> str:
    """Return text that begins with a capital letter."""
    return text[:1].upper() + text[1:]


def count(number: int, one: str, many: str) -> str:
    """Return a number with its word: “1 try”, “14 tries”."""
    return f"{number} {one if number == 1 else many}"


def listed(words: Iterable[str]) -> str:
    """Return words as a sentence lists them: “Tuesday, Wednesday and Friday”."""
    items = list(words)
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


def span(first: date, last: date) -> str:
    """Return a stretch of days in words: “16 to 22 November”, “28 December 2030 to 3 January 2031”."""
    if first.year != last.year:
        return f"{first:%-d %B %Y} to {last:%-d %B %Y}"
    if first.month != last.month:
        return f"{first:%-d %B} to {last:%-d %B}"
    return f"{first:%-d} to {last:%-d %B}"
