"""What the content policy forbids must not stand in any template, stylesheet or script of ours."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
STYLES = sorted((ROOT / "static").rglob("*.css"))
SCRIPTS = sorted((ROOT / "static").rglob("*.js"))


def name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def without_comments(text: str) -> str:
    text = re.sub(r"\{#.*?#\}", "", text)
    return re.sub(r"\{% comment.*?endcomment %\}", "", text, flags=re.DOTALL)


@pytest.mark.parametrize("path", TEMPLATES, ids=name)
def test_a_template_has_no_inline_style_or_script(path):
    text = without_comments(path.read_text(encoding="utf-8"))
    assert not re.search(r"\sstyle\s*=", text)
    assert not re.search(r"<style\b", text)
    assert not re.search(r"<script\b(?![^>]*\ssrc=)", text)
    assert not re.search(r"""<[a-z][^>]*\son[a-z]+\s*=\s*["']""", text)
    assert "javascript:" not in text
    assert not re.search(r"\shx-on\b|\shx-vals\s*=\s*[\"']js:", text)


@pytest.mark.parametrize("path", TEMPLATES, ids=name)
def test_a_template_fetches_nothing_from_elsewhere(path):
    text = without_comments(path.read_text(encoding="utf-8"))
    assert not re.search(r"""(src|srcset|poster|action|hx-get|hx-post)\s*=\s*["'](https?:)?//""", text)
    assert not re.search(r"""<link\b[^>]*href\s*=\s*["'](https?:)?//""", text)


@pytest.mark.parametrize("path", STYLES + SCRIPTS, ids=name)
def test_a_static_file_names_no_other_place(path):
    text = path.read_text(encoding="utf-8").replace("http://www.w3.org/", "")
    assert not re.search(r"(https?:)?//[a-z0-9-]+\.[a-z]", text)
    assert "@import" not in text


@pytest.mark.parametrize("path", TEMPLATES, ids=name)
def test_a_posted_form_carries_its_token(path):
    text = path.read_text(encoding="utf-8")
    for form in re.findall(r"""<form\b[^>]*method=["']post["'].*?</form>""", text, flags=re.DOTALL):
        assert "{% csrf_token %}" in form
