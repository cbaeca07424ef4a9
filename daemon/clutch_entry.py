"""The egg log as text: what an order carries and what the journal keeps.

An order ``egg`` names the clutch and holds one entry as a small JSON object:
``{"deed": "hatched", "count": 2}``, or a new clutch with ``"deed": "laid"``. Instants in
it are Unix ms (a keeper's claim); without one it happened when the watch took it.
"""

import json
import math
from collections.abc import Callable, Mapping
from datetime import date, tzinfo

from daemon.calendars import instant_of
from daemon.orders import LONGEST_TEXT
from daemon.record import Entered, Json
from rules import species as table
from rules.clutch import Clutch, ClutchError, Deed, EggEntry, Of

LAID = "laid"
"""The deed of an entry that adds a clutch."""

_PARTS: Mapping[str, type | tuple[type, ...]] = {
    "deed": str,
    "at": int,
    "count": int,
    "of": str,
    "grams": (int, float),
    "box": str,
    "position": str,
    "note": str,
}
_LAID_PARTS: Mapping[str, type | tuple[type, ...]] = {
    "deed": str,
    "species": str,
    "laid": str,
    "found": bool,
    "eggs": int,
    "box": str,
    "position": str,
    "parents": str,
    "records": list,
    "sex": bool,
}

ToRoom = Callable[[int], int]
"""Unix ms to room time."""


def written(entry: Mapping[str, Json]) -> str:
    """Write an entry as the text of an order.

    Args:
        entry: Its parts; None and "" are left out.

    Raises:
        ClutchError: It is too long for an order.
    """
    kept = {name: value for name, value in entry.items() if value not in (None, "")}
    text = json.dumps(kept, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    if len(text) > LONGEST_TEXT:
        raise ClutchError(f"this entry is {len(text) - LONGEST_TEXT} characters too long; shorten the note")
    return text


def order_of(clutch: str, entry: Mapping[str, Json]) -> dict[str, Json]:
    """Make the order that writes an entry.

    Raises:
        ClutchError: It is too long.
    """
    return {"verb": "egg", "clutch": clutch, "entry": written(entry)}


def parts_of(text: str) -> dict[str, Json]:
    """Read the text of an entry.

    Raises:
        ClutchError: It is no entry.
    """
    try:
        found = json.loads(text)
    except ValueError:
        raise ClutchError("this is no entry of an egg log") from None
    if not isinstance(found, dict):
        raise ClutchError("this is no entry of an egg log")
    parts = _LAID_PARTS if found.get("deed") == LAID else _PARTS
    for name, value in found.items():
        kind = parts.get(name)
        wrong = isinstance(value, bool) and kind is not bool
        if kind is None or wrong or not isinstance(value, kind):
            raise ClutchError(f'an egg log has no part "{name}" like that')
    return found


def clutch_of(parts: Mapping[str, Json], entered: Entered, zone: tzinfo, to_room: ToRoom) -> Clutch:
    """Make the clutch that an entry adds.

    Raises:
        ClutchError: A part is missing or cannot be.
    """
    for name in ("species", "laid", "eggs", "box"):
        if name not in parts:
            raise ClutchError(f'a new clutch needs "{name}"')
    try:
        day = date.fromisoformat(str(parts["laid"]))
    except ValueError:
        raise ClutchError(f'"{parts["laid"]}" is no date; write it like 2026-09-30') from None
    return Clutch(
        id=str(entered.body.get("clutch", "")),
        species=scientific(str(parts["species"])),
        laid=to_room(instant_of(day, 0, zone)),
        eggs=_whole(parts["eggs"]),
        box=str(parts["box"]),
        position=str(parts.get("position", "")),
        found=parts.get("found") is True,
        parents=str(parts.get("parents", "")),
        records=_records(parts.get("records", [])),
        sex=parts.get("sex") is True,
        number=number_of(entered),
    )


def entry_of(parts: Mapping[str, Json], clutch: str, entered: Entered, to_room: ToRoom) -> EggEntry:
    """Make an entry of what the journal keeps.

    Args:
        parts: As from :func:`parts_of`.
        clutch: Whose.
        entered: The journal's line; its order's number becomes the entry's.
        to_room: Unix ms to room time.

    Raises:
        ClutchError: A part cannot be.
    """
    try:
        deed = Deed(str(parts.get("deed")))
        of = Of(str(parts["of"])) if "of" in parts else None
    except ValueError:
        known = ", ".join(one.value for one in Deed if one is not Deed.UNDONE)
        raise ClutchError(f'"{parts.get("deed")}" is nothing that an egg log has (it has: {known})') from None
    if deed is Deed.UNDONE:
        raise ClutchError('to take an entry back, give the order "undo"')
    at, grams = parts.get("at"), parts.get("grams")
    return EggEntry(
        number=number_of(entered),
        clutch=clutch,
        at=to_room(at) if isinstance(at, int) else entered.now,
        now=entered.now,
        deed=deed,
        count=_whole(parts.get("count", 0)),
        of=of,
        grams=float(grams) if isinstance(grams, int | float) else None,
        box=str(parts.get("box", "")),
        position=str(parts.get("position", "")),
        by=str(entered.body.get("by", "")),
        note=str(parts.get("note", "")),
    )


def undo_of(clutch: str, entered: Entered) -> EggEntry:
    """Make the entry that takes another back."""
    undoes = entered.body.get("undoes")
    return EggEntry(
        number=number_of(entered),
        clutch=clutch,
        at=entered.now,
        now=entered.now,
        deed=Deed.UNDONE,
        undoes=undoes if isinstance(undoes, int) else None,
        by=str(entered.body.get("by", "")),
    )


def number_of(entered: Entered) -> int:
    """Give the number by which an entry can be taken back: its order's."""
    order = entered.body.get("order")
    return order if isinstance(order, int) else entered.row or 0


def scientific(name: str) -> str:
    """Give the scientific name of a species, or the text where the table does not know it."""
    known = table.find(name)
    return known.name if known is not None else name


def _whole(value: Json) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else 0


def _records(value: Json) -> tuple[tuple[float, float], ...]:
    """Read own records, [[°C, days], …].

    Raises:
        ClutchError: One is no pair of numbers.
    """
    found = []
    for pair in value if isinstance(value, list) else [None]:
        good = isinstance(pair, list) and len(pair) == 2
        numbers = (
            [float(one) for one in pair if isinstance(one, int | float)] if isinstance(pair, list) else []
        )
        if not good or len(numbers) != 2 or not all(math.isfinite(one) for one in numbers):
            raise ClutchError("an own record is a temperature in °C and days, [30.0, 58]")
        found.append((numbers[0], numbers[1]))
    return tuple(found)
