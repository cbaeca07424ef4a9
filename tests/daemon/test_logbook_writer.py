"""What is committed, and what never is half."""

import os
import sqlite3
import stat
from pathlib import Path

import pytest

from daemon.logbook import (
    Archive,
    CannotRecord,
    Desk,
    Logbook,
    LogbookDamaged,
    LogbookNewer,
    NoLogbook,
    Trouble,
)
from daemon.logbook.schema import BALLAST, FILE
from daemon.record import AlarmRow, Alert, Batch, Entered, Entry, Kind
from rules.events import AlarmKey
from rules.plan import Priority
from rules.reading import DAY, HOUR, MINUTE, Quality
from tests.kit.logbooks import BASE, LATE, H, entry, facts, night, recorded

KEY = AlarmKey("box-1", "air", "temperature", "too warm")
ALARM = AlarmRow(7, KEY, Priority.HIGH, BASE, BASE + 1, sensors=("box-1",), value=34.1, words="too warm")


def batch(*entries: Entry, now: int = BASE, **more: object) -> Batch:
    """Make a batch."""
    return Batch(now, entries, **more)  # type: ignore[arg-type]


def alert(now: int, priority: Priority = Priority.HIGH, **more: object) -> Alert:
    """Make an alert to the first contact."""
    return Alert(None, now, "first", priority, "title", "text", (7,), **more)  # type: ignore[arg-type]


class TestOpening:
    def test_a_missing_folder_is_made_private(self, tmp_path: Path) -> None:
        """Folder 0700 and files 0600, whatever the umask says."""
        before = os.umask(0)
        try:
            with Logbook.open(tmp_path / "a" / "state") as logbook:
                logbook.commit([batch(entry())])
                folder = tmp_path / "a" / "state"
                rights = {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()}
        finally:
            os.umask(before)

        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
        assert set(rights) >= {FILE, f"{FILE}-wal", BALLAST}
        assert set(rights.values()) == {0o600}

    def test_none_is_made_where_none_is_wanted(self, tmp_path: Path) -> None:
        """Opening without ``create`` says that there is none, and makes nothing."""
        with pytest.raises(NoLogbook):
            Logbook.open(tmp_path / "x", create=False)
        with pytest.raises(NoLogbook):
            Archive.open(tmp_path / "x")

        assert not (tmp_path / "x").exists()

    def test_a_newer_logbook_is_refused(self, tmp_path: Path) -> None:
        """A newer version is refused with one sentence, by writer and reader."""
        recorded(tmp_path, 1, 2)
        with sqlite3.connect(tmp_path / FILE) as connection:
            connection.execute("PRAGMA user_version=99")
        connection.close()

        for opened in (Logbook, Archive):
            with pytest.raises(LogbookNewer, match="version 99"):
                opened.open(tmp_path)

    @pytest.mark.parametrize(
        "content", [b"no database at all" * 400, b"SQLite format 3\0" + b"\xff" * 5000], ids=len
    )
    def test_garbage_is_damage(self, tmp_path: Path, content: bytes) -> None:
        """A file that is no database is damage, not a crash."""
        (tmp_path / FILE).write_bytes(content)

        for opened in (Logbook, Archive):
            with pytest.raises(LogbookDamaged):
                opened.open(tmp_path)

    def test_another_programs_database_is_left_alone(self, tmp_path: Path) -> None:
        """A database that is none of ours is not written into."""
        with sqlite3.connect(tmp_path / FILE) as connection:
            connection.execute("CREATE TABLE theirs (x)")
        connection.close()

        with pytest.raises(LogbookDamaged, match="not a logbook"):
            Logbook.open(tmp_path)


class TestDuplicates:
    def test_a_stamped_reading_is_stored_once(self, tmp_path: Path) -> None:
        """The same (stamp, series, value) again, also after a restart, is dropped and counted."""
        one = entry(stamp=5)
        with Logbook.open(tmp_path) as logbook:
            first = logbook.commit([batch(one, one), batch(one)])
        with Logbook.open(tmp_path) as logbook:
            again = logbook.commit([batch(one), batch(entry(raw=28.6, stamp=5))])

        assert (first.last_row, first.duplicates, first.first_rows) == (1, 2, (1, None))
        assert (again.last_row, again.duplicates, again.first_rows) == (2, 1, (None, 2))

    @pytest.mark.parametrize(
        ("other", "stored"),
        [
            ({"stamp": 6}, 2),
            ({"stamp": 5, "raw": 28.6}, 2),
            ({"stamp": 5, "quantity": H}, 2),
            ({"stamp": 5, "counter": 2}, 2),
            ({"stamp": 5, "at": 99_000}, 1),
        ],
        ids=["stamp", "value", "quantity", "counter", "same, came again"],
    )
    def test_what_makes_a_reading_another_one(
        self, tmp_path: Path, other: dict[str, int], stored: int
    ) -> None:
        """Stamp, value, quantity or counter make it another reading; its arrival does not."""
        with Logbook.open(tmp_path) as logbook:
            logbook.commit([batch(entry(stamp=5))])

            assert stored == logbook.commit([batch(entry(**other))]).last_row  # type: ignore[arg-type]

    def test_many_values_of_one_stamp_are_all_kept_once(self, tmp_path: Path) -> None:
        """A device whose clock stands still: each value is stored once, a second time none."""
        many = [entry(raw=float(n), stamp=5) for n in range(2000)]
        others = [entry("box-2", raw=float(n), stamp=5) for n in range(2000)]
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            first, again = logbook.commit([batch(*many, *others)]), logbook.commit([batch(*others, *many)])
            assert archive.verify() == []

        assert (first.last_row, again.last_row, again.duplicates) == (4000, 4000, 4000)

    @pytest.mark.parametrize("stamp", [-1, 0, 2**61, -(2**61), 2**80], ids=str)
    def test_any_stamp_is_met(self, tmp_path: Path, stamp: int) -> None:
        """A stamp is a claim: a mad one is stored like any other, or as none."""
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            logbook.commit([batch(entry(stamp=stamp, counter=stamp))] * 2)
            assert archive.verify() == []

            assert {e.stamp for e in archive.replay_rows(0)} == {stamp if abs(stamp) < 2**62 else None}

    def test_a_stamped_reading_without_value_is_stored_once(self, tmp_path: Path) -> None:
        """NaN is equal to itself here."""
        none = entry(raw=float("nan"), quality=Quality.NOT_A_NUMBER, stamp=5)
        with Logbook.open(tmp_path) as logbook:
            assert logbook.commit([batch(none), batch(none)]).last_row == 1

    def test_unstamped_readings_are_never_merged(self, tmp_path: Path) -> None:
        """However many share an instant and a value, all are stored."""
        with Logbook.open(tmp_path) as logbook:
            assert logbook.commit([batch(*[entry()] * 5)]).last_row == 5

    def test_a_counter_counts_against_the_last_two_hundred_only(self, tmp_path: Path) -> None:
        """Seen lately it is a repeat, also after a restart; from long ago, a device that began anew."""
        with Logbook.open(tmp_path) as logbook:
            logbook.commit([batch(*(entry(counter=n) for n in range(300)))])
        with Logbook.open(tmp_path) as logbook:
            done = logbook.commit([batch(entry(counter=299), entry(counter=0))])

        assert (done.last_row, done.duplicates) == (301, 1)


class TestAllOrNothing:
    def test_a_commit_cut_short_at_any_step_leaves_nothing(self, tmp_path: Path) -> None:
        """Whatever step fails, nothing of it is stored, and the same batches can be committed again."""
        rich = [
            batch(
                entry("new", stamp=1, counter=1),
                entry("new", raw=3.0),
                journal=(
                    Entered(BASE, Kind.RAISED, {"number": 7}),
                    Entered(BASE, Kind.EGG_LOG, {"clutch": "P-1"}),
                ),
                alarms=(ALARM,),
                alerts=(alert(BASE),),
                shown={"box-1": 1.5},
            )
        ]
        cut = 0
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            connection = logbook._store._connection
            assert connection is not None
            for step in range(1, 400):
                left = [step]

                def stop(left: list[int] = left) -> bool:
                    left[0] -= 1
                    return left[0] < 0

                connection.set_progress_handler(stop, 10)
                try:
                    logbook.commit(rich)
                except Exception:
                    cut += 1
                    connection.set_progress_handler(None, 0)
                    state = (
                        archive.series(),
                        archive.journal(),
                        archive.alarms(),
                        archive.outbox(),
                        archive.shown(),
                    )
                    assert state == ([], [], [], [], {})
                    continue
                connection.set_progress_handler(None, 0)
                break
            assert cut > 5
            assert [facts(e) for e in archive.replay_rows(0)] == [facts(e) for e in rich[0].entries]
            assert archive.verify() == []

    def test_a_full_file_is_said_and_nothing_is_half_written(self, tmp_path: Path) -> None:
        """Full: the ballast goes, then CannotRecord; with room again the same batches are stored."""
        with Logbook.open(tmp_path) as logbook:
            connection = logbook._store._connection
            assert connection is not None
            pages = connection.execute("PRAGMA page_count").fetchone()[0]
            connection.execute(f"PRAGMA max_page_count={pages}")
            many = [batch(*(entry(at=n) for n in range(500)), alarms=(ALARM,))]
            with pytest.raises(CannotRecord) as trouble:
                logbook.commit(many)
            assert trouble.value.code is Trouble.FULL
            assert not (tmp_path / BALLAST).exists()
            assert logbook.last_row() == 0
            connection.execute("PRAGMA max_page_count=100000")

            assert logbook.commit(many).last_row == 500
            logbook.seal(BASE + HOUR)
            assert (tmp_path / BALLAST).exists()

    def test_another_writer_that_holds_on_is_busy(self, tmp_path: Path) -> None:
        """A lock that does not go away is trouble of its own, and can be retried."""
        with Logbook.open(tmp_path) as logbook:
            connection = logbook._store._connection
            assert connection is not None
            connection.execute("PRAGMA busy_timeout=50")
            other = sqlite3.connect(tmp_path / FILE, isolation_level=None)
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(CannotRecord) as trouble:
                logbook.commit([batch(entry())])
            other.execute("ROLLBACK")
            other.close()

            assert (trouble.value.code, trouble.value.retryable) == (Trouble.BUSY, True)
            assert logbook.commit([batch(entry())]).last_row == 1


class TestNumbers:
    def test_no_alarm_number_is_given_twice(self, tmp_path: Path) -> None:
        """Blocks follow each other, also after a writer that never closed."""
        first = Logbook.open(tmp_path)
        block = first.reserve_numbers(20)
        with Logbook.open(tmp_path) as second:
            other = second.reserve_numbers(20)
        first.close()

        assert (range(1, 21), range(21, 41)) == (block, other)

    def test_row_numbers_never_come_back(self, tmp_path: Path) -> None:
        """After trimming, the next row is above every earlier one."""
        with Logbook.open(tmp_path) as logbook:
            for one in night(60, 400):
                logbook.commit([one])
            logbook.seal(BASE + 10 * HOUR)
            gone = logbook.trim(BASE + 10 * DAY)
            after = logbook.commit([batch(entry(at=10 * DAY))])

        assert (gone, after.last_row) == (4000, 24_001)


class TestSealing:
    def test_sealing_twice_changes_nothing(self, tmp_path: Path) -> None:
        """The second call finds nothing to do."""
        with Logbook.open(tmp_path) as logbook:
            for one in night(2, 300):
                logbook.commit([one])
            done = logbook.seal(BASE + 2 * HOUR)

            assert (done.pages, done.reopened) == (4, 0)
            assert logbook.seal(BASE + 2 * HOUR + 5).pages == 0

    def test_a_late_reading_reopens_its_page_and_the_journal_says_so(self, tmp_path: Path) -> None:
        """The page holds it at its stamp, marked late, and everything still fits."""
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            for one in night(1, 300):
                logbook.commit([one])
            logbook.seal(BASE + 2 * HOUR)
            late = entry("box-00", 20.0, 10 * MINUTE + 5000, now=BASE + 2 * HOUR + 30 * MINUTE, quality=LATE)
            logbook.commit([batch(late, now=late.now)])
            before = archive.readings("box-00", late.quantity, late.at, late.at + 1)
            done = logbook.seal(BASE + 2 * HOUR)
            after = archive.readings("box-00", late.quantity, late.at, late.at + 1)

            assert (done.pages, done.reopened) == (0, 1)
            assert [facts(late)] == [facts(e) for e in before] == [facts(e) for e in after]
            reopened = archive.journal(kinds=[Kind.REOPENED])
            assert [one.body["from"] for one in reopened] == [BASE]
            assert archive.verify() == []


class TestTrimming:
    def filled(self, folder: Path) -> Logbook:
        """Fill with 24,000 rows in three hours and a bit."""
        logbook = Logbook.open(folder)
        for one in night(60, 400):
            logbook.commit([one])
        return logbook

    @pytest.mark.parametrize(
        ("sealed", "later", "uplink", "gone"),
        [
            (10, 10 * DAY, False, 4000),
            (10, 2 * DAY, False, 0),
            (0, 10 * DAY, False, 0),
            (10, 10 * DAY, True, 0),
        ],
        ids=["old and sealed", "younger than 72 h", "not sealed", "ahead of the uplink"],
    )
    def test_only_rows_that_may_go_do(
        self, tmp_path: Path, sealed: int, later: int, uplink: bool, gone: int
    ) -> None:
        """Rows go when they are old, in a page, and behind the uplink's cursor."""
        with self.filled(tmp_path) as logbook:
            logbook.seal(BASE + sealed * HOUR)

            assert gone == logbook.trim(BASE + later, uplink=uplink)

    def test_rows_behind_the_cursor_go(self, tmp_path: Path) -> None:
        """With a cursor, rows up to it may go."""
        with self.filled(tmp_path) as logbook, Desk(tmp_path) as desk:
            logbook.seal(BASE + 10 * HOUR)
            desk.save_cursor("uplink", 1500)

            assert (desk.cursor("uplink"), logbook.trim(BASE + 10 * DAY, uplink=True)) == (1500, 1500)

    def test_rows_stay_where_the_page_is_damaged(self, tmp_path: Path) -> None:
        """A page that does not fit its digest keeps its rows."""
        with self.filled(tmp_path) as logbook:
            logbook.seal(BASE + 10 * HOUR)
            connection = logbook._store._connection
            assert connection is not None
            connection.execute("UPDATE pages SET low = low + 1 WHERE key = (SELECT min(key) FROM pages)")

            assert logbook.trim(BASE + 10 * DAY) == 0

    def test_nothing_changes_for_the_reader(self, tmp_path: Path) -> None:
        """After trimming every reading is still there, in order."""
        with self.filled(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            logbook.seal(BASE + 10 * HOUR)
            before = [facts(e) for e in archive.replay(0, 2**60)]
            logbook.trim(BASE + 10 * DAY)

            assert before == [facts(e) for e in archive.replay(0, 2**60)]
            assert archive.verify() == []

    def test_a_full_card_gives_up_derived_things_first_and_the_journal_never(self, tmp_path: Path) -> None:
        """Order: snapshots, delivered alerts, readings older than three years; each said in the journal."""
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            for one in night(1, 130):
                logbook.commit([one])
            logbook.seal(BASE + 2 * HOUR)
            old = alert(BASE, done=BASE + 5, outcome="delivered")
            logbook.commit([batch(alerts=(old, alert(BASE)), journal=(Entered(BASE, Kind.NOTE, {}),))])
            for number in range(4):
                logbook.save_snapshot(BASE + number, number, b"state")
            steps = []
            while (freed := logbook.trim_full(BASE + 4 * 365 * DAY)).count:
                steps.append((freed.what, freed.count))

            assert steps == [
                ("old snapshots", 2),
                ("delivered alerts", 1),
                ("readings older than three years", 2),
            ]
            assert len(steps) == len(archive.journal(kinds=[Kind.DELETED]))
            assert archive.journal(kinds=[Kind.NOTE]) != []
            assert archive.verify() == []
            assert (
                sum(b.n for b in archive.envelope("box-00", entry().quantity, BASE, BASE + 3 * HOUR, 3))
                == 130
            )
            assert logbook.room_left().card > 0


class TestTheRest:
    def test_alarms_alerts_orders_and_what_is_shown_come_back(self, tmp_path: Path) -> None:
        """Each value comes back as it was put in; an update replaces it."""
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive, Desk(tmp_path) as desk:
            number = desk.leave_order(
                1_795_000_000_000, "Ada", "command", {"verb": "acknowledge", "alarm": 7}
            )
            done = logbook.commit(
                [
                    batch(
                        alarms=(ALARM,),
                        alerts=(
                            alert(BASE, Priority.MEDIUM),
                            alert(BASE + 5),
                            alert(BASE + 9, next_try=BASE + 99),
                        ),
                        shown={"a": {"value": 1.5, "early": float("nan")}, "b": 2},
                    )
                ]
            )
            waiting = logbook.orders_waiting()
            due = logbook.outbox_waiting(BASE + 10)
            assert [number] == [one.id for one in waiting]
            assert list(done.alert_ids[1::-1]) == [one.id for one in due]
            sent = Alert(
                **{name: getattr(due[0], name) for name in Alert.__slots__} | {"done": BASE, "tries": 1}
            )
            logbook.commit([batch(delivered=(sent,), answers=((number, BASE, "done"),), shown={"b": None})])

            assert archive.alarm(7) == ALARM
            assert archive.alarm(8) is None
            assert (archive.alarms(open_only=True), archive.alarms(BASE, BASE + HOUR)) == ([ALARM], [ALARM])
            assert archive.alarms(BASE - HOUR, BASE) == []
            assert (archive.orders()[0].taken, archive.orders()[0].answer) == (BASE, "done")
            assert archive.order(number) == archive.orders()[0]
            assert logbook.orders_waiting() == []
            assert [sent] == [one for one in archive.outbox() if one.done]
            assert len(archive.outbox_waiting(BASE + 100)) == 2
            assert archive.shown() == {"a": {"value": 1.5, "early": None}}
            assert archive.verify() == []

    def test_what_was_shown_survives_a_restart_and_goes_on(self, tmp_path: Path) -> None:
        """A later round adds to what was shown before the restart."""
        with Logbook.open(tmp_path) as logbook:
            logbook.commit([batch(shown={"a": 1})])
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            logbook.commit([batch(shown={"b": 2})])

            assert archive.shown() == {"a": 1, "b": 2}

    def test_the_egg_log_is_the_journal_by_clutch(self, tmp_path: Path) -> None:
        """Egg log entries are found by clutch."""
        lines = tuple(Entered(BASE + n, Kind.EGG_LOG, {"clutch": f"P-{n % 2}", "eggs": n}) for n in range(4))
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            logbook.commit([batch(journal=lines)])

            assert [one.body["eggs"] for one in archive.egg_log("P-1")] == [1, 3]
            assert len(archive.egg_log()) == 4

    def test_snapshots_keep_the_newest_and_the_pinned(self, tmp_path: Path) -> None:
        """Newest first; those of changed settings stay; a damaged one is left out."""
        with Logbook.open(tmp_path) as logbook, Archive.open(tmp_path) as archive:
            for number in range(10):
                logbook.save_snapshot(BASE + number, number, b"state %d" % number, pinned=number == 2)
            assert [one.row for one in logbook.newest_snapshots()] == [9, 8, 7, 6, 2]
            connection = logbook._store._connection
            assert connection is not None
            connection.execute("UPDATE snapshots SET row = 90 WHERE row = 9")

            assert [one.row for one in archive.snapshots()] == [8, 7, 6, 2]
            assert archive.verify()[0].startswith("1 of 5 kept states of the judge")

    def test_the_last_instant_is_the_newest_of_all(self, tmp_path: Path) -> None:
        """Readings, journal and snapshots all count; an empty logbook has none."""
        with Logbook.open(tmp_path) as logbook:
            assert logbook.last_instant() is None
            logbook.commit([batch(entry())])
            assert logbook.last_instant() == BASE
            logbook.commit([batch(journal=(Entered(BASE + 5, Kind.STOP, {}),))])
            assert logbook.last_instant() == BASE + 5
            logbook.save_snapshot(BASE + 9, 1, b"")

            assert logbook.last_instant() == BASE + 9
