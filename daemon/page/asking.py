"""What is too heavy for the page is asked of a command, in a child that gives its memory back.

A page never waits for it: the first one that asks starts the child, a later one shows
what it found.
"""

import json
import subprocess
import sys
import tempfile
import time
from collections import OrderedDict
from pathlib import Path
from typing import IO, Any

FRESH = 600.0
"""An answer serves for so long (s)."""

PATIENCE = 60.0
"""A child that takes longer is given up (s)."""

KEPT = 16
"""So many answers are kept."""

LONGEST = 2_000_000
"""An answer is at most this long (bytes)."""

Words = tuple[str, ...]
"""A command and what follows the config on its line."""


class Asking:
    """Asks one thing at a time. Owned by the page's one thread.

    Args:
        config: The config, or None: nothing can be asked.
    """

    def __init__(self, config: Path | None) -> None:
        self._config = config
        self._child: tuple[Words, subprocess.Popen[bytes], IO[bytes], float] | None = None
        self._found: OrderedDict[Words, tuple[float, Any]] = OrderedDict()

    def ask(self, *words: str) -> tuple[Any, bool]:
        """Ask a command with ``--json``.

        Returns:
            Its answer (None where it has none), and whether it is still being found.
        """
        now = time.monotonic()
        self._hear(now)
        kept = self._found.get(words)
        if kept is not None and now - kept[0] < FRESH:
            return kept[1], False
        if self._config is None:
            return None, False
        if self._child is None:
            self._begin(words, self._config, now)
        return None, True

    def close(self) -> None:
        """End a child under way."""
        if self._child is not None:
            _, child, out, _ = self._child
            child.kill()
            child.wait()
            out.close()
            self._child = None

    def _begin(self, words: Words, config: Path, now: float) -> None:
        name, *rest = words
        command = [sys.executable, "-m", "daemon.cli", name, str(config.absolute()), *rest, "--json"]
        out = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the child
        child = subprocess.Popen(command, stdout=out, stderr=subprocess.DEVNULL)  # noqa: S603 - ours
        self._child = (words, child, out, now)

    def _hear(self, now: float) -> None:
        if self._child is None:
            return
        words, child, out, begun = self._child
        if child.poll() is None and now - begun < PATIENCE:
            return
        answer = None
        if child.returncode == 0:
            out.seek(0)
            answer = _read(out.read(LONGEST))
        self.close()
        self._found[words] = (now, answer)
        self._found.move_to_end(words)
        while len(self._found) > KEPT:
            self._found.popitem(last=False)


def _read(raw: bytes) -> Any:
    try:
        return json.loads(raw)
    except ValueError:
        return None
