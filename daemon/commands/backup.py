"""``ovigil backup``: copy, verify or restore the logbook."""

import argparse
import json
import os
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from enum import Enum, auto
from pathlib import Path

from daemon.cli import FOUND, OK, UNAVAILABLE, Plain
from daemon.clock import SystemClock
from daemon.folders import Taken, WatchLock, backup_folders, data_folder
from daemon.logbook import Archive, CannotRecord, LogbookDamaged, NoLogbook
from daemon.logbook import backup as copies
from daemon.logbook.naming import Names
from daemon.logbook.recovery import EMPTY, restore
from daemon.logbook.schema import FILE
from daemon.logbook.verifying import BROKEN
from daemon.record import Json
from daemon.settings import Loaded, load
from daemon.standing import speaker


class _File(Enum):
    """How far the logbook itself can be trusted."""

    READABLE = auto()
    """Only what was named is in doubt."""
    BROKEN = auto()
    """It is no logbook, or cannot be read as a whole."""
    GONE = auto()
    """It is not there, or empty."""


def backup(given: argparse.Namespace) -> int:
    """Copy the logbook now; or verify it and its copies; or put a copy back."""
    os.umask(0o077)
    loaded = load(given.room)
    folder = data_folder(loaded)
    if given.restore is not None:
        return _restore(given, folder)
    targets = backup_folders(loaded, folder)
    return _verify(given, loaded, targets) if given.verify else _copy(given, loaded, folder)


def _copy(given: argparse.Namespace, loaded: Loaded, folder: Path) -> int:
    targets = list(backup_folders(loaded, folder))
    done = copies.make_all(folder, targets, time.time_ns() // 1_000_000)
    answer: list[Json] = []
    for target, one in zip(targets, done, strict=True):
        if isinstance(one, CannotRecord):
            answer.append({"folder": str(target), "file": None, "trouble": str(one)})
            words = f"{target}: not copied: {one}"
        else:
            rows: dict[str, Json] = dict(one.rows)
            answer.append({"folder": str(target), "file": one.path.name, "size": one.size, "rows": rows})
            words = f"{one.path}: {one.size / 1024**2:.1f} MiB, read back and found whole"
        if not given.json:
            print(words)
    if given.json:
        print(json.dumps({"copies": answer}, indent=2))
    return UNAVAILABLE if any(isinstance(one, CannotRecord) for one in done) else OK


def _verify(given: argparse.Namespace, loaded: Loaded, targets: tuple[Path, ...]) -> int:
    """Check every hour page and the journal of the logbook and of each copy."""
    names, folder = _names(loaded), data_folder(loaded)
    made = sorted((one for target in targets for one in copies.listed(target)), key=lambda one: -one.made)
    loose = [path for target in targets for path in copies.unlisted(target)]
    state, logbook = _damage(folder, names, copied=bool(made))
    found = {str(one.path): copies.verify(one.path, names=names) for one in made}
    found |= {str(path): copies.verify(path, names=names) for path in loose}
    good = next((one for one in made if not found[str(one.path)]), None)
    advice = tuple(_advice(given.room, state if logbook else None, found, good))
    found = {"logbook": logbook} | found
    bad = any(found.values())
    if given.json:
        files: list[Json] = [{"file": name, "damage": list(words)} for name, words in found.items()]
        print(json.dumps({"holds": not bad, "files": files, "advice": list(advice)}, indent=2))
    else:
        for name, damage in found.items():
            print(f"{name}: {'whole' if not damage else 'DAMAGED'}")
            print("".join(f"    {words}\n" for words in damage), end="")
        print("".join(f"{words}\n" for words in advice), end="")
    return FOUND if bad else OK


def _names(loaded: Loaded) -> Names:
    places = {name: place.name for place in loaded.model.place for name in place.sensor_names()}
    return Names(speaker(loaded.model, 0, 0), places)


def _damage(folder: Path, names: Names, *, copied: bool) -> tuple[_File, list[str]]:
    """Say what is wrong with the logbook, and what that makes of the file."""
    try:
        with Archive.open(folder) as archive:
            found = archive.verify(names)
    except LogbookDamaged as error:
        return _File.BROKEN, [str(error)]
    except NoLogbook as error:
        if not copied:
            raise
        return _File.GONE, [EMPTY if (folder / FILE).exists() else str(error)]
    broken = any(words.startswith(BROKEN) for words in found)
    return _File.BROKEN if broken else _File.READABLE, found


def _advice(
    room: Path, logbook: _File | None, found: Mapping[str, list[str]], good: copies.Backup | None
) -> Iterator[str]:
    """Say what a keeper can do about what was found; ``logbook`` is None where it is whole."""
    if logbook is not None and good is not None:
        made = datetime.fromtimestamp(good.made / 1000, UTC)
        yield f"What to do: {_BESIDE_A_COPY[logbook]}"
        yield f"The copy of {made:%Y-%m-%d %H:%M} UTC is whole. To go back to it by hand:"
        yield "    systemctl stop ovigil"
        yield f"    ovigil backup {room} --restore {good.path}"
        yield "What came after that copy is missing then; the logbook of now is kept beside it as damaged-…"
    elif logbook is not None:
        yield f"What to do: {_ALONE[logbook]}"
        yield "There is no whole copy to go back to: first keep the data folder, as it is, on another device."
    if any(found.values()):
        yield "A copy that is damaged is never put back. Put it aside, make a new one and verify again:"
        yield f"    ovigil backup {room}"
    if logbook is not None or any(found.values()):
        yield "A card or stick on which this happens twice is dying: replace it."
    elif not found:
        yield f"There is no copy yet; this makes one: ovigil backup {room}"


_STANDS = "what is not named above is as it was recorded, and the watch goes on."
_BESIDE_A_COPY = {
    _File.READABLE: _STANDS,
    _File.BROKEN: "the logbook cannot be read as a whole; at its next start (systemctl restart ovigil) the"
    " watch sets it aside and goes on from the newest whole copy by itself.",
    _File.GONE: "put the copy back.",
}
_ALONE = {
    _File.READABLE: _STANDS,
    _File.BROKEN: "the logbook cannot be read as a whole.",
    _File.GONE: "there is nothing to read; the copies that were made are damaged too.",
}


def _restore(given: argparse.Namespace, folder: Path) -> int:
    try:
        lock = WatchLock(folder)
    except Taken:
        raise Plain("the watch runs; stop it first (systemctl stop ovigil)", UNAVAILABLE) from None
    try:
        clock = SystemClock()
        wall = clock.wall()
        done = restore(given.restore, folder, wall if clock.trusted() else 0, wall)
    finally:
        lock.release()
    moved = [path.name for path in done.aside]
    if given.json:
        print(json.dumps({"restored": str(given.restore), "aside": moved, "last": done.last}))
    else:
        print(
            f"{given.restore} is the logbook now; what was there is kept as {', '.join(moved) or 'nothing'}"
        )
    return OK
