"""Tell when a keeper has saved the settings: the file changed and has stood still since."""

from pathlib import Path

from rules.reading import SECOND

EVERY = 2 * SECOND
"""How often the file is looked at (ms)."""


class Saved:
    """Watches one file. One thread owns it."""

    def __init__(self, path: Path) -> None:
        """Begin with the file as it is now."""
        self._path = path
        self._taken = self._seen = self._look()
        self._due = 0

    def changed(self, now: int) -> bool:
        """Look at the file where a look is due; True once after each saving.

        Args:
            now: Any clock that does not step back, ms.
        """
        if now < self._due:
            return False
        self._due = now + EVERY
        before, self._seen = self._seen, self._look()
        if self._seen in (None, self._taken) or self._seen != before:
            return False
        self._taken = self._seen
        return True

    def _look(self) -> tuple[int, int, int] | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size, found.st_ino
