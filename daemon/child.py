"""One child process with one job: start it, hear it, end it. Never waits.

The job goes to the child in an anonymous file in memory, so that a large picture cannot
block the parent and no secret is seen in arguments, environment or on the card. What the
child says comes as lines.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

_CHUNK = 65_536

_MANAGER = frozenset({"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"})
"""The line to the service manager: the watch's alone."""


class Child:
    """A child in a process group of its own. One thread owns it."""

    def __init__(self, module: str, job: bytes, kept: Callable[[str], bool] = lambda _: True) -> None:
        """Start ``python -m module`` with ``job`` on its standard input; returns in milliseconds.

        Args:
            module: What it runs.
            job: What it has to do.
            kept: Tells which variables of our environment it may see.

        Raises:
            OSError: It could not be started (no memory, no process left); retryable.
        """
        environment = {
            name: value for name, value in os.environ.items() if name not in _MANAGER and kept(name)
        }
        environment["PYTHONPATH"] = str(Path(__file__).resolve().parents[1])
        self.process = _started(module, job, environment)
        assert self.process.stdout is not None  # noqa: S101 - asked for as a pipe just above
        self._pipe = self.process.stdout
        self._rest = b""
        os.set_blocking(self._pipe.fileno(), False)

    @property
    def ended(self) -> bool:
        """Tell whether it is gone and all that it said has been given."""
        return self._pipe.closed

    @property
    def working(self) -> bool:
        """Tell whether it is still at work; what it says is kept for ``heard``."""
        if self.ended:
            return False
        self._fill()
        return self.process.poll() is None

    def heard(self, *, late: bool) -> list[bytes]:
        """Give the whole lines that came since; one that is ``late`` is killed here."""
        lines = self._lines()
        if self.process.poll() is not None:
            lines += self._lines()
            self._pipe.close()
        elif late:
            self._kill()
        return lines

    def end(self) -> list[bytes]:
        """End it and whatever it started, now; give what it had said. May take 1 s."""
        lines = self._lines()
        if not self.ended:
            self._kill()
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(1.0)
            self._pipe.close()
        return lines

    def _kill(self) -> None:
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self.process.pid, signal.SIGKILL)

    def _fill(self) -> None:
        """Take what is in the pipe, so that the child need not wait."""
        while chunk := _read(self._pipe.fileno()):
            self._rest += chunk

    def _lines(self) -> list[bytes]:
        """Read what is there; half a line waits for its other half."""
        if self.ended:
            return []
        self._fill()
        *lines, self._rest = self._rest.split(b"\n")
        return lines


def _read(fd: int) -> bytes:
    """Read without waiting; nothing there and end of file are both empty."""
    try:
        return os.read(fd, _CHUNK)
    except BlockingIOError:
        return b""


def _started(module: str, job: bytes, environment: dict[str, str]) -> subprocess.Popen[bytes]:
    fd = os.memfd_create("job")
    try:
        os.write(fd, job)
        os.lseek(fd, 0, os.SEEK_SET)
        return subprocess.Popen(  # noqa: S603 - ours
            [sys.executable, "-P", "-m", module],
            stdin=fd,
            stdout=subprocess.PIPE,
            bufsize=0,
            env=environment,
            start_new_session=True,
        )
    finally:
        os.close(fd)
