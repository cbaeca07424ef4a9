"""The tables of the logbook and how its file is opened.

One file, ``logbook.db``, in a folder of its own (0700, files 0600). SQLite in WAL
mode with ``synchronous=FULL``: what is committed survives a power cut on a card
that keeps its word.

Room time begins at the wall clock's Unix ms where that is trusted at the first
start, else at :data:`FIXED_BASE`; so instants look like Unix ms and an import lies
before the room's start. Values are stored as thousandths, ``NULL`` is no value.

Row numbers of recent are given by the writer, one above the newest row, which is never
deleted: they never come back. (SQLite's AUTOINCREMENT would do the same for one page
more in every commit.)

Every row that is not covered by a digest carries ``mark``, a CRC-32 over its
content: SQLite's own check does not see a flipped bit in a value.
"""

import os
import sqlite3
from pathlib import Path

from daemon.logbook.errors import (
    SQL_ERRORS,
    LogbookDamaged,
    LogbookNewer,
    NoLogbook,
    of_system,
    translated,
)

FILE = "logbook.db"
"""Name of the logbook in the data folder."""

BALLAST = "ballast"
"""A file that only takes room, given up when the card is full."""

BALLAST_BYTES = 1_000_000
"""Its size: enough for the alarms of a bad day."""

VERSION = 1
"""Version of the tables (``user_version``)."""

APPLICATION = 0x6F766967
"""``application_id``: "ovig"."""

FIXED_BASE = 1_000_000_000_000
"""Where room time begins when the first start knows no trusted wall clock (ms)."""

SERIES_BITS = 16
"""A page's key is hour << 16 | series: sealing appends at the end of the table."""

PAGE_BYTES = 4096
"""SQLite's page = a block of the file system: a torn write cannot hurt a neighbour."""

CHECKPOINT_PAGES = 500
"""The write-ahead log goes into the file at this many pages (2 MB, half an hour of a usual room)."""

BUSY_MS = 5000
"""How long a connection waits for another process (ms)."""

ROWS_SKIPPED = 1_000_000
"""Row numbers of recent left out after a restore: those given since the copy are not given again."""

TABLES = """
CREATE TABLE series (
  id INTEGER PRIMARY KEY, sensor TEXT NOT NULL, quantity TEXT NOT NULL,
  first_hour INTEGER, last_hour INTEGER, mark INTEGER NOT NULL, UNIQUE (sensor, quantity));
CREATE TABLE recent (
  row INTEGER PRIMARY KEY, now INTEGER NOT NULL, series INTEGER NOT NULL, at INTEGER NOT NULL,
  raw INTEGER, quality INTEGER NOT NULL, stamp INTEGER, counter INTEGER, note TEXT,
  mark INTEGER NOT NULL);
CREATE TABLE stamps (key INTEGER PRIMARY KEY, row INTEGER NOT NULL);
CREATE TABLE pages (
  key INTEGER PRIMARY KEY, n INTEGER NOT NULL, counted INTEGER NOT NULL,
  low INTEGER, high INTEGER, total INTEGER NOT NULL,
  first_row INTEGER, last_row INTEGER, stamped INTEGER NOT NULL, flags INTEGER NOT NULL,
  late_until INTEGER, packed BLOB, digest BLOB NOT NULL);
CREATE INDEX pages_late ON pages (late_until) WHERE late_until IS NOT NULL;
CREATE TABLE seals (
  id INTEGER PRIMARY KEY, hour INTEGER NOT NULL, pages INTEGER NOT NULL,
  digest BLOB NOT NULL, chain BLOB NOT NULL);
CREATE TABLE snapshots (
  id INTEGER PRIMARY KEY, now INTEGER NOT NULL, row INTEGER NOT NULL,
  pinned INTEGER NOT NULL, state BLOB NOT NULL, digest BLOB NOT NULL);
CREATE TABLE journal (
  row INTEGER PRIMARY KEY, now INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL,
  chain BLOB NOT NULL);
CREATE INDEX journal_now ON journal (now);
CREATE INDEX journal_clock ON journal (row) WHERE kind = 'clock';
CREATE TABLE egg_log (entry INTEGER PRIMARY KEY, clutch TEXT NOT NULL, mark INTEGER NOT NULL);
CREATE INDEX egg_log_clutch ON egg_log (clutch, entry);
CREATE TABLE alarms (
  number INTEGER PRIMARY KEY, raised INTEGER NOT NULL, cleared INTEGER, body TEXT NOT NULL,
  mark INTEGER NOT NULL);
CREATE INDEX alarms_open ON alarms (number) WHERE cleared IS NULL;
CREATE INDEX alarms_raised ON alarms (raised);
CREATE TABLE orders (
  id INTEGER PRIMARY KEY AUTOINCREMENT, wall INTEGER NOT NULL, who TEXT NOT NULL,
  source TEXT NOT NULL, body TEXT NOT NULL, taken INTEGER, answer TEXT NOT NULL,
  mark INTEGER NOT NULL);
CREATE INDEX orders_waiting ON orders (id) WHERE taken IS NULL;
CREATE TABLE outbox (
  id INTEGER PRIMARY KEY AUTOINCREMENT, now INTEGER NOT NULL, next_try INTEGER NOT NULL,
  done INTEGER, body TEXT NOT NULL, mark INTEGER NOT NULL);
CREATE INDEX outbox_waiting ON outbox (next_try) WHERE done IS NULL;
CREATE TABLE shown (id INTEGER PRIMARY KEY, now INTEGER NOT NULL, body BLOB NOT NULL, mark INTEGER NOT NULL);
CREATE TABLE meta (name TEXT PRIMARY KEY, value TEXT NOT NULL, mark INTEGER NOT NULL) WITHOUT ROWID;
"""


def open_writable(folder: Path, *, create: bool = True) -> sqlite3.Connection:
    """Open the logbook for writing; its owner is the calling thread.

    Args:
        folder: The data folder; made (0700) where it is missing and ``create`` says so.
        create: Make folder, file and tables where there are none.

    Returns:
        A connection without implicit transactions.

    Raises:
        NoLogbook: There is none and ``create`` is false.
        LogbookNewer: A newer program wrote it.
        LogbookDamaged: It is damaged, or is something else.
        CannotRecord: The card does not let it be opened.
    """
    path = folder / FILE
    if not create and not path.exists():
        raise NoLogbook(f"there is no logbook in {folder}")
    connection: sqlite3.Connection | None = None
    try:
        _make_file(folder, path)
        connection = sqlite3.connect(path, timeout=BUSY_MS / 1000, isolation_level=None)
        _prepare(connection)
    except SQL_ERRORS as error:
        _close(connection)
        raise translated(error) from error
    except OSError as error:
        raise of_system(error) from error
    except (LogbookNewer, LogbookDamaged):
        _close(connection)
        raise
    return connection


def open_readable(folder: Path) -> sqlite3.Connection:
    """Open the logbook for reading only, from any process.

    Raises:
        NoLogbook: There is none.
        LogbookNewer: A newer program wrote it.
        LogbookDamaged: It is damaged, or is something else.
        CannotRecord: The card does not let it be opened.
    """
    return open_file(folder / FILE)


def open_file(path: Path, *, immutable: bool = False) -> sqlite3.Connection:
    """Open one logbook file for reading only.

    Args:
        path: The file: the logbook or a backup.
        immutable: Nobody writes it (a backup): leaves no side files.

    Raises:
        NoLogbook: There is no such file.
        LogbookNewer: A newer program wrote it.
        LogbookDamaged: It is damaged, or is something else.
        CannotRecord: The card does not let it be opened.
    """
    if not path.exists():
        raise NoLogbook(f"there is no logbook at {path}")
    address = path.absolute().as_uri() + ("?mode=ro&immutable=1" if immutable else "?mode=ro")
    connection: sqlite3.Connection | None = None
    try:
        connection = sqlite3.connect(address, uri=True, timeout=BUSY_MS / 1000, isolation_level=None)
        connection.execute("PRAGMA query_only=1")
        empty = not _known(connection)
    except SQL_ERRORS as error:
        _close(connection)
        raise translated(error) from error
    except (LogbookNewer, LogbookDamaged):
        _close(connection)
        raise
    if empty:
        connection.close()
        raise NoLogbook(f"the logbook at {path} has no tables yet")
    return connection


def make_private_folder(folder: Path) -> None:
    """Make a folder that only its owner can read (0700), with its parents."""
    if not folder.exists():
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.chmod(0o700)


def _make_file(folder: Path, path: Path) -> None:
    """SQLite gives its side files the rights of the main file."""
    make_private_folder(folder)
    if not path.exists():
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))


def _close(connection: sqlite3.Connection | None) -> None:
    if connection is not None:
        connection.close()


def _known(connection: sqlite3.Connection) -> bool:
    """Tell whether it is a logbook that we can read; False where it is empty."""
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if tables == 0 and application in (0, APPLICATION):
        return False
    if application != APPLICATION:
        raise LogbookDamaged("this file is not a logbook of ovigil")
    if version > VERSION:
        raise LogbookNewer(
            f"this logbook has version {version}, this program knows {VERSION}: install the newer program"
        )
    return True


def _prepare(connection: sqlite3.Connection) -> None:
    fresh = not _known(connection)
    if fresh:
        connection.execute(f"PRAGMA page_size={PAGE_BYTES}")
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}")
    connection.execute("PRAGMA cache_size=-2048")
    connection.execute("PRAGMA temp_store=MEMORY")
    if fresh:
        _make_tables(connection)


def _make_tables(connection: sqlite3.Connection) -> None:
    connection.execute("BEGIN IMMEDIATE")
    if not _known(connection):
        for statement in TABLES.split(";"):
            if statement.strip():
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id={APPLICATION}")
        connection.execute(f"PRAGMA user_version={VERSION}")
    connection.execute("COMMIT")
