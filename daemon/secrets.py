"""Secrets: one file each, in a folder of their own, never in the config.

The folder is ``$CREDENTIALS_DIRECTORY`` where the service manager set it, else
``credentials`` beside the config. The file's name is the secret's name.
"""

import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

LONGEST = 64 * 1024
"""A secret is at most this long (bytes)."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.@-]{0,99}", re.ASCII)

SERVICE_PREFIX = "ovigil_"
"""The service manager puts this before the names of a folder of credentials that it loads."""


def is_name(name: str) -> bool:
    """Tell whether ``name`` can be a secret's name: a plain file name, no folder."""
    return _NAME.fullmatch(name) is not None


@dataclass(frozen=True, slots=True)
class Secrets:
    """The folder of secrets. Values are read when asked for and never kept or shown.

    Attributes:
        folder: Where they are.
        managed: The service manager keeps the folder (then its modes are its affair).
    """

    folder: Path
    managed: bool = False

    @staticmethod
    def for_config(path: Path, env: Mapping[str, str]) -> "Secrets":
        """Find the folder that belongs to the config at ``path``."""
        given = env.get("CREDENTIALS_DIRECTORY", "")
        if given:
            return Secrets(Path(given), managed=True)
        return Secrets(path.absolute().parent / "credentials")

    def get(self, name: str) -> str | None:
        """Give a secret without its trailing newline.

        Returns:
            The text, or None where there is no such file, it cannot be read, is empty,
            longer than 64 kB or not UTF-8.
        """
        if not is_name(name):
            return None
        names = (name, SERVICE_PREFIX + name) if self.managed else (name,)
        return next((text for each in names if (text := self._read(each)) is not None), None)

    def _read(self, name: str) -> str | None:
        """Read one file; see :meth:`get`."""
        try:
            with (self.folder / name).open("rb") as file:
                raw = file.read(LONGEST + 1)
            text = raw.decode("utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError):
            return None
        return text if text and len(raw) <= LONGEST else None

    def mode_warnings(self) -> tuple[str, ...]:
        """Say which files others on this machine can read."""
        if self.managed:
            return ()
        try:
            entries = sorted(self.folder.iterdir())
        except OSError:
            return ()
        return tuple(self._loose(entry) for entry in entries if _is_loose(entry))

    def _loose(self, entry: Path) -> str:
        """Say it of one file."""
        return f"others on this machine can read the secret {entry.name!r}; run: chmod 600 {entry}"


def _is_loose(entry: Path) -> bool:
    """Tell whether group or others may read a file."""
    try:
        mode = entry.stat().st_mode
    except OSError:
        return False
    return stat.S_ISREG(mode) and bool(mode & (stat.S_IRGRP | stat.S_IROTH))
