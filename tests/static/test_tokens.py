"""The colours stay readable: contrast is computed from the stylesheet itself (WCAG 2.x, relative luminance)."""

import re
from pathlib import Path

import pytest

TOKENS = (Path(__file__).parents[2] / "static" / "css" / "tokens.css").read_text(encoding="utf-8")

TEXT = 4.5  # WCAG 1.4.3, text of ordinary size
SHAPE = 3.0  # WCAG 1.4.11, shapes and lines that carry meaning

PAIRS = [
    ("ink", "paper", TEXT),
    ("ink", "sheet", TEXT),
    ("ink", "wrapper", TEXT),
    ("ink", "floor", TEXT),
    ("ink", "pencil-wash", TEXT),
    ("ink", "red-wash", TEXT),
    ("ink", "ochre-wash", TEXT),
    ("ink", "still", TEXT),
    ("ink-soft", "paper", TEXT),
    ("ink-soft", "sheet", TEXT),
    ("ink-soft", "wrapper", TEXT),
    ("pencil", "paper", TEXT),
    ("pencil", "sheet", TEXT),
    ("pencil", "pencil-wash", TEXT),
    ("red", "paper", TEXT),
    ("red", "red-wash", TEXT),
    ("ochre", "paper", TEXT),
    ("ochre", "ochre-wash", TEXT),
    ("plum", "paper", TEXT),
    ("on-ink", "ink", TEXT),
    ("on-ink", "pencil", TEXT),
    ("rule", "paper", SHAPE),
    ("rule", "sheet", SHAPE),
    ("pencil", "wrapper", SHAPE),
    ("red", "floor", SHAPE),
    ("plum", "floor", SHAPE),
]


def colours(scheme: str) -> dict[str, str]:
    start = {"light": ":root {", "dark": "(prefers-color-scheme: dark)", "print": "@media print"}[scheme]
    block = TOKENS[TOKENS.index(start) + len(start) :]
    block = block[: block.index("color-scheme:")]
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block))


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    lighter, darker = sorted((luminance(first), luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_black_on_white_has_the_contrast_of_the_standard():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
@pytest.mark.parametrize(("front", "back", "needs"), PAIRS)
def test_a_pair_of_colours_keeps_its_contrast(scheme, front, back, needs):
    ours = colours(scheme)
    assert contrast(ours[front], ours[back]) >= needs


def test_every_colour_is_there_on_light_and_dark_and_paper():
    assert colours("light").keys() == colours("dark").keys() == colours("print").keys()
