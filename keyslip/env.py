"""Reading the environment, strictly.

A value that cannot be understood stops the program with the variable's name. A secret may stand in a file instead, named
by the same variable with `_FILE` behind it, so that it appears in no process list and no compose file.
"""

import os
from collections.abc import Mapping
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured

_TRUE = frozenset({"1", "true", "yes", "on"})
_FALSE = frozenset({"0", "false", "no", "off"})


class EnvError(ImproperlyConfigured):
    """A variable of the environment holds something that cannot be used."""


class Env:
    """A reader over one mapping of variables, by default the process's own."""

    def __init__(self, variables: Mapping[str, str] | None = None) -> None:
        self._variables = os.environ if variables is None else variables

    def text(self, name: str, *, default: str = "") -> str:
        """Return the variable without surrounding blanks; an empty one counts as unset."""
        return self._variables.get(name, "").strip() or default

    def boolean(self, name: str, *, default: bool = False) -> bool:
        """Return a yes or no; only 1/0, true/false, yes/no and on/off are understood."""
        value = self.text(name).lower()
        if not value:
            return default
        if value in _TRUE:
            return True
        if value in _FALSE:
            return False
        raise EnvError(f"{name} is {value!r}. Write 1 or 0, true or false, yes or no, on or off.")

    def integer(self, name: str, *, default: int, least: int, most: int) -> int:
        """Return a whole number between `least` and `most`, both included."""
        value = self.text(name)
        if not value:
            return default
        if not value.isascii() or not value.isdigit() or not least <= int(value) <= most:
            raise EnvError(f"{name} is {value!r}. Write a whole number from {least} to {most}.")
        return int(value)

    def words(self, name: str) -> list[str]:
        """Return the parts of a list separated by commas, without empty ones."""
        return [part for part in (part.strip() for part in self.text(name).split(",")) if part]

    def path(self, name: str, *, default: Path) -> Path:
        """Return an absolute path; `~` is the user's home."""
        value = self.text(name)
        return Path(value).expanduser().absolute() if value else default

    def secret(self, name: str, *, default: str = "") -> str:
        """Return the variable, or what stands in the file that the variable with `_FILE` behind it names."""
        value, file = self.text(name), self.text(f"{name}_FILE")
        if value and file:
            raise EnvError(f"{name} and {name}_FILE are both set. Keep one of them.")
        if not file:
            return value or default
        try:
            value = Path(file).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise EnvError(f"{name}_FILE names {file!r}, which cannot be read: {error}.") from error
        if not value:
            raise EnvError(f"{name}_FILE names {file!r}, which is empty.")
        return value
