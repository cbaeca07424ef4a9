"""Start with 120 curves and a year of record, and the same after SIGKILL.

From the start of the process to "ready" (the first round done). The baseline is bare: SQLite
opens the same file and reads the newest hour, in a Python of its own. No bound: the ratio is
what a keeper waits for beside what any program would take.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from daemon.logbook import Archive, Logbook
from daemon.logbook.schema import FILE
from daemon.record import Batch, Entered, Entry, Kind
from rules.reading import DAY, HOUR, MINUTE, SECOND, Quantity
from tests.bench.figure import Figure, compared
from tests.kit.broker import Broker, until
from tests.kit.watch import Feeder, Layout, LiveWatch, wall

CURVES = 120
DAYS = 365
EVERY = 10 * MINUTE
BARE = """
import json, sqlite3, sys, time
begun = time.monotonic()
connection = sqlite3.connect(sys.argv[1])
hour = connection.execute("SELECT max(key) >> 16 FROM pages").fetchone()[0]
rows = connection.execute("SELECT * FROM pages WHERE key >> 16 = ?", (hour,)).fetchall()
rows += connection.execute("SELECT * FROM recent ORDER BY row DESC LIMIT ?", (int(sys.argv[2]),)).fetchall()
assert rows
print(json.dumps(time.monotonic() - begun))
"""


def figures() -> list[Figure]:
    """Write a year, then start, kill and start again."""
    with (
        tempfile.TemporaryDirectory() as folder,
        Broker(Path(folder) / "broker", extra=["max_inflight_messages 1000"]) as broker,
    ):
        layout = Layout(sensors=CURVES, every="30 s", window=1000)
        watch = LiveWatch(Path(folder) / "watch", layout, broker)
        write_year(watch.state)
        with watch:
            first = watch.stop() and started(watch)
            with Feeder(watch, pace=0.02):
                until(lambda: len(watch.entries("box-1")) > 2, "readings are recorded", 40)
            watch.kill()
            again = started(watch)
            watch.stop()
            base = bare(watch.state)
            python = python_start()
    note = "from the start of the process to its first round"
    return [
        compared("start with 120 curves and a year of record, s", first, base + python, note=note),
        compared("the same after SIGKILL, s", again, base + python, note=note),
    ]


def started(watch: LiveWatch) -> float:
    """Start and give how long it took until it was ready, s."""
    begun = time.monotonic()
    watch.start(seconds=60)
    return time.monotonic() - begun


def bare(folder: Path) -> float:
    """Give how long bare SQLite takes, s."""
    done = subprocess.run(
        [sys.executable, "-c", BARE, str(folder / FILE), str(CURVES * 120)],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(json.loads(done.stdout))


def python_start() -> float:
    """Give how long Python itself takes to start and end, s: it is a part of both."""
    begun = time.monotonic()
    subprocess.run([sys.executable, "-c", "import sqlite3"], check=True)
    return time.monotonic() - begun


def write_year(folder: Path) -> None:
    """Write pages of a year up to an hour ago, and a settings journal of a year."""
    end = wall() // HOUR * HOUR - HOUR
    with Logbook.open(folder) as logbook:
        logbook.note_boot("a year ago", end - DAYS * DAY, 0, trusted=True)
        for day in range(DAYS):
            start = end - (DAYS - day) * DAY
            logbook.import_pages(list(readings(start)))
        logbook.commit([Batch(end, journal=(Entered(end, Kind.NOTE, {"text": "a year"}),))])
    with Archive.open(folder) as archive:
        assert archive.span() is not None


def readings(start: int) -> list[Entry]:
    """Make one day of all curves."""
    found = []
    for number in range(CURVES):
        for at in range(start, start + DAY, EVERY):
            raw = 29 + (at // EVERY + number) % 50 / 100
            found.append(Entry(f"box-{number}", Quantity.TEMPERATURE, raw, at, at + SECOND))
    return found
