"""Backups: the database, the clips and the keys of one data folder, in another folder, with the sum of every file.

    manifest.json      what is in it; written last, so that a folder without it is no backup
    database.sqlite3   all rows, copied by SQLite itself while Keyslip may be running
    clips/             originals, copies, and what was drawn from them
    pictures/          reference pictures and stills
    scores/            scores as they came, and as they were read
    authority/         the house's own certificate authority, which phones trust
    secret_key         signs sign-ins

Uploads under way and the folders of jobs are not in it: what had not arrived is sent again, what was not made is made again.

A PostgreSQL database is not in it: `pg_dump` copies that one, and `database` in the manifest is null.
"""

import hashlib
import json
import shutil
import sqlite3
import tempfile
from collections.abc import Collection, Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath
from typing import Any

SCHEMA = 1
MANIFEST, DATABASE = "manifest.json", "database.sqlite3"
KEPT_FOLDERS, KEPT_FILES = ("clips", "pictures", "scores", "authority"), ("secret_key",)
# Bytes read at a time while a file is copied and summed up: enough to be quick, little beside everything else.
READ_BYTES = 1_048_576


class KeepingError(Exception):
    """A backup cannot be made or put back; the message says why."""


@dataclass(frozen=True, slots=True)
class KeptFile:
    """One file of a backup. `path` is relative, with forward slashes."""

    path: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds. `migrations` are those its tables had; `has_database` is False for PostgreSQL."""

    made_at: str
    has_database: bool
    migrations: tuple[str, ...]
    files: tuple[KeptFile, ...]

    @property
    def size_bytes(self) -> int:
        return sum(file.size_bytes for file in self.files)


def make_backup(
    folder: Path, *, data: Path, source: sqlite3.Connection | None, migrations: Collection[str], made_at: str
) -> Manifest:
    """Write a backup into `folder`, which is made and must not hold anything; whole or not at all.

    Rows are copied before files. A clip deleted in between is in the rows alone, one that comes in between in the files
    alone; both are what a crash could leave, and the sweeper knows what to do.
    """
    folder, data = folder.resolve(), data.resolve()
    if folder.is_relative_to(data) or data.is_relative_to(folder):
        raise KeepingError(f"{folder} and the data folder {data} lie in each other. Choose a folder elsewhere.")
    _refuse_full(folder)
    with _plainly(f"{folder} cannot be written"):
        folder.parent.mkdir(parents=True, exist_ok=True)
        with _draft(folder) as draft:
            if source is not None:
                _copy_rows(source, draft / DATABASE)
            for path in _kept_files(data):
                _copy(data / path, draft / path)
            manifest = Manifest(
                made_at=made_at,
                has_database=source is not None,
                migrations=tuple(sorted(migrations)),
                files=tuple(_summed(draft, path) for path in _all_files(draft)),
            )
            (draft / MANIFEST).write_text(_as_json(manifest), encoding="utf-8")
            (draft / MANIFEST).chmod(0o600)
            draft.replace(folder)
    return manifest


def put_back(folder: Path, *, data: Path, database: Path | None, known_migrations: Collection[str]) -> Manifest:
    """Put a backup into a data folder that holds nothing yet, after every file was found to be as it was.

    `database` is where the rows go; None where Keyslip runs on PostgreSQL.
    """
    manifest = read_manifest(folder)
    newer = set(manifest.migrations) - set(known_migrations)
    if newer:
        raise KeepingError(
            f"This backup was made by a newer Keyslip (it knows {min(newer)}). Bring Keyslip up to date first."
        )
    if manifest.has_database and database is None:
        raise KeepingError("This backup holds an SQLite database, and DATABASE_URL names another kind. Unset it first.")
    if not manifest.has_database and database is not None:
        raise KeepingError(
            "This backup holds no rows: it was made beside PostgreSQL. Set DATABASE_URL as it was, and load the dump of pg_dump."
        )
    _refuse_used(data, database=database)
    for file in manifest.files:
        _check(folder, file)
    with _plainly(f"{data} cannot be written"):
        _put_files(folder, manifest, data=data, database=database)
    return manifest


def read_manifest(folder: Path) -> Manifest:
    """Return what a backup says it holds."""
    path = folder / MANIFEST
    if not path.is_file():
        raise KeepingError(f"{folder} is no backup, or one that was not finished: it has no {MANIFEST}.")
    try:
        raw: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if raw["schema"] != SCHEMA:
            raise KeepingError(f"{path} has the form {raw['schema']!r}; this Keyslip reads {SCHEMA}.")
        files = tuple(KeptFile(str(row["path"]), int(row["size_bytes"]), str(row["sha256"])) for row in raw["files"])
        manifest = Manifest(
            made_at=str(raw["made_at"]),
            has_database=raw["database"] is not None,
            migrations=tuple(map(str, raw["migrations"])),
            files=files,
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise KeepingError(f"{path} cannot be read: {type(error).__name__}: {error}") from error
    for file in files:
        if not _is_ours(file.path):
            raise KeepingError(f"{path} names {file.path!r}, which is no place of ours. Nothing was put back.")
    if manifest.has_database and DATABASE not in {file.path for file in files}:
        raise KeepingError(f"{path} names no {DATABASE}.")
    return manifest


# What is copied ------------------------------------------------------------------------------------------------------


def _kept_files(data: Path) -> Iterator[str]:
    for name in KEPT_FOLDERS:
        yield from (f"{name}/{path}" for path in _all_files(data / name))
    yield from (name for name in KEPT_FILES if (data / name).is_file())


def _all_files(folder: Path) -> list[str]:
    """Return the files below a folder, as relative paths; links and what is neither file nor folder are left out."""
    found = folder.rglob("*") if folder.is_dir() else ()
    return sorted(path.relative_to(folder).as_posix() for path in found if path.is_file() and not path.is_symlink())


def _is_ours(path: str) -> bool:
    parts = PurePosixPath(path).parts
    if not parts or ".." in parts or PurePosixPath(path).is_absolute() or "\\" in path or "\0" in path:
        return False
    return path in {DATABASE, *KEPT_FILES} or (parts[0] in KEPT_FOLDERS and len(parts) > 1)


def _copy_rows(source: sqlite3.Connection, path: Path) -> None:
    """Copy all rows by SQLite's own backup, so that a writer in the middle does no harm."""
    with closing(sqlite3.connect(path)) as target:
        source.backup(target)
        target.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
        found = target.execute("PRAGMA integrity_check").fetchone()[0]
    if found != "ok":
        raise KeepingError(f"The database is damaged, so no backup was made: {found}")
    path.chmod(0o600)


def _copy(path: Path, to: Path) -> None:
    """Copy one file; one that was deleted meanwhile is passed over."""
    for folder in reversed([folder for folder in to.parents if not folder.exists()]):
        folder.mkdir(mode=0o700)
    try:
        shutil.copyfile(path, to)
    except FileNotFoundError:
        if path.exists():
            raise
        return
    to.chmod(0o600)


def _summed(folder: Path, path: str) -> KeptFile:
    return KeptFile(path, (folder / path).stat().st_size, _digest_of(folder / path))


def _digest_of(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(READ_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def _as_json(manifest: Manifest) -> str:
    rows = {
        "schema": SCHEMA,
        "made_at": manifest.made_at,
        "database": DATABASE if manifest.has_database else None,
        "migrations": list(manifest.migrations),
        "files": [asdict(file) for file in manifest.files],
    }
    return json.dumps(rows, indent=1) + "\n"


def _check(folder: Path, kept: KeptFile) -> None:
    path = folder / kept.path
    if not path.is_file() or path.is_symlink():
        raise KeepingError(f"{path} is missing. Nothing was put back.")
    with _plainly(f"{path} cannot be read"):
        is_same = path.stat().st_size == kept.size_bytes and _digest_of(path) == kept.sha256
    if not is_same:
        raise KeepingError(f"{path} is not as it was when the backup was made. Nothing was put back.")


# Where it goes -------------------------------------------------------------------------------------------------------


def _refuse_full(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise KeepingError(f"{folder} is there already and not an empty folder. Choose another.")


def _refuse_used(data: Path, *, database: Path | None) -> None:
    used = [path for path in (database, *(data / name for name in KEPT_FOLDERS)) if path is not None and _holds(path)]
    if used:
        raise KeepingError(
            f"{used[0]} is there already, and nothing is written over. Stop Keyslip and move the data folder away, "
            "or set KEYSLIP_DATA to an empty one."
        )


def _holds(path: Path) -> bool:
    return any(path.iterdir()) if path.is_dir() else path.exists()


def _put_files(folder: Path, manifest: Manifest, *, data: Path, database: Path | None) -> None:
    """Copy everything beside its place, then put it there by renaming; the rows come last."""
    data.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = Path(tempfile.mkdtemp(prefix=".restoring-", dir=data))
    try:
        for file in manifest.files:
            _copy(folder / file.path, draft / file.path)
        for name in (*KEPT_FOLDERS, *KEPT_FILES):
            if (draft / name).exists():
                (draft / name).replace(data / name)
        if database is not None:
            database.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            shutil.move(draft / DATABASE, database)
    finally:
        shutil.rmtree(draft, ignore_errors=True)


@contextmanager
def _draft(folder: Path) -> Iterator[Path]:
    draft = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        yield draft
    finally:
        shutil.rmtree(draft, ignore_errors=True)


@contextmanager
def _plainly(what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise KeepingError(f"{what}: {error.strerror or error}.") from error
