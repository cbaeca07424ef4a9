"""What is damaged, in a keeper's words: SQLite's own check and ours over every value.

SQLite sees a broken tree, not a flipped bit in a value: each page has its digest, each
hour the digest of its pages, journal and seals are chains (the journal's end is kept
beside it), and every other row carries a mark. Rows that are gone are found by what
still tells of them: numbers that follow one another, counts, the journal.
"""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator

from daemon.logbook import stamps
from daemon.logbook.errors import (
    SQL_ERRORS,
    LogbookDamaged,
)
from daemon.logbook.naming import Names, Naming, naming, runs
from daemon.logbook.pages import Column
from daemon.logbook.schema import ROWS_SKIPPED, SERIES_BITS
from daemon.logbook.sealing import (
    PAGE_COLUMNS,
    SERIES_MASK,
    hour_digest,
    page_key,
    page_of,
    sealed_state,
    series_names,
)
from daemon.logbook.tables import ASKED, JOURNAL_END
from daemon.logbook.values import RECENT, chained, mark, series_name
from daemon.logbook.writer import read_snapshots
from daemon.texts import plural
from rules.reading import HOUR

LISTED = 20
"""Damages named one by one in each part; the rest are counted."""

BROKEN = "the file is broken"
"""With this begins what is said where SQLite itself cannot read the file."""

CHANGED = "were changed after they were recorded"
MISSING = "are missing"

_MARKED: tuple[tuple[str, str, str], ...] = (
    ("series", "id, sensor, quantity, first_hour, last_hour", "the name of curve {} was changed"),
    ("recent", RECENT, "the {curve} of {when} was changed after it was recorded"),
    ("egg_log", "entry, clutch", "the list of the egg log: entry {} was changed"),
    ("alarms", "number, raised, cleared, body", "alarm {} was changed"),
    ("orders", ASKED, "order {} was changed"),
    ("outbox", "id, now, next_try, done, body", "message {} to a contact (the outbox) was changed"),
    ("shown", "id, now, body", "what the page shows was changed; it is written anew within minutes"),
    ("meta", "name, value", "what the logbook keeps about itself ({!r}) was changed"),
)

_Part = Callable[[sqlite3.Connection, Naming], Iterator[str]]


def damage(connection: sqlite3.Connection, names: Names | None = None) -> list[str]:
    """Check a whole logbook; give what is damaged.

    Args:
        connection: Open for reading.
        names: What a keeper calls sensors and how instants are written; None: as they lie.
    """
    found: list[str] = []
    try:
        name = naming(connection, names, series_names(connection))
    except (*SQL_ERRORS, LogbookDamaged) as error:
        found.append(f"the names of the curves cannot be read: {error}")
        name = naming(connection, names, {})
    for what, part in _PARTS:
        found += _listed(what, part, connection, name)
    return found


def quick_damage(connection: sqlite3.Connection) -> list[str]:
    """Check only what SQLite's quick check sees: for the start of the watch."""
    return _listed("the file", _sound("quick_check"), connection, naming(connection, None, {}))


def _listed(what: str, part: _Part, connection: sqlite3.Connection, name: Naming) -> list[str]:
    found: list[str] = []
    count = 0
    try:
        for words in part(connection, name):
            count += 1
            if count <= LISTED:
                found.append(words)
    except (*SQL_ERRORS, LogbookDamaged, ValueError, TypeError, KeyError) as error:
        found.append(f"{what} cannot be read: {error}")
    if count > LISTED:
        found.append(f"and {count - LISTED} more of the same kind")
    return found


def _sound(pragma: str) -> _Part:
    """Let SQLite check its file by one of its pragmas."""

    def part(connection: sqlite3.Connection, _: Naming) -> Iterator[str]:
        for (words,) in connection.execute(f"PRAGMA {pragma}"):
            if words != "ok":
                yield f"{BROKEN}: {words}"

    return part


def _marks(connection: sqlite3.Connection, name: Naming) -> Iterator[str]:
    for table, columns, words in _MARKED:
        for row in connection.execute(f"SELECT {columns}, mark FROM {table}"):  # noqa: S608 - constants
            if mark(*row[:-1]) == row[-1]:
                continue
            more = {}
            if table == "recent":
                more = {"curve": name.curve(row[2]), "when": name.when(row[3])}
            yield words.format(row[0], **more)


def _pages(connection: sqlite3.Connection, name: Naming) -> Iterator[str]:
    """Name the hours whose readings do not fit their digest, or are not there."""
    spoilt: dict[str, dict[int, set[int]]] = {CHANGED: defaultdict(set), MISSING: defaultdict(set)}
    for row in connection.execute(f"SELECT {PAGE_COLUMNS}, late_until FROM pages"):  # noqa: S608 - constant
        key = row[0]
        if not _page_fits(row, name):
            spoilt[CHANGED][key & SERIES_MASK].add(key >> SERIES_BITS)
    for number, hour in (*_ends(connection), *_lacking(connection)):
        spoilt[MISSING][number].add(hour)
    for state, curves in spoilt.items():
        together: dict[tuple[int, int], list[int]] = defaultdict(list)
        for number, hours in curves.items():
            for run in runs(hours):
                together[run].append(number)
        for run, numbers in sorted(together.items()):
            yield f"{name.curves(sorted(numbers))}: the readings of {name.hours(*run)} {state}"


def _page_fits(row: tuple[object, ...], name: Naming) -> bool:
    page = page_of(row[:-1])  # type: ignore[arg-type]  # the columns of a page, and one more
    key = name.series.get(page.series)
    try:
        return key is not None and page.holds(series_name(*key)) and _late_fits(page.column(), row)
    except LogbookDamaged:
        return False


def _late_fits(column: Column | None, row: tuple[object, ...]) -> bool:
    if column is None:
        return True
    latest = max(column.now)
    key = row[0]
    assert isinstance(key, int)  # noqa: S101 - the primary key
    return row[-1] == (latest if latest >= ((key >> SERIES_BITS) + 2) * HOUR else None)


def _ends(connection: sqlite3.Connection) -> Iterator[tuple[int, int]]:
    """Give the first and last hours of curves that have no page."""
    for number, *ends in connection.execute("SELECT id, first_hour, last_hour FROM series").fetchall():
        for hour in ends:
            known = connection.execute("SELECT 1 FROM pages WHERE key = ?", (page_key(hour or 0, number),))
            if hour is not None and known.fetchone() is None:
                yield number, hour


def _lacking(connection: sqlite3.Connection) -> Iterator[tuple[int, int]]:
    """Compare what recent still holds with the counts of its pages."""
    sealed = sealed_state(connection)
    rows = connection.execute(
        "SELECT series, (at - (at % ?1 + ?1) % ?1) / ?1, count(*) FROM recent"
        " WHERE row <= ?2 AND at < ?3 GROUP BY 1, 2",
        (HOUR, sealed.row, sealed.hour * HOUR),
    ).fetchall()
    for series, hour, count in rows:
        row = connection.execute("SELECT n FROM pages WHERE key = ?", (page_key(hour, series),)).fetchone()
        if row is None or row[0] < count:
            yield series, hour


def _seals(connection: sqlite3.Connection, name: Naming) -> Iterator[str]:
    chain, last = b"", {}
    number = 0
    for number_seen, hour, count, seen, link in connection.execute(
        "SELECT id, hour, pages, digest, chain FROM seals ORDER BY id"
    ):
        number += 1
        chain = chained(chain, hour, count, seen)
        if chain != link or number_seen != number:
            lost = "the seal before it is missing" if number_seen != number else "it was changed"
            yield f"the seal of {name.hours(hour, hour)}: {lost}"
            chain, number = link, number_seen
        last[hour] = (count, seen)
    for hour, expected in last.items():
        if (there := hour_digest(connection, hour)) != expected:
            yield _hour_words(connection, name, hour, (there[0], expected[0]))
    for (hour,) in connection.execute(f"SELECT DISTINCT key >> {SERIES_BITS} FROM pages"):  # noqa: S608 - constant
        if hour not in last:
            yield f"the seal of {name.hours(hour, hour)} is missing"


def _hour_words(connection: sqlite3.Connection, name: Naming, hour: int, counts: tuple[int, int]) -> str:
    """Say what an hour lacks; which curve it was, is known where it goes on before and after."""
    there, sealed = counts
    words = f"{name.hours(hour, hour)}: {sealed} curves were sealed, {there} are there"
    if there == sealed:
        return f"{words}, and they were changed"
    around = [_curves_of(connection, hour + step) for step in (-1, 1)]
    lost = (around[0] & around[1] or around[0] | around[1]) - _curves_of(connection, hour)
    return f"{words}; it looks like the {name.curves(sorted(lost))}" if lost else words


def _curves_of(connection: sqlite3.Connection, hour: int) -> set[int]:
    keys = connection.execute(
        "SELECT key FROM pages WHERE key >= ? AND key < ?", (page_key(hour, 0), page_key(hour + 1, 0))
    )
    return {key & SERIES_MASK for (key,) in keys}


def _journal(connection: sqlite3.Connection, name: Naming) -> Iterator[str]:
    chain, number, latest = b"", 0, None
    links = {}
    for row, now, kind, body, link in connection.execute(
        "SELECT row, now, kind, body, chain FROM journal ORDER BY row"
    ):
        number += 1
        if row != number:
            yield f"the journal of {name.day(now)}: {_entries(number, row - 1)} missing"
        elif chained(chain, row, now, kind, body) != link:
            yield f"the journal of {name.when(now)}: entry {row} was changed"
        chain, number, latest = link, row, now
        links[row] = link
    row = connection.execute("SELECT value FROM meta WHERE name = ?", (JOURNAL_END,)).fetchone()
    end, seen = (0, "") if row is None else json.loads(row[0])
    if end > number:
        since = "from its beginning" if latest is None else f"after {name.when(latest)}"
        yield f"the journal {since}: its last {_entries(number + 1, end)} missing"
    elif end in links and links[end].hex() != seen:
        yield f"the journal: entry {end} is not the one that was written"


def _entries(first: int, last: int) -> str:
    return f"entry {first} is" if first == last else f"entries {first} to {last} are"


def _recent(connection: sqlite3.Connection, name: Naming) -> Iterator[str]:
    """Row numbers follow one another, save after a restore."""
    before: tuple[int, int] | None = None
    for row, now in connection.execute("SELECT row, now FROM recent ORDER BY row"):
        if before is not None and 1 < row - before[0] <= ROWS_SKIPPED:
            count = plural(row - before[0] - 1, "reading")
            yield f"missing: {count} that came between {name.when(before[1])} and {name.when(now)}"
        before = row, now


def _stamps(connection: sqlite3.Connection, _: Naming) -> Iterator[str]:
    yield from stamps.amiss(connection)


def _snapshots(connection: sqlite3.Connection, _: Naming) -> Iterator[str]:
    count = connection.execute("SELECT count(*) FROM snapshots").fetchone()[0]
    whole = len(read_snapshots(connection))
    if whole != count:
        yield (
            f"{count - whole} of {count} kept states of the judge (snapshots) were changed:"
            " a start leaves them out and reads more of the record instead"
        )


def _gone(connection: sqlite3.Connection, name: Naming) -> Iterator[str]:
    """Find rows that were deleted: numbers are given once, and the journal tells of each alarm."""
    given = dict(connection.execute("SELECT name, seq FROM sqlite_sequence"))
    left_out = connection.execute(
        "SELECT ifnull(sum(CASE WHEN json_valid(body) AND json_extract(body, '$.what') = 'delivered alerts'"
        " THEN json_extract(body, '$.count') END), 0) FROM journal WHERE kind = 'deleted'"
    ).fetchone()[0]
    for table, words, less in (("outbox", "message", left_out), ("orders", "order", 0)):
        count = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608 - constants
        if (lost := given.get(table, 0) - count - less) > 0:
            where = " to contacts, out of the outbox" if table == "outbox" else ""
            yield f"missing: {plural(lost, words)}{where}"
    for number, now in connection.execute(
        "SELECT CASE WHEN json_valid(body) THEN json_extract(body, '$.number') END AS number, now"
        " FROM journal WHERE kind = 'raised' AND number NOT IN (SELECT number FROM alarms)"
    ):
        yield f"alarm {number}, raised {name.when(now)}, is missing"
    eggs, known = connection.execute(
        "SELECT (SELECT count(*) FROM journal WHERE kind = 'egg log'), (SELECT count(*) FROM egg_log)"
    ).fetchone()
    if known < eggs:
        yield f"{plural(eggs - known, 'entry', 'entries')} of the egg log: not listed (the journal has them)"


_PARTS: tuple[tuple[str, _Part], ...] = (
    ("the file", _sound("integrity_check")),
    ("the rows", _marks),
    ("the sensors' own stamps", _stamps),
    ("the readings", _pages),
    ("the seals", _seals),
    ("the journal", _journal),
    ("the newest readings", _recent),
    ("the snapshots", _snapshots),
    ("what is gone", _gone),
)
