"""Progress of long work: one line on a terminal, nothing elsewhere."""

import sys
import time
from typing import TextIO

EVERY = 0.2
"""The line is drawn at most this often (s)."""


class Progress:
    """Counts on one line of a terminal. Silent where the stream is none.

    Args:
        words: What is counted ("lines read").
        stream: Where to; standard error by default.
    """

    def __init__(self, words: str, stream: TextIO | None = None) -> None:
        self._words = words
        self._stream = stream or sys.stderr
        self._shown = self._stream.isatty()
        self._drawn = 0.0

    def __call__(self, count: int) -> None:
        """Say how far the work is."""
        if not self._shown or time.monotonic() - self._drawn < EVERY:
            return
        self._drawn = time.monotonic()
        self._stream.write(f"\r{count:,} {self._words}")
        self._stream.flush()

    def end(self) -> None:
        """Take the line away."""
        if self._shown and self._drawn:
            self._stream.write("\r\033[K")
            self._stream.flush()
