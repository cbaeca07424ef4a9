"""Past readings out of files: stored once, judged as if they had come live, sent to nobody."""

import contextlib
import random
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.clock import ManualClock
from daemon.csvfile import CsvForm, CsvRefused
from daemon.imports import ImportReport, import_file
from daemon.logbook import Archive
from daemon.record import Kind
from daemon.settings import load
from rules.reading import HOUR, MINUTE, SECOND
from tests.kit.hand import WALL, Handled, room

START = WALL // HOUR * HOUR + HOUR


def iso(ms: int) -> str:
    """Write an instant as files do."""
    return datetime.fromtimestamp(ms / 1000, UTC).isoformat(timespec="milliseconds")


def imported(folder: Path, text: bytes, *, every: str = "30 s") -> ImportReport:
    """Lay out a room and import a file."""
    folder.mkdir(parents=True, exist_ok=True)
    config = folder / "room.toml"
    if not config.exists():
        config.write_text(room("box-1", "box-2", hold="2 min").replace('"30 s"', f'"{every}"'))
    file = folder / "past.csv"
    file.write_bytes(text)
    return import_file(load(config), folder / "state", file, CsvForm(), lambda _: None)


def lines(*rows: str, head: str = "time,sensor,quantity,value") -> bytes:
    """Write a file."""
    return "\n".join((head, *rows, "")).encode()


def warm(minutes: int = 10) -> list[str]:
    """Give lines of a place that becomes too warm."""
    return [
        f"{iso(START + n * 30_000)},box-1,temperature,{29.5 if n < 6 else 35.0}" for n in range(minutes * 2)
    ]


class TestForms:
    def test_every_oddity_of_a_file_is_met(self, tmp_path: Path) -> None:
        """BOM, CRLF, blank and comment lines, bad lines, steps back and doubles: counted, none is fatal."""
        good = warm(5)
        rows = [
            "# a comment",
            "",
            *good[:3],
            "nonsense",
            f"{iso(START)},nobody,temperature,20",
            f"{iso(START + 30_000)},box-1,pressure,20",
            f"{iso(START + 30_000)},box-1,temperature,warm",
            good[4],
            good[3],
            f"{iso(START)},box-1,temperature,29.9",
            *good[5:],
        ]
        report = imported(tmp_path, b"\xef\xbb\xbf" + lines(*rows).replace(b"\n", b"\r\n"))
        assert report.bad_lines == 4
        assert [line.number for line in report.bad] == [7, 8, 9, 10]
        assert report.stored == report.read == len(good) + 1
        assert len(report.twice) == 1
        assert "29.9" in report.twice[0]

    def test_a_second_import_changes_nothing(self, tmp_path: Path) -> None:
        """The same file again stores nothing, raises nothing, and leaves the journal as it was."""
        first = imported(tmp_path, lines(*warm()))
        before = _all(tmp_path)
        again = imported(tmp_path, lines(*warm()))
        assert (first.stored, first.alarms) == (20, 1)
        assert (again.stored, again.known, again.alarms) == (0, 20, 0)
        assert _all(tmp_path) == before

    def test_two_halves_are_one_whole(self, tmp_path: Path) -> None:
        """A later file goes on where the earlier one ended: the same alarm, once."""
        rows = warm(12)
        imported(tmp_path / "halves", lines(*rows[:10]))
        imported(tmp_path / "halves", lines(*rows[10:]))
        imported(tmp_path / "whole", lines(*rows))
        assert _keys(tmp_path / "halves") == _keys(tmp_path / "whole")
        assert len(_keys(tmp_path / "whole")) == 1

    def test_nothing_is_sent(self, tmp_path: Path) -> None:
        """Imported nights put nothing into the outbox, even with a contact."""
        config = tmp_path / "room.toml"
        config.write_text(room("box-1", "box-2", contact=True))
        imported(tmp_path, lines(*warm()))
        with Archive.open(tmp_path / "state") as archive:
            assert archive.outbox() == []
            assert all(row.imported for row in archive.alarms())
            assert archive.alarms()

    @settings(max_examples=40, deadline=None)
    @given(st.binary(max_size=400) | st.text(max_size=200).map(lines))
    def test_any_bytes_are_read_or_refused(self, text: bytes) -> None:
        """Whatever the file holds, it is counted or refused in a sentence."""
        with tempfile.TemporaryDirectory() as folder, contextlib.suppress(CsvRefused):
            report = imported(Path(folder), text)
            assert report.read >= report.stored


class TestBeside:
    def test_files_are_not_replayed_into_the_watch(self, tmp_path: Path) -> None:
        """A file of this very hour does not raise alarms in the watch that restarts after it."""
        hand = Handled(tmp_path, room("box-1", "box-2"))
        hand.start()
        hand.feed({"box-1": 29.5, "box-2": 29.5}, 10 * MINUTE)
        hand.commit()
        hand.drop()
        now = hand.clock.wall()
        rows = [f"{iso(now - 9 * MINUTE + n * 30_000 + 11_000)},box-1,temperature,36.0" for n in range(16)]
        imported(tmp_path, lines(*rows))
        hand.start()
        hand.feed({"box-1": 29.5, "box-2": 29.5}, MINUTE)
        assert [row for row in hand.alarms() if not row.imported] == []
        hand.end()

    def test_a_file_of_the_future_does_not_move_room_time(self, tmp_path: Path) -> None:
        """A wrong year in a file leaves the watch's own time alone."""
        clock = ManualClock(time.time_ns() // 1_000_000, boottime=HOUR)
        hand = Handled(tmp_path, room("box-1", "box-2"), clock)
        hand.start()
        hand.feed({"box-1": 29.5, "box-2": 29.5}, 2 * MINUTE)
        hand.commit()
        hand.drop()
        rows = [line.replace("2026-", "2062-") for line in warm()]
        assert imported(tmp_path, lines(*rows)).stored == 20
        hand.start()
        assert hand.watch is not None
        assert abs(hand.watch._room.now() - hand.clock.wall()) < MINUTE
        hand.feed({"box-1": 29.5, "box-2": 29.5}, MINUTE)
        hand.end()


@dataclass(frozen=True)
class Come:
    """One reading: when it was measured, when it came, what it said, over which connection."""

    sensor: str
    wall: int
    arrived: int
    celsius: float
    link: int


def _evening(seed: int, minutes: int) -> list[Come]:
    """Make readings of two sensors in the order in which they came; some are lost, some out of a backlog."""
    dice = random.Random(seed)
    found = []
    celsius = dict.fromkeys(("box-1", "box-2"), 29.5)
    link, cut_until = 1, START
    for wall in range(START, START + minutes * MINUTE, 30 * SECOND):
        if wall >= cut_until and dice.random() < 0.03:
            link, cut_until = link + 1, wall + 30 * SECOND * dice.randrange(3, 16) + 7 * SECOND
        for sensor in ("box-1", "box-2"):
            if dice.random() < 0.06:
                celsius[sensor] = dice.choice([24.0, 27.0, 29.5, 32.0, 35.0])
            if dice.random() < 0.05:
                continue
            found.append(
                Come(
                    sensor, wall, max(wall, cut_until), round(celsius[sensor] + dice.gauss(0, 0.02), 2), link
                )
            )
    return sorted(found, key=lambda one: (one.arrived, one.wall, one.sensor))


class TestAsIfLive:
    @pytest.mark.parametrize("seed", range(8))
    def test_the_same_readings_give_the_same_alarms(self, tmp_path: Path, seed: int) -> None:
        """Fed live through the door and imported with their rounds: alarms begin and end alike."""
        came = _evening(seed, 120)
        rows = [
            f"{iso(one.wall)},{one.sensor},temperature,{one.celsius},{iso(one.arrived + SECOND)}"
            for one in came
        ]
        imported(tmp_path / "file", lines(*rows, head="time,sensor,quantity,value,arrived"))
        hand = Handled(tmp_path / "live", room("box-1", "box-2"), ManualClock(START - SECOND, boottime=HOUR))
        hand.start()
        for arrived, group in groupby(came, lambda one: one.arrived):
            if arrived > hand.clock.wall():
                hand.pass_time(arrived - hand.clock.wall(), step=arrived - hand.clock.wall())
            for one in group:
                hand.link = one.link
                hand.put(one.sensor, one.celsius, stamp=one.wall)
            hand.pass_time(SECOND)
        hand.commit()
        # What fell due after the last reading depends on how long the recorder took to write.
        last = came[-1].arrived - 10 * SECOND
        live = _lives(tmp_path / "live", last)
        hand.end()
        assert live
        file = _lives(tmp_path / "file", last)
        assert [one[:2] for one in file] == [one[:2] for one in live]
        for (_, _, *mine), (_, _, *theirs) in zip(file, live, strict=True):
            assert all(abs(x - y) <= 2 * SECOND for x, y in zip(mine, theirs, strict=True))


def _lives(folder: Path, until: int) -> list[tuple[object, object, int, int, int]]:
    """Give the alarms on climate up to a wall clock: who, priority, since, raised, cleared (0: open)."""
    with Archive.open(folder / "state") as archive:
        end = archive.labels().room_instant(until)
        rows = [row for row in archive.alarms() if row.key.subject == "temperature" and row.raised <= end]
    ends = [row.cleared if row.cleared is not None and row.cleared <= end else 0 for row in rows]
    return sorted(
        (row.key, row.priority, row.since, row.raised, at) for row, at in zip(rows, ends, strict=True)
    )


def _keys(folder: Path) -> list[tuple[object, ...]]:
    with Archive.open(folder / "state") as archive:
        return [(row.key, row.raised, row.cleared) for row in archive.alarms()]


def _all(folder: Path) -> object:
    with Archive.open(folder / "state") as archive:
        return (
            archive.alarms(),
            archive.journal(),
            list(archive.replay(0, 2**60)),
            archive.journal(kinds=[Kind.IMPORTED]),
        )
