"""Orders: what a keeper tells the watch, as rows that it picks up within a second.

The one way in for page and command line. Nothing is judged here: the watch answers.
"""

import time
from collections.abc import Mapping
from pathlib import Path

from daemon.logbook.desk import Desk
from daemon.record import Json

LONGEST_TEXT = 500
"""A note or a reason is at most this long (characters)."""

UNDO = 10 * 60_000
"""An order can be undone for this long (ms)."""

VERBS: Mapping[str, Mapping[str, type]] = {
    "acknowledge": {"alarm": int},
    "shelve": {"alarm": int, "for_ms": int, "reason": str},
    "unshelve": {"alarm": int},
    "note": {"alarm": int, "text": str},
    "label": {"alarm": int, "label": str},
    "service": {"place": str, "in": bool},
    "undo": {"order": int},
    "stage": {"place": str, "stage": str},
    "use": {"place": str, "in": bool},
    "egg": {"clutch": str},
}
"""Every order and its parts. The egg log's entries have further parts of their own."""

LABELS = ("real", "nuisance", "known work")
"""What an alarm can have been, said afterwards."""


class OrderError(ValueError):
    """An order that says nothing that the watch could do; its writer can mend it."""


def printable(text: str, longest: int = LONGEST_TEXT) -> str:
    """Give ``text`` on one line without control characters, cut to ``longest``."""
    return "".join(c if c.isprintable() else " " for c in text)[:longest].strip()


def checked(body: Mapping[str, Json]) -> dict[str, Json]:
    """Check an order's verb and parts, and clean its texts.

    Raises:
        OrderError: Verb or a part is missing, unknown, or of the wrong kind.
    """
    verb = body.get("verb")
    parts = VERBS.get(verb) if isinstance(verb, str) else None
    if parts is None:
        raise OrderError(f"there is no such order: {printable(str(verb), 40)}")
    unknown = set(body) - set(parts) - {"verb"}
    if unknown and verb != "egg":
        raise OrderError(f"{verb} has no part {printable(min(unknown), 40)}")
    out: dict[str, Json] = {**body} if verb == "egg" else {"verb": verb}
    for name, kind in parts.items():
        value = body.get(name, "" if name == "reason" else None)
        if type(value) is not kind:
            raise OrderError(f"{verb} needs {name}")
        out[name] = printable(value) if isinstance(value, str) else value
    if out.get("label", LABELS[0]) not in LABELS:
        raise OrderError(f"an alarm was one of: {', '.join(LABELS)}")
    for name in ("alarm", "order", "for_ms"):
        number = out.get(name, 1)
        if isinstance(number, int) and not 0 < number < 2**53:
            raise OrderError(f"{verb} needs a {name} above 0")
    return out


def write_order(folder: Path, by: str, source: str, body: Mapping[str, Json]) -> int:
    """Write an order for the watch.

    Args:
        folder: The data folder of the logbook.
        by: Who gives it.
        source: From where ("command", "page 192.0.2.7").
        body: Verb and parts, see ``VERBS``.

    Returns:
        The order's number.

    Raises:
        OrderError: The body is no order.
        CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook: The logbook does not take it.
    """
    order = checked(body)
    with Desk(folder) as desk:
        return desk.leave_order(time.time_ns() // 1_000_000, printable(by, 60), printable(source, 80), order)
