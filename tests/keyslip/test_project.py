"""What the files around the code promise."""

import re
import tomllib

import pytest
import yaml

from tests.house import PROJECT

LOCKS = sorted(PROJECT.glob("requirements*.lock"))


@pytest.mark.parametrize("lock", LOCKS, ids=lambda path: path.name)
def test_lock_names_no_address_and_pins_everything_by_hash(lock):
    text = lock.read_text()
    assert not re.search(r'https?://|index-url|find-links|"resolved"', text)
    entries = re.split(r"\n(?=\S)", text.strip())
    assert len(entries) >= 1
    for entry in entries:
        assert re.match(r"[a-z0-9.-]+==\S+", entry), entry
        assert "--hash=sha256:" in entry, entry


def test_locks_hold_what_the_project_asks_for():
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]

    def name(line):
        return re.match(r"[A-Za-z0-9_.-]+", line)[0].lower().replace("_", "-")

    def locked(path):
        return {name(line) for line in path.read_text().splitlines() if re.match(r"[a-z]", line)}

    run, dev = locked(PROJECT / "requirements.lock"), locked(PROJECT / "requirements-dev.lock")
    assert {name(line) for line in project["dependencies"]} <= run
    assert {name(line) for line in project["optional-dependencies"]["dev"]} <= dev
    assert run <= dev


def test_container_that_opens_clips_reaches_nothing_outside():
    compose = yaml.safe_load((PROJECT / "docker-compose.yml").read_text())
    assert compose["networks"]["back"]["internal"] is True
    for name in ("worker", "sweeper", "postgres", "redis"):
        assert compose["services"][name]["networks"] == ["back"]
        assert "ports" not in compose["services"][name]
    for name in ("web", "worker", "sweeper"):
        service = compose["services"][name]
        assert service["read_only"]
        assert service["cap_drop"] == ["ALL"]


def test_image_holds_every_package_of_ours():
    copied = re.findall(r"^COPY (\w+) \1$", (PROJECT / "Dockerfile").read_text(), re.MULTILINE)
    ours = {path.parent.name for path in PROJECT.glob("*/apps.py")} | {"templates", "static"}
    assert set(copied) == ours
