"""What stands on top of the file: environment names and files of the credentials folder.

``OVIGIL_ROOM__SHOW=F`` sets ``show`` in ``[room]``; a credentials file ``broker__user``
sets ``user`` in ``[broker]``. Only keys of single tables can be set so; places, contacts
and clutches are in the file alone. The environment wins over the credentials folder.
"""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_origin

from pydantic import BeforeValidator
from pydantic.fields import FieldInfo
from pydantic_settings import EnvSettingsSource

from daemon.secrets import Secrets
from daemon.settings_keys import scalar_keys
from daemon.settings_model import RoomFile
from daemon.settings_words import did_you_mean
from daemon.toml_lines import Loc

PREFIX = "OVIGIL_"
"""Every environment name of the program begins so."""

OTHER_NAMES: frozenset[str] = frozenset()
"""Environment names with the prefix that are not keys of the config."""


@dataclass(frozen=True, slots=True)
class OnTop:
    """Values that go on top of the file.

    Attributes:
        values: Nested like the file.
        origin: Name of the environment variable or credentials file by loc.
        wrong: Sentences about names that are not known, with the name.
    """

    values: dict[str, Any] = field(default_factory=dict)
    origin: Mapping[Loc, str] = field(default_factory=dict)
    wrong: tuple[tuple[str, str], ...] = ()


class _Given(EnvSettingsSource):
    """The library's environment source over a mapping that is handed in."""

    def __init__(self, given: Mapping[str, str]) -> None:
        self._given = {name.lower(): value for name, value in given.items()}
        super().__init__(RoomFile, env_prefix="", env_nested_delimiter="__")

    def _load_env_vars(self) -> Mapping[str, str | None]:
        """Give what was handed in instead of the process's environment."""
        return self._given


def on_top(env: Mapping[str, str], secrets: Secrets) -> OnTop:
    """Collect what environment and credentials folder set.

    Args:
        env: Environment names and values.
        secrets: The credentials folder.

    Returns:
        The values by key, and what is wrong with the names.
    """
    known = {f"{table}__{key}": info for (table, key), info in scalar_keys().items()}
    texts: dict[str, tuple[str, str]] = {}
    wrong: list[tuple[str, str]] = []
    for shown, name, value in (*_credentials(secrets), *_environment(env)):
        if name in known:
            texts[name] = (value, shown)
        else:
            prefix = PREFIX if shown.startswith(PREFIX) else ""
            names = [prefix + (each.upper() if prefix else each) for each in known]
            hint = did_you_mean(shown, names)
            wrong.append((shown, f"{shown} is not known{hint}"))
    values = _Given({name: value for name, (value, _) in texts.items() if not _in_toml(known[name])})()
    for name, (value, _) in texts.items():
        table, key = name.split("__")
        if _in_toml(known[name]):
            values.setdefault(table, {})[key] = _from_toml(value)
    locs: dict[Loc, str] = {tuple(name.split("__")): shown for name, (_, shown) in texts.items()}
    return OnTop(values, locs, tuple(wrong))


def merged(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Lay one nested mapping over another."""
    result = dict(below)
    for key, value in above.items():
        old = result.get(key)
        result[key] = merged(old, value) if isinstance(old, Mapping) and isinstance(value, Mapping) else value
    return result


def _environment(env: Mapping[str, str]) -> Iterator[tuple[str, str, str]]:
    """Give the program's own names: as written, as a key, value."""
    for name, value in sorted(env.items()):
        if name.upper().startswith(PREFIX) and name.upper() not in OTHER_NAMES:
            yield name, name[len(PREFIX) :].lower(), value


def _credentials(secrets: Secrets) -> Iterator[tuple[str, str, str]]:
    """Give the credentials files that are named like a key (``table__key``)."""
    tables = {table for table, _ in scalar_keys()}
    for name in _names(secrets.folder):
        value = secrets.get(name) if name.split("__")[0] in tables and "__" in name else None
        if value is not None:
            yield name, name.lower(), value


def _names(folder: Path) -> list[str]:
    """List a folder that may not be there."""
    try:
        return sorted(entry.name for entry in folder.iterdir())
    except OSError:
        return []


def _in_toml(info: FieldInfo) -> bool:
    """Tell whether a key takes no text: a plain number, true or false, or a list."""
    written = any(isinstance(part, BeforeValidator) for part in info.metadata)
    return (info.annotation in (bool, int) and not written) or get_origin(info.annotation) is tuple


def _from_toml(text: str) -> Any:
    """Read a value as the file would; what is none stays text, and the model says so."""
    try:
        return tomllib.loads(f"x = {text}")["x"]
    except (tomllib.TOMLDecodeError, ValueError, RecursionError):
        return text
