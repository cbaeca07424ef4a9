"""Long work beside the watch: a child with a job and a deadline. Polled, never waited for.

Copying and checking the logbook, looking back over a night and drawing cost seconds of
computing on a small board. A child does it at low priority, and its memory goes back
when it ends. What it says comes as one JSON object a line.
"""

import json
import time
from collections.abc import Mapping

from daemon.child import Child
from daemon.record import Json


class Sideline:
    """One child with one job. One thread owns it."""

    def __init__(self, job: Mapping[str, Json], deadline: int) -> None:
        """Start the child; returns in milliseconds.

        Args:
            job: What it does, see :mod:`daemon.sideline_jobs`.
            deadline: How long it may take, ms of real time; then it is killed.

        Raises:
            OSError: It could not be started.
        """
        self._ends = time.monotonic() + deadline / 1000
        self._child = Child("daemon.sideline_jobs", json.dumps(job).encode())

    def poll(self) -> list[dict[str, Json]]:
        """Give what it said since, without what is no object; past its time it is killed here."""
        lines = self._child.heard(late=time.monotonic() >= self._ends)
        return [said for line in lines if (said := _object(line)) is not None]

    @property
    def ended(self) -> bool:
        """Tell whether the child is gone and all that it said has been given."""
        return self._child.ended

    @property
    def working(self) -> bool:
        """Tell whether it is still at work within its time; what it says is kept for ``poll``."""
        return self._child.working and time.monotonic() < self._ends

    def end(self) -> None:
        """End it now; may take 1 s."""
        self._child.end()


def _object(line: bytes) -> dict[str, Json] | None:
    try:
        said = json.loads(line)
    except ValueError:
        return None
    return said if isinstance(said, dict) else None
