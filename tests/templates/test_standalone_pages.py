"""Error pages must come when database, session and context are gone."""

import pytest
from django.template.loader import get_template


@pytest.mark.parametrize("template", ["400.html", "403_csrf.html", "500.html"])
def test_an_error_page_needs_no_context(template):
    page = get_template(template).render()
    assert "<h1>" in page
    assert 'href="/"' in page
    assert "css/tokens.css" in page


def test_the_page_of_a_fault_says_whose_fault_it_is_and_what_was_kept():
    page = get_template("500.html").render()
    assert "The fault is in Keyslip" in page
    assert "is kept" in page


def test_the_page_of_an_expired_form_says_that_nothing_was_changed():
    assert "Nothing was changed" in get_template("403_csrf.html").render()
