"""Recorded readings in exactly the order in which they were judged.

Pages lie by the hour of the instant, the order is by the round. A reading's round is
never before its instant, so once all pages up to an hour are read, the rounds of that
hour are complete.
"""

import sqlite3
from collections import defaultdict
from collections.abc import Iterator

from daemon.logbook.errors import (
    SQL_ERRORS,
    translated,
)
from daemon.logbook.schema import SERIES_BITS
from daemon.logbook.sealing import (
    SELECT_PAGE,
    Key,
    Page,
    page_key,
    page_of,
    pages_between,
    sealed_state,
    series_names,
)
from daemon.logbook.values import SELECT_RECENT, UNSEALED, entries_of, entry_of
from daemon.record import Entry
from rules.reading import HOUR

_CHUNK = 5000


def replay(connection: sqlite3.Connection, since: int, until: int) -> Iterator[Entry]:
    """Go through the entries with ``since <= now < until``; see ``Archive.replay``.

    Pages whose rounds end later than the hour after their own are marked late; so all
    others that matter begin at most an hour before the window. One consistent state is
    held until the end.
    """
    nested = connection.in_transaction
    try:
        if not nested:
            connection.execute("BEGIN")
        names = series_names(connection)
        rounds: dict[int, list[Entry]] = defaultdict(list)
        first, last = since // HOUR - 1, (until - 1) // HOUR
        for page in _late_before(connection, first, since):
            _deal(page, names, rounds)
        for entry in _unsealed(connection, names):
            rounds[entry.now // HOUR].append(entry)
        yield from _hour_by_hour(connection, names, rounds, (first, last, since, until))
    except SQL_ERRORS as error:
        raise translated(error) from error
    finally:
        if not nested and connection.in_transaction:
            connection.execute("ROLLBACK")


def replay_rows(connection: sqlite3.Connection, after_row: int) -> Iterator[Entry]:
    """Go through the recent entries after a row; see ``Archive.replay_rows``."""
    try:
        names = series_names(connection)
        row = after_row
        while True:
            rows = connection.execute(
                SELECT_RECENT + " WHERE row > ? ORDER BY row LIMIT ?",
                (row, _CHUNK),
            ).fetchall()
            if not rows:
                return
            if any(one[2] not in names for one in rows):
                names = series_names(connection)
            for one in rows:
                yield entry_of(one, *names[one[2]])
            row = rows[-1][0]
    except SQL_ERRORS as error:
        raise translated(error) from error


def _hour_by_hour(
    connection: sqlite3.Connection,
    names: dict[int, Key],
    rounds: dict[int, list[Entry]],
    window: tuple[int, int, int, int],
) -> Iterator[Entry]:
    first, last, since, until = window
    for hour in _present_hours(connection, first, last):
        for done in sorted(done for done in rounds if done < hour):
            yield from _in_order(rounds.pop(done), since, until)
        for page in pages_between(connection, hour, hour + 1):
            _deal(page, names, rounds)
    for done in sorted(rounds):
        yield from _in_order(rounds.pop(done), since, until)


def _present_hours(connection: sqlite3.Connection, first: int, last: int) -> Iterator[int]:
    """Go through the hours that have pages, skipping the empty ones."""
    hour = first
    while True:
        key = connection.execute(
            "SELECT min(key) FROM pages WHERE key >= ?", (page_key(hour, 0),)
        ).fetchone()[0]
        if key is None or key >> SERIES_BITS > last:
            return
        yield key >> SERIES_BITS
        hour = (key >> SERIES_BITS) + 1


def _late_before(connection: sqlite3.Connection, first: int, since: int) -> Iterator[Page]:
    rows = connection.execute(
        SELECT_PAGE + " WHERE late_until >= ? AND key < ?",
        (since, page_key(first, 0)),
    )
    return map(page_of, rows)


def _unsealed(connection: sqlite3.Connection, names: dict[int, Key]) -> Iterator[Entry]:
    sealed = sealed_state(connection)
    rows = connection.execute(
        f"{SELECT_RECENT} WHERE {UNSEALED} ORDER BY row",
        (sealed.first, sealed.row, sealed.hour * HOUR),
    )
    return (entry_of(row, *names[row[2]]) for row in rows.fetchall())


def _deal(page: Page, names: dict[int, Key], rounds: dict[int, list[Entry]]) -> None:
    """Put a page's entries into the hours of their rounds, in front of rows not sealed yet."""
    column = page.column()
    if column is None:
        return
    hour = None
    for entry in entries_of(column, *names[page.series]):
        now_hour = entry.now // HOUR
        if now_hour != hour:
            hour, into = now_hour, rounds[now_hour]
        into.append(entry)


def _in_order(entries: list[Entry], since: int, until: int) -> list[Entry]:
    """Sort as they were judged; rows without page came after those of the same page."""
    chosen = [entry for entry in entries if since <= entry.now < until]
    chosen.sort(key=lambda e: (e.now, e.at, e.sensor, e.quantity.value, e.row or 0))
    return chosen
