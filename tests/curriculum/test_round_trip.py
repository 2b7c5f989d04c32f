"""A book that leaves as a file and comes back through the tables is the same book."""

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from curriculum import services
from curriculum.models import Learner
from curriculum.outline import BookOutline, UnitOutline, write_json, write_table

SLUGS = ["key-names", "five-finger-place", "steady-pulse", "legato", "thumb-under"]
LINE = st.text(
    st.one_of(
        st.sampled_from("'=+-@\t ;,\"|–é\u00a0"),
        st.characters(exclude_categories=("Cs", "Cc"), exclude_characters="\u2028\u2029"),
    ),
    max_size=12,
)
TITLE = LINE.filter(str.strip)
SKILLS = st.lists(st.sampled_from(SLUGS), unique=True, max_size=3).map(lambda slugs: tuple(sorted(slugs)))


@st.composite
def books(draw: st.DrawFn) -> BookOutline:
    """Units that come after the one before, after nothing, or after any of those before them."""
    units = []
    for position in range(1, draw(st.integers(1, 6)) + 1):
        before = st.sets(st.integers(1, position - 1)) if position > 1 else st.just(set())
        units.append(
            UnitOutline(
                position=position,
                title=draw(TITLE),
                chapter=draw(LINE),
                page=draw(LINE),
                teaches=draw(SKILLS),
                needs=draw(SKILLS),
                after=draw(st.none() | before.map(lambda found: tuple(sorted(found)))),
                link=draw(st.sampled_from(["", "https://example.org/a;b,c?d=%20&e=\u00e9", "http://example.org"])),
                new_words=draw(st.one_of(LINE, st.sampled_from(["two\nlines", "\r\n", "a\rb", "\r=1", " x\n"]))),
            )
        )
    return BookOutline(title=draw(TITLE), units=tuple(units))


@pytest.mark.parametrize(("ending", "write"), [("csv", write_table), ("json", write_json)])
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(outline=books())
def test_book_comes_back_through_file_and_tables_as_it_was(learner: Learner, ending, write, outline) -> None:
    with transaction.atomic():
        made = services.add_book(learner, title=outline.title, units=outline.units)
        assert services.outline_of(made) == outline
        file = write(services.outline_of(made)).encode()
        services.delete_book(made)
        reading = services.read_book_file(file, name=f"book.{ending}")
        assert reading.doubts == ()
        (again,) = services.add_books(learner, reading.books)
        assert services.outline_of(again) == outline
        transaction.set_rollback(True)
