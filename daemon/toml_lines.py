"""Where each key of a TOML text stands: line and column.

The standard parser gives values without places. This scanner walks a text that
this parser has already accepted, so it only has to skip strings, comments and
brackets and to follow headers; it checks nothing.

Source: TOML 1.0.0, sections Keys, Table, Inline Table, Array of Tables.
"""

import re
import tomllib
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import NamedTuple

Loc = tuple[str | int, ...]
"""Where a value stands: keys and, in arrays, indices."""

DEEPEST = 24
"""Keys nested deeper than this get no place of their own."""

_BLANK = re.compile(r"[ \t]*")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\r\n]*")
_BASIC = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)
_LITERAL = re.compile(r"'[^']*'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''(?:[^']|'{1,2}(?!'))*'{3,5}")


class Position(NamedTuple):
    """Line and column, both from 1."""

    line: int
    column: int


def positions(text: str) -> dict[Loc, Position]:
    """Map the place of every key and array element of a valid TOML text.

    A table made by several headers or dotted keys stands where it is named first.

    Args:
        text: Text that ``tomllib.loads`` accepts.

    Returns:
        Positions by loc: of the key, and for an element of an array of its value.
    """
    scan = _Scan(text, [0, *(match.end() for match in re.finditer(r"\n", text))])
    scan.document()
    return scan.found


@dataclass(slots=True)
class _Scan:
    """The walk: a text, where it stands, and what was found."""

    text: str
    starts: list[int]
    at: int = 0
    found: dict[Loc, Position] = field(default_factory=dict)
    counts: dict[Loc, int] = field(default_factory=dict)

    def document(self) -> None:
        """Walk the whole text."""
        base: Loc = ()
        self.skip(_SPACE)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                base = self.header()
            else:
                self.pair(base)
            self.skip(_SPACE)

    def header(self) -> Loc:
        """Walk ``[a.b]`` or ``[[a.b]]`` and give the loc of the table that it opens."""
        many = self.text.startswith("[[", self.at)
        start = self.at
        self.at += 2 if many else 1
        parts = self.key()
        self.at += 2 if many else 1
        loc: Loc = ()
        for index, (name, offset) in enumerate(parts):
            loc = self.note((*loc, name), offset)
            if many and index == len(parts) - 1:
                self.counts[loc] = self.counts.get(loc, 0) + 1
            if loc in self.counts:
                loc = self.note((*loc, self.counts[loc] - 1), start)
        return loc

    def pair(self, base: Loc) -> None:
        """Walk ``key = value``."""
        loc = base
        for name, offset in self.key():
            loc = self.note((*loc, name), offset)
        self.at += 1
        self.skip(_BLANK)
        self.value(loc)

    def key(self) -> list[tuple[str, int]]:
        """Walk a dotted key and give its parts with their offsets."""
        parts = []
        while True:
            self.skip(_BLANK)
            parts.append(self.key_part())
            self.skip(_BLANK)
            if self.text[self.at] != ".":
                return parts
            self.at += 1

    def key_part(self) -> tuple[str, int]:
        """Walk one part of a key."""
        start = self.at
        first = self.text[start]
        if first == '"':
            self.skip(_BASIC)
            return str(tomllib.loads("x=" + self.text[start : self.at])["x"]), start
        if first == "'":
            self.skip(_LITERAL)
            return self.text[start + 1 : self.at - 1], start
        self.skip(_BARE_KEY)
        return self.text[start : self.at], start

    def value(self, loc: Loc) -> None:
        """Walk a value of any kind."""
        first = self.text[self.at]
        if first == "[":
            self.array(loc)
        elif first == "{":
            self.inline(loc)
        elif first == '"':
            self.skip(_LONG_BASIC if self.text.startswith('"""', self.at) else _BASIC)
        elif first == "'":
            self.skip(_LONG_LITERAL if self.text.startswith("'''", self.at) else _LITERAL)
        else:
            self.skip(_SCALAR)

    def array(self, loc: Loc) -> None:
        """Walk ``[…]``."""
        self.at += 1
        index = 0
        self.skip(_SPACE)
        while self.text[self.at] != "]":
            self.value(self.note((*loc, index), self.at))
            index += 1
            self.skip(_SPACE)
            if self.text[self.at] == ",":
                self.at += 1
                self.skip(_SPACE)
        self.at += 1

    def inline(self, loc: Loc) -> None:
        """Walk ``{…}``."""
        self.at += 1
        self.skip(_SPACE)
        while self.text[self.at] != "}":
            self.pair(loc)
            self.skip(_SPACE)
            if self.text[self.at] == ",":
                self.at += 1
                self.skip(_SPACE)
        self.at += 1

    def skip(self, pattern: re.Pattern[str]) -> None:
        """Go on behind what the pattern matches here."""
        match = pattern.match(self.text, self.at)
        if match is not None:
            self.at = match.end()

    def note(self, loc: Loc, offset: int) -> Loc:
        """Keep the first place of a loc; very deep ones are cut short."""
        if len(loc) > DEEPEST:
            return loc[:DEEPEST]
        if loc not in self.found:
            line = bisect_right(self.starts, offset)
            self.found[loc] = Position(line, offset - self.starts[line - 1] + 1)
        return loc
