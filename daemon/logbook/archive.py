"""The logbook's reading side: any process, any time, never in the writer's way.

Pages and recent rows are put together without duplicates. Windows are half-open,
``since <= at < until``, in room time (ms).
"""

import json
import sqlite3
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from daemon.logbook import replaying
from daemon.logbook.clock import Labels, Look, labelled
from daemon.logbook.curve import Bucket, Curve, Gathering
from daemon.logbook.errors import (
    SQL_ERRORS,
    CannotRecord,
    LogbookDamaged,
    translated,
)
from daemon.logbook.pages import COUNTED, Column
from daemon.logbook.schema import SERIES_BITS, open_readable
from daemon.logbook.sealing import (
    ON_HOUR,
    PAGE_COLUMNS,
    SELECT_BACK,
    SELECT_PAGE,
    SELECT_SERIES,
    Key,
    Page,
    fetch_page,
    page_key,
    page_of,
    sealed_state,
    series_names,
)
from daemon.logbook.tables import SELECT_ORDERS, last_instant, waiting_alerts
from daemon.logbook.values import (
    RECENT,
    UNSEALED,
    alarm_of,
    alert_of,
    asked_of,
    entered_of,
    entries_of,
    entry_of,
    shown_of,
)
from daemon.logbook.writer import Snapshot, read_snapshots
from daemon.record import AlarmRow, Alert, Asked, Entered, Entry, Json, Kind
from rules.reading import HOUR, Quantity

if TYPE_CHECKING:
    from daemon.logbook.naming import Names

FAR = 2**60
"""Beyond every instant (ms)."""

_STEPS = 1000
"""SQLite looks at the deadline each so many steps of its machine."""


class Archive:
    """A read-only view of the logbook; one owner thread.

    Each question is answered out of one consistent state. A question that takes longer
    than :meth:`within` allows raises ``TooSlow``.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        """Take over a connection; see :meth:`open`."""
        self._connection = connection
        self._series: dict[Key, int] = {}

    @classmethod
    def open(cls, folder: Path | str, *, cache: int | None = None) -> Self:
        """Open the logbook of a folder for reading.

        Args:
            folder: The data folder.
            cache: Memory for parts of the file that were read, KiB; None: SQLite's 2,000.

        Raises:
            NoLogbook: There is none.
            LogbookNewer: A newer program wrote it.
            LogbookDamaged: It is damaged.
            CannotRecord: The card does not let it be opened.
        """
        connection = open_readable(Path(folder))
        if cache is not None:
            connection.execute(f"PRAGMA cache_size = -{cache:d}")
        return cls(connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close it."""
        self._connection.close()

    @contextmanager
    def within(self, seconds: float) -> Iterator[Self]:
        """Answer what is asked inside the block in this time, else raise ``TooSlow``."""
        end = time.monotonic() + seconds
        self._connection.set_progress_handler(lambda: time.monotonic() > end, _STEPS)
        try:
            yield self
        finally:
            self._connection.set_progress_handler(None, 0)

    def series(self) -> list[Key]:
        """Give every (sensor, quantity) that was ever recorded, in order of its first reading."""
        with self._asking() as connection:
            return [key for _, key in sorted(series_names(connection).items())]

    def span(self) -> tuple[int, int] | None:
        """Give the first and the last recorded instant of readings, None where there are none."""
        with self._asking() as connection:
            sealed = sealed_state(connection)
            first = connection.execute("SELECT min(key) FROM pages").fetchone()[0]
            last = connection.execute("SELECT max(key) FROM pages").fetchone()[0]
            ends = list(
                connection.execute(
                    "SELECT min(at), max(at) FROM recent WHERE row >= ? AND (row > ? OR at >= ?)",
                    (sealed.first, sealed.row, sealed.hour * HOUR),
                ).fetchone()
            )
            ends += self._page_ends(first, last)
            known = [at for at in ends if at is not None]
            return (min(known), max(known)) if known else None

    def readings(
        self, sensor: str, quantity: Quantity, since: int, until: int, *, before: bool = False
    ) -> list[Entry]:
        """Give the readings of a window in judged order: by instant, then by arrival.

        Args:
            sensor: The sensor's name.
            quantity: What was measured.
            since: Room time, ms.
            until: Room time, ms; not included.
            before: Put the last reading before the window first: it may still stand.
        """
        with self._asking() as connection:
            series = self._number(connection, (sensor, quantity))
            if series is None:
                return []
            found = [
                entry
                for page in self._pages(connection, series, since, until)
                for entry in entries_of(page.column() or _EMPTY, sensor, quantity)
                if since <= entry.at < until
            ]
            found += [entry_of(row, sensor, quantity) for row in _tail(connection, series, (since, until))]
            found.sort(key=lambda entry: entry.at)
            if before:
                found[:0] = self._before(connection, series, (sensor, quantity), since)
            return found

    def curve(
        self, sensor: str, quantity: Quantity, since: int, until: int, *, before: bool = False
    ) -> Curve:
        """Give the same as :meth:`readings` as columns: several times faster."""
        with self._asking() as connection:
            series = self._number(connection, (sensor, quantity))
            if series is None:
                return Curve()
            rows = _pages_rows(self._pages(connection, series, since, until))
            rows += _tail_rows(connection, series, since, until)
            head = self._before(connection, series, (sensor, quantity), since) if before else []
        return _in_order(rows, since, until, head)

    def curves(self, keys: Iterable[Key], since: int, until: int) -> dict[Key, Curve]:
        """Give many curves of one window; what is in no page yet is read once for all of them."""
        found = {key: Curve() for key in keys}
        with self._asking() as connection:
            wanted = {number: key for key in found if (number := self._number(connection, key)) is not None}
            fresh: dict[int, _Rows] = {number: [] for number in wanted}
            for number, *row in _tail(connection, None, (since, until), "series, at, raw, quality"):
                if number in fresh:
                    fresh[number].append(tuple(row))
            for number, key in wanted.items():
                rows = _pages_rows(self._pages(connection, number, since, until)) + fresh.pop(number)
                found[key] = _in_order(rows, since, until)
        return found

    def envelope(self, sensor: str, quantity: Quantity, since: int, until: int, buckets: int) -> list[Bucket]:
        """Give lowest, mean and highest in at most ``buckets`` equal parts of a window.

        Where a part is an hour or longer, parts begin on whole hours and the pages are not
        unpacked: a season of one curve is fast. So the window may grow by an hour at its ends.
        Only good and late readings count.
        """
        width = max(1, -(-(until - since) // max(1, buckets)))
        if width >= HOUR:
            width = -(-width // HOUR) * HOUR
            since, until = since // HOUR * HOUR, -(-until // HOUR) * HOUR
        parts = [Gathering() for _ in range(max(1, -(-(until - since) // width)))]
        with self._asking() as connection:
            series = self._number(connection, (sensor, quantity))
            if series is None:
                return []
            if width >= HOUR:
                _gather_summaries(connection, series, (since, until), (width, parts))
            else:
                columns = (page.column() for page in self._pages(connection, series, since, until))
                for column in columns:
                    if column is not None:
                        _gather(
                            zip(column.at, column.raw, column.quality, strict=True),
                            since,
                            until,
                            (width, parts),
                        )
            _gather(_tail_rows(connection, series, since, until), since, until, (width, parts))
        return [
            part.bucket(since + index * width, min(until, since + (index + 1) * width))
            for index, part in enumerate(parts)
        ]

    def latest(self) -> dict[Key, Entry]:
        """Give the newest reading of each series (by instant, then arrival), whatever its quality."""
        with self._asking() as connection:
            names = series_names(connection)
            rows: dict[int, tuple[Any, ...]] = {}
            for row in _tail(connection, None, (-FAR, FAR)):
                before = rows.get(row[2])
                if before is None or before[3] <= row[3]:
                    rows[row[2]] = row
            found = {names[number]: entry_of(row, *names[number]) for number, row in rows.items()}
            for number, last in connection.execute("SELECT id, last_hour FROM series"):
                key = names[number]
                if last is None or (key in found and found[key].at >= (last + 1) * HOUR):
                    continue
                for entry in self._newest_paged(connection, number, key):
                    if key not in found or found[key].at < entry.at:
                        found[key] = entry
            return found

    def replay(self, since: int, until: int) -> Iterator[Entry]:
        """Give everything with ``since <= now < until`` in exactly the order in which it was judged.

        That order is (now, at, sensor, quantity), then arrival. Reads hour by hour, so it may
        run over years; imported readings are in it at their own ``now``.
        """
        return replaying.replay(self._connection, since, until)

    def replay_rows(self, after_row: int) -> Iterator[Entry]:
        """Give the recent readings after a row, in order of arrival = judged order (recovery, uplink)."""
        return replaying.replay_rows(self._connection, after_row)

    def last_row(self) -> int:
        """Give the newest row of recent, 0 where there is none."""
        with self._asking() as connection:
            return int(connection.execute("SELECT ifnull(max(row), 0) FROM recent").fetchone()[0])

    def journal(
        self, since: int = -FAR, until: int = FAR, kinds: Iterable[Kind] = (), *, after_row: int = 0
    ) -> list[Entered]:
        """Give the journal of a window in the order in which it was written; no kinds: all."""
        names = [kind.value for kind in kinds]
        some = f" AND kind IN ({','.join('?' * len(names))})" if names else ""
        with self._asking() as connection:
            rows = connection.execute(
                "SELECT row, now, kind, body FROM journal"  # noqa: S608 - only question marks
                f" WHERE now >= ? AND now < ? AND row > ?{some} ORDER BY row",
                (since, until, after_row, *names),
            )
            return [entered_of(row) for row in rows]

    def egg_log(self, clutch: str | None = None) -> list[Entered]:
        """Give the egg log of one clutch, or of all, oldest first."""
        with self._asking() as connection:
            rows = connection.execute(
                "SELECT j.row, j.now, j.kind, j.body FROM egg_log e JOIN journal j ON j.row = e.entry"
                " WHERE ?1 IS NULL OR e.clutch = ?1 ORDER BY j.row",
                (clutch,),
            )
            return [entered_of(row) for row in rows]

    def alarms(self, since: int = -FAR, until: int = FAR, *, open_only: bool = False) -> list[AlarmRow]:
        """Give the alarms whose life touches a window, by number; ``open_only``: not cleared yet."""
        which = "cleared IS NULL" if open_only else "(cleared IS NULL OR cleared >= ?)"
        with self._asking() as connection:
            rows = connection.execute(
                f"SELECT body FROM alarms WHERE raised < ? AND {which} ORDER BY number",  # noqa: S608 - two constants
                (until,) if open_only else (until, since),
            )
            return [alarm_of(row[0]) for row in rows]

    def alarm(self, number: int) -> AlarmRow | None:
        """Give one alarm by its number, or None."""
        row = self._one("SELECT body FROM alarms WHERE number = ?", number)
        return None if row is None else alarm_of(row[0])

    def shown(self) -> dict[str, Json]:
        """Give the derived values and forecasts as last shown."""
        row = self._one("SELECT body FROM shown")
        return {} if row is None else shown_of(row[0])

    def order(self, number: int) -> Asked | None:
        """Give one order by its number, or None."""
        row = self._one(SELECT_ORDERS + " WHERE id = ?", number)
        return None if row is None else asked_of(row)

    def orders(self, limit: int = 200) -> list[Asked]:
        """Give the newest orders, newest first."""
        with self._asking() as connection:
            rows = connection.execute(SELECT_ORDERS + " ORDER BY id DESC LIMIT ?", (limit,))
            return [asked_of(row) for row in rows]

    def outbox(self, since: int = -FAR, until: int = FAR) -> list[Alert]:
        """Give the alerts decided in a window, done or not, by number."""
        with self._asking() as connection:
            rows = connection.execute(
                "SELECT id, body FROM outbox WHERE now >= ? AND now < ? ORDER BY id", (since, until)
            )
            return [alert_of(*row) for row in rows]

    def outbox_waiting(self, now: int) -> list[Alert]:
        """Give the alerts due by ``now``: highest priority first, then oldest."""
        with self._asking() as connection:
            return waiting_alerts(connection, now)

    def snapshots(self) -> list[Snapshot]:
        """Give the engine's snapshots that are whole, newest first."""
        with self._asking() as connection:
            return read_snapshots(connection)

    def last_instant(self) -> int | None:
        """Give the newest room time that was ever stored, None in an empty logbook."""
        with self._asking() as connection:
            return last_instant(connection)

    def labels(self) -> Labels:
        """Give the labels of all boots: room time to Unix ms and back."""
        with self._asking() as connection:
            rows = connection.execute("SELECT now, body FROM journal WHERE kind = 'clock' ORDER BY row")
            looks = [_look(now, json.loads(body)) for now, body in rows]
        return labelled([look for look in looks if look is not None])

    def wall_offset_at(self, now: int) -> int:
        """Give Unix ms - room time at an instant; later journal entries put it right."""
        return self.labels().offset_at(now)

    def cursor(self, name: str) -> int:
        """Give how far a forwarder came, 0 at first."""
        row = self._one("SELECT value FROM meta WHERE name = ?", f"cursor:{name}")
        return 0 if row is None else int(row[0])

    def verify(self, names: "Names | None" = None) -> list[str]:
        """Check everything; give what is damaged, in words. Empty: nothing is.

        Args:
            names: What a keeper calls sensors and how instants are written.
        """
        from daemon.logbook.verifying import damage

        try:
            with self._asking() as connection:
                return damage(connection, names)
        except (LogbookDamaged, CannotRecord) as error:
            return [str(error)]

    @contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        """Hold one consistent state while a question is answered."""
        connection = self._connection
        nested = connection.in_transaction
        try:
            if not nested:
                connection.execute("BEGIN")
            yield connection
        except SQL_ERRORS as error:
            raise translated(error) from error
        finally:
            if not nested and connection.in_transaction:
                connection.execute("ROLLBACK")

    def _one(self, question: str, *values: object) -> tuple[Any, ...] | None:
        with self._asking() as connection:
            row: tuple[Any, ...] | None = connection.execute(question, values).fetchone()
            return row

    def _number(self, connection: sqlite3.Connection, key: Key) -> int | None:
        if key not in self._series:
            self._series = {name: number for number, name in series_names(connection).items()}
        return self._series.get(key)

    def _page_ends(self, first: int | None, last: int | None) -> list[int | None]:
        """Give the first and last instant in the pages of the first and the last hour."""
        ends: list[int | None] = []
        for key in (first, last):
            if key is None:
                continue
            hour = key >> SERIES_BITS
            rows = self._connection.execute(
                SELECT_PAGE + " WHERE key >= ? AND key < ?",
                (page_key(hour, 0), page_key(hour + 1, 0)),
            )
            columns = [page_of(row).column() for row in rows]
            ats = [
                at for column in columns for at in (() if column is None else (column.at[0], column.at[-1]))
            ]
            ends += ats or [hour * HOUR]
        return ends

    def _pages(self, connection: sqlite3.Connection, series: int, since: int, until: int) -> Iterator[Page]:
        rows = connection.execute(
            SELECT_SERIES + PAGE_COLUMNS + ON_HOUR,
            (*_clipped(connection, series, since, until), series),
        )
        return map(page_of, rows)

    def _before(self, connection: sqlite3.Connection, series: int, key: Key, since: int) -> list[Entry]:
        """Find the last reading before an instant: in the rows without page, then hour by hour back."""
        rows = _tail(connection, series, (-FAR, since))
        found = [entry_of(row, *key) for row in rows]
        hour = -(-since // HOUR)
        first = connection.execute("SELECT first_hour FROM series WHERE id = ?", (series,)).fetchone()[0]
        while first is not None and hour > first:
            hour -= 1
            page = self._page_at_or_before(connection, series, hour, first)
            if page is None:
                break
            hour = page.hour
            paged = [e for e in entries_of(page.column() or _EMPTY, *key) if e.at < since]
            if paged:
                found += paged
                break
        found.sort(key=lambda entry: entry.at)
        return found[-1:]

    def _page_at_or_before(
        self, connection: sqlite3.Connection, series: int, hour: int, first: int
    ) -> Page | None:
        row = connection.execute(SELECT_BACK, (hour, first, series)).fetchone()
        return None if row is None else page_of(row)

    def _newest_paged(self, connection: sqlite3.Connection, series: int, key: Key) -> list[Entry]:
        last = connection.execute("SELECT last_hour FROM series WHERE id = ?", (series,)).fetchone()[0]
        if last is None:
            return []
        page = fetch_page(connection, page_key(last, series))
        column = None if page is None else page.column()
        return [] if column is None else entries_of(column, *key)[-1:]


_EMPTY = Column((), (), b"", ())
_Rows = list[tuple[Any, ...]]
"""(instant, thousandths or None, quality code)"""


def _at(row: tuple[Any, ...]) -> int:
    at: int = row[0]
    return at


def _clipped(connection: sqlite3.Connection, series: int, since: int, until: int) -> tuple[int, int]:
    """Give the hours of a window in which the series has pages at all: first, and one past the last."""
    row = connection.execute("SELECT first_hour, last_hour FROM series WHERE id = ?", (series,)).fetchone()
    if row is None or row[0] is None:
        return 0, 0
    return max(row[0], since // HOUR), min(row[1] + 1, -(-until // HOUR))


def _tail(
    connection: sqlite3.Connection, series: int | None, window: tuple[int, int], columns: str = RECENT
) -> Iterator[tuple[Any, ...]]:
    """Read the rows of a window that are in no page, by row, inside the caller's question."""
    sealed = sealed_state(connection)
    one = "" if series is None else " AND series = ?"
    return connection.execute(
        f"SELECT {columns} FROM recent WHERE {UNSEALED} AND at >= ? AND at < ?{one} ORDER BY row",  # noqa: S608 - our own names
        (sealed.first, sealed.row, sealed.hour * HOUR, *window, *(() if series is None else (series,))),
    )


def _tail_rows(
    connection: sqlite3.Connection, series: int, since: int, until: int
) -> Iterator[tuple[Any, ...]]:
    return _tail(connection, series, (since, until), "at, raw, quality")


def _pages_rows(pages: Iterable[Page]) -> "_Rows":
    """Unpack pages into (instant, thousandths, quality)."""
    rows: _Rows = []
    for page in pages:
        column = page.column() or _EMPTY
        rows += zip(column.at, column.raw, column.quality, strict=True)
    return rows


def _in_order(rows: "_Rows", since: int, until: int, head: Iterable[Entry] = ()) -> Curve:
    """Make a curve of rows by (instant, arrival), after the readings of ``head``."""
    curve = Curve()
    for entry in head:
        curve.at.append(entry.at)
        curve.value.append(entry.raw)
        curve.quality.append(entry.quality.code)
    rows.sort(key=_at)
    curve.extend(row for row in rows if since <= row[0] < until)
    return curve


def _gather_summaries(
    connection: sqlite3.Connection, series: int, window: tuple[int, int], into: tuple[int, list[Gathering]]
) -> None:
    width, parts = into
    rows = connection.execute(
        SELECT_SERIES + "hour, n, counted, low, high, total" + ON_HOUR,
        (*_clipped(connection, series, *window), series),
    )
    for hour, *summary in rows:
        parts[(hour * HOUR - window[0]) // width].take(*summary)


def _gather(
    rows: Iterable[tuple[int, int | None, int]], since: int, until: int, into: tuple[int, list[Gathering]]
) -> None:
    width, parts = into
    for at, raw, quality in rows:
        if since <= at < until:
            counts = raw is not None and COUNTED[quality] == 1
            value = raw if counts else None
            parts[(at - since) // width].take(1, int(counts), value, value, value or 0)


def _look(now: int, body: dict[str, Any]) -> Look | None:
    """Read a clock entry; one that tells of something else is no look."""
    offset, boot = body.get("offset"), body.get("boot")
    if not isinstance(boot, str) or not (offset is None or isinstance(offset, int)):
        return None
    return Look(now, boot, offset, bool(body.get("trusted")))
