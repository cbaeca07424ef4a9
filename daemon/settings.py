"""Load the config: one file, environment and credentials folder on top, all problems at once.

Nothing here ends the process; the command line turns a :class:`SettingsError`
into exit code 78.
"""

import os
import re
import tomllib
from collections.abc import Iterable, Mapping
from copy import deepcopy
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from daemon.secrets import Secrets
from daemon.settings_cross import PLACEHOLDER, Finding, cross
from daemon.settings_env import OnTop, merged, on_top
from daemon.settings_keys import KeyDoc, keys, table_at
from daemon.settings_model import RoomFile
from daemon.settings_words import plain_loc, sentence
from daemon.toml_lines import Loc, Position, positions

LARGEST = 256 * 1024
"""A config is at most this long (bytes)."""

EXIT_CONFIG = 78
"""Exit code of a program whose config is wrong (sysexits.h, EX_CONFIG)."""

_MOST_DOTS = 500
_PASSES = 8
_AT_LINE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong.

    Attributes:
        file: The file, or "environment" or "credentials".
        line: Line in it, from 1; 0 where there is none.
        text: What is wrong and what is allowed.
    """

    file: str
    line: int
    text: str

    def __str__(self) -> str:
        """Write it as ``file:line: text``."""
        return f"{self.file}:{self.line}: {self.text}" if self.line else f"{self.file}: {self.text}"


class SettingsError(Exception):
    """The config cannot be used; the keeper can mend it. Nothing was applied.

    Attributes:
        problems: Everything that is wrong, in the order of the file.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


@dataclass(frozen=True, slots=True)
class Loaded:
    """A config that can be used.

    Attributes:
        model: The settings.
        text: The file's text as it was read.
        path: The file.
        digest: SHA-256 of the text, hexadecimal.
        warnings: What a keeper should know of environment and credentials, in words.
        lines: Position of each key in the file.
    """

    model: RoomFile
    text: str
    path: Path
    digest: str
    warnings: tuple[str, ...]
    lines: Mapping[Loc, Position]


def load(path: Path, env: Mapping[str, str] = os.environ) -> Loaded:
    """Read, check and merge the config.

    Args:
        path: The file.
        env: Environment names and values.

    Raises:
        SettingsError: The file is missing, too long, no UTF-8, no TOML, or says
            something that is not allowed; it carries all problems.
    """
    return load_text(_read(path), path, env)


def load_text(text: str, path: Path, env: Mapping[str, str] = os.environ) -> Loaded:
    """Check a text as if it stood at ``path``; see :func:`load`."""
    try:
        return _load_text(text, path, env)
    except RecursionError:
        raise SettingsError(
            [Problem(str(path), 1, "nested too deeply; the config has four levels")]
        ) from None


def _load_text(text: str, path: Path, env: Mapping[str, str]) -> Loaded:
    """Do the work of :func:`load_text`."""
    secrets = Secrets.for_config(path, env)
    data = _parse(text, str(path))
    lines = positions(text)
    above = on_top(env, secrets)
    model, findings = _validated(merged(data, above.values))
    problems = [_problem(finding, str(path), lines, above) for finding in findings]
    problems += [Problem(_whence(name), 0, words) for name, words in above.wrong]
    if problems or model is None:
        raise SettingsError(
            sorted(set(problems), key=lambda each: (each.file != str(path), each.line, each.text))
        )
    set_above = tuple(f"{'.'.join(map(str, loc))} is set by {name}" for loc, name in above.origin.items())
    digest = sha256(text.encode()).hexdigest()
    return Loaded(model, text, path, digest, (*set_above, *secrets.mode_warnings()), lines)


def _read(path: Path) -> str:
    """Read the file's text."""
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST + 1)
    except OSError as error:
        raise SettingsError([Problem(str(path), 0, f"cannot be read: {error.strerror or error}")]) from error
    if len(raw) > LARGEST:
        raise SettingsError(
            [Problem(str(path), 1, "is longer than 256 kB, which is the most a config may have")]
        )
    if raw.startswith(b"\xef\xbb\xbf"):
        words = "begins with a byte order mark; save it as UTF-8 without one"
        raise SettingsError([Problem(str(path), 1, words)])
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise SettingsError([Problem(str(path), line, "is no UTF-8 text; save it as UTF-8")]) from error


def _parse(text: str, file: str) -> dict[str, Any]:
    """Parse TOML; every way to fail becomes one problem with its line."""
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > _MOST_DOTS:
            raise SettingsError([Problem(file, number, f"has more than {_MOST_DOTS} dots in one line")])
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = _AT_LINE.search(str(error))
        last = len(text.rstrip("\n").split("\n"))
        at = int(match[1]) if match is not None and match[1] else last
        words = _AT_LINE.sub("", str(error))
        raise SettingsError(
            [Problem(file, at, f"is no TOML here: {words[:1].lower()}{words[1:]}")]
        ) from error
    except ValueError as error:
        lines = enumerate(text.split("\n"), 1)
        at = next((number for number, line in lines if re.search(r"\d{1000}", line)), 1)
        raise SettingsError([Problem(file, at, "has a number or date that cannot be read")]) from error


def _problem(finding: Finding, file: str, lines: Mapping[Loc, Position], above: OnTop) -> Problem:
    """Put a finding where it belongs: a line of the file, or the environment."""
    loc, words = finding
    name = above.origin.get(loc[:2])
    if name is not None:
        return _problem_above(name, words)
    while loc and loc not in lines:
        loc = loc[:-1]
    return Problem(file, lines[loc].line if loc else 1, words)


def _problem_above(name: str, words: str) -> Problem:
    """Say what is wrong with a value from above; what a credentials file holds is not shown."""
    shown = words if _whence(name) == "environment" else "its value is not allowed"
    return Problem(_whence(name), 0, f"{name}: {shown}")


def _whence(name: str) -> str:
    """Tell environment names from credentials files."""
    return "environment" if name.upper().startswith("OVIGIL_") else "credentials"


def _validated(data: dict[str, Any]) -> tuple[RoomFile | None, list[Finding]]:
    """Validate; parts that are wrong are noted, mended and the rest is tried again."""
    findings: list[Finding] = []
    broken: list[Loc] = []
    mended = deepcopy(data)
    for _ in range(_PASSES):
        try:
            model = RoomFile(**mended)
        except ValidationError as error:
            fresh = _fresh(error)
            findings += [(loc, sentence(each)) for loc, each in fresh if not _touches(loc, broken)]
            broken += [loc for loc, _ in fresh]
            for loc, each in fresh:
                _mend(mended, loc, each["type"])
        else:
            return model, findings + cross(model, broken)
    return None, findings


def _fresh(error: ValidationError) -> list[tuple[Loc, ErrorDetails]]:
    """Give the errors with their places; a list is not also too short where an element is wrong."""
    found = [(plain_loc(each["loc"]), each) for each in error.errors(include_url=False)]
    places = [loc for loc, _ in found]
    return [
        (loc, each)
        for loc, each in found
        if each["type"] != "too_short" or not any(len(o) > len(loc) and o[: len(loc)] == loc for o in places)
    ]


def _touches(loc: Loc, broken: Iterable[Loc]) -> bool:
    """Tell whether a place lies in, or holds, one that was already found wrong."""
    return any(loc[: len(other)] == other or other[: len(loc)] == loc for other in broken)


def _mend(data: dict[str, Any], loc: Loc, kind: str) -> None:
    """Take what is wrong out of the data, so that the rest can be checked."""
    parent: Any = data
    steps: list[tuple[Any, str | int]] = []
    for part in loc:
        steps.append((parent, part))
        parent = _child(parent, part)
    while steps:
        parent, part = steps.pop()
        here = loc[: len(steps)]
        if isinstance(parent, list) and isinstance(part, int) and part < len(parent):
            if here and here[-1] in _STAND_INS:
                parent[part] = _stand_in(str(here[-1]), parent[part], part)
                return
        elif isinstance(parent, dict) and kind == "missing" and here and here[-1] == "read":
            continue
        elif isinstance(parent, dict) and isinstance(part, str) and _mend_key(parent, here, part):
            return


def _child(parent: Any, part: str | int) -> Any:
    """Go one step down; None where there is nothing."""
    if isinstance(parent, dict):
        return parent.get(part)
    return parent[part] if isinstance(parent, list) and isinstance(part, int) and part < len(parent) else None


def _mend_key(parent: dict[str, Any], here: Loc, key: str) -> bool:
    """Take out one key, or put in a stand-in; False where the whole table has to go."""
    table = table_at(here)
    info = table.model_fields.get(key) if table is not None else None
    if here and here[-1] == "read" and key not in {"every", "on_change"} and info is not None:
        return False
    if info is None or not info.is_required():
        parent.pop(key, None)
        return True
    if key in _FILL:
        parent[key] = deepcopy(_FILL[key])
        if key in {"name", "id"}:
            parent[key] = f"{PLACEHOLDER}{id(parent)}"
        return True
    return False


_FILL: Mapping[str, Any] = {
    "name": PLACEHOLDER, "id": PLACEHOLDER, "kind": "room", "reach": "unknown", "read": {"by": "simulated"},
    "url": "http://unknown", "species": PLACEHOLDER, "eggs": 1, "box": PLACEHOLDER,
}  # fmt: skip
_STAND_INS = frozenset({"place", "sensor", "contact", "clutch", "range"})
_STAND_IN_KEYS: Mapping[str, Mapping[str, Any]] = {
    "place": {"kind": "room"},
    "sensor": {"read": {"by": "simulated"}},
    "contact": {"reach": "unknown"},
}


def _stand_in(kind: str, given: Any, index: int) -> dict[str, Any]:
    """Make an element that passes, with the name of the one that it stands for."""
    old = given if isinstance(given, dict) else {}
    name = old.get("id" if kind == "clutch" else "name")
    name = name if isinstance(name, str) and name else f"{PLACEHOLDER}{kind}-{index}"
    if kind == "range":
        return {"spot": f"{PLACEHOLDER}{index}", "temperature": {"ideal": ["0 C", "1 C"]}}
    if kind == "clutch":
        return {"id": name, "species": name, "eggs": 1, "box": name, "laid": date(2000, 1, 1)}
    return {"name": name, **_STAND_IN_KEYS[kind]}


__all__ = [
    "EXIT_CONFIG",
    "LARGEST",
    "KeyDoc",
    "Loaded",
    "Problem",
    "RoomFile",
    "SettingsError",
    "keys",
    "load",
    "load_text",
]
