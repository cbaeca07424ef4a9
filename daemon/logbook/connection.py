"""One writable connection: all or nothing, and the ballast.

``Writable.run`` is the only way in which anything is written. Either the whole of
the work is on the card when it returns, or nothing of it is.
"""

import os
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from daemon.logbook.errors import (
    SQL_ERRORS,
    CannotRecord,
    Trouble,
    translated,
)
from daemon.logbook.schema import BALLAST, BALLAST_BYTES, CHECKPOINT_PAGES, FILE, PAGE_BYTES, open_writable

Result = TypeVar("Result")

Work = Callable[[sqlite3.Connection], Result]
"""What is done inside one transaction; may run again, so it changes nothing outside."""


class Writable:
    """A connection that writes; owned by one thread.

    After trouble with the card the connection is opened anew at the next run: SQLite's
    own view of a file that failed is not to be trusted.
    """

    def __init__(self, folder: Path, *, create: bool = True) -> None:
        """Open; raises what ``schema.open_writable`` raises."""
        self.folder = folder
        self._connection: sqlite3.Connection | None = open_writable(folder, create=create)
        self.lay_ballast()

    def lengthen_log(self) -> None:
        """Give the write-ahead log its full length at once, as zeros.

        A log that grows makes the file system write its own journal with every commit; one
        that is overwritten in place does not. SQLite takes zeros for the end of the log.
        The write lock is held meanwhile, so nobody else appends.
        """
        self.run(lambda _: _lengthened(self.folder / f"{FILE}-wal"))

    def run(self, work: Work[Result]) -> Result:
        """Do the work in one transaction and commit it.

        Returns:
            What the work returned.

        Raises:
            CannotRecord: Nothing was stored; the same can be run again.
            LogbookDamaged: The file is damaged.
        """
        try:
            return self._tried(work)
        except CannotRecord as trouble:
            if trouble.code is not Trouble.FULL or not self._drop_ballast():
                raise
        return self._tried(work)

    def read(self, work: Work[Result]) -> Result:
        """Ask outside any transaction; raises as :meth:`run`."""
        try:
            return work(self._opened())
        except SQL_ERRORS as error:
            raise self._translated(error) from error

    def lay_ballast(self) -> None:
        """Put the ballast (back) where the card has ten times its room to spare."""
        path = self.folder / BALLAST
        with suppress(OSError):
            if path.exists() and path.stat().st_size >= BALLAST_BYTES:
                return
            if shutil.disk_usage(self.folder).free < 10 * BALLAST_BYTES:
                return
            number = os.open(path, os.O_CREAT | os.O_WRONLY, 0o600)
            try:
                os.posix_fallocate(number, 0, BALLAST_BYTES)
            finally:
                os.close(number)

    def close(self) -> None:
        """Close; the last one to close moves the write-ahead log into the file."""
        if self._connection is not None:
            connection, self._connection = self._connection, None
            with suppress(sqlite3.Error):
                connection.close()

    def _drop_ballast(self) -> bool:
        path = self.folder / BALLAST
        with suppress(OSError):
            path.unlink()
            return True
        return False

    def _opened(self) -> sqlite3.Connection:
        if self._connection is None:
            self._connection = open_writable(self.folder, create=False)
        return self._connection

    def _tried(self, work: Work[Result]) -> Result:
        connection = self._opened()
        try:
            connection.execute("BEGIN IMMEDIATE")
            result = work(connection)
            connection.execute("COMMIT")
        except SQL_ERRORS as error:
            self._roll_back(connection)
            raise self._translated(error) from error
        except BaseException:
            self._roll_back(connection)
            raise
        return result

    def _roll_back(self, connection: sqlite3.Connection) -> None:
        with suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")

    def _translated(self, error: Exception) -> Exception:
        ours = translated(error)
        if isinstance(ours, CannotRecord) and ours.code in (
            Trouble.IO,
            Trouble.READ_ONLY,
            Trouble.CANNOT_OPEN,
        ):
            self.close()
        return ours


def _lengthened(log: Path) -> None:
    """Append zeros up to the length that the log has at a checkpoint; no room, no zeros."""
    with suppress(OSError), log.open("ab", buffering=0) as file:
        missing = CHECKPOINT_PAGES * (PAGE_BYTES + 24) - file.tell()
        if missing > 0 and shutil.disk_usage(log.parent).free > 10 * missing:
            file.write(bytes(missing))
            os.fsync(file.fileno())
