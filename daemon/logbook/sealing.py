"""Sealing: hours that are over become pages; late readings reopen them.

``Sealed`` says what lies where: every recent row up to ``row`` with an instant before
``hour`` is in a page; all others are not. ``first`` bounds the search for those.
"""

import hashlib
import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import astuple, dataclass

from daemon.logbook.errors import LogbookDamaged
from daemon.logbook.pages import (
    Column,
    PageError,
    Summary,
    column_of,
    digest,
    merged,
    pack,
    summarised,
    unpack,
)
from daemon.logbook.schema import SERIES_BITS
from daemon.logbook.values import chained, mark, series_name
from rules.reading import HOUR, Quality, Quantity

IMPORTED = 1
"""Page flag: holds readings that came from a file."""

THINNED = 2
"""Page flag: its readings were given up for room; the summary is kept."""

_IMPORTED_CODES = bytes((Quality.IMPORTED.code, Quality.IMPORTED_LATE.code))

Key = tuple[str, Quantity]
"""Who a series is: sensor and quantity."""


@dataclass(frozen=True, slots=True)
class Sealed:
    """Which readings are in pages; see the module."""

    hour: int
    row: int
    first: int


NOTHING_SEALED = Sealed(-(2**40), 0, 0)
"""Before the first sealing."""


@dataclass(frozen=True, slots=True)
class Page:
    """One series' hour as it lies in the table.

    Attributes:
        series: Number of the series.
        hour: Hours since room time 0.
        summary: Count, lowest, highest, sum.
        rows: First and last recent row in it, (None, None) where all is imported.
        stamped: How many carried a stamp of their sensor.
        flags: :data:`IMPORTED` and :data:`THINNED`.
        packed: The readings, or None where they were given up.
        digest: Digest over the content.
    """

    series: int
    hour: int
    summary: Summary
    rows: tuple[int | None, int | None]
    stamped: int
    flags: int
    packed: bytes | None
    digest: bytes

    @property
    def key(self) -> int:
        """Key in the table."""
        return page_key(self.hour, self.series)

    def column(self) -> Column | None:
        """Unpack its readings; None where they were given up.

        Raises:
            LogbookDamaged: They cannot be read.
        """
        if self.packed is None:
            return None
        try:
            return unpack(self.packed, self.hour)
        except PageError as error:
            raise LogbookDamaged(f"page {self.hour} of series {self.series}: {error}") from error

    def holds(self, name: str) -> bool:
        """Tell whether the digest fits the content, for a series of that name."""
        column = self.column()
        if column is not None and summarised(column) != self.summary:
            return False
        extra = (*self.rows, self.stamped, self.flags)
        return digest(name, self.hour, self.summary, extra, column) == self.digest


PAGE_COLUMNS = "key, n, counted, low, high, total, first_row, last_row, stamped, flags, packed, digest"
"""The columns of a page, in the order of :func:`page_of`."""

SELECT_PAGE = f"SELECT {PAGE_COLUMNS} FROM pages"  # noqa: S608 - constant
"""Reads pages; a condition follows."""

ON_HOUR = f" FROM hours CROSS JOIN pages ON key = (hour << {SERIES_BITS}) + ?3"
"""Walks the pages of series ?3 along the rows of ``hours``."""

SELECT_SERIES = (
    "WITH RECURSIVE hours(hour) AS"
    " (SELECT ?1 WHERE ?1 < ?2 UNION ALL SELECT hour + 1 FROM hours WHERE hour + 1 < ?2) SELECT "
)
"""Columns and :data:`ON_HOUR` follow: the pages of a series, hours ?1 up to before ?2."""

SELECT_BACK = (
    "WITH RECURSIVE hours(hour) AS"  # noqa: S608 - constants
    " (SELECT ?1 WHERE ?1 >= ?2 UNION ALL SELECT hour - 1 FROM hours WHERE hour > ?2)"
    f" SELECT {PAGE_COLUMNS}{ON_HOUR} LIMIT 1"
)
"""Reads the newest page of series ?3, hours ?1 back to ?2."""

SERIES_MASK = (1 << SERIES_BITS) - 1
"""The part of a page's key that is the series."""


def page_key(hour: int, series: int) -> int:
    """Give the key of a page: keys ascend with the hour."""
    return (hour << SERIES_BITS) + series


def page_of(
    row: tuple[
        int, int, int, int | None, int | None, int, int | None, int | None, int, int, bytes | None, bytes
    ],
) -> Page:
    """Make a page of a row (columns of :data:`PAGE_COLUMNS`)."""
    key, n, counted, low, high, total, first, last, stamped, flags, packed, seen = row
    summary = Summary(n, counted, low, high, total)
    series = key & SERIES_MASK
    return Page(series, key >> SERIES_BITS, summary, (first, last), stamped, flags, packed, seen)


def sealed_state(connection: sqlite3.Connection) -> Sealed:
    """Read which readings are in pages."""
    row = connection.execute("SELECT value FROM meta WHERE name = 'sealed'").fetchone()
    return NOTHING_SEALED if row is None else Sealed(*json.loads(row[0]))


def put_meta(connection: sqlite3.Connection, name: str, value: str) -> None:
    """Store one named value."""
    connection.execute(
        "INSERT OR REPLACE INTO meta (name, value, mark) VALUES (?, ?, ?)", (name, value, mark(name, value))
    )


def series_names(connection: sqlite3.Connection) -> dict[int, Key]:
    """Read all series by number."""
    rows = connection.execute("SELECT id, sensor, quantity FROM series")
    try:
        return {number: (sensor, Quantity(quantity)) for number, sensor, quantity in rows}
    except ValueError as error:
        raise LogbookDamaged(f"a series has no known quantity: {error}") from error


@dataclass(slots=True)
class Addition:
    """Readings for one page: in order of arrival, with what the page knows besides. Grows."""

    rows: list[tuple[int, int | None, int, int, str | None]]
    first_row: int | None = None
    last_row: int | None = None
    stamped: int = 0


def waiting_rows(connection: sqlite3.Connection, sealed: Sealed, before_hour: int) -> dict[int, Addition]:
    """Collect the rows of hours before ``before_hour`` that are in no page, by page key."""
    rows = connection.execute(
        "SELECT row, series, at, raw, quality, now, note, stamp IS NOT NULL FROM recent"
        " WHERE row >= ? AND (row > ? OR at >= ?) AND at < ? ORDER BY row",
        (sealed.first, sealed.row, sealed.hour * HOUR, before_hour * HOUR),
    )
    found: dict[int, Addition] = {}
    for row, series, at, raw, quality, now, note, stamped in rows:
        key = page_key(at // HOUR, series)
        addition = found.get(key)
        if addition is None:
            addition = found[key] = Addition([], row)
        addition.rows.append((at, raw, quality, now, note))
        addition.last_row = row
        addition.stamped += stamped
    return found


def fetch_page(connection: sqlite3.Connection, key: int) -> Page | None:
    """Read one page, or None."""
    row = connection.execute(SELECT_PAGE + " WHERE key = ?", (key,)).fetchone()
    return None if row is None else page_of(row)


def add_to_page(
    connection: sqlite3.Connection, key: int, addition: Addition, names: Mapping[int, Key]
) -> bool:
    """Make a page, or reopen and seal it anew; one whose readings were given up stays so.

    Returns:
        True where there was a page already.
    """
    column, first, last = column_of(addition.rows), addition.first_row, addition.last_row
    old = fetch_page(connection, key)
    stamped, flags = addition.stamped, 0
    if old is not None and old.packed is None:
        return True
    if old is not None:
        stamped, flags = stamped + old.stamped, old.flags & IMPORTED
        first = old.rows[0] if old.rows[0] is not None else first
        last = last if last is not None else old.rows[1]
        kept = old.column()
        column = column if kept is None else merged(kept, column)
    if any(code in _IMPORTED_CODES for code in column.quality):
        flags |= IMPORTED
    series, hour = key & SERIES_MASK, key >> SERIES_BITS
    summary = summarised(column)
    seen = digest(series_name(*names[series]), hour, summary, (first, last, stamped, flags), column)
    page = Page(series, hour, summary, (first, last), stamped, flags, pack(column, hour), seen)
    latest = max(column.now)
    put_page(connection, page, latest if latest >= (hour + 2) * HOUR else None)
    return old is not None


def put_page(connection: sqlite3.Connection, page: Page, late_until: int | None) -> None:
    """Insert or replace a page."""
    head = (page.key, *astuple(page.summary), *page.rows, page.stamped, page.flags)
    connection.execute(
        "INSERT OR REPLACE INTO pages (key, n, counted, low, high, total, first_row, last_row, stamped,"
        " flags, late_until, packed, digest) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (*head, late_until, page.packed, page.digest),
    )


def seal_hours(connection: sqlite3.Connection, hours: Iterable[int]) -> None:
    """Put the digest of each (new or changed) hour into the chain of seals."""
    row = connection.execute("SELECT id, chain FROM seals ORDER BY id DESC LIMIT 1").fetchone()
    number, chain = row or (0, b"")
    for hour in sorted(set(hours)):
        count, seen = hour_digest(connection, hour)
        chain = chained(chain, hour, count, seen)
        number += 1
        connection.execute(
            "INSERT INTO seals (id, hour, pages, digest, chain) VALUES (?, ?, ?, ?, ?)",
            (number, hour, count, seen, chain),
        )


def hour_digest(connection: sqlite3.Connection, hour: int) -> tuple[int, bytes]:
    """Give the number of pages of an hour and the digest over their digests."""
    rows = connection.execute(
        "SELECT key, digest FROM pages WHERE key >= ? AND key < ? ORDER BY key",
        (page_key(hour, 0), page_key(hour + 1, 0)),
    ).fetchall()
    return len(rows), hashlib.sha256(repr(rows).encode()).digest()[:16]


def note_hours(connection: sqlite3.Connection, keys: Iterable[int]) -> None:
    """Keep each series' first and last hour, so that its latest reading is found at once."""
    spans: dict[int, list[int]] = defaultdict(list)
    for key in keys:
        spans[key & SERIES_MASK].append(key >> SERIES_BITS)
    for series, hours in spans.items():
        sensor, quantity, first, last = connection.execute(
            "SELECT sensor, quantity, first_hour, last_hour FROM series WHERE id = ?", (series,)
        ).fetchone()
        first = min([*hours, first] if first is not None else hours)
        last = max([*hours, last] if last is not None else hours)
        connection.execute(
            "UPDATE series SET first_hour = ?, last_hour = ?, mark = ? WHERE id = ?",
            (first, last, mark(series, sensor, quantity, first, last), series),
        )


def pages_between(connection: sqlite3.Connection, first: int, last: int) -> Iterator[Page]:
    """Read all pages of the hours first <= hour < last, ascending."""
    rows = connection.execute(
        SELECT_PAGE + " WHERE key >= ? AND key < ? ORDER BY key",
        (page_key(first, 0), page_key(last, 0)),
    )
    return map(page_of, rows)
