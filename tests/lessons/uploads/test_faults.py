"""The list of what went wrong for others names tests that are there."""

import re
from pathlib import Path

HERE = Path(__file__).resolve().parent


def test_every_test_that_the_list_names_is_there():
    named = set(re.findall(r"`(test_\w+)`", (HERE / "README.md").read_text(encoding="utf-8")))
    files = (HERE.parents[1]).rglob("test_*.py")
    there = {
        name
        for path in files
        for name in re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert len(named) > 20
    assert not named - there
