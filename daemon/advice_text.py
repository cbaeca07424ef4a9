"""Changing single values in a config's text, and nothing else in it.

The text stays the keeper's: comments, order and blanks are kept. What comes out is read
again by whoever asked for it; a text that does not say what was wanted is not used.
"""

import re
from bisect import bisect_right
from collections.abc import Mapping, Sequence

from daemon.toml_lines import Loc, positions

_EQUALS = re.compile(r"\s*=\s*")
_STRING = re.compile(r'"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'')
_KEY = re.compile(r'[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'')


def changed(text: str, wanted: Mapping[Loc, str]) -> str:
    """Write values at places of a config.

    Args:
        text: A valid config.
        wanted: Value as TOML text by its place, for example
            ``{("place", 0, "hold", "ideal"): '"30 min"'}``. The table that is named first
            must be there.

    Returns:
        The text with these values.

    Raises:
        KeyError: The table is not written there.
    """
    for loc, value in wanted.items():
        text = _changed(text, loc, value)
    return text


def _changed(text: str, loc: Loc, value: str) -> str:
    found = positions(text)
    starts = [0, *(match.end() for match in re.finditer("\n", text))]

    def offset(at: Loc) -> int:
        return starts[found[at].line - 1] + found[at].column - 1

    if loc in found:
        start, end = _value_at(text, offset(loc))
        return text[:start] + value + text[end:]
    table, key = loc[:-1], str(loc[-1])
    if table in found and isinstance(table[-1], str):
        at = offset(table)
        brace = _after_equals(text, at)
        if brace is not None and text[brace] == "{":
            rest = text[brace + 1 :].lstrip()
            comma = "" if rest.startswith("}") else ","
            return f"{text[: brace + 1]} {key} = {value}{comma} {rest}"
        line_end = text.index("\n", at) + 1 if "\n" in text[at:] else len(text)
        return f"{text[:line_end]}{key} = {value}\n{text[line_end:]}"
    if len(table) > 1 and isinstance(table[-1], str):
        return _changed(text, table, f"{{ {key} = {value} }}")
    inside = [offset(at) for at in found if at[: len(table)] == table and len(at) == len(table) + 1]
    if not inside:
        raise KeyError(table)
    return _below_first(text, inside, f"{key} = {value}", starts)


def _below_first(text: str, inside: Sequence[int], written: str, starts: Sequence[int]) -> str:
    """Put a line below the first key of a table, whose keys stand at some offsets."""
    first = min(inside)
    line = bisect_right(starts, _value_at(text, first)[1])
    end = starts[line] if line < len(starts) else len(text)
    lead = "" if text[:end].endswith("\n") or not end else "\n"
    return f"{text[:end]}{lead}{written}\n{text[end:]}"


def _after_equals(text: str, at: int) -> int | None:
    key = _KEY.match(text, at)
    equals = _EQUALS.match(text, key.end()) if key else None
    return equals.end() if equals else None


def _value_at(text: str, at: int) -> tuple[int, int]:
    """Give where the value of the key at an offset begins and ends."""
    start = _after_equals(text, at)
    if start is None:
        raise KeyError(text[at : at + 20])
    depth, end = 0, start
    while end < len(text):
        string = _STRING.match(text, end)
        if string:
            end = string.end()
        elif text[end] in "[{":
            depth, end = depth + 1, end + 1
        elif text[end] in "]}" and depth:
            depth, end = depth - 1, end + 1
        elif text[end] in ",]}\n#" and not depth:
            break
        else:
            end += 1
            continue
        if not depth:
            break
    return start, start + len(text[start:end].rstrip())


def appended(text: str, place: int, lines: str) -> str:
    """Put a block (a table of its own) at the end of a place.

    Args:
        text: A valid config.
        place: Which place, from 0.
        lines: The block, with its header.
    """
    found = positions(text)
    after = [position.line for loc, position in found.items() if loc[:2] == ("place", place)]
    later = [
        position.line
        for loc, position in found.items()
        if loc[:2] != ("place", place) and position.line > max(after)
    ]
    rows = text.split("\n")
    end = max(after) if not later else min(later) - 1
    while end > max(after) and (not rows[end - 1].strip() or rows[end - 1].lstrip().startswith(("#", "["))):
        end -= 1
    return "\n".join([*rows[:end], "", *lines.rstrip("\n").split("\n"), *rows[end:]])
