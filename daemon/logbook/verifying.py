"""What is damaged, in words: SQLite's own check and ours over every value.

SQLite sees a broken tree, not a flipped bit in a value: each page has its digest, each
hour the digest of its pages, journal and seals are chains, and every other row carries
a mark.
"""

import sqlite3
from collections.abc import Callable, Iterator

from daemon.logbook import stamps
from daemon.logbook.errors import (
    SQL_ERRORS,
    LogbookDamaged,
)
from daemon.logbook.schema import SERIES_BITS
from daemon.logbook.sealing import PAGE_COLUMNS, hour_digest, page_of, sealed_state, series_names
from daemon.logbook.tables import ASKED
from daemon.logbook.values import RECENT, chained, mark, series_name
from daemon.logbook.writer import read_snapshots
from rules.reading import HOUR

LISTED = 20
"""Damages named one by one in each part; the rest are counted."""

_MARKED: tuple[tuple[str, str], ...] = (
    ("series", "id, sensor, quantity, first_hour, last_hour"),
    ("recent", RECENT),
    ("egg_log", "entry, clutch"),
    ("alarms", "number, raised, cleared, body"),
    ("orders", ASKED),
    ("outbox", "id, now, next_try, done, body"),
    ("shown", "id, now, body"),
    ("meta", "name, value"),
)


def damage(connection: sqlite3.Connection) -> list[str]:
    """Check a whole logbook; give what is damaged."""
    found: list[str] = []
    for part in (_structure, _marks, stamps.amiss, _pages, _seals, _journal, _snapshots, _rows_of_pages):
        found += _listed(part, connection)
    return found


def quick_damage(connection: sqlite3.Connection) -> list[str]:
    """Check only what SQLite's quick check sees: for the start of the watch."""
    return _listed(_quick, connection)


def _listed(part: Callable[[sqlite3.Connection], Iterator[str]], connection: sqlite3.Connection) -> list[str]:
    found: list[str] = []
    count = 0
    try:
        for words in part(connection):
            count += 1
            if count <= LISTED:
                found.append(words)
    except (*SQL_ERRORS, LogbookDamaged, ValueError, TypeError, KeyError) as error:
        found.append(f"cannot be read: {error}")
    if count > LISTED:
        found.append(f"and {count - LISTED} more of the same kind")
    return found


def _quick(connection: sqlite3.Connection) -> Iterator[str]:
    for (words,) in connection.execute("PRAGMA quick_check"):
        if words != "ok":
            yield f"the file is broken: {words}"


def _structure(connection: sqlite3.Connection) -> Iterator[str]:
    for (words,) in connection.execute("PRAGMA integrity_check"):
        if words != "ok":
            yield f"the file is broken: {words}"


def _marks(connection: sqlite3.Connection) -> Iterator[str]:
    for table, columns in _MARKED:
        for row in connection.execute(f"SELECT {columns}, mark FROM {table}"):  # noqa: S608 - constants
            if mark(*row[:-1]) != row[-1]:
                yield f"{table}: row {row[0]} was changed"


def _pages(connection: sqlite3.Connection) -> Iterator[str]:
    names = series_names(connection)
    for row in connection.execute(f"SELECT {PAGE_COLUMNS}, late_until FROM pages"):  # noqa: S608 - constant
        page = page_of(row[:-1])
        key = names.get(page.series)
        where = f"page of {' '.join(key) if key else f'series {page.series}'} at {page.hour * HOUR}"
        try:
            good = (
                key is not None
                and page.holds(series_name(*key))
                and _late_fits(page_of(row[:-1]).column(), row)
            )
        except LogbookDamaged:
            good = False
        if not good:
            yield f"{where} does not fit its digest"


def _late_fits(column: object, row: tuple[object, ...]) -> bool:
    from daemon.logbook.pages import Column

    if not isinstance(column, Column):
        return True
    latest = max(column.now)
    key = row[0]
    assert isinstance(key, int)  # noqa: S101 - the primary key
    return row[-1] == (latest if latest >= ((key >> SERIES_BITS) + 2) * HOUR else None)


def _seals(connection: sqlite3.Connection) -> Iterator[str]:
    chain, last = b"", {}
    number = 0
    for number_seen, hour, count, seen, link in connection.execute(
        "SELECT id, hour, pages, digest, chain FROM seals ORDER BY id"
    ):
        number += 1
        chain = chained(chain, hour, count, seen)
        if chain != link or number_seen != number:
            yield f"the seal of the hour at {hour * HOUR} does not follow the one before it"
            chain, number = link, number_seen
        last[hour] = (count, seen)
    for hour, expected in last.items():
        if hour_digest(connection, hour) != expected:
            yield f"the hour at {hour * HOUR} does not have the pages that were sealed ({expected[0]})"
    for (hour,) in connection.execute(f"SELECT DISTINCT key >> {SERIES_BITS} FROM pages"):  # noqa: S608 - constant
        if hour not in last:
            yield f"the hour at {hour * HOUR} has pages but no seal"


def _journal(connection: sqlite3.Connection) -> Iterator[str]:
    chain, number = b"", 0
    for row, now, kind, body, link in connection.execute(
        "SELECT row, now, kind, body, chain FROM journal ORDER BY row"
    ):
        number += 1
        chain = chained(chain, row, now, kind, body)
        if chain != link or row != number:
            yield f"journal entry {row} does not follow the one before it"
            chain, number = link, row


def _snapshots(connection: sqlite3.Connection) -> Iterator[str]:
    count = connection.execute("SELECT count(*) FROM snapshots").fetchone()[0]
    whole = len(read_snapshots(connection))
    if whole != count:
        yield f"{count - whole} of {count} snapshots do not fit their digest"


def _rows_of_pages(connection: sqlite3.Connection) -> Iterator[str]:
    """Compare what recent still holds with the counts of its pages."""
    sealed = sealed_state(connection)
    rows = connection.execute(
        "SELECT series, (at - (at % ?1 + ?1) % ?1) / ?1, count(*), min(row) FROM recent"
        " WHERE row <= ?2 AND at < ?3 GROUP BY 1, 2",
        (HOUR, sealed.row, sealed.hour * HOUR),
    ).fetchall()
    for series, hour, count, first in rows:
        row = connection.execute(
            "SELECT n, packed IS NULL FROM pages WHERE key = ?", ((hour << SERIES_BITS) + series,)
        ).fetchone()
        if row is None:
            yield f"the page of series {series} at {hour * HOUR} is missing"
        elif row[0] < count:
            yield f"the page of series {series} at {hour * HOUR} lacks readings of row {first} and after"
