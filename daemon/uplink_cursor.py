"""How far the uplink is: a small file in the data folder.

Others read it: retention keeps what is newer, the page shows how the uplink goes.
"""

import json
import logging
import os
from dataclasses import asdict, dataclass, replace
from pathlib import Path

log = logging.getLogger(__name__)

CURSOR = "uplink.cursor"
"""Its name."""


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far the uplink is: the only thing that it keeps.

    Attributes:
        row: The newest row of recent that is done with; retention keeps what is newer.
        sent: Readings that the store took.
        refused: Readings that it refused one by one.
        skipped: Readings without a value, never sent.
        target: Address and bucket that this holds for; another one begins anew.
        state: In words how it goes, "" when all is well.
    """

    row: int = 0
    sent: int = 0
    refused: int = 0
    skipped: int = 0
    target: str = ""
    state: str = ""


def read_cursor(folder: Path) -> Cursor:
    """Read how far the uplink of the logbook in ``folder`` is.

    Returns:
        The cursor; one at the very beginning where there is none or it is damaged
        (what is still in recent is then sent again, which changes nothing in the store).
    """
    try:
        kept = json.loads((folder / CURSOR).read_text("utf-8"))
        cursor = Cursor(**kept)
        return replace(cursor, row=max(int(cursor.row), 0))
    except FileNotFoundError:
        return Cursor()
    except (OSError, ValueError, TypeError) as error:
        log.warning("the uplink's cursor cannot be read (%s): it begins anew", type(error).__name__)
        return Cursor()


def write_cursor(folder: Path, cursor: Cursor) -> None:
    """Put ``cursor`` on the card, whole or not at all.

    Raises:
        OSError: The card does not take it; the old one is still there.
    """
    fresh = folder / f"{CURSOR}.new"
    write_through(fresh, os.O_TRUNC, json.dumps(asdict(cursor)))
    fresh.replace(folder / CURSOR)
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_through(path: Path, mode: int, text: str) -> None:
    """Write ``text`` through to the card, readable by the owner only.

    Args:
        path: The file; made where it is missing.
        mode: ``os.O_TRUNC`` to replace what is there, ``os.O_APPEND`` to add to it.
        text: What to write.

    Raises:
        OSError: The card does not take it.
    """
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC | mode, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
