"""What can go wrong with the logbook, by blame and remedy."""

import errno
import sqlite3
from enum import StrEnum


class Trouble(StrEnum):
    """Why the card did not take what was to be recorded."""

    FULL = "the card is full"
    READ_ONLY = "the card has become read-only"
    IO = "the card does not read or write"
    BUSY = "another process holds the logbook"
    CANNOT_OPEN = "the logbook cannot be opened"


class CannotRecord(Exception):  # noqa: N818 - says what happened
    """Nothing of this commit was stored; the same batches can be committed again.

    Attributes:
        code: Why.
        retryable: True where trying again may help without anyone doing anything.
    """

    def __init__(self, code: Trouble, detail: str = "") -> None:
        """Say why in one sentence."""
        super().__init__(f"{code.value} ({detail})" if detail else code.value)
        self.code = code
        self.retryable = code in (Trouble.BUSY, Trouble.IO)


class LogbookNewer(Exception):  # noqa: N818 - says what happened
    """The logbook was written by a newer program; it is left as it is."""


class LogbookDamaged(Exception):  # noqa: N818 - says what happened
    """The logbook cannot be trusted or is none: restore a backup."""


class NoLogbook(Exception):  # noqa: N818 - says what happened
    """There is no logbook in that folder yet."""


class TooSlow(Exception):  # noqa: N818 - says what happened
    """A question to the archive took longer than it was given."""


def of_system(error: OSError) -> CannotRecord:
    """Give our exception for the operating system's."""
    codes = {
        errno.ENOSPC: Trouble.FULL,
        errno.EDQUOT: Trouble.FULL,
        errno.EROFS: Trouble.READ_ONLY,
        errno.EIO: Trouble.IO,
    }
    return CannotRecord(codes.get(error.errno or 0, Trouble.CANNOT_OPEN), error.strerror or str(error))


_TROUBLES = {
    sqlite3.SQLITE_FULL: Trouble.FULL,
    sqlite3.SQLITE_READONLY: Trouble.READ_ONLY,
    sqlite3.SQLITE_IOERR: Trouble.IO,
    sqlite3.SQLITE_NOLFS: Trouble.IO,
    sqlite3.SQLITE_PROTOCOL: Trouble.BUSY,
    sqlite3.SQLITE_BUSY: Trouble.BUSY,
    sqlite3.SQLITE_LOCKED: Trouble.BUSY,
    sqlite3.SQLITE_CANTOPEN: Trouble.CANNOT_OPEN,
    sqlite3.SQLITE_PERM: Trouble.CANNOT_OPEN,
    sqlite3.SQLITE_AUTH: Trouble.CANNOT_OPEN,
}
SQL_ERRORS = (sqlite3.Error, UnicodeDecodeError)
"""What SQLite raises; of a damaged name even its message is no text."""

_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def translated(error: Exception) -> Exception:
    """Give our exception for SQLite's; a mistake of the program stays what it is."""
    if isinstance(error, UnicodeDecodeError):
        return LogbookDamaged("the logbook is damaged: a name in it is no text")
    code = getattr(error, "sqlite_errorcode", None)
    if code is None:
        undecodable = isinstance(error, sqlite3.OperationalError) and "decode" in str(error)
        return LogbookDamaged(f"the logbook is damaged: {error}") if undecodable else error
    primary = code & 0xFF
    if primary in _DAMAGE:
        return LogbookDamaged(f"the logbook is damaged: {error}")
    if primary == sqlite3.SQLITE_INTERRUPT:
        return TooSlow("the question took too long")
    if primary in _TROUBLES:
        return CannotRecord(_TROUBLES[primary], getattr(error, "sqlite_errorname", str(error)))
    return error
