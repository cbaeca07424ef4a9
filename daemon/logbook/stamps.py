"""Which stamped readings are stored already: a table that only grows at its end.

A unique index over (stamp, series, value) would say the same, but SQLite rearranges the last
pages of an index each few inserts, and those of a table keyed by an ascending number it
does not: with the table a commit of a usual round writes a third less.

The key is the second of the stamp (33 bits), then a hash (30 bits) of all that makes a
reading another one, then the next free place. The row behind the key decides; the key
only finds it. A device whose clock stands still does no harm.
"""

import sqlite3
import zlib
from collections.abc import Iterator

from rules.reading import SECOND

_HASH_BITS = 30
_SECOND_MASK = (1 << 33) - 1

Said = tuple[int, int, int | None, int | None]
"""Stamp, series, value in thousandths, counter."""


def claim(connection: sqlite3.Connection, row: int, said: Said) -> bool:
    """Put a stamped reading down as stored in ``row``.

    Args:
        connection: Inside a transaction.
        row: The row that it is going to have.
        said: What makes it another reading.

    Returns:
        False where it is stored already; then nothing was written.
    """
    key = _first_key(said)
    while True:
        found = connection.execute("SELECT row FROM stamps WHERE key = ?", (key,)).fetchone()
        if found is None:
            connection.execute("INSERT INTO stamps (key, row) VALUES (?, ?)", (key, row))
            return True
        stored = connection.execute(
            "SELECT stamp, series, raw, counter FROM recent WHERE row = ?", found
        ).fetchone()
        if stored == said:
            return False
        key += 1


def forget(connection: sqlite3.Connection, last: int) -> None:
    """Forget the readings in rows up to ``last``, which are being deleted."""
    connection.execute("DELETE FROM stamps WHERE row <= ?", (last,))


def amiss(connection: sqlite3.Connection) -> Iterator[str]:
    """Check that exactly the stamped rows are found by it; give what is not so, in words."""
    stamped = connection.execute("SELECT count(*) FROM recent WHERE stamp IS NOT NULL").fetchone()[0]
    before, found = -1, 0
    for key, row, *said in connection.execute(
        "SELECT s.key, s.row, r.stamp, r.series, r.raw, r.counter FROM stamps s"
        " LEFT JOIN recent r ON r.row = s.row ORDER BY s.key"
    ):
        found += 1
        first = None if said[0] is None else _first_key((said[0], said[1], said[2], said[3]))
        if first is None or key < first or (key > first and key != before + 1):
            yield f"the stamp of row {row} is not found where it should be"
        before = key
    if found != stamped:
        yield f"{found} stamps are known of {stamped} stamped readings"


def _first_key(said: Said) -> int:
    mixed = zlib.crc32(repr(said).encode()) >> 2
    return ((said[0] // SECOND & _SECOND_MASK) << _HASH_BITS) + mixed
