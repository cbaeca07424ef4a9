"""Bytes at rest for each reading, beside the table that one would write by hand.

A day of 60 sensors at 30 s, noise of 0.01 °C, sealed; all of the tables that stay count:
pages, seals, series. The baseline is a table (sensor, time, value) with an index, filled with
the same readings.
"""

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from daemon.logbook import Logbook
from daemon.logbook.schema import FILE
from rules.reading import HOUR, SECOND
from tests.bench.figure import Figure, bounded, compared
from tests.kit.logbooks import BASE, night

BOUND = 3.5
SENSORS = 60
HOURS = 24
EVERY = 30 * SECOND
KEPT = ("pages", "pages_late", "seals", "series")


def figures() -> list[Figure]:
    """Measure the sealed logbook and the table by hand."""
    with tempfile.TemporaryDirectory() as folder:
        ours, packed = sealed_bytes(Path(folder, "state"))
        by_hand = table_bytes(Path(folder, "by_hand.db"))
    name = "bytes at rest per reading after sealing, at 30 s"
    note = (
        f"the readings themselves take {packed:.2f} of it; the entropy of their steps is 0.42 "
        "(deviation 0.0245 °C in steps of 0.01)"
    )
    return [
        bounded(name, ours, by_hand, bound=BOUND, note=note),
        compared("the same beside a table with an index", ours, by_hand),
    ]


def sealed_bytes(folder: Path) -> tuple[float, float]:
    """Give bytes a reading of the tables that stay, and of the packed readings alone."""
    with Logbook.open(folder) as logbook:
        waiting = []
        for batch in night(SENSORS, HOURS * HOUR // EVERY, EVERY):
            waiting.append(batch)
            if len(waiting) == HOUR // EVERY:
                logbook.commit(waiting)
                waiting = []
                logbook.seal(batch.now + EVERY)
        logbook.seal(BASE + (HOURS + 1) * HOUR)
    with closing(sqlite3.connect(folder / FILE)) as connection:
        count, packed = connection.execute("SELECT sum(n), sum(length(packed)) FROM pages").fetchone()
        marks = ",".join("?" * len(KEPT))
        size = connection.execute(f"SELECT sum(pgsize) FROM dbstat WHERE name IN ({marks})", KEPT).fetchone()[
            0
        ]
    return size / count, packed / count


def table_bytes(path: Path) -> float:
    """Give bytes a reading of a table by hand."""
    count = 0
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE readings (sensor INTEGER, time REAL, value REAL)")
        connection.execute("CREATE INDEX by_sensor ON readings (sensor, time)")
        for batch in night(SENSORS, HOURS * HOUR // EVERY, EVERY):
            rows = [(number, one.at / 1000, one.raw) for number, one in enumerate(batch.entries)]
            connection.executemany("INSERT INTO readings VALUES (?, ?, ?)", rows)
            count += len(rows)
        connection.commit()
    return path.stat().st_size / count
