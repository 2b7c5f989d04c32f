"""The data folder: everything that must survive, and nothing else.

keyslip.sqlite3        the database, unless DATABASE_URL names another
clips/                 originals, copies and what was drawn from them, a folder for each clip
pictures/              reference pictures and stills, a folder for each
scores/                scores as they came and as they were read, a folder for each
engraved/              pictures of scores; made again when missing
work/                  files of jobs under way; always empty in the end
incoming/              uploads under way, on the same disk so that the last step is a rename
static/                style sheets and scripts as served; made again at every start
secret_key             signs sign-ins; lives and dies with the folder
first_account_token    digest of the one-time link's token, while no account exists
authority/             the house's own certificate authority
queue/                 the embedded queue server's files and socket
run/                   what the supervisor has running
"""

import contextlib
import hashlib
import os
import secrets
import tempfile
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

# Bytes of randomness behind the secret key: 50 give 400 bits, well above the 128 that signing needs.
SECRET_KEY_BYTES = 50
# Longest path of a unix socket, in bytes. The kernel's field holds 104 on macOS and 108 on Linux, one of them for the end.
SOCKET_PATH_BYTES = 103


class DataFolderError(ImproperlyConfigured):
    """The data folder cannot be used."""


def private_folder(path: Path) -> Path:
    """Return `path` as a folder only its owner may enter, made if missing."""
    try:
        path.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise DataFolderError(
            f"The folder {path} cannot be made ({error.strerror}). "
            "Set KEYSLIP_DATA to a folder that you may write to, and start again."
        ) from error
    return path


def write_private(path: Path, content: bytes) -> None:
    """Write a file that only its owner may read, whole or not at all."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")  # mkstemp gives mode 600
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise DataFolderError(
            f"Nothing can be written to {path.parent} ({error.strerror}). "
            "Set KEYSLIP_DATA to a folder that you may write to, and start again."
        ) from error


def secret_key(data: Path) -> str:
    """Return the key of this data folder, made on first use.

    Two processes may ask at the same time: the first link wins, and both read what it holds.
    """
    path = private_folder(data) / "secret_key"
    if not path.exists():
        draft = data / f".secret_key.{secrets.token_hex(8)}"
        write_private(draft, secrets.token_urlsafe(SECRET_KEY_BYTES).encode())
        with contextlib.suppress(FileExistsError):
            os.link(draft, path)
        draft.unlink()
    try:
        key = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise DataFolderError(f"The key in {path} cannot be read: {error}.") from error
    if not key:
        raise DataFolderError(f"The key in {path} is empty. Remove the file; everybody then signs in again.")
    return key


def queue_socket(data: Path) -> Path:
    """Return where the embedded queue server listens: in the data folder, or in a private folder where that path is too long."""
    path = data / "queue" / "queue.sock"
    if len(os.fsencode(path)) <= SOCKET_PATH_BYTES:
        return path
    digest = hashlib.sha256(os.fsencode(data)).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"keyslip-{os.getuid()}-{digest}" / "queue.sock"
