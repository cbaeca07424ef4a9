"""The keys of the config, read off the model: for documentation, suggestions and environment names."""

import types
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from daemon.settings_model import RoomFile
from daemon.settings_types import Says, quoted
from daemon.toml_lines import Loc

_PLAIN = {bool: "true or false", int: "whole number", float: "number", str: "text"}


@dataclass(frozen=True, slots=True)
class KeyDoc:
    """One key of the config.

    Attributes:
        path: Where it stands ("room.day", "contact[].reach", "place[].sensor[].read(mqtt).topic").
        type: What it takes, in words.
        default: As it would be written, "" where it may be left out, "required".
        description: What it means, with its unit.
    """

    path: str
    type: str
    default: str
    description: str


def keys() -> list[KeyDoc]:
    """List every key, in the order of the model."""
    return list(_keys(RoomFile, ""))


def table_at(loc: Loc) -> type[BaseModel] | None:
    """Give the table whose keys stand at ``loc`` (with the tag of a read table in it), or None."""
    found: list[type[BaseModel]] = [RoomFile]
    for part in loc:
        if isinstance(part, int):
            continue
        tagged = [table for table in found if _tag(table) == part]
        if len(found) > 1 and tagged:
            found = tagged
            continue
        info = next((table.model_fields[part] for table in found if part in table.model_fields), None)
        found = list(tables_of(info.annotation)) if info is not None else []
    return found[0] if found else None


def tags_at(loc: Loc) -> tuple[str, ...]:
    """Give the tags by which a table is told apart at ``loc`` ("mqtt", "1-wire", …)."""
    parent = table_at(loc[:-1]) if loc else None
    info = parent.model_fields.get(str(loc[-1])) if parent is not None else None
    tags = (_tag(table) for table in tables_of(info.annotation)) if info is not None else iter(())
    return tuple(tag for tag in tags if tag is not None)


def scalar_keys() -> dict[tuple[str, str], FieldInfo]:
    """Give the keys of the single tables: those that environment and credentials can set."""
    found = {}
    for name, info in RoomFile.model_fields.items():
        if _is_list(info.annotation):
            continue
        for table in tables_of(info.annotation):
            found.update({(name, key): field for key, field in table.model_fields.items()})
    return found


def tables_of(annotation: Any) -> Iterator[type[BaseModel]]:
    """Give the tables that an annotation speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from tables_of(part)


def choices(info: FieldInfo) -> tuple[str, ...]:
    """Give the words that a key allows, () where it is not a choice."""
    return tuple(_choices(info.annotation))


def _choices(annotation: Any) -> Iterator[str]:
    """Walk an annotation for enums and literals."""
    if isinstance(annotation, type) and issubclass(annotation, StrEnum):
        yield from (member.value for member in annotation)
    elif get_origin(annotation) is Literal:
        yield from (str(value) for value in get_args(annotation))
    else:
        for part in get_args(annotation):
            yield from _choices(part)


def written(info: FieldInfo, value: Any) -> str:
    """Write a key's value as the config would; "" for none."""
    if value is None:
        return ""
    told = _told(info)
    write = told.write if told is not None else _write
    if _is_list(info.annotation) and isinstance(value, tuple) and not (told is not None and told.whole):
        return "[" + ", ".join(write(each) for each in value) + "]"
    return write(value)


def _keys(table: type[BaseModel], prefix: str) -> Iterator[KeyDoc]:
    """List a table's keys and those of the tables in it."""
    for name, info in table.model_fields.items():
        path = f"{prefix}{name}"
        inner = list(tables_of(info.annotation))
        kind = "table" if inner else _type_words(info)
        kind = "list of tables" if inner and _is_list(info.annotation) else kind
        yield KeyDoc(path, kind, _default(info, inner), info.description or "")
        for each in inner:
            tag = f"({_tag(each)})" if len(inner) > 1 else ""
            many = "[]" if _is_list(info.annotation) else ""
            yield from _keys(each, f"{path}{many}{tag}.")


def _tag(table: type[BaseModel]) -> str | None:
    """Give the value of ``by`` that chooses this table."""
    info = table.model_fields.get("by")
    return str(get_args(info.annotation)[0]) if info is not None else None


def _is_list(annotation: Any) -> bool:
    """Tell whether a key takes a list."""
    if get_origin(annotation) in (Union, types.UnionType, Annotated):
        return any(_is_list(part) for part in get_args(annotation))
    return get_origin(annotation) is tuple


def _says(annotation: Any) -> Says | None:
    """Find what an annotation says about itself, the outermost first."""
    parts = get_args(annotation)
    own = next((part for part in parts if isinstance(part, Says)), None)
    inner = (_says(part) for part in parts)
    return own or next((found for found in inner if found is not None), None)


def _told(info: FieldInfo) -> Says | None:
    """Find what a key's type says about itself."""
    return next((part for part in info.metadata if isinstance(part, Says)), None) or _says(info.annotation)


def _type_words(info: FieldInfo) -> str:
    """Say what a key takes."""
    words = choices(info)
    told = _told(info)
    whole = told is not None and told.whole
    many = "list of " if _is_list(info.annotation) and not whole else ""
    if words:
        return f"{many}{'one of ' if not many else ''}{', '.join(words)}"
    if told is not None:
        return f"{many}{told.words}"
    bare = [part for part in (info.annotation, *get_args(info.annotation)) if part in _PLAIN]
    return many + (_PLAIN[bare[0]] if bare else "date")


def _default(info: FieldInfo, inner: list[type[BaseModel]]) -> str:
    """Write a key's default as the config would."""
    if info.is_required():
        return "required"
    return "" if inner else written(info, info.default)


def _write(value: Any) -> str:
    """Write a plain value as the config would."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return quoted(value) if isinstance(value, str) else str(value)
