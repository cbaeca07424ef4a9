"""What is wrong with the config, in words: one sentence for each error of the model."""

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any

from pydantic_core import ErrorDetails

from daemon.settings_keys import choices, table_at, tags_at
from daemon.toml_lines import Loc

_TYPES: Mapping[str, str] = {
    "string_type": "must be text in quotes",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "float_type": "must be a number",
    "finite_number": "must be a finite number",
    "tuple_type": "must be a list in [ ]",
    "model_type": "must be a table",
    "dict_type": "must be a table",
    "date_type": "must be a date without quotes, for example 2026-09-30",
    "date_from_datetime_parsing": "must be a date without quotes, for example 2026-09-30",
    "date_from_datetime_inexact": "must be a date without an hour, for example 2026-09-30",
    "string_too_short": "must not be empty",
    "too_short": "must not be empty",
    "model_attributes_type": "must be a table",
}
_BOUNDS: Mapping[str, str] = {
    "greater_than_equal": "must be {ge} or more",
    "less_than_equal": "must be {le} or less",
    "greater_than": "must be more than {gt}",
    "less_than": "must be less than {lt}",
    "string_too_long": "must have at most {max_length} characters",
}
_PATTERNS: Mapping[str, str] = {
    "address": 'must be the address as the kernel writes it, for example "28-0316a2794bff"',
    "channel": 'must be "temp1", "humidity1" or the like, or a list of them',
}


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Give ``; did you mean "…"?``, or "" where nothing is close."""
    table = {each.casefold(): each for each in known}
    close = get_close_matches(str(word)[:100].casefold(), table, n=1, cutoff=0.6)
    return f'; did you mean "{table[close[0]]}"?' if close else ""


def plain_loc(loc: Loc) -> Loc:
    """Drop from an error's place the tags that the model puts in (read, mqtt, topic)."""
    kept: list[str | int] = []
    tagged: Loc = ()
    for part in loc:
        is_tag = bool(tagged) and tagged[-1] == "read" and part in tags_at(tagged)
        tagged = (*tagged, part)
        if not is_tag:
            kept.append(part)
    return tuple(kept)


def sentence(error: ErrorDetails) -> str:
    """Say what is wrong and what is allowed."""
    loc: Loc = error["loc"]
    kind, context = error["type"], error.get("ctx", {})
    subject = _subject(loc)
    if kind == "extra_forbidden":
        return _unknown_key(loc)
    if kind == "missing":
        return f'"{loc[-1]}" is missing{_of(loc)}'
    if kind == "union_tag_not_found":
        return f"{subject} needs by = one of {_list(tags_at(plain_loc(loc)))}"
    if kind == "union_tag_invalid":
        known = tags_at(plain_loc(loc))
        tag = str(context.get("tag", ""))[:60]
        return f'by = "{tag}" is not known{did_you_mean(tag, known)} (allowed: {", ".join(known)})'
    if kind in {"enum", "literal_error"}:
        return _not_a_choice(loc, error["input"])
    if kind == "value_error":
        return f"{subject}: {context['error']}"
    if kind == "string_pattern_mismatch":
        key = next((part for part in reversed(loc) if part in _PATTERNS), "")
        return f"{subject} {_PATTERNS.get(str(key), error['msg'])}"
    if kind in _BOUNDS:
        return f"{subject} {_BOUNDS[kind].format(**context)}"
    return f"{subject} {_TYPES.get(kind, error['msg'].lower())}"


def _subject(loc: Loc) -> str:
    """Name what is wrong by its key and its table."""
    keys = [str(part) for part in plain_loc(loc) if isinstance(part, str)]
    if not keys:
        return "the config"
    if loc and isinstance(loc[-1], int) and table_at(loc) is not None:
        return f"this {keys[-1]}"
    return ".".join(keys[-2:]) if keys[-1] in {"ideal", "safe", "off", "by"} else keys[-1]


def _of(loc: Loc) -> str:
    """Say in which table."""
    keys = [str(part) for part in plain_loc(loc[:-1]) if isinstance(part, str)]
    return f" in {'.'.join(keys)}" if keys else ""


def _list(words: Iterable[str]) -> str:
    """Join choices."""
    return ", ".join(f'"{word}"' for word in words)


def _unknown_key(loc: Loc) -> str:
    """Say that a key is not known, with what is allowed there."""
    table = table_at(loc[:-1])
    known = sorted(table.model_fields) if table is not None else []
    key = str(loc[-1])[:60]
    return f'unknown key "{key}"{_of(loc)}{did_you_mean(key, known)} (allowed: {", ".join(known)})'


def _not_a_choice(loc: Loc, given: Any) -> str:
    """Say that a word is not one of those allowed, with the likely one."""
    keys = [part for part in loc if isinstance(part, str)]
    depth = max(index for index, part in enumerate(loc) if isinstance(part, str))
    table = table_at(loc[:depth])
    info = table.model_fields.get(keys[-1]) if table is not None else None
    known = choices(info) if info is not None else ()
    shown = f'"{given[:60]}"' if isinstance(given, str) else str(given)[:60]
    hint = did_you_mean(given, known) if isinstance(given, str) else ""
    return f"{keys[-1]} = {shown} is not allowed{hint or ';'} (allowed: {', '.join(known)})"
