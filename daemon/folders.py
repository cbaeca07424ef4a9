"""Where the logbook lies, and that only one watch writes by it."""

import fcntl
import os
from collections.abc import Mapping
from pathlib import Path

from daemon.settings import Loaded

LOCK = "watch.lock"
"""Held by the running watch, beside the logbook."""


def data_folder(loaded: Loaded, env: Mapping[str, str] = os.environ) -> Path:
    """Give the folder of the logbook: the service's, else the config's, relative to its file."""
    given = env.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(given) if given else loaded.path.absolute().parent / loaded.model.room.data


def backup_folders(loaded: Loaded, folder: Path) -> tuple[Path, ...]:
    """Give the folders of copies: beside the logbook, and the second one where there is one."""
    second = loaded.model.backup.second
    beside = folder / "backups"
    return (beside,) if second is None else (beside, loaded.path.absolute().parent / second)


class Taken(Exception):  # noqa: N818 - says what is
    """Another watch runs by this logbook."""


class WatchLock:
    """Held from start to end of a watch; the kernel lets it go when the process dies."""

    def __init__(self, folder: Path) -> None:
        """Take it.

        Raises:
            Taken: Another process holds it.
        """
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._file = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._file)
            raise Taken(f"another watch runs by the logbook in {folder}") from None

    def release(self) -> None:
        """Let it go."""
        os.close(self._file)


def watched(folder: Path) -> bool:
    """Tell whether a watch runs by the logbook of a folder."""
    try:
        lock = WatchLock(folder)
    except Taken:
        return True
    lock.release()
    return False
