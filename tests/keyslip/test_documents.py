"""What the documents name exists, and what exists is named."""

import re
import tomllib

import pytest
from django.core.management import get_commands
from PIL import Image

from tests.house import PROJECT

DOCUMENTS = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "NOTICE"]
README, DEVELOPERS = (PROJECT / "README.md").read_text(), (PROJECT / "DEVELOPERS.md").read_text()
BOTH = README + DEVELOPERS
# Bytes of one picture and of all together; tests/tools/screenshots.py keeps to the same.
MOST_BYTES, MOST_BYTES_TOGETHER = 150_000, 900_000


def test_every_make_target_that_is_named_exists_and_every_one_for_people_is_named():
    makefile = (PROJECT / "Makefile").read_text()
    targets = set(re.findall(r"^([a-z][a-z-]*)(?=[ a-z-]*:(?!=))", makefile, re.MULTILINE)) | {"setup-dev"}
    named = set(re.findall(r"(?:`|^ {4}|^)make (?:-k )?([a-z][a-z-]*)", BOTH, re.MULTILINE))
    assert named <= targets
    for_people = set(re.search(r"^\.PHONY: (.+)$", makefile, re.MULTILINE)[1].split())
    assert for_people <= named


def test_every_management_command_that_is_named_exists_and_every_one_of_ours_is_named():
    named = set(re.findall(r"manage\.py\s+([a-z_]+)", BOTH))
    commands = get_commands()
    assert named <= set(commands)
    ours = {name for name, app in commands.items() if app in {"keyslip", "curriculum", "lessons", "reviews"}}
    assert ours <= set(re.findall(r"manage\.py\s+([a-z_]+)", DEVELOPERS))


def test_every_variable_that_settings_read_is_in_the_table():
    read = set(re.findall(r'env\.[a-z]+\(\s*"([A-Z_]+)"', (PROJECT / "keyslip" / "settings.py").read_text()))
    rows = re.findall(r"^\| (`[A-Z_`, ]+`)(?: †)? \|", DEVELOPERS, re.MULTILINE)
    listed = {name for row in rows for name in re.findall(r"[A-Z_]+", row)}
    assert len(read) > 10
    assert read <= listed
    assert {name for name in listed if name.startswith("KEYSLIP_")} <= read


def test_variables_marked_as_secret_are_those_that_may_stand_in_a_file():
    secret = set(re.findall(r'env\.secret\("([A-Z_]+)"', (PROJECT / "keyslip" / "settings.py").read_text()))
    assert set(re.findall(r"^\| `([A-Z_]+)` † \|", DEVELOPERS, re.MULTILINE)) == secret


def test_numbers_of_the_jobs_are_those_of_the_code():
    for name, value, path in [
        ("LEASE_S", "30 s", "lessons/services/jobs.py"),
        ("REPORT_EVERY_S", "0.7 s", "lessons/services/jobs.py"),
        ("RING_AGAIN_S", "30 s", "lessons/services/jobs.py"),
        ("MOST_ATTEMPTS", "3", "lessons/services/jobs.py"),
        ("SWEEP_EVERY_S", "5 s", "keyslip/supervisor/programs.py"),
        ("WORKER_JOBS", "1", "keyslip/supervisor/programs.py"),
    ]:
        in_code = re.search(rf"^{name} = (.+)$", (PROJECT / path).read_text(), re.MULTILINE)[1]
        assert value.split()[0] == in_code
        assert f"| `{name}` | {value} |" in DEVELOPERS


def test_every_dependency_has_its_reason():
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    wanted = project["dependencies"] + project["optional-dependencies"]["dev"]
    told = DEVELOPERS.split("## Dependencies", 1)[1]
    for line in wanted:
        name = re.match(r"[A-Za-z0-9_-]+", line)[0]
        assert re.search(rf"^\|[^|]*\b{re.escape(name)}\b", told, re.MULTILINE), name


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_every_file_that_is_linked_or_shown_exists(document):
    text = (PROJECT / document).read_text()
    paths = re.findall(r"\]\(([^)#]+)\)", text) + re.findall(r'src="([^"]+)"', text)
    assert paths
    for path in paths:
        assert (PROJECT / path).is_file(), path


def test_every_source_file_that_is_named_exists():
    for path in re.findall(
        r"`((?:keyslip|curriculum|lessons|reviews|tests|templates|static|\.ci)/[\w./-]*)`", DEVELOPERS
    ):
        assert (PROJECT / path).exists(), path


def test_pictures_are_all_shown_small_and_described():
    shown = re.findall(r'<img src="static/img/pages/([^"]+)" width="\d+" alt="([^"]{20,})">', README)
    files = sorted((PROJECT / "static" / "img" / "pages").iterdir())
    assert {name for name, _ in shown} == {path.name for path in files}
    assert max(path.stat().st_size for path in files) < MOST_BYTES
    assert sum(path.stat().st_size for path in files) < MOST_BYTES_TOGETHER
    assert {size_of(path) for path in files} == {(780, 1688), (1280, 800)}


def size_of(path):
    with Image.open(path) as picture:
        return picture.size


def test_readme_fetches_nothing_from_elsewhere():
    assert set(re.findall(r"https?://[^\s)`\"]*", README)) <= {"http://127.0.0.1:8000"}


@pytest.mark.parametrize("document", DOCUMENTS)
def test_a_document_is_finished_calm_and_names_no_folder_of_ours(document):
    text = (PROJECT / document).read_text()
    assert not re.search(r"\b(TODO|FIXME|XXX)\b", text)
    assert not re.search(r"(?<!<)!(?![=\[])", text), "no exclamation marks"
    assert not re.search(r"/(root|home|Users|work)/", text.replace("`work/`", ""))


def test_version_in_the_changes_is_the_version_of_the_project():
    version = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]["version"]
    assert re.search(r"^## (\S+)", (PROJECT / "CHANGELOG.md").read_text(), re.MULTILINE)[1] == version
