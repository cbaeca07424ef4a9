"""Long work beside the watch: a child with a job and a deadline. Polled, never waited for.

Copying and checking the logbook, looking back over a night and drawing cost seconds of
computing on a small board. A child does it at low priority, and its memory goes back
when it ends. What it says comes as one JSON object a line.
"""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from daemon.record import Json

_CHUNK = 65_536


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
        self._rest = b""
        self._child = _started(json.dumps(job).encode())
        assert self._child.stdout is not None  # noqa: S101 - asked for as a pipe just above
        self._pipe = self._child.stdout
        os.set_blocking(self._pipe.fileno(), False)

    def poll(self) -> list[dict[str, Json]]:
        """Give what it said since; past its time it is killed here."""
        said = self._heard()
        if self._child.poll() is not None:
            said += self._heard()
            self._pipe.close()
        elif time.monotonic() >= self._ends:
            self._kill()
        return said

    @property
    def ended(self) -> bool:
        """Tell whether the child is gone and all that it said has been given."""
        return self._pipe.closed

    @property
    def working(self) -> bool:
        """Tell whether it is still at work within its time; what it says is kept for ``poll``."""
        if not self.ended:
            self._fill()
        return not self.ended and self._child.poll() is None and time.monotonic() < self._ends

    def end(self) -> None:
        """End it now; may take 1 s."""
        if not self.ended:
            self._kill()
            with suppress(subprocess.TimeoutExpired):
                self._child.wait(1.0)
            self._pipe.close()

    def _kill(self) -> None:
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self._child.pid, signal.SIGKILL)

    def _fill(self) -> None:
        """Take what is in the pipe, so that the child need not wait."""
        while chunk := _read(self._pipe.fileno()):
            self._rest += chunk

    def _heard(self) -> list[dict[str, Json]]:
        """Read whole lines; what is no object is left out."""
        if self._pipe.closed:
            return []
        self._fill()
        *lines, self._rest = self._rest.split(b"\n")
        return [said for line in lines if (said := _object(line)) is not None]


def _read(fd: int) -> bytes:
    """Read without waiting; nothing there and end of file are both empty."""
    try:
        return os.read(fd, _CHUNK)
    except BlockingIOError:
        return b""


def _object(line: bytes) -> dict[str, Json] | None:
    try:
        said = json.loads(line)
    except ValueError:
        return None
    return said if isinstance(said, dict) else None


def _started(job: bytes) -> subprocess.Popen[bytes]:
    """Start the child in a process group of its own, its job in an anonymous file in memory."""
    fd = os.memfd_create("job")
    try:
        os.write(fd, job)
        os.lseek(fd, 0, os.SEEK_SET)
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "daemon.sideline_jobs"],
            stdin=fd,
            stdout=subprocess.PIPE,
            bufsize=0,
            env=_environment(),
            start_new_session=True,
        )
    finally:
        os.close(fd)


def _environment() -> dict[str, str]:
    """The parent's environment without its line to the service manager."""
    left_out = {"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"}
    kept = {name: value for name, value in os.environ.items() if name not in left_out}
    kept["PYTHONPATH"] = str(Path(__file__).resolve().parents[1])
    return kept
