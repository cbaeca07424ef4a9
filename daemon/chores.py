"""Chores: what the watch does to its own logbook by the clock.

Sealing and trimming run on the recorder's thread after a commit, a backup on a thread of
its own; the judge waits for none of them.
"""

from collections.abc import Callable
from pathlib import Path

from daemon.logbook import Logbook
from rules.reading import HOUR, MINUTE
from sensors.reader import Boottime

SEAL_AFTER = 2 * MINUTE
"""An hour is sealed when it has been over for so long (ms)."""


class Chores:
    """Says what is due. Owned by the judge's thread."""

    def __init__(self, folder: Path, boottime: Boottime) -> None:
        """Begin; the first sealing comes soon after the start."""
        self._folder = folder
        self._boottime = boottime
        self._sealed = 0

    def due(self, now: int, *, uplink: bool) -> Callable[[Logbook], None] | None:
        """Give the work on the logbook that is due, or None."""
        hour = (now - SEAL_AFTER) // HOUR
        if hour == self._sealed:
            return None
        self._sealed = hour

        def work(logbook: Logbook) -> None:
            logbook.seal(hour * HOUR)
            logbook.trim(now, uplink=uplink)

        return work
