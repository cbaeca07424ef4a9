"""Values to rows and back: how alarms, alerts and entries lie in the tables. Pure."""

import hashlib
import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import asdict, fields
from typing import Any

from daemon.logbook.errors import LogbookDamaged
from daemon.logbook.pages import Column
from daemon.record import AlarmRow, Alert, Asked, Entered, Entry, Json, Kind
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import Quality, Quantity

LARGEST = 2**62
"""Values beyond this many thousandths are no values of a climate: stored as none."""

RECENT = "row, now, series, at, raw, quality, stamp, counter, note"
"""The columns of a recent row, in the order of its mark."""

SELECT_RECENT = f"SELECT {RECENT} FROM recent"  # noqa: S608 - constant
"""Reads recent rows; a condition follows."""

UNSEALED = "row >= ? AND (row > ? OR at >= ?)"
"""The recent rows that are in no page; see ``sealing.Sealed``."""


def mark(*parts: object) -> int:
    """Give the CRC-32 of a row's content as a signed 32-bit number."""
    return zlib.crc32(repr(parts).encode("utf-8", "backslashreplace")) - 2**31


def chained(before: bytes, *parts: object) -> bytes:
    """Give the next link of a digest chain: 16 bytes of SHA-256."""
    return hashlib.sha256(before + repr(parts).encode("utf-8", "backslashreplace")).digest()[:16]


def text(body: object) -> str:
    """Write plain JSON; a number that is none becomes null."""
    try:
        return json.dumps(body, separators=(",", ":"), allow_nan=False)
    except ValueError:
        return json.dumps(_finite(body), separators=(",", ":"), allow_nan=False)


def thousandths(value: float) -> int | None:
    """Give a raw value in thousandths, None where it is no number."""
    if not math.isfinite(value) or abs(value) > LARGEST / 1000:
        return None
    return round(value * 1000)


def storable(number: int | None) -> int | None:
    """Give a stamp or counter as it is stored: one that no device counts up to is none."""
    return number if number is not None and abs(number) < LARGEST else None


def value_of(raw: int | None) -> float:
    """Give the value of thousandths; NaN where there is none."""
    return math.nan if raw is None else raw / 1000


def quality_of(code: int) -> Quality:
    """Give the quality of a stored code.

    Raises:
        LogbookDamaged: No quality has that code.
    """
    try:
        return Quality.of(code)
    except KeyError as error:
        raise LogbookDamaged(f"a reading has the unknown quality {code}") from error


def printable(note: str) -> str:
    """Make a note that any file and terminal can take."""
    return note.encode("utf-8", "backslashreplace").decode().replace("\0", "\\0")


def series_name(sensor: str, quantity: str) -> str:
    """Name a series in one text, unambiguously: a sensor's name may hold anything."""
    return f"{len(sensor)} {sensor} {quantity}"


def entry_of(row: tuple[Any, ...], sensor: str, quantity: Quantity) -> Entry:
    """Make an entry of a recent row (columns of :data:`RECENT`)."""
    number, now, _, at, raw, code, stamp, counter, note = row
    return Entry(
        sensor, quantity, value_of(raw), at, now, quality_of(code), stamp, counter, number, note or ""
    )


def entries_of(column: Column, sensor: str, quantity: Quantity) -> list[Entry]:
    """Make entries of a page's readings; rows, stamps and counters are not kept there."""
    notes = dict(column.notes)
    return [
        Entry(sensor, quantity, value_of(raw), at, now, quality_of(code), note=notes.get(index, ""))
        for index, (at, raw, code, now) in enumerate(
            zip(column.at, column.raw, column.quality, column.now, strict=True)
        )
    ]


def alarm_text(alarm: AlarmRow) -> str:
    """Write an alarm row."""
    return text(asdict(alarm) | {"key": list(alarm.key)})


def alarm_of(body: str) -> AlarmRow:
    """Read what :func:`alarm_text` wrote."""
    parts = _known(AlarmRow, json.loads(body))
    parts["key"] = AlarmKey(*parts["key"])
    parts["priority"] = Priority(parts["priority"])
    parts["sensors"] = tuple(parts.get("sensors", ()))
    return AlarmRow(**parts)


def alert_text(alert: Alert) -> str:
    """Write an alert without its number."""
    return text(asdict(alert) | {"id": None})


def alert_of(number: int, body: str) -> Alert:
    """Read what :func:`alert_text` wrote."""
    parts = _known(Alert, json.loads(body)) | {"id": number}
    parts["priority"] = Priority(parts["priority"])
    parts["alarms"] = tuple(parts.get("alarms", ()))
    return Alert(**parts)


def asked_of(row: tuple[Any, ...]) -> Asked:
    """Make an order of (id, wall, who, source, body, taken, answer)."""
    number, wall, who, source, body, taken, answer = row
    return Asked(number, wall, who, source, json.loads(body), taken, answer)


def entered_of(row: tuple[Any, ...]) -> Entered:
    """Make a journal entry of (row, now, kind, body)."""
    number, now, kind, body = row
    return Entered(now, Kind(kind), json.loads(body), number)


def shown_bytes(shown: Mapping[str, Json]) -> bytes:
    """Write what is shown, deflated: it is written with every commit."""
    return zlib.compress(text(shown).encode(), 6)


def shown_of(body: bytes) -> dict[str, Json]:
    """Read what :func:`shown_bytes` wrote."""
    shown: dict[str, Json] = json.loads(zlib.decompress(body))
    return shown


def _known(kind: type, parts: dict[str, Any]) -> dict[str, Any]:
    """Keep the fields that this program knows."""
    names = {one.name for one in fields(kind)}
    return {name: value for name, value in parts.items() if name in names}


def _finite(body: Any) -> Any:
    if isinstance(body, float) and not math.isfinite(body):
        return None
    if isinstance(body, Mapping):
        return {key: _finite(value) for key, value in body.items()}
    if isinstance(body, list | tuple):
        return [_finite(value) for value in body]
    return body
