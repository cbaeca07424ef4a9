"""Rehearsal: recorded nights judged by proposed settings, beside the current ones.

Both are judged by the one engine, each in a process of its own where there is much to
judge; each reads the record once. Nothing is written anywhere, so that an interrupt leaves nothing behind.
"""

import signal
from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

from daemon.logbook import Archive, CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook
from daemon.night import Window
from daemon.rehearsal_difference import difference, load, remembered
from daemon.rehearsal_judge import WARM_UP, judge
from daemon.rehearsal_values import Judged, Rehearsal, Task
from daemon.settings import Loaded
from rules.reading import SECOND, Quality

Told = Callable[[int], None]
"""Told how many readings were judged so far."""

Both = tuple[Loaded, Loaded]
"""The current settings and the proposed ones."""

FEW = 10_000
"""So few readings are judged sooner than a second process starts."""

_UNREADABLE = (NoLogbook, LogbookNewer, LogbookDamaged, CannotRecord)
_FILES = frozenset({Quality.IMPORTED, Quality.IMPORTED_LATE})


def window_of(archive: Archive, since: int | None) -> Window | None:
    """Give the last stretch of the record.

    Args:
        archive: The logbook.
        since: How long before the end of the record it begins (ms), or None: all of it.

    Returns:
        None where nothing is recorded.
    """
    span = archive.span()
    if span is None:
        return None
    newest = [entry for entry in archive.latest().values() if not entry.sensor.startswith("watch/")]
    live = any(entry.quality not in _FILES for entry in newest)
    ends = [entry.now for entry in newest] or [span[1]]
    last = archive.last_instant() if live else None
    end = max(*ends, span[0], last or 0) + SECOND
    return Window(span[0] if since is None else max(span[0], end - since), end)


def rehearse(both: Both, folder: Path, window: Window, told: Told, *, orders: bool = True) -> Rehearsal:
    """Judge the recorded nights of a window by two settings.

    Args:
        both: The settings to compare with, and those to try.
        folder: Folder of the logbook.
        window: The nights that count.
        told: Told how many readings were judged so far.
        orders: Orders of those nights are given again.

    Raises:
        NoLogbook, LogbookNewer, LogbookDamaged, CannotRecord: The record cannot be read.
    """
    current, proposed = both
    unheard = _unheard(current, proposed, folder)
    mine = Task(current, folder, window, orders, yardstick=True)
    other = Task(proposed, folder, window, orders, unheard)
    few = _readings(mine) < FEW
    was, will = (judge(mine, told), judge(other, told)) if few else _both(mine, other, told)
    return compared(was, will, folder, window, orders=orders)


def _readings(task: Task) -> float:
    """Guess how many readings there are to judge."""
    with Archive.open(task.folder) as archive:
        first, last = archive.span() or (0, 0)
    length = min(last, task.window.end) - max(first, task.window.start - WARM_UP)
    paces = (
        len(sensor.quantities) / sensor.read.every
        for place in task.loaded.model.place
        for sensor in place.sensor
    )
    return max(length, 0) * sum(paces)


def compared(was: Judged, will: Judged, folder: Path, window: Window, *, orders: bool = True) -> Rehearsal:
    """Put two findings beside each other."""
    with Archive.open(folder) as archive:
        rows = archive.alarms(window.start, window.end)
    changes = remembered(difference(was, will, window), rows)
    loads = (load(was, was.trouble, window), load(will, was.trouble, window))
    return Rehearsal(window, was, will, loads, changes, orders)


def _unheard(current: Loaded, proposed: Loaded, folder: Path) -> frozenset[str]:
    """Name the sensors that only the proposal knows and of which nothing is recorded."""
    with Archive.open(folder) as archive:
        heard = {sensor for sensor, _ in archive.series()}
    return frozenset(_sensors(proposed) - _sensors(current) - heard)


def _sensors(loaded: Loaded) -> set[str]:
    return {name for place in loaded.model.place for name in place.sensor_names()}


# -- two processes ------------------------------------------------------------------------


def _both(mine: Task, other: Task, told: Told) -> tuple[Judged, Judged]:
    """Judge one here and the other in a child, at the same time."""
    context = get_context("spawn")
    here, there = context.Pipe(duplex=False)
    child = context.Process(target=_beside, args=(there, other), name="rehearsal", daemon=True)
    child.start()
    there.close()
    try:
        found = judge(mine, told)
        return found, _answer(here, told)
    finally:
        here.close()
        child.terminate()
        child.join()


def _answer(here: Connection, told: Told) -> Judged:
    """Wait for the child's finding; it says how far it is."""
    try:
        while not isinstance(said := here.recv(), Judged):
            if isinstance(said, Exception):
                raise said
            told(int(said))
    except EOFError:
        raise RuntimeError("the process of the proposed settings has ended without an answer") from None
    return said


def _beside(there: Connection, task: Task) -> None:
    """The child: the parent hears of an interrupt and ends it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        there.send(judge(task, there.send))
    except BrokenPipeError:
        return
    except _UNREADABLE as error:
        there.send(error)
