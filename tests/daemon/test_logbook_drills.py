"""Killed writers, full cards, flipped bits, readers meanwhile."""

import contextlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daemon.logbook import Archive, CannotRecord, Logbook, LogbookDamaged, LogbookNewer, NoLogbook, Trouble
from daemon.logbook.backup import verify
from daemon.logbook.errors import SQL_ERRORS
from daemon.logbook.schema import FILE, open_file
from daemon.logbook.verifying import damage
from daemon.record import AlarmRow, Alert, Batch, Entered, Kind
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import HOUR
from tests.kit.logbooks import BASE, entry, facts, night

ROOT = Path(__file__).parents[2]

WRITER = """
import sys
from daemon.logbook import Logbook
from daemon.record import Batch, Entry, Entered, Kind
from tests.kit.logbooks import BASE, entry
from rules.reading import HOUR
with Logbook.open(sys.argv[1]) as logbook:
    first = logbook.last_row() // 3
    for number in range(first, first + 100_000):
        now = number * 40_000
        entries = tuple(entry(f"s{k}", 20 + number % 7, now, stamp=number) for k in range(3))
        logbook.commit([Batch(BASE + now, entries, journal=(Entered(BASE + now, Kind.NOTE, {"n": number}),))])
        print(number, flush=True)
        if number % 90 == 0:
            logbook.seal(BASE + now)
            logbook.reserve_numbers(5)
"""

READER = """
import sys, time
from daemon.logbook import Archive
end = time.monotonic() + float(sys.argv[2])
seen = asked = 0
with Archive.open(sys.argv[1]) as archive:
    while time.monotonic() < end:
        entries = list(archive.replay(0, 2**60))
        order = [(e.now, e.at, e.sensor) for e in entries]
        assert order == sorted(order)
        assert len(entries) % 3 == 0 and len(set(order)) == len(order), "half a round or twice"
        assert len(entries) >= seen, "something went away"
        seen, asked = len(entries), asked + 1
print(seen, asked)
"""


def python(code: str, *arguments: object) -> "subprocess.Popen[str]":
    """Start a Python that sees the packages."""
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )


class TestKilled:
    def test_ten_kills_lose_nothing_that_was_committed(self, tmp_path: Path) -> None:
        """SIGKILL at random: every acknowledged commit is there whole, once, and all digests fit."""
        dice = random.Random(4)
        acked = -1
        for _ in range(10):
            writer = python(WRITER, tmp_path)
            assert writer.stdout is not None
            writer.stdout.readline()
            time.sleep(dice.uniform(0.02, 0.3))
            os.kill(writer.pid, signal.SIGKILL)
            lines = [line for line in writer.stdout.read().splitlines(keepends=True) if line.strip()]
            writer.stdout.close()
            writer.wait()
            acked = max([acked, *(int(line) for line in lines)])
            with Archive.open(tmp_path) as archive:
                stamps = [e.stamp for e in archive.replay_rows(0)]
                last = stamps[-1]
                assert last is not None
                assert acked <= last
                assert stamps == [n for n in range(last + 1) for _ in range(3)]
                notes = [one.body["n"] for one in archive.journal(kinds=[Kind.NOTE])]
                assert notes == list(range(last + 1))
                assert archive.verify() == []


class TestMeanwhile:
    def test_two_processes_read_while_one_writes(self, tmp_path: Path) -> None:
        """Readers always see whole rounds in order, each once, while hours are sealed under them."""
        writer = python(WRITER, tmp_path)
        assert writer.stdout is not None
        writer.stdout.readline()
        readers = [python(READER, tmp_path, 2.5) for _ in range(2)]
        answers = [reader.communicate(timeout=25)[0] for reader in readers]
        os.kill(writer.pid, signal.SIGKILL)
        writer.stdout.close()
        writer.wait()

        assert [reader.returncode for reader in readers] == [0, 0]
        assert all(int(count) > 0 for answer in answers for count in answer.split())


@pytest.fixture
def small_card(tmp_path: Path) -> Iterator[Path]:
    """Mount a card of 16 MB."""
    card = tmp_path / "card"
    card.mkdir()
    if os.geteuid() != 0:
        pytest.skip("mounting a small card needs root")
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=16m", "card", card], check=False).returncode:
        pytest.skip("this machine does not let a small card be mounted")
    yield card
    subprocess.run(["umount", "-l", card], check=True)


class TestFullCard:
    def test_a_full_card_loses_nothing_and_recovers_by_itself(self, small_card: Path) -> None:
        """The ballast gives room once, then CannotRecord; with room again the same rounds are stored."""
        folder = small_card / "state"
        with Logbook.open(folder) as logbook:
            batches = list(night(500, 120))
            logbook.commit(batches[:1])
            filler = small_card / "filler"
            with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
                while file.write(bytes(4096)):
                    pass
            stored, refused, codes = 1, 0, set()
            while refused < 3:
                try:
                    logbook.commit([batches[stored]])
                    stored += 1
                except CannotRecord as trouble:
                    codes.add(trouble.code)
                    refused += 1
            assert 1 < stored < 120
            assert codes <= {Trouble.FULL, Trouble.IO}
            filler.unlink()
            logbook.commit(batches[stored:])
            with Archive.open(folder) as archive:
                found = [facts(e) for e in archive.replay_rows(0)]

                assert not (folder / "ballast").exists()
                assert [facts(e) for batch in batches for e in batch.entries] == found
                assert archive.verify() == []


TABLES = [
    "series",
    "recent",
    "stamps",
    "pages",
    "seals",
    "snapshots",
    "journal",
    "egg_log",
    "alarms",
    "orders",
    "outbox",
    "shown",
    "meta",
]


def content(path: Path) -> object:
    """Read every value of every table, or say that it cannot be read."""
    try:
        with closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as connection:
            connection.text_factory = bytes
            return [connection.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall() for table in TABLES]
    except (sqlite3.Error, UnicodeDecodeError):
        return "unreadable"


def found_by_us(path: Path) -> list[str]:
    """Verify a file as a copy is verified."""
    try:
        with closing(open_file(path, immutable=True)) as connection:
            return damage(connection)
    except (LogbookDamaged, LogbookNewer, NoLogbook, CannotRecord) as error:
        return [str(error)]
    except SQL_ERRORS as error:
        return [str(error)]


def rich(folder: Path) -> None:
    """Fill every table."""
    from daemon.logbook import Desk

    key = AlarmKey("box-1", "air", "temperature", "too warm")
    with Logbook.open(folder) as logbook, Desk(folder) as desk:
        logbook.note_boot("boot", BASE, 5, trusted=True)
        for batch in night(4, 260):
            logbook.commit([batch])
        logbook.seal(BASE + HOUR)
        logbook.commit(
            [Batch(BASE, tuple(entry("s", 20.0 + n, n * 1000, stamp=n, counter=n) for n in range(60)))]
        )
        logbook.seal(BASE + 2 * HOUR)
        alarm = AlarmRow(3, key, Priority.HIGH, BASE, BASE + 5)
        alert = Alert(None, BASE, "first", Priority.HIGH, "title", "text")
        egg = Entered(BASE, Kind.EGG_LOG, {"clutch": "P-1", "eggs": 2})
        raised = Entered(BASE, Kind.RAISED, {"number": 3})
        notes = tuple(Entered(BASE + n, Kind.NOTE, {"text": "something happened"}) for n in range(30))
        journal = (egg, raised, *notes)
        logbook.commit([Batch(BASE, alarms=(alarm,), alerts=(alert,) * 3, journal=journal, shown={"a": 1.5})])
        desk.leave_order(5, "Ada", "command", {"verb": "note"})
        for number in range(3):
            logbook.save_snapshot(BASE, number, json.dumps(list(range(50))).encode())


class TestFlippedBits:
    def test_every_flip_that_changes_a_value_is_found(self, tmp_path: Path) -> None:
        """Of 1200 single flipped bits, each one that changes any value of any table is noticed."""
        rich(tmp_path / "state")
        whole = (tmp_path / "state" / FILE).read_bytes()
        path = tmp_path / "flipped.db"
        path.write_bytes(whole)
        before = content(path)
        assert found_by_us(path) == []
        dice = random.Random(11)
        changed = unseen = 0
        for _ in range(1200):
            bit = dice.randrange(len(whole) * 8)
            flipped = bytearray(whole)
            flipped[bit // 8] ^= 1 << bit % 8
            path.write_bytes(flipped)
            if content(path) != before:
                changed += 1
                unseen += not found_by_us(path)

        assert changed > 300
        assert unseen == 0

    @pytest.mark.parametrize(
        ("statement", "words"),
        [
            (
                "DELETE FROM pages WHERE key = (SELECT max(key) FROM pages)",
                "it looks like the temperature of",
            ),
            ("DELETE FROM journal WHERE row = 5", "entry 5 is missing"),
            ("UPDATE journal SET body = '{}' WHERE row = 5", "entry 5 was changed"),
            ("DELETE FROM seals WHERE id = 1", "the seal before it is missing"),
            ("UPDATE recent SET raw = raw + 1 WHERE row = 9", "temperature of box-00 of"),
            ("DELETE FROM stamps WHERE row = 1100", "stamps are known of"),
            ("UPDATE alarms SET cleared = 5", "alarm 3 was changed"),
            ("DELETE FROM alarms", "alarm 3, raised Wed 2026-11-18 11:00 UTC, is missing"),
            ("DELETE FROM journal WHERE row > 30", "its last entries 31 to"),
            ("DELETE FROM journal", "the journal from its beginning: its last entries 1 to"),
            ("DELETE FROM outbox WHERE id = 2", "missing: 1 message to contacts"),
            ("DELETE FROM outbox WHERE id = 3", "missing: 1 message to contacts"),
            ("UPDATE outbox SET done = 5 WHERE id = 2", "message 2 to a contact"),
            ("DELETE FROM orders", "missing: 1 order"),
            ("DELETE FROM egg_log", "1 entry of the egg log"),
            ("UPDATE snapshots SET state = x'00' WHERE id = 2", "1 of 3 kept states of the judge"),
            ("DELETE FROM recent WHERE row BETWEEN 500 AND 509", "missing: 10 readings that came between"),
            ("DELETE FROM series WHERE id = 2", "a sensor whose name is lost (number 2)"),
            (
                "UPDATE pages SET packed = x'00' WHERE key = (SELECT min(key) FROM pages)",
                "were changed after they were recorded",
            ),
        ],
        ids=[
            "page lost",
            "entry lost",
            "entry changed",
            "seal lost",
            "value",
            "stamp",
            "alarm",
            "alarm lost",
            "end of the journal",
            "whole journal",
            "message lost",
            "last message lost",
            "message changed",
            "order lost",
            "egg log",
            "snapshot",
            "readings lost",
            "name lost",
            "packing",
        ],
    )
    def test_what_is_lost_or_changed_is_named(self, tmp_path: Path, statement: str, words: str) -> None:
        """A change that SQLite finds quite in order is named."""
        rich(tmp_path)
        with closing(sqlite3.connect(tmp_path / FILE)) as connection:
            connection.execute(statement)
            connection.commit()

        with Archive.open(tmp_path) as archive:
            assert any(words in line for line in archive.verify())


def test_a_copy_that_was_touched_is_not_good(tmp_path: Path) -> None:
    """A file without its digest beside it cannot be checked, and that is said."""
    rich(tmp_path / "state")
    shutil.copy(tmp_path / "state" / FILE, tmp_path / "logbook-20261124T000000Z.db")

    assert "cannot be checked" in verify(tmp_path / "logbook-20261124T000000Z.db")[0]
