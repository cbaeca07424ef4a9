"""Wear: bytes written to the card for each reading, beside a script that commits each one.

The card is a loop device with its own ext4, so that the file system's own writing counts
too. Both sides run on it one after the other. Time is simulated: after each 15 s of it (30
readings) the file system is synchronised; its own timers (5 s for its journal, 30 s for data)
would write no more than that. (Real flash writes whole erase
blocks and so more than this; by how much depends on the card and hits both sides.)
"""

import ctypes
import os
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from daemon.logbook import Logbook
from daemon.record import Batch, Entry
from rules.reading import HOUR, SECOND
from tests.bench.figure import Figure, compared, skipped
from tests.kit.logbooks import BASE, T, night

NAME = "bytes written to the card per reading at 2 readings a second"
BOUND = 1 / 20
SENSORS = 60
EVERY = 30 * SECOND
COMMIT = 15 * SECOND
SYNC = 15 * SECOND
HOURS = 2
SCRIPT_READINGS = 1000
SECTOR = 512
LIMIT = (
    "the limit is the block: a commit must change at least one 4 KiB block of the log, and the file system"
    " writes its own journal for it"
)


class NoCard(Exception):  # noqa: N818 - says what happened
    """A card of our own cannot be made here."""


@dataclass(frozen=True, slots=True)
class Card:
    """A loop device with its own ext4."""

    folder: Path
    device: str

    def written(self) -> int:
        """Give the bytes written to the device since it was made, everything synchronised."""
        self.sync()
        stat = Path("/sys/block", Path(self.device).name, "stat").read_text().split()
        return int(stat[6]) * SECTOR

    def sync(self) -> None:
        """Synchronise this file system alone."""
        number = os.open(self.folder, os.O_RDONLY)
        try:
            ctypes.CDLL(None, use_errno=True).syncfs(number)
        finally:
            os.close(number)


@contextmanager
def own_card(megabytes: int = 256) -> Iterator[Card]:
    """Make a card, and take it away again.

    Raises:
        NoCard: It needs root and loop devices, and one of them is not there.
    """
    if os.geteuid() != 0:
        raise NoCard("a loop device of our own needs root")
    if not all(shutil.which(tool) for tool in ("losetup", "mkfs.ext4", "mount", "umount")):
        raise NoCard("losetup, mkfs.ext4 or mount is missing")
    with tempfile.TemporaryDirectory() as base:
        image, folder = Path(base, "card.img"), Path(base, "card")
        folder.mkdir()
        with image.open("wb") as file:
            file.truncate(megabytes * 2**20)
        _run("mkfs.ext4", "-qF", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))
        device = _run("losetup", "--find", "--show", str(image))
        try:
            _run("mount", device, str(folder))
            try:
                yield Card(folder, device)
            finally:
                _run("umount", str(folder))
        finally:
            _run("losetup", "--detach", device)


def figures() -> list[Figure]:
    """Measure ours and the script on one card."""
    try:
        with own_card() as card:
            ours = our_bytes(card)
            script = script_bytes(card)
    except NoCard as reason:
        return [skipped(NAME, str(reason), bound=BOUND)]
    return [compared(NAME, ours, script, bound=BOUND, note=LIMIT)]


def our_bytes(card: Card, *, stamped: bool = True) -> float:
    """Write hours of readings as the watch does: commits each 15 s, hours sealed, snapshots, what is shown.

    The zeros with which a log begins (2 MB at the first start) are not counted: they are written
    once.
    """
    count = 0
    with Logbook.open(card.folder / "state") as logbook:
        before = card.written()
        waiting: list[Entry] = []
        for now in range(BASE, BASE + HOURS * HOUR + 1, COMMIT):
            waiting += _due(now, stamped=stamped)
            shown = {
                f"box-{n:02}/air/egg temperature/box-{n:02}": 28.0 + now % 97 / 100 for n in range(SENSORS)
            }
            logbook.commit([Batch(now, tuple(waiting), shown=shown)])
            count += len(waiting)
            waiting = []
            if now % HOUR == 0:
                logbook.seal(now)
                logbook.save_snapshot(now, logbook.last_row(), repr(sorted(shown.items())).encode())
            if now % SYNC == 0:
                card.sync()
    return (card.written() - before) / count


def script_bytes(card: Card) -> float:
    """Write readings as a script does: one table with an index, a commit for each."""
    before = card.written()
    with sqlite3.connect(card.folder / "script.db") as connection:
        connection.execute("CREATE TABLE readings (sensor TEXT, time REAL, value REAL)")
        connection.execute("CREATE INDEX by_sensor ON readings (sensor, time)")
        for number in range(SCRIPT_READINGS):
            row = (f"box-{number % SENSORS:02}", (BASE + number * 500) / 1000, 28.0 + number % 97 / 100)
            connection.execute("INSERT INTO readings VALUES (?, ?, ?)", row)
            connection.commit()
            if number % 30 == 29:
                card.sync()
    connection.close()
    return (card.written() - before) / SCRIPT_READINGS


_NIGHT: dict[int, Batch] = {}


def _due(now: int, *, stamped: bool) -> list[Entry]:
    """Give half of the sensors' readings each 15 s: 30 of 60, each every 30 s."""
    if not _NIGHT:
        _NIGHT.update({batch.now: batch for batch in night(SENSORS, HOURS * 120 + 2, EVERY)})
    half = SENSORS // 2 if (now - BASE) % EVERY else 0
    source = _NIGHT[now - (now - BASE) % EVERY].entries[half : half + SENSORS // 2]
    return [
        Entry(one.sensor, T, one.raw, now - SECOND, now, stamp=now - SECOND if stamped else None)
        for one in source
    ]


def _run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NoCard(f"{command[0]}: {done.stderr.strip()}")
    return done.stdout.strip()
