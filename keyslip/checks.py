"""What the person who runs Keyslip can get wrong, said with a hint."""

import importlib
import os
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from django.apps import AppConfig
from django.conf import settings
from django.core import checks

TAG = "keyslip"


@checks.register(TAG)
def check_data_folder(app_configs: Sequence[AppConfig] | None, **kwargs: Any) -> list[checks.CheckMessage]:  # noqa: ARG001
    """The data folder and what must be writable in it."""
    return [
        checks.Error(
            f"The folder {folder} cannot be written to.",
            hint="Give it to the user that runs Keyslip, or set KEYSLIP_DATA to another folder.",
            id="keyslip.E001",
        )
        for folder in (settings.KEYSLIP_DATA, Path(settings.FILE_UPLOAD_TEMP_DIR))
        if not os.access(folder, os.W_OK | os.X_OK)
    ]


@checks.register(TAG)
def check_secrets(app_configs: Sequence[AppConfig] | None, **kwargs: Any) -> list[checks.CheckMessage]:  # noqa: ARG001
    """Files that only their owner may read."""
    found: list[checks.CheckMessage] = []
    for path in (settings.KEYSLIP_DATA / "secret_key", settings.KEYSLIP_DATA / "authority" / "authority.key"):
        try:
            mode = stat.S_IMODE(path.stat().st_mode)
        except FileNotFoundError:
            continue
        if mode & 0o077:
            found.append(
                checks.Error(
                    f"Others on this computer can read {path} (mode {mode:o}).",
                    hint=f"chmod 600 {path}",
                    id="keyslip.E002",
                )
            )
    return found


@checks.register(TAG)
def check_queue(app_configs: Sequence[AppConfig] | None, **kwargs: Any) -> list[checks.CheckMessage]:  # noqa: ARG001
    """A folder of messages works, but slowly."""
    if settings.KEYSLIP_BROKER.folder is None:
        return []
    return [
        checks.Warning(
            "No queue server was found, so jobs are handed over through a folder. Nothing is lost, but a job may start later.",
            hint="Install redis-server, or set BROKER_URL to one that runs elsewhere.",
            id="keyslip.W003",
        )
    ]


@checks.register(TAG)
def check_clip_library(app_configs: Sequence[AppConfig] | None, **kwargs: Any) -> list[checks.CheckMessage]:  # noqa: ARG001
    """Without the decoder no clip can be taken in."""
    try:
        importlib.import_module("av")
    except ImportError as error:
        return [
            checks.Error(
                f"The library that reads clips cannot be loaded: {error}.",
                hint="make setup installs it again.",
                id="keyslip.E004",
            )
        ]
    return []


@checks.register(TAG)
def check_debug(app_configs: Sequence[AppConfig] | None, **kwargs: Any) -> list[checks.CheckMessage]:  # noqa: ARG001
    """Debug pages show settings and rows to whoever reaches them."""
    if settings.DEBUG and (settings.KEYSLIP_LAN or set(settings.ALLOWED_HOSTS) - {"localhost", "127.0.0.1", "[::1]"}):
        return [
            checks.Error(
                "KEYSLIP_DEBUG is on while others in the network can reach Keyslip.",
                hint="Unset KEYSLIP_DEBUG, or run without --lan.",
                id="keyslip.E005",
            )
        ]
    return []
