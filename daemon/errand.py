"""The parent's side of one courier: start it, hear it, end it. Never waits.

The job goes to the child in an anonymous file in memory, so that a large picture
cannot block the parent and no secret is seen in arguments, environment or on the card.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from daemon.courier import DEADLINE, Parcel, Result, packed, result_of
from sensors.reader import Boottime

GRACE = 2_000
"""How long after its deadline a child may still be there before it is killed (ms)."""

START = 3_000
"""How long a child may take to start on a small board (ms): added to its deadline."""

_CHUNK = 65_536


class Errand:
    """One child with one job. One thread owns it.

    Attributes:
        parcels: What it carries.
        open: Ids whose outcome is not known yet.
    """

    def __init__(self, parcels: Sequence[Parcel], boottime: Boottime, deadline: float = DEADLINE) -> None:
        """Start the child; returns in milliseconds.

        Raises:
            OSError: It could not be started (no memory, no process left); retryable.
        """
        self.parcels = tuple(parcels)
        self.open = {parcel.id for parcel in parcels}
        self._boottime = boottime
        self._ends = boottime() + int(deadline * 1000) + START + GRACE
        self._rest = b""
        self._child = _started(packed(parcels, deadline))
        assert self._child.stdout is not None  # noqa: S101 - asked for as a pipe just above
        self._pipe = self._child.stdout
        os.set_blocking(self._pipe.fileno(), False)

    def poll(self) -> list[Result]:
        """Give the outcomes that came since; a child past its time is killed here."""
        results = self._heard()
        if self._child.poll() is not None:
            results += self._heard()
            self._pipe.close()
        elif self._boottime() >= self._ends:
            self._kill()
        return results

    @property
    def ended(self) -> bool:
        """Tell whether the child is gone and all that it said has been given."""
        return self._pipe.closed

    def end(self) -> list[Result]:
        """End the child and whatever it started, now; give what it had said. May take 1 s."""
        results = self._heard()
        if not self.ended:
            self._kill()
            with suppress(subprocess.TimeoutExpired):
                self._child.wait(1.0)
            self._pipe.close()
        return results

    def _kill(self) -> None:
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self._child.pid, signal.SIGKILL)

    def _heard(self) -> list[Result]:
        """Read what is there; half a line waits for its other half."""
        if self._pipe.closed:
            return []
        while chunk := _read(self._pipe.fileno()):
            self._rest += chunk
        *lines, self._rest = self._rest.split(b"\n")
        found = [result_of(line.decode(errors="replace")) for line in lines]
        results = [result for result in found if result is not None and result.id in self.open]
        self.open -= {result.id for result in results}
        return results


Start = Callable[[Sequence[Parcel]], Errand]
"""What starts an errand; raises OSError where it cannot."""


def _read(fd: int) -> bytes:
    """Read without waiting; nothing there and end of file are both empty."""
    try:
        return os.read(fd, _CHUNK)
    except BlockingIOError:
        return b""


def _started(job: bytes) -> subprocess.Popen[bytes]:
    """Start the child in a process group of its own, with a clean environment."""
    fd = os.memfd_create("job")
    try:
        os.write(fd, job)
        os.lseek(fd, 0, os.SEEK_SET)
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "daemon.courier"],
            stdin=fd,
            stdout=subprocess.PIPE,
            bufsize=0,
            env=_environment(),
            start_new_session=True,
        )
    finally:
        os.close(fd)


def _environment() -> dict[str, str]:
    """The parent's environment without our own settings and credentials."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith("OVIGIL_")
        and name not in {"CREDENTIALS_DIRECTORY", "NOTIFY_SOCKET", "WATCHDOG_USEC"}
    }
    kept["PYTHONPATH"] = str(Path(__file__).resolve().parents[1])
    return kept
