"""Backups: made, checked, put back; and what is refused."""

import hashlib
import json
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from keyslip import keeping
from keyslip.keeping import KeepingError, make_backup, put_back
from tests.house import PROJECT

CLIP = "clips/ab/ab34c6f0-2f1d-4b7e-9a53-0f7c3f3d2f11/original"
PICTURE = "pictures/cd/cd34c6f0-2f1d-4b7e-9a53-0f7c3f3d2f11/large.jpg"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with what is kept and what is not."""
    files = {
        CLIP: b"film" * 1000,
        "authority/authority.key": b"key of the house",
        "secret_key": b"signs",
        PICTURE: b"jpeg",
        "incoming/ab34c6f0-2f1d-4b7e-9a53-0f7c3f3d2f11.part": b"half",
        "work/a-job/copy.mp4": b"half",
        "static/app.css": b"made again",
    }
    for name, content in files.items():
        path = tmp_path / "data" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return tmp_path / "data"


@pytest.fixture
def rows(data: Path) -> sqlite3.Connection:
    with closing(sqlite3.connect(data / "keyslip.sqlite3")) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("CREATE TABLE note (words TEXT)")
        connection.execute("INSERT INTO note VALUES ('kept')")
        connection.commit()
        yield connection


def backup(folder: Path, data: Path, rows: sqlite3.Connection | None) -> keeping.Manifest:
    return make_backup(folder, data=data, source=rows, migrations=["lessons.0001_initial"], made_at="2026-03-01")


def restore(folder: Path, data: Path, **fields) -> keeping.Manifest:
    known = {"database": data / "keyslip.sqlite3", "known_migrations": ["lessons.0001_initial"]}
    return put_back(folder, data=data, **known | fields)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def words_in(database: Path) -> list[str]:
    with closing(sqlite3.connect(database)) as connection:
        return [words for (words,) in connection.execute("SELECT words FROM note ORDER BY words")]


def test_backup_put_back_is_what_it_was(data, rows, tmp_path):
    backup(tmp_path / "kept", data, rows)
    restore(tmp_path / "kept", tmp_path / "new")
    found = contents(tmp_path / "new")
    assert sorted(found) == sorted([CLIP, PICTURE, "authority/authority.key", "secret_key", "keyslip.sqlite3"])
    assert all(found[name] == (data / name).read_bytes() for name in found if name != "keyslip.sqlite3")
    assert words_in(tmp_path / "new" / "keyslip.sqlite3") == ["kept"]


def test_backup_is_made_while_another_connection_writes(data, rows, tmp_path):
    with closing(sqlite3.connect(data / "keyslip.sqlite3")) as writer:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("INSERT INTO note VALUES ('half a thought')")
        backup(tmp_path / "kept", data, rows)
        writer.commit()
    assert words_in(tmp_path / "kept" / "database.sqlite3") == ["kept"]


def test_backup_is_its_owners_alone(data, rows, tmp_path):
    backup(tmp_path / "kept", data, rows)
    assert not any(path.stat().st_mode & 0o077 for path in [tmp_path / "kept", *(tmp_path / "kept").rglob("*")])


def test_sums_in_the_manifest_are_those_of_the_files(data, rows, tmp_path):
    backup(tmp_path / "kept", data, rows)
    written = json.loads((tmp_path / "kept" / "manifest.json").read_text())
    assert {row["path"]: row["sha256"] for row in written["files"]} == {
        name: hashlib.sha256(content).hexdigest()
        for name, content in contents(tmp_path / "kept").items()
        if name != "manifest.json"
    }


def test_backup_beside_another_database_says_that_it_holds_no_rows(data, tmp_path):
    assert not backup(tmp_path / "kept", data, None).has_database
    with pytest.raises(KeepingError, match="holds no rows"):
        restore(tmp_path / "kept", tmp_path / "new")
    restore(tmp_path / "kept", tmp_path / "new", database=None)
    assert (tmp_path / "new" / CLIP).exists()


def test_backup_does_not_write_over_anything(data, rows, tmp_path):
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "letter").touch()
    with pytest.raises(KeepingError, match="not an empty folder"):
        backup(tmp_path / "kept", data, rows)
    with pytest.raises(KeepingError, match="lie in each other"):
        backup(data / "kept", data, rows)
    assert contents(tmp_path / "kept") == {"letter": b""}


def test_backup_that_fails_leaves_nothing(data, rows, tmp_path, monkeypatch):
    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(keeping.shutil, "copyfile", fail)
    with pytest.raises(KeepingError, match="No space left on device"):
        backup(tmp_path / "far" / "kept", data, rows)
    assert contents(tmp_path / "far") == {}


@pytest.mark.parametrize("there", ["keyslip.sqlite3", "clips/ab/film", "authority/authority.key"])
def test_folder_that_is_in_use_is_left_alone(data, rows, tmp_path, there):
    backup(tmp_path / "kept", data, rows)
    (tmp_path / "new" / there).parent.mkdir(parents=True)
    (tmp_path / "new" / there).write_bytes(b"mine")
    with pytest.raises(KeepingError, match="is there already"):
        restore(tmp_path / "kept", tmp_path / "new")
    assert contents(tmp_path / "new") == {there: b"mine"}


def test_folder_with_only_what_a_start_makes_is_taken(data, rows, tmp_path):
    for name in ("static", "incoming", "media", "clips"):
        (tmp_path / "new" / name).mkdir(parents=True)
    (tmp_path / "new" / "secret_key").write_bytes(b"another")
    restore(tmp_path / "kept" if backup(tmp_path / "kept", data, rows) else tmp_path, tmp_path / "new")
    assert (tmp_path / "new" / "secret_key").read_bytes() == b"signs"


@pytest.mark.parametrize("name", [CLIP, "database.sqlite3"])
def test_changed_or_missing_file_is_named_and_nothing_put_back(data, rows, tmp_path, name):
    backup(tmp_path / "kept", data, rows)
    path = tmp_path / "kept" / name
    content = path.read_bytes()
    path.write_bytes(content[:-1] + b"?")
    with pytest.raises(KeepingError, match="is not as it was"):
        restore(tmp_path / "kept", tmp_path / "new")
    path.unlink()
    with pytest.raises(KeepingError, match="is missing"):
        restore(tmp_path / "kept", tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("path", ["../outside", "/etc/passwd", "clips/../../outside", "clips", "static/app.css", ""])
def test_manifest_that_names_a_place_elsewhere_is_refused(data, rows, tmp_path, path):
    backup(tmp_path / "kept", data, rows)
    manifest = tmp_path / "kept" / "manifest.json"
    written = json.loads(manifest.read_text())
    written["files"].append({"path": path, "size_bytes": 0, "sha256": ""})
    manifest.write_text(json.dumps(written))
    with pytest.raises(KeepingError, match="no place of ours"):
        restore(tmp_path / "kept", tmp_path / "new")


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": 2}', '{"schema": 1, "files": [1]}'])
def test_manifest_that_cannot_be_read_says_so(tmp_path, text):
    with pytest.raises(KeepingError, match="is no backup"):
        restore(tmp_path, tmp_path / "new")
    (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(KeepingError, match=r"cannot be read|has the form"):
        restore(tmp_path, tmp_path / "new")


def test_backup_of_a_newer_version_is_refused(data, rows, tmp_path):
    backup(tmp_path / "kept", data, rows)
    with pytest.raises(KeepingError, match="newer Keyslip"):
        restore(tmp_path / "kept", tmp_path / "new", known_migrations=["lessons.0000_before"])


def test_backup_of_the_other_kind_of_database_is_refused(data, rows, tmp_path):
    backup(tmp_path / "kept", data, rows)
    with pytest.raises(KeepingError, match="DATABASE_URL"):
        restore(tmp_path / "kept", tmp_path / "new", database=None)


# The commands, as typed ------------------------------------------------------------------------------------------------


def manage(data: Path, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=PROJECT,
        env={"KEYSLIP_DATA": str(data), "PATH": "/usr/bin:/bin", "TZ": "Europe/Lisbon"},
        input=typed,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.mark.slow
def test_house_moves_into_another_folder_by_two_commands(tmp_path):
    old, new, kept = tmp_path / "old", tmp_path / "new", tmp_path / "kept"
    assert manage(old, "migrate", "--verbosity", "0").returncode == 0
    assert manage(old, "add_learner", "ada", typed="a long passphrase\n").stdout == "“ada” may sign in now.\n"
    (old / CLIP).parent.mkdir(parents=True)
    (old / CLIP).write_bytes(b"film")
    made = manage(old, "backup", str(kept))
    assert (made.returncode, made.stderr) == (0, "")
    again = manage(old, "backup", str(kept))
    assert (again.returncode, "not an empty folder" in again.stderr) == (2, True)
    back = manage(new, "restore", str(kept))
    assert (back.returncode, back.stderr) == (0, "")
    assert (new / CLIP).read_bytes() == b"film"
    assert dump(new) == dump(old)
    refused = manage(new, "restore", str(kept))
    assert (refused.returncode, "is there already" in refused.stderr) == (2, True)


def dump(data: Path) -> list[str]:
    with closing(sqlite3.connect(data / "keyslip.sqlite3")) as connection:
        return list(connection.iterdump())
