"""The logbook's writer: one thread owns it, and what it committed stays.

The order of things in one commit is the order of the batches: readings, journal,
alarms, outbox, answers to orders, what is shown.
"""

import json
import sqlite3
import zlib
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from daemon.logbook import importing, retention, stamps
from daemon.logbook.connection import Writable
from daemon.logbook.schema import SERIES_BITS
from daemon.logbook.sealing import (
    SERIES_MASK,
    Key,
    Sealed,
    add_to_page,
    note_hours,
    put_meta,
    seal_hours,
    sealed_state,
    series_names,
    waiting_rows,
)
from daemon.logbook.tables import (
    append_journal,
    last_instant,
    put_alarm,
    put_alerts,
    put_answers,
    put_shown,
    update_alerts,
    waiting_alerts,
    waiting_orders,
)
from daemon.logbook.values import RECENT, chained, mark, printable, shown_of, storable, thousandths
from daemon.record import Alert, Asked, Batch, Entered, Entry, Json, Kind
from rules.reading import HOUR, MINUTE, Quantity

COUNTERS_KEPT = 200
"""A counter is compared with this many readings of its sensor: devices restart from 0."""

SHOWN_EVERY = MINUTE
"""What is shown is written at most this often (room time), unless something new is shown or an
alarm changes: with every commit it would be a third of all wear."""

SNAPSHOTS_KEPT = 4
"""Newest snapshots kept beside those of changed settings."""

_INSERT = f"INSERT INTO recent ({RECENT}, mark) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"  # noqa: S608 - constant

_Seen = tuple[str, int, int | None]


@dataclass(frozen=True, slots=True)
class Committed:
    """What a commit stored.

    Attributes:
        last_row: Newest row of recent after it (0 where there is none).
        duplicates: Readings dropped because they were stored already.
        first_rows: First row of each batch, None where it stored no reading.
        alert_ids: Numbers of the new alerts, in order.
    """

    last_row: int
    duplicates: int
    first_rows: tuple[int | None, ...]
    alert_ids: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class SealedHours:
    """What a sealing did: pages made, pages reopened for late readings."""

    pages: int
    reopened: int


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The engine's state as it was after the reading in ``row``."""

    now: int
    row: int
    state: bytes


@dataclass(slots=True)
class _Draft:
    """What a transaction learnt; becomes memory only when it is committed."""

    series: dict[Key, int] = field(default_factory=dict)
    counters: dict[str, list[_Seen]] = field(default_factory=dict)
    shown: dict[str, Json] | None = None
    shown_written: int | None = None
    duplicates: int = 0


class Logbook:
    """The writer. One owner thread; other processes may read and leave orders.

    Every method that writes either stores all of it or raises ``CannotRecord`` and
    stores nothing; then the same call can be made again.
    """

    def __init__(self, store: Writable) -> None:
        """Take over an open connection; see :meth:`open`."""
        self._store = store
        self.folder = store.folder
        self._series = {key: number for number, key in store.read(series_names).items()}
        self._counters = store.read(_last_counters)
        self._shown = store.read(_shown)
        self._shown_written: int | None = None

    @classmethod
    def open(cls, folder: Path | str, *, create: bool = True) -> Self:
        """Open the logbook in a folder, made with rights 0700 where it is missing.

        Raises:
            NoLogbook: There is none and ``create`` is false.
            LogbookNewer: A newer program wrote it.
            LogbookDamaged: It is damaged.
            CannotRecord: The card does not let it be opened.
        """
        store = Writable(Path(folder), create=create)
        store.lengthen_log()
        return cls(store)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close it; what was committed is on the card anyway."""
        self._store.close()

    def commit(self, batches: Sequence[Batch]) -> Committed:
        """Store batches in order, all or nothing.

        A reading with a stamp is stored once for its (stamp, series, value, counter);
        one with only a counter is compared with the last 200 of its sensor; one with
        neither is always stored.

        Raises:
            CannotRecord: Nothing was stored; commit the same batches again later.
            LogbookDamaged: The file is damaged.
        """
        draft, committed = self._store.run(lambda connection: self._committed(connection, batches))
        self._learn(draft)
        return committed

    def reserve_numbers(self, count: int) -> range:
        """Set aside alarm numbers; none of them is given out again, even after a crash."""

        def work(connection: sqlite3.Connection) -> range:
            first = _number(connection, "next number", 1)
            put_meta(connection, "next number", str(first + count))
            return range(first, first + count)

        return self._store.run(work)

    def seal(self, until: int) -> SealedHours:
        """Pack the hours that ended by ``until`` into pages; a second call finds nothing to do.

        Late readings reopen their page; the journal says so.
        """

        def work(connection: sqlite3.Connection) -> SealedHours:
            return _sealed(connection, until)

        before = self._store.read(sealed_state)
        if until // HOUR <= before.hour and not self._store.read(lambda c: _has_late(c, before)):
            return SealedHours(0, 0)
        done = self._store.run(work)
        self._store.lay_ballast()
        return done

    def import_pages(self, entries: Iterable[Entry]) -> importing.Imported:
        """Put readings of a file into the pages of their own hours; see ``importing``.

        ``at`` and ``now`` are the entry's own instants, which may lie before the room's
        start (see ``Archive.room_instant``). A second import stores nothing.
        """
        listed = list(entries)

        def work(connection: sqlite3.Connection) -> tuple[_Draft, importing.Imported]:
            draft = _Draft()
            counts = importing.put(connection, listed, lambda key: self._series_id(connection, key, draft))
            return draft, counts

        draft, counts = self._store.run(work)
        self._learn(draft)
        return counts

    def save_snapshot(self, now: int, row: int, state: bytes, *, pinned: bool = False) -> None:
        """Keep the engine's state after ``row``; ``pinned`` (changed settings) is kept for good."""
        packed = zlib.compress(state, 6)

        def work(connection: sqlite3.Connection) -> None:
            number = connection.execute("SELECT ifnull(max(id), 0) + 1 FROM snapshots").fetchone()[0]
            seen = _snapshot_digest((number, now, row, int(pinned)), state)
            connection.execute(
                "INSERT INTO snapshots (id, now, row, pinned, state, digest) VALUES (?, ?, ?, ?, ?, ?)",
                (number, now, row, int(pinned), packed, seen),
            )
            connection.execute(
                "DELETE FROM snapshots WHERE pinned = 0 AND id NOT IN"
                " (SELECT id FROM snapshots ORDER BY id DESC LIMIT ?)",
                (SNAPSHOTS_KEPT,),
            )

        self._store.run(work)

    def newest_snapshots(self) -> list[Snapshot]:
        """Give the snapshots that are whole, newest first."""
        return self._store.read(read_snapshots)

    def orders_waiting(self) -> list[Asked]:
        """Give the orders that the watch has not taken, oldest first."""
        return self._store.read(waiting_orders)

    def outbox_waiting(self, now: int) -> list[Alert]:
        """Give the alerts due by ``now``: highest priority first, then oldest."""
        return self._store.read(lambda connection: waiting_alerts(connection, now))

    def note_boot(self, boot: str, now: int, offset: int | None, *, trusted: bool) -> None:
        """Journal how wall clock and room time stand in this boot (``offset`` = Unix ms - room time).

        Said again with other numbers it puts the labels right; with the same ones it writes nothing.
        """
        body: dict[str, Json] = {"boot": boot, "offset": offset, "trusted": trusted}

        def work(connection: sqlite3.Connection) -> None:
            row = connection.execute(
                "SELECT body FROM journal WHERE kind = 'clock' ORDER BY row DESC LIMIT 1"
            ).fetchone()
            if row is None or json.loads(row[0]) != body:
                append_journal(connection, (Entered(now, Kind.CLOCK, body),))

        self._store.run(work)

    def last_instant(self) -> int | None:
        """Give the newest room time that was ever stored, None in an empty logbook."""
        return self._store.read(last_instant)

    def last_row(self) -> int:
        """Give the newest row number of recent, 0 where there is none."""
        return self._store.read(_last_row)

    def trim(self, now: int, *, uplink: bool = False) -> int:
        """Delete recent rows older than 72 h that are in a verified page.

        Args:
            now: Room time, ms.
            uplink: An uplink is configured: nothing ahead of its cursor goes.

        Returns:
            How many rows went.
        """
        return self._store.run(lambda connection: retention.trim(connection, now, uplink=uplink))

    def trim_full(self, now: int) -> retention.Freed:
        """Make room on a card that is nearly full: one step each call; see ``retention``."""
        return self._store.run(lambda connection: retention.trim_full(connection, now))

    def room_left(self) -> retention.Room:
        """Tell how much the card and the file itself can still take."""
        return self._store.read(lambda connection: retention.room_left(connection, self.folder))

    def _learn(self, draft: _Draft) -> None:
        self._series.update(draft.series)
        for sensor, seen in draft.counters.items():
            self._counters.setdefault(sensor, deque(maxlen=COUNTERS_KEPT)).extend(seen)
        if draft.shown is not None:
            self._shown = draft.shown
        if draft.shown_written is not None:
            self._shown_written = draft.shown_written

    def _committed(
        self, connection: sqlite3.Connection, batches: Sequence[Batch]
    ) -> tuple[_Draft, Committed]:
        draft = _Draft()
        row = _last_row(connection)
        firsts: list[int | None] = []
        ids: list[int] = []
        for batch in batches:
            before = row
            for entry in batch.entries:
                row += self._stored(connection, entry, row + 1, draft)
            firsts.append(before + 1 if row > before else None)
            append_journal(connection, batch.journal)
            for alarm in batch.alarms:
                put_alarm(connection, alarm)
            ids += put_alerts(connection, batch.alerts)
            update_alerts(connection, batch.delivered)
            put_answers(connection, batch.answers)
        self._show(connection, batches, draft)
        return draft, Committed(row, draft.duplicates, tuple(firsts), tuple(ids))

    def _stored(self, connection: sqlite3.Connection, entry: Entry, row: int, draft: _Draft) -> bool:
        """Store one reading as ``row``; False where it is a duplicate."""
        raw = thousandths(entry.raw)
        if entry.counter is not None:
            seen = (entry.quantity.value, entry.counter, raw)
            if entry.stamp is None and self._counted(entry.sensor, seen, draft):
                draft.duplicates += 1
                return False
            draft.counters.setdefault(entry.sensor, []).append(seen)
        series = self._series_id(connection, (entry.sensor, entry.quantity), draft)
        note = printable(entry.note) if entry.note else None
        stamp, counter = storable(entry.stamp), storable(entry.counter)
        values = (row, entry.now, series, entry.at, raw, entry.quality.code, stamp, counter, note)
        said = None if stamp is None else (stamp, series, raw, counter)
        if said is not None and not stamps.claim(connection, row, said):
            draft.duplicates += 1
            return False
        connection.execute(_INSERT, (*values, mark(*values)))
        return True

    def _counted(self, sensor: str, seen: _Seen, draft: _Draft) -> bool:
        return seen in draft.counters.get(sensor, ()) or seen in self._counters.get(sensor, ())

    def _series_id(self, connection: sqlite3.Connection, key: Key, draft: _Draft) -> int:
        known = self._series.get(key) or draft.series.get(key)
        if known is None:
            known = draft.series[key] = _made_series(connection, key)
        return known

    def _show(self, connection: sqlite3.Connection, batches: Sequence[Batch], draft: _Draft) -> None:
        changes: dict[str, Json] = {}
        for batch in batches:
            changes.update(batch.shown)
        if not changes:
            return
        shown = draft.shown = {
            key: value for key, value in (self._shown | changes).items() if value is not None
        }
        now, before = batches[-1].now, self._shown_written
        urgent = any(batch.urgent for batch in batches)
        if urgent or before is None or now - before >= SHOWN_EVERY or shown.keys() != self._shown.keys():
            put_shown(connection, now, shown)
            draft.shown_written = now


def read_snapshots(connection: sqlite3.Connection) -> list[Snapshot]:
    """Read the snapshots that are whole, newest first."""
    found = []
    for *head, packed, seen in connection.execute(
        "SELECT id, now, row, pinned, state, digest FROM snapshots ORDER BY id DESC"
    ):
        try:
            state = zlib.decompress(packed)
        except zlib.error:
            continue
        if _snapshot_digest(tuple(head), state) == seen:
            found.append(Snapshot(head[1], head[2], state))
    return found


def _snapshot_digest(head: tuple[int, ...], state: bytes) -> bytes:
    return chained(state, *head)


def _number(connection: sqlite3.Connection, name: str, default: int) -> int:
    row = connection.execute("SELECT value FROM meta WHERE name = ?", (name,)).fetchone()
    return default if row is None else int(row[0])


def _last_row(connection: sqlite3.Connection) -> int:
    row = connection.execute("SELECT max(row) FROM recent").fetchone()[0]
    return max(row or 0, _number(connection, "row floor", 0))


def _made_series(connection: sqlite3.Connection, key: Key) -> int:
    sensor, quantity = key[0], key[1].value
    row = connection.execute(
        "SELECT id FROM series WHERE sensor = ? AND quantity = ?", (sensor, quantity)
    ).fetchone()
    if row is not None:
        return int(row[0])
    number = int(connection.execute("SELECT ifnull(max(id), 0) + 1 FROM series").fetchone()[0])
    if number >= 1 << SERIES_BITS:
        raise OverflowError(f"a logbook holds at most {1 << SERIES_BITS} series")
    connection.execute(
        "INSERT INTO series (id, sensor, quantity, mark) VALUES (?, ?, ?, ?)",
        (number, sensor, quantity, mark(number, sensor, quantity, None, None)),
    )
    return number


def _last_counters(connection: sqlite3.Connection) -> dict[str, deque[_Seen]]:
    """Read the last 200 counted readings of each sensor, out of the newest rows."""
    found: dict[str, deque[_Seen]] = {}
    rows = connection.execute(
        "SELECT sensor, s.quantity, counter, raw FROM (SELECT * FROM recent ORDER BY row DESC LIMIT 50000) r"
        " JOIN series s ON s.id = r.series WHERE counter IS NOT NULL ORDER BY row"
    )
    for sensor, quantity, counter, raw in rows:
        found.setdefault(sensor, deque(maxlen=COUNTERS_KEPT)).append((Quantity(quantity).value, counter, raw))
    return found


def _shown(connection: sqlite3.Connection) -> dict[str, Json]:
    row = connection.execute("SELECT body FROM shown").fetchone()
    return {} if row is None else shown_of(row[0])


def _has_late(connection: sqlite3.Connection, sealed: Sealed) -> bool:
    row = connection.execute(
        "SELECT 1 FROM recent WHERE row > ? AND at < ? LIMIT 1", (sealed.row, sealed.hour * HOUR)
    ).fetchone()
    return row is not None


def _sealed(connection: sqlite3.Connection, until: int) -> SealedHours:
    before = sealed_state(connection)
    hour = max(until // HOUR, before.hour)
    additions = waiting_rows(connection, before, hour)
    names = series_names(connection)
    reopened = []
    for key in sorted(additions):
        existed = add_to_page(connection, key, additions[key], names)
        if existed or key >> SERIES_BITS < before.hour:
            reopened.append(key)
    seal_hours(connection, (key >> SERIES_BITS for key in additions))
    note_hours(connection, additions)
    _journal_reopened(connection, until, [(key, len(additions[key].rows)) for key in reopened], names)
    last = _last_row(connection)
    first = connection.execute(
        "SELECT min(row) FROM recent WHERE row >= ? AND at >= ?", (before.first, hour * HOUR)
    ).fetchone()[0]
    put_meta(connection, "sealed", json.dumps([hour, last, last + 1 if first is None else first]))
    return SealedHours(len(additions) - len(reopened), len(reopened))


def _journal_reopened(
    connection: sqlite3.Connection, now: int, reopened: list[tuple[int, int]], names: dict[int, Key]
) -> None:
    hours: dict[int, list[Json]] = {}
    for key, count in reopened:
        sensor, quantity = names[key & SERIES_MASK]
        added: Json = {"sensor": sensor, "quantity": quantity.value, "readings": count}
        hours.setdefault(key >> SERIES_BITS, []).append(added)
    entered = [
        Entered(now, Kind.REOPENED, {"from": hour * HOUR, "to": (hour + 1) * HOUR, "added": added})
        for hour, added in sorted(hours.items())
    ]
    append_journal(connection, entered)
