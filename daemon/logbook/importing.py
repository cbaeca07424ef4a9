"""Readings from a file go straight into the pages of their own hours.

A reading that its page has already (same series, instant and value, wherever it came
from) is left out, so a second import changes nothing. An instant that stands twice
with two values keeps both, and the second is listed.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from daemon.logbook.schema import SERIES_BITS
from daemon.logbook.sealing import (
    SERIES_MASK,
    Addition,
    Key,
    Page,
    add_to_page,
    fetch_page,
    note_hours,
    page_key,
    seal_hours,
    sealed_state,
    series_names,
)
from daemon.logbook.values import UNSEALED, printable, thousandths
from daemon.record import Entry
from rules.reading import HOUR


@dataclass(frozen=True, slots=True)
class Imported:
    """What became of the readings of a file.

    Attributes:
        stored: New in the logbook.
        known: Already there (or in an hour whose readings were given up for room).
        twice: Stored, though another value stood at the same instant before.
    """

    stored: int
    known: int
    twice: tuple[Entry, ...]


def put(
    connection: sqlite3.Connection, entries: Sequence[Entry], series_id: Callable[[Key], int]
) -> Imported:
    """Store readings inside the caller's transaction; entries in order of arrival."""
    groups: dict[int, list[Entry]] = defaultdict(list)
    for entry in entries:
        groups[page_key(entry.at // HOUR, series_id((entry.sensor, entry.quantity)))].append(entry)
    names = series_names(connection)
    changed, stored, twice = [], 0, []
    for key in sorted(groups):
        addition, again = _new_ones(connection, key, groups[key])
        if addition.rows:
            add_to_page(connection, key, addition, names)
            changed.append(key)
            stored += len(addition.rows)
            twice += again
    if changed:
        seal_hours(connection, (key >> SERIES_BITS for key in changed))
        note_hours(connection, changed)
    return Imported(
        stored, len(entries) - stored, tuple(sorted(twice, key=lambda entry: (entry.at, entry.sensor)))
    )


def _new_ones(connection: sqlite3.Connection, key: int, entries: list[Entry]) -> tuple[Addition, list[Entry]]:
    page = fetch_page(connection, key)
    if page is not None and page.packed is None:
        return Addition([]), []
    known = _known(connection, key, page)
    taken = {at for at, _ in known}
    addition, again = Addition([]), []
    for entry in entries:
        raw = thousandths(entry.raw)
        if (entry.at, raw) in known:
            continue
        if entry.at in taken:
            again.append(entry)
        known.add((entry.at, raw))
        taken.add(entry.at)
        note = printable(entry.note) if entry.note else None
        addition.rows.append((entry.at, raw, entry.quality.code, entry.now, note))
    return addition, again


def _known(connection: sqlite3.Connection, key: int, page: Page | None) -> set[tuple[int, int | None]]:
    """Collect (instant, value) of a page and of the rows that are not sealed yet."""
    column = page.column() if page is not None else None
    found = set() if column is None else set(zip(column.at, column.raw, strict=True))
    sealed = sealed_state(connection)
    start = (key >> SERIES_BITS) * HOUR
    rows = connection.execute(
        f"SELECT at, raw FROM recent WHERE {UNSEALED} AND series = ? AND at >= ? AND at < ?",  # noqa: S608 - constant
        (sealed.first, sealed.row, sealed.hour * HOUR, key & SERIES_MASK, start, start + HOUR),
    )
    found.update(rows)
    return found
