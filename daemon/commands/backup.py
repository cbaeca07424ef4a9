"""``ovigil backup``: copy, verify or restore the logbook."""

import argparse
import json
import os
import time
from pathlib import Path

from daemon.cli import FOUND, OK, UNAVAILABLE, Plain
from daemon.clock import SystemClock
from daemon.folders import Taken, WatchLock, backup_folders, data_folder
from daemon.logbook import Archive, CannotRecord, LogbookDamaged
from daemon.logbook import backup as copies
from daemon.logbook.recovery import restore
from daemon.record import Json
from daemon.settings import Loaded, load


def backup(given: argparse.Namespace) -> int:
    """Copy the logbook now; or verify it and its copies; or put a copy back."""
    os.umask(0o077)
    loaded = load(given.room)
    folder = data_folder(loaded)
    if given.restore is not None:
        return _restore(given, folder)
    targets = backup_folders(loaded, folder)
    return _verify(given, folder, targets) if given.verify else _copy(given, loaded, folder)


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


def _verify(given: argparse.Namespace, folder: Path, targets: tuple[Path, ...]) -> int:
    """Check every hour page and the journal of the logbook and of each copy."""
    found: dict[str, list[str]] = {"logbook": _damage(folder)}
    for target in targets:
        for one in copies.listed(target):
            found[str(one.path)] = copies.verify(one.path)
    bad = any(found.values())
    if given.json:
        files: list[Json] = [{"file": name, "damage": list(words)} for name, words in found.items()]
        print(json.dumps({"holds": not bad, "files": files}, indent=2))
    else:
        for name, damage in found.items():
            print(f"{name}: {'whole' if not damage else 'DAMAGED'}")
            print("".join(f"    {words}\n" for words in damage), end="")
        if len(found) == 1:
            print("there is no copy yet")
    return FOUND if bad else OK


def _damage(folder: Path) -> list[str]:
    try:
        with Archive.open(folder) as archive:
            return archive.verify()
    except LogbookDamaged as error:
        return [str(error)]


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
