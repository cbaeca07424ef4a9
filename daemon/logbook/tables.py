"""Rows other than readings: journal, alarms, outbox, orders, what is shown.

Each function works inside the caller's transaction.
"""

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence

from daemon.logbook.sealing import put_meta
from daemon.logbook.values import alarm_text, alert_of, alert_text, asked_of, chained, mark, shown_bytes, text
from daemon.record import AlarmRow, Alert, Asked, Entered, Json, Kind

JOURNAL_END = "journal end"
"""Under this name meta holds the last journal entry's number and link: an end that is gone is seen."""


def append_journal(connection: sqlite3.Connection, entries: Iterable[Entered]) -> None:
    """Append to the journal; each entry's digest continues that of the one before."""
    entries = tuple(entries)
    if not entries:
        return
    row, chain = connection.execute(
        "SELECT row, chain FROM journal ORDER BY row DESC LIMIT 1"
    ).fetchone() or (0, b"")
    for entry in entries:
        row += 1
        body = text(entry.body)
        chain = chained(chain, row, entry.now, entry.kind.value, body)
        connection.execute(
            "INSERT INTO journal (row, now, kind, body, chain) VALUES (?, ?, ?, ?, ?)",
            (row, entry.now, entry.kind.value, body, chain),
        )
        if entry.kind is Kind.EGG_LOG:
            clutch = str(entry.body.get("clutch", ""))
            connection.execute(
                "INSERT INTO egg_log (entry, clutch, mark) VALUES (?, ?, ?)", (row, clutch, mark(row, clutch))
            )
    put_meta(connection, JOURNAL_END, json.dumps([row, chain.hex()]))


def put_alarm(connection: sqlite3.Connection, alarm: AlarmRow) -> None:
    """Insert or replace an alarm by its number."""
    body = alarm_text(alarm)
    values = (alarm.number, alarm.raised, alarm.cleared, body)
    connection.execute(
        "INSERT OR REPLACE INTO alarms (number, raised, cleared, body, mark) VALUES (?, ?, ?, ?, ?)",
        (*values, mark(*values)),
    )


def put_alerts(connection: sqlite3.Connection, alerts: Sequence[Alert]) -> list[int]:
    """Put new alerts into the outbox; give their numbers."""
    numbers = []
    for alert in alerts:
        body = alert_text(alert)
        number = connection.execute(
            "INSERT INTO outbox (now, next_try, done, body, mark) VALUES (?, ?, ?, ?, 0)",
            (alert.now, alert.next_try, alert.done, body),
        ).lastrowid
        assert number is not None  # noqa: S101 - an insert into a rowid table has one
        connection.execute(
            "UPDATE outbox SET mark = ? WHERE id = ?",
            (mark(number, alert.now, alert.next_try, alert.done, body), number),
        )
        numbers.append(number)
    return numbers


def update_alerts(connection: sqlite3.Connection, alerts: Sequence[Alert]) -> None:
    """Write the new state of alerts, by their numbers."""
    for alert in alerts:
        body = alert_text(alert)
        seen = mark(alert.id, alert.now, alert.next_try, alert.done, body)
        connection.execute(
            "UPDATE outbox SET now = ?, next_try = ?, done = ?, body = ?, mark = ? WHERE id = ?",
            (alert.now, alert.next_try, alert.done, body, seen, alert.id),
        )


def waiting_alerts(connection: sqlite3.Connection, now: int) -> list[Alert]:
    """Read the alerts due by ``now``: highest priority first, then oldest."""
    rows = connection.execute(
        "SELECT id, body FROM outbox WHERE done IS NULL AND next_try <= ? ORDER BY id", (now,)
    )
    return sorted(
        (alert_of(*row) for row in rows), key=lambda alert: (-alert.priority.rank, alert.now, alert.id)
    )


ASKED = "id, wall, who, source, body, taken, answer"
"""The columns of an order, in the order of its mark."""

SELECT_ORDERS = f"SELECT {ASKED} FROM orders"  # noqa: S608 - constant
"""Reads orders; a condition follows."""


def put_order(
    connection: sqlite3.Connection, wall: int, who: str, source: str, body: Mapping[str, Json]
) -> int:
    """Leave an order; give its number."""
    written = text(body)
    number = connection.execute(
        "INSERT INTO orders (wall, who, source, body, taken, answer, mark) VALUES (?, ?, ?, ?, NULL, '', 0)",
        (wall, who, source, written),
    ).lastrowid
    assert number is not None  # noqa: S101 - an insert into a rowid table has one
    seen = mark(number, wall, who, source, written, None, "")
    connection.execute("UPDATE orders SET mark = ? WHERE id = ?", (seen, number))
    return number


def put_answers(connection: sqlite3.Connection, answers: Sequence[tuple[int, int, str]]) -> None:
    """Mark orders as taken, with the watch's answer."""
    for number, taken, answer in answers:
        row = connection.execute(
            "SELECT wall, who, source, body FROM orders WHERE id = ?", (number,)
        ).fetchone()
        if row is not None:
            seen = mark(number, *row, taken, answer)
            connection.execute(
                "UPDATE orders SET taken = ?, answer = ?, mark = ? WHERE id = ?",
                (taken, answer, seen, number),
            )


def waiting_orders(connection: sqlite3.Connection) -> list[Asked]:
    """Read the orders that the watch has not taken, oldest first."""
    return [asked_of(row) for row in connection.execute(SELECT_ORDERS + " WHERE taken IS NULL ORDER BY id")]


def put_shown(connection: sqlite3.Connection, now: int, shown: Mapping[str, Json]) -> None:
    """Replace what is shown."""
    body = shown_bytes(shown)
    connection.execute(
        "INSERT OR REPLACE INTO shown (id, now, body, mark) VALUES (1, ?, ?, ?)",
        (now, body, mark(1, now, body)),
    )


def last_instant(connection: sqlite3.Connection) -> int | None:
    """Read the newest room time of recent and journal."""
    rows = connection.execute(
        "SELECT (SELECT now FROM recent ORDER BY row DESC LIMIT 1), (SELECT max(now) FROM journal),"
        " (SELECT max(now) FROM snapshots)"
    ).fetchone()
    return max((now for now in rows if now is not None), default=None)
