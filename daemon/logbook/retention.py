"""What goes when room is short, and what never does.

Recent rows go after 72 h, once their hour's page is sealed and its digest fits. On a
card that is nearly full derived things go first (old snapshots,
alerts long delivered), then the readings of pages older than three years, whose
summaries stay. Journal and clutches never go. Each deletion is in the journal.
"""

import shutil
import sqlite3
from dataclasses import dataclass, replace
from pathlib import Path

from daemon.logbook import stamps
from daemon.logbook.pages import digest
from daemon.logbook.sealing import (
    SELECT_PAGE,
    THINNED,
    Page,
    fetch_page,
    page_key,
    page_of,
    put_page,
    seal_hours,
    sealed_state,
    series_names,
)
from daemon.logbook.tables import append_journal
from daemon.logbook.values import series_name
from daemon.record import Entered, Json, Kind
from rules.reading import DAY, HOUR

RECENT_KEPT = 72 * HOUR
"""Recent rows stay at least this long (ms)."""

ROWS_KEPT = 20_000
"""And at least this many: what a broker sends again after a long stop is still known."""

ALERTS_KEPT = 90 * DAY
"""Delivered alerts stay at least this long, even on a full card (ms)."""

READINGS_KEPT = 3 * 365 * DAY
"""Readings of pages younger than this are never given up (ms)."""

PAGES_A_STEP = 5000
"""Pages thinned in one step."""


@dataclass(frozen=True, slots=True)
class Freed:
    """What one step gave up: words and how many; count 0 says that there is nothing left to give."""

    what: str
    count: int


@dataclass(frozen=True, slots=True)
class Room:
    """Bytes free on the card, and bytes inside the file that the next rows will use."""

    card: int
    inside: int


def trim(connection: sqlite3.Connection, now: int, *, uplink: bool) -> int:
    """Delete old recent rows inside the caller's transaction; give how many.

    Rows go from the oldest on, and stop at the first that must stay.
    """
    sealed = sealed_state(connection)
    newest, oldest = connection.execute("SELECT max(row), min(row) FROM recent").fetchone()
    if newest is None:
        return 0
    last = min(newest - ROWS_KEPT, sealed.row)
    if uplink:
        row = connection.execute("SELECT value FROM meta WHERE name = 'cursor:uplink'").fetchone()
        last = min(last, 0 if row is None else int(row[0]))
    if last < oldest:
        return 0
    stop = connection.execute(
        "SELECT min(row) FROM recent WHERE row <= ? AND (now > ? OR at >= ?)",
        (last, now - RECENT_KEPT, sealed.hour * HOUR),
    ).fetchone()[0]
    last = last if stop is None else stop - 1
    last = min(last, _last_verified(connection, last))
    stamps.forget(connection, last)
    return connection.execute("DELETE FROM recent WHERE row <= ?", (last,)).rowcount


def trim_full(connection: sqlite3.Connection, now: int) -> Freed:
    """Give up the next thing in order inside the caller's transaction."""
    for what, statement, values in _DERIVED:
        count = connection.execute(statement, tuple(now - age for age in values)).rowcount
        if count > 0:
            _journal(connection, now, what, {"count": count})
            return Freed(what, count)
    return _thinned(connection, now)


def room_left(connection: sqlite3.Connection, folder: Path) -> Room:
    """Tell how much the card and the file itself can still take."""
    pages = connection.execute("PRAGMA freelist_count").fetchone()[0]
    size = connection.execute("PRAGMA page_size").fetchone()[0]
    return Room(shutil.disk_usage(folder).free, pages * size)


_DERIVED: tuple[tuple[str, str, tuple[int, ...]], ...] = (
    (
        "old snapshots",
        "DELETE FROM snapshots WHERE id NOT IN (SELECT id FROM snapshots ORDER BY id DESC LIMIT 2)",
        (),
    ),
    ("delivered alerts", "DELETE FROM outbox WHERE done IS NOT NULL AND done < ?", (ALERTS_KEPT,)),
)


def _last_verified(connection: sqlite3.Connection, last: int) -> int:
    """Give the last row before the first one whose page is missing or does not fit."""
    names = {number: series_name(*key) for number, key in series_names(connection).items()}
    keys = connection.execute(
        f"SELECT ((at - (at % {HOUR} + {HOUR}) % {HOUR}) / {HOUR}) AS hour, series, min(row) FROM recent"  # noqa: S608 - constant
        " WHERE row <= ? GROUP BY 1, 2",
        (last,),
    ).fetchall()
    for hour, series, first in keys:
        page = fetch_page(connection, page_key(hour, series))
        if page is None or not page.holds(names[series]):
            last = min(last, first - 1)
    return last


def _thinned(connection: sqlite3.Connection, now: int) -> Freed:
    """Give up the readings of the oldest pages that may go; their summaries stay."""
    names = series_names(connection)
    limit = (now - READINGS_KEPT) // HOUR
    rows = connection.execute(
        SELECT_PAGE + " WHERE key < ? AND packed IS NOT NULL ORDER BY key LIMIT ?",
        (page_key(limit, 0), PAGES_A_STEP),
    ).fetchall()
    pages = [page_of(row) for row in rows]
    for page in pages:
        put_page(connection, _without_readings(page, series_name(*names[page.series])), None)
    if pages:
        seal_hours(connection, (page.hour for page in pages))
        span: dict[str, Json] = {"from": pages[0].hour * HOUR, "to": (pages[-1].hour + 1) * HOUR}
        _journal(connection, now, "readings older than three years", span | {"count": len(pages)})
    return Freed("readings older than three years", len(pages))


def _without_readings(page: Page, name: str) -> Page:
    flags = page.flags | THINNED
    seen = digest(name, page.hour, page.summary, (*page.rows, page.stamped, flags), None)
    return replace(page, flags=flags, packed=None, digest=seen)


def _journal(connection: sqlite3.Connection, now: int, what: str, more: dict[str, Json]) -> None:
    append_journal(
        connection, (Entered(now, Kind.DELETED, {"what": what, "why": "the card is nearly full", **more}),)
    )
