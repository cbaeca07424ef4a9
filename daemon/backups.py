"""The nightly copy of the logbook, made by a child."""

from collections.abc import Iterator
from pathlib import Path

from daemon.folders import backup_folders
from daemon.history import History
from daemon.record import Entered, Json, Kind
from daemon.settings import Loaded
from daemon.sideline import Sideline
from daemon.timetable import Moment, daily_due
from rules.reading import HOUR

LONGEST = 2 * HOUR
"""A copy may take so long (ms): a year of a large room on a slow card."""

AGAIN = 6 * HOUR
"""After a copy that failed the next one is tried so much later (ms)."""


class Backups:
    """Makes a copy each night. Owned by the judge's thread.

    Attributes:
        trouble: What is wrong with the copies, "" where nothing is, None before the first.
    """

    def __init__(self, folder: Path, history: History) -> None:
        """Begin with nothing under way."""
        self._folder = folder
        self._last = history.born if history.backup is None else history.backup
        self._again: int | None = None
        self._child: Sideline | None = None
        self._results: list[dict[str, Json]] = []
        self.trouble: str | None = None

    def poll(self, moment: Moment, loaded: Loaded) -> Iterator[Entered]:
        """Begin what is due; give the journal entry of what has ended."""
        if self._child is not None:
            self._results += self._child.poll()
            if self._child.ended:
                self._child = None
                yield self._ended(moment.now)
            return
        again = self._again is not None and moment.now >= self._again
        if again or daily_due(loaded.model.backup.at, moment, self._last):
            self._last, self._again, self._results = moment.now, None, []
            yield from self._begin(moment, loaded)

    @property
    def busy(self) -> bool:
        """Tell whether a copy is being made."""
        return self._child is not None and self._child.working

    def stop(self) -> None:
        """End a copy under way; nothing half-made stays under its final name."""
        if self._child is not None:
            self._child.end()
            self._child = None

    def _begin(self, moment: Moment, loaded: Loaded) -> Iterator[Entered]:
        targets: list[Json] = [str(folder) for folder in backup_folders(loaded, self._folder)]
        made = moment.now + (moment.offset or 0)
        job: dict[str, Json] = {
            "job": "backup",
            "folder": str(self._folder),
            "targets": targets,
            "made": made,
        }
        try:
            self._child = Sideline(job, LONGEST)
        except OSError as fault:
            self._results = [{"trouble": f"it could not be begun ({fault.strerror})"}]
            yield self._ended(moment.now)

    def _ended(self, now: int) -> Entered:
        results: list[Json] = [*self._results] or [{"trouble": "it ended without a word"}]
        troubles = [str(one["trouble"]) for one in self._results if "trouble" in one]
        if not self._results:
            troubles = ["it ended without a word"]
        self._again = now + AGAIN if troubles else None
        self.trouble = f"the nightly backup failed: {troubles[0]}" if troubles else ""
        return Entered(now, Kind.BACKUP, {"holds": not troubles, "copies": results})
