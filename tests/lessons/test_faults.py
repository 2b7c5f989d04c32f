"""The lists of what went wrong for others name tests that are there."""

import re
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent


@pytest.mark.parametrize("folder", ["media", "uploads"])
def test_every_test_that_the_list_names_is_there(folder):
    named = set(re.findall(r"`(test_\w+)`", (HERE / folder / "README.md").read_text(encoding="utf-8")))
    files = (HERE.parent).rglob("test_*.py")
    there = {
        name
        for path in files
        for name in re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert len(named) > 20
    assert not named - there
