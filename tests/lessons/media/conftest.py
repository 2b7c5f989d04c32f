"""The corpus of difficult files, made piece by piece as tests ask for it."""

import fcntl
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import pytest

from tests.tools import make_clips


@dataclass(frozen=True, slots=True)
class Case:
    """One file of the corpus, and what is known about it."""

    path: Path
    truth: dict[str, Any]


@pytest.fixture(scope="session")
def case(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Callable[[str], Case]:
    """Make one file of the corpus by its id, once for all test processes."""
    base = tmp_path_factory.getbasetemp()
    root = (base if worker_id == "master" else base.parent) / "corpus"
    root.mkdir(exist_ok=True)

    def make(case_id: str) -> Case:
        # One folder a file: hostile lists name their neighbours.
        folder = root / case_id
        folder.mkdir(exist_ok=True)
        name = make_clips.REGISTRY[case_id][0]
        with (folder / "lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not (folder / f"{name}.json").exists():
                _, failed = make_clips.build(folder, [case_id])
                assert not failed
        return Case(folder / name, json.loads((folder / f"{name}.json").read_text()))

    return make


@pytest.fixture(scope="session", autouse=True)
def _quiet_codecs() -> None:
    av.logging.set_level(None)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An empty folder of the test's own."""
    path = tmp_path / "clips"
    path.mkdir()
    return path
