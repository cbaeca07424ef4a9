"""Copies of the logbook: made beside the running watch, verified, put back.

A copy is one file, ``logbook-20261124T031500Z.db``, with a small file beside it that
holds its digest and row counts. It is a consistent state of one instant: readings that
come meanwhile are not in it and do not wait for it.

Kept are 7 daily, 4 weekly and 12 monthly ones. A copy on the same card saves from a
damaged file, not from a dead card: give a second path on another one.
"""

import hashlib
import json
import os
import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from daemon.logbook.errors import (
    SQL_ERRORS,
    CannotRecord,
    LogbookDamaged,
    LogbookNewer,
    NoLogbook,
    of_system,
    translated,
)
from daemon.logbook.naming import Names
from daemon.logbook.schema import FILE, make_private_folder, open_file, open_readable
from daemon.logbook.verifying import damage, quick_damage

SLICE_PAGES = 100
"""Pages copied at a time: 400 kB."""

REST = 0.01
"""Rest between slices (s): the card belongs to the watch first."""

KEPT_DAILY, KEPT_WEEKLY, KEPT_MONTHLY = 7, 4, 12
"""How many copies of each kind stay."""

_STAMP = "%Y%m%dT%H%M%SZ"
_COUNTED = ("recent", "pages", "journal", "seals", "alarms", "egg_log", "outbox", "orders")


@dataclass(frozen=True, slots=True)
class Backup:
    """One copy.

    Attributes:
        path: The file.
        made: Unix ms at which it was made.
        size: Bytes.
        rows: Rows of each table.
        digest: SHA-256 of the file, hexadecimal.
    """

    path: Path
    made: int
    size: int
    rows: dict[str, int]
    digest: str


def make(folder: Path, target: Path, made: int, *, rest: float = REST) -> Backup:
    """Copy the logbook of a folder, verify the copy, and drop copies that are too many.

    Args:
        folder: The data folder; the watch may go on writing.
        target: Folder of the copies; made where it is missing.
        made: Unix ms, for its name.
        rest: Rest between slices, s.

    Returns:
        The copy, which was read back and found whole.

    Raises:
        NoLogbook: There is no logbook.
        LogbookDamaged: The logbook or the copy is damaged; older copies stay.
        CannotRecord: The card of the copies does not take it; nothing half-made stays.
    """
    final = target / f"logbook-{datetime.fromtimestamp(made / 1000, UTC).strftime(_STAMP)}.db"
    half = final.with_suffix(".half")
    try:
        make_private_folder(target)
        rows = _copied(folder, half, rest)
        _sync_file(half)
        backup = Backup(final, made, half.stat().st_size, rows, _digest(half))
        found = _found_in(half, rows)
        if found:
            raise LogbookDamaged(f"the copy is damaged: {found[0]}")
        _write_side(backup)
        half.replace(final)
        _sync_folder(target)
    except OSError as error:
        raise of_system(error) from error
    finally:
        with suppress(OSError):
            half.unlink(missing_ok=True)
    _drop_surplus(target)
    return backup


def make_all(folder: Path, targets: list[Path], made: int) -> list[Backup | CannotRecord]:
    """Copy to each place in turn; trouble with one place does not stop the next.

    Raises:
        NoLogbook: There is no logbook.
        LogbookDamaged: The logbook is damaged.
    """
    done: list[Backup | CannotRecord] = []
    for target in targets:
        try:
            done.append(make(folder, target, made))
        except CannotRecord as trouble:
            done.append(trouble)
    return done


def listed(target: Path) -> list[Backup]:
    """Give the copies in a folder, newest first; without a check of their content."""
    found = []
    for path in sorted(target.glob("logbook-*.db"), reverse=True):
        try:
            made = datetime.strptime(path.stem.removeprefix("logbook-"), _STAMP).replace(tzinfo=UTC)
            side = json.loads(_side(path).read_text())
            found.append(
                Backup(path, int(made.timestamp() * 1000), side["size"], side["rows"], side["sha256"])
            )
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return found


def verify(path: Path, *, deep: bool = True, names: Names | None = None) -> list[str]:
    """Check one copy; give what is wrong with it, in words. Empty: it is good.

    Args:
        path: The copy.
        deep: Check each page's digest and the journal too, not only the whole file's.
        names: What a keeper calls sensors and how instants are written.
    """
    try:
        side = json.loads(_side(path).read_text())
        rows, size, digest = dict(side["rows"]), int(side["size"]), str(side["sha256"])
        if _digest(path) == digest:
            return _found_in(path, rows, deep=deep, names=names)
        there = path.stat().st_size
    except (OSError, ValueError, KeyError, TypeError) as error:
        said = f"what was noted when it was made ({_side(path).name}) cannot be read"
        return [f"{path.name} cannot be checked: {said}: {error}"]
    cut = f": {there} of its {size} bytes are there" if there != size else ""
    return [f"{path.name} was changed after it was made{cut}", *_found_in(path, rows, deep=deep, names=names)]


def unlisted(target: Path) -> list[Path]:
    """Give files that are named like copies and have no good note beside them: nobody would use them."""
    known = {backup.path for backup in listed(target)}
    return [path for path in sorted(target.glob("logbook-*.db"), reverse=True) if path not in known]


def newest_good(*targets: Path) -> Backup | None:
    """Give the newest copy that is whole, out of all places; None where there is none."""
    every = [backup for target in targets for backup in listed(target)]
    every.sort(key=lambda backup: backup.made, reverse=True)
    return next((backup for backup in every if not verify(backup.path, deep=False)), None)


def put_back(backup: Path, folder: Path, aside: str) -> list[Path]:
    """Put a copy in the logbook's place; what was there is kept under another name.

    No watch may run. The caller opens the logbook afterwards and says so in its journal
    (``recovery.restore`` does both).

    Args:
        backup: The copy.
        folder: The data folder.
        aside: Word for the names of what is moved aside ("20261124T031500Z").

    Returns:
        The files that were moved aside.

    Raises:
        CannotRecord: The card does not take it; the logbook is as it was.
    """
    half = folder / f"{FILE}.half"
    try:
        make_private_folder(folder)
        shutil.copyfile(backup, half)
        half.chmod(0o600)
        _sync_file(half)
        moved = move_aside(folder, aside)
        half.replace(folder / FILE)
        _sync_folder(folder)
    except OSError as error:
        with suppress(OSError):
            half.unlink(missing_ok=True)
        raise of_system(error) from error
    return moved


def move_aside(folder: Path, aside: str) -> list[Path]:
    """Rename the logbook and its side files, so that nothing of a damaged one is lost."""
    moved = []
    for suffix in ("", "-wal", "-shm"):
        path = folder / f"{FILE}{suffix}"
        if path.exists():
            kept = folder / f"damaged-{aside}.db{suffix}"
            path.replace(kept)
            moved.append(kept)
    return moved


def _copied(folder: Path, half: Path, rest: float) -> dict[str, int]:
    """Copy one consistent state slice by slice; give its row counts."""
    half.unlink(missing_ok=True)
    os.close(os.open(half, os.O_CREAT | os.O_RDWR, 0o600))
    try:
        with closing(open_readable(folder)) as source, closing(sqlite3.connect(half)) as copy:
            source.execute("BEGIN")
            rows = _rows(source)
            source.backup(copy, pages=SLICE_PAGES, sleep=0, progress=_resting(rest))
    except SQL_ERRORS as error:
        raise translated(error) from error
    return rows


def _resting(rest: float) -> Callable[[int, int, int], None]:
    """Rest after each slice; SQLite's own sleep only counts when the file is busy."""

    def progress(_status: int, remaining: int, _total: int) -> None:
        if remaining and rest:
            time.sleep(rest)

    return progress


def _rows(connection: sqlite3.Connection) -> dict[str, int]:
    return {
        table: int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])  # noqa: S608 - constants
        for table in _COUNTED
    }


def _found_in(
    path: Path, rows: dict[str, int], *, deep: bool = True, names: Names | None = None
) -> list[str]:
    """Look into a file, deeply or not; ``names``: what a keeper calls things."""
    try:
        with closing(open_file(path, immutable=True)) as connection:
            found = damage(connection, names) if deep else quick_damage(connection)
            seen = {} if found else _rows(connection)
    except (LogbookDamaged, LogbookNewer, NoLogbook, CannotRecord) as error:
        return [str(error)]
    except SQL_ERRORS as error:
        return [str(translated(error))]
    return found + [
        f"{name}: {seen[name]} rows instead of {rows.get(name)}"
        for name in seen
        if seen[name] != rows.get(name)
    ]


def _drop_surplus(target: Path) -> None:
    backups = listed(target)
    kept: set[Path] = set()
    for form, count in (("%Y-%m-%d", KEPT_DAILY), ("%G-%V", KEPT_WEEKLY), ("%Y-%m", KEPT_MONTHLY)):
        newest: dict[str, Path] = {}
        for backup in backups:
            newest.setdefault(datetime.fromtimestamp(backup.made / 1000, UTC).strftime(form), backup.path)
        kept.update(list(newest.values())[:count])
    for backup in backups:
        if backup.path not in kept:
            with suppress(OSError):
                backup.path.unlink()
                _side(backup.path).unlink()


def _side(path: Path) -> Path:
    return path.with_suffix(".json")


def _write_side(backup: Backup) -> None:
    side = _side(backup.path)
    body = json.dumps({"sha256": backup.digest, "size": backup.size, "rows": backup.rows})
    number = os.open(side, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
    with os.fdopen(number, "w") as file:
        file.write(body)
        file.flush()
        os.fsync(file.fileno())


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sync_file(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
