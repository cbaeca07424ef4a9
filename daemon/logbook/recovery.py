"""What the watch does when its logbook is damaged: it goes on, and says what is missing."""

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from daemon.logbook.backup import Backup, move_aside, newest_good, put_back, verify
from daemon.logbook.connection import Writable
from daemon.logbook.errors import (
    SQL_ERRORS,
    CannotRecord,
    LogbookDamaged,
    LogbookNewer,
    NoLogbook,
    translated,
)
from daemon.logbook.schema import FILE, ROWS_SKIPPED, open_file, open_readable
from daemon.logbook.sealing import put_meta
from daemon.logbook.tables import append_journal, last_instant
from daemon.logbook.verifying import quick_damage
from daemon.record import Entered, Json, Kind

NUMBERS_SKIPPED = 1000
"""Alarm numbers left out after a restore: those given since the copy are not given again."""

FIRST_NUMBER = 100_001
"""First alarm number where nothing is left to tell which ones were given."""


EMPTY = "the logbook is empty, though there is a copy of one"
"""An empty file is a first start that did not come far, or a card that lost what it had."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """What was done about a damaged logbook.

    Attributes:
        damage: What was found, in words.
        aside: Where the damaged files lie now.
        backup: The copy that was put back, or None: an empty logbook was begun.
        last: Newest room time in the restored logbook, or None. What came after it until
            now is missing.
    """

    damage: tuple[str, ...]
    aside: tuple[Path, ...]
    backup: Backup | None
    last: int | None


def checked(folder: Path) -> list[str]:
    """Check the logbook as far as a start has time for (seconds for a year); empty: it is good.

    Raises:
        LogbookNewer: A newer program wrote it: nothing is to be repaired.
        NoLogbook: There is none.
        CannotRecord: The card cannot be read: the file itself may be good.
    """
    try:
        with closing(open_readable(folder)) as connection:
            return quick_damage(connection)
    except LogbookDamaged as error:
        return [str(error)]
    except SQL_ERRORS as error:
        ours = translated(error)
        if isinstance(ours, LogbookDamaged):
            return [str(ours)]
        raise ours from error


def recover_on_start(folder: Path, backups: tuple[Path, ...], now: int, wall: int) -> Recovered | None:
    """Make sure that there is a sound logbook before the watch starts.

    Args:
        folder: The data folder.
        backups: Folders of copies.
        now: Room time if it is known, for the journal (the restored logbook's last instant
            counts where it is later), ms.
        wall: Unix ms, for names.

    Returns:
        None where nothing was wrong (or there is no logbook yet, nor a copy of one), else what was done.

    Raises:
        LogbookNewer: A newer program wrote it: nothing was touched.
        CannotRecord: The card does not let it be read or written.
    """
    try:
        found = checked(folder)
    except NoLogbook:
        found = [EMPTY] if (folder / FILE).exists() else []
    if not found:
        return None
    backup = newest_good(*backups)
    if backup is None and found == [EMPTY]:
        return None
    aside = datetime.fromtimestamp(wall / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    moved = move_aside(folder, aside) if backup is None else put_back(backup.path, folder, aside)
    last = _settled(folder, (backup, _numbers_given(moved)), now, found)
    return Recovered(tuple(found), tuple(moved), backup, last)


def restore(backup: Path, folder: Path, now: int, wall: int) -> Recovered:
    """Put a copy back because a keeper says so; the present logbook is moved aside. No watch may run.

    Raises:
        LogbookDamaged: The copy is not whole; nothing was touched.
        CannotRecord: The card does not take it.
    """
    found = verify(backup)
    if found:
        raise LogbookDamaged(f"the copy is not whole: {found[0]}")
    aside = datetime.fromtimestamp(wall / 1000, UTC).strftime("%Y%m%dT%H%M%SZ")
    moved = put_back(backup, folder, aside)
    used = Backup(backup, wall, backup.stat().st_size, {}, "")
    last = _settled(folder, (used, _numbers_given(moved)), now, [])
    return Recovered((), tuple(moved), used, last)


def _settled(folder: Path, used: tuple[Backup | None, int | None], now: int, found: list[str]) -> int | None:
    """Journal what was done, and leave out the numbers that were given since the copy."""
    backup, given = used
    store = Writable(folder)

    def work(connection: sqlite3.Connection) -> int | None:
        last = last_instant(connection)
        _skip_numbers(connection, given, begun=backup is None)
        body: dict[str, Json] = {
            "from": last,
            "to": now,
            "backup": None if backup is None else backup.path.name,
            "damage": list(found),
        }
        append_journal(connection, (Entered(max(now, last or now), Kind.RESTORED, body),))
        return last

    try:
        return store.run(work)
    finally:
        store.close()


def _numbers_given(moved: list[Path]) -> int | None:
    """Read the next alarm number out of what was moved aside, if it can still be read."""
    try:
        with closing(open_file(moved[0])) as connection:
            row = connection.execute("SELECT value FROM meta WHERE name = 'next number'").fetchone()
            return None if row is None else int(row[0])
    except (IndexError, ValueError, *SQL_ERRORS, LogbookDamaged, LogbookNewer, NoLogbook, CannotRecord):
        return None


def _skip_numbers(connection: sqlite3.Connection, given: int | None, *, begun: bool) -> None:
    names = dict(
        connection.execute("SELECT name, value FROM meta WHERE name IN ('next number', 'row floor')")
    )
    row = connection.execute("SELECT ifnull(max(row), 0) FROM recent").fetchone()[0]
    least = FIRST_NUMBER if begun and given is None else int(names.get("next number", 1)) + NUMBERS_SKIPPED
    put_meta(connection, "next number", str(max(least, given or 0)))
    put_meta(connection, "row floor", str(max(row, int(names.get("row floor", 0))) + ROWS_SKIPPED))
