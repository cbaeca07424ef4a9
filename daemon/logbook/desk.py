"""What other processes may write: an order, and the uplink's cursor."""

import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Self

from daemon.logbook.connection import Writable
from daemon.logbook.sealing import put_meta
from daemon.logbook.tables import put_order
from daemon.record import Json


class Desk:
    """A connection for small writes from page, commands and uplink; one owner thread.

    Leaves checkpoints to the watch.
    """

    def __init__(self, folder: Path | str) -> None:
        """Open the logbook in a folder; raises as ``Logbook.open``, and never makes one."""
        self._store = Writable(Path(folder), create=False)
        self._store.read(lambda connection: connection.execute("PRAGMA wal_autocheckpoint=0").fetchall())

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._store.close()

    def close(self) -> None:
        """Close it."""
        self._store.close()

    def leave_order(self, wall: int, who: str, source: str, body: Mapping[str, Json]) -> int:
        """Leave an order for the watch.

        Args:
            wall: Unix ms.
            who: Who orders.
            source: From where ("command", "page 192.0.2.7").
            body: Verb and its parts.

        Returns:
            Its number; the answer appears in its row once the watch took it.

        Raises:
            CannotRecord: It was not stored.
        """
        return self._store.run(lambda connection: put_order(connection, wall, who, source, body))

    def save_cursor(self, name: str, row: int) -> None:
        """Keep how far a forwarder came (``name`` "uplink")."""
        self._store.run(lambda connection: put_meta(connection, f"cursor:{name}", str(row)))

    def cursor(self, name: str) -> int:
        """Give how far a forwarder came, 0 at first."""

        def work(connection: sqlite3.Connection) -> int:
            row = connection.execute("SELECT value FROM meta WHERE name = ?", (f"cursor:{name}",)).fetchone()
            return 0 if row is None else int(row[0])

        return self._store.read(work)
