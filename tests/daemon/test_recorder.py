"""The recorder: nothing waits for the card, and what it did not take is counted and listed."""

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon import recorder as recorder_module
from daemon.logbook import Archive, CannotRecord, Desk, Logbook, Trouble
from daemon.logbook.schema import BALLAST
from daemon.record import Alert, Batch, Entered, Kind
from daemon.recorder import Debts, Pending, Recorder, Work
from rules.plan import Priority
from rules.reading import SECOND
from sensors.reader import Arrival, Inbox
from tests.kit.broker import until
from tests.kit.logbooks import BASE, entry


def boottime() -> int:
    """Give the boot-time clock, ms."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


@pytest.fixture
def inbox() -> Inbox:
    """Give an inbox for what the recorder says of itself."""
    return Inbox()


@pytest.fixture
def recorder(tmp_path: Path, inbox: Inbox) -> Iterator[Recorder]:
    """Give a recorder that runs, and end it."""
    made = Recorder(tmp_path, inbox, boottime, commit=400, window=16)
    made.start()
    yield made
    made.end(10)


def said(inbox: Inbox) -> list[tuple[float, str]]:
    """Give what the recorder said of itself: (1 or 0, note)."""
    found = [one for one in inbox.drain() if isinstance(one, Arrival)]
    return [(next(iter(one.values.values())).raw, one.note) for one in found]


def work(number: int, settle: Callable[[], None] | None = None, *, urgent: bool = False) -> Work:
    """Make one reading's work."""
    now = BASE + number * SECOND
    batch = Batch(
        now, (entry("box-1", 20 + number % 100 / 10, number * SECOND, stamp=number),), urgent=urgent
    )
    return Work(batch, (settle,) if settle else ())


class Blocked:
    """Holds the logbook's write lock, as a card that hangs holds the recorder."""

    def __init__(self, folder: Path, seconds: float) -> None:
        code = (
            "import sqlite3,sys,time\n"
            "c=sqlite3.connect(sys.argv[1],isolation_level=None)\n"
            "c.execute('BEGIN IMMEDIATE')\nprint('held',flush=True)\ntime.sleep(float(sys.argv[2]))\n"
            "c.execute('ROLLBACK')"
        )
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, str(folder / "logbook.db"), str(seconds)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.process.stdout.readline()

    def end(self) -> None:
        """Let it go."""
        self.process.kill()
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


class TestCommits:
    def test_acknowledgement_comes_after_the_commit(self, tmp_path: Path, recorder: Recorder) -> None:
        """When a message is settled its reading can be read by another process."""
        seen: list[int] = []

        def settle() -> None:
            with Archive.open(tmp_path) as archive:
                seen.append(len(list(archive.replay_rows(0))))

        recorder.put(work(1, settle))
        until(lambda: seen, "it is settled")
        assert seen == [1]

    def test_the_window_of_the_broker_brings_a_commit(self, tmp_path: Path, inbox: Inbox) -> None:
        """As many unacknowledged messages as the broker lets out do not wait for the clock."""
        settled: list[int] = []
        slow = Recorder(tmp_path, inbox, boottime, commit=60_000, window=16)
        slow.start()
        for number in range(15):
            slow.put(work(number, lambda: settled.append(1)))
        time.sleep(0.5)
        assert settled == []
        slow.put(work(15, lambda: settled.append(1)))
        until(lambda: len(settled) == 16, "all are settled")
        slow.end(10)

    def test_an_alarm_brings_a_commit_at_once(self, tmp_path: Path, inbox: Inbox) -> None:
        """What is urgent does not wait for the clock."""
        slow = Recorder(tmp_path, inbox, boottime, commit=60_000, window=16)
        slow.start()
        slow.put(work(1, urgent=True))
        until(lambda: slow.settled() and not slow._pending, "it is on the card", 5)
        slow.end(10)

    def test_the_end_commits_what_is_there(self, tmp_path: Path, inbox: Inbox) -> None:
        """Work handed over before the end is on the card after it."""
        one = Recorder(tmp_path, inbox, boottime, commit=60_000, window=16)
        one.start()
        for number in range(5):
            one.put(work(number))
        assert one.end(10)
        with Archive.open(tmp_path) as archive:
            assert len(list(archive.replay_rows(0))) == 5

    def test_it_says_once_that_it_is_well(self, recorder: Recorder, inbox: Inbox) -> None:
        """The first commit of a watch says so: an alarm from before a restart may be open."""
        for number in range(3):
            recorder.put(work(number, urgent=True))
            time.sleep(0.2)
        until(lambda: not recorder._pending, "all is on the card")
        assert said(inbox) == [(1.0, "")]


class TestBothWays:
    def test_an_order_is_handed_over_once(self, tmp_path: Path, recorder: Recorder) -> None:
        """What a keeper asks for comes to the judge once, and again only if it is asked again."""
        recorder.put(work(0, urgent=True))
        until(lambda: recorder.settled() and not recorder._pending, "the logbook is there")
        with Desk(tmp_path) as desk:
            number = desk.leave_order(1, "keeper", "command", {"verb": "note"})
        found: list[int] = []
        until(lambda: not recorder.orders.empty(), "the order is heard")
        found.append(recorder.orders.get().id)
        time.sleep(2.2)
        assert recorder.orders.empty()
        recorder.put(Work(Batch(BASE + SECOND, answers=((number, BASE + SECOND, "done"),), urgent=True)))
        until(lambda: number not in recorder._handed, "it is answered")
        assert found == [number]
        with Archive.open(tmp_path) as archive:
            assert archive.order(number).answer == "done"

    def test_an_alert_gets_its_number_and_a_snapshot_its_row(
        self, tmp_path: Path, recorder: Recorder
    ) -> None:
        """What is to be sent comes back with its number in the outbox; the state of the engine is kept."""
        alert = Alert(None, BASE, "first", Priority.HIGH, "box-1", "too warm")
        recorder.put(Work(Batch(BASE, (entry(),), alerts=(alert,)), snapshot=b"{}"))
        until(lambda: not recorder.alerts.empty(), "the alert has its number")
        assert recorder.alerts.get().id is not None
        until(lambda: recorder.settled() and not recorder._pending, "all is on the card")
        with Archive.open(tmp_path) as archive:
            (snapshot,) = archive.snapshots()
            assert (snapshot.state, snapshot.row) == (b"{}", archive.last_row())


class TestTrouble:
    def test_what_did_not_fit_into_memory_is_listed_in_the_journal(
        self, tmp_path: Path, recorder: Recorder, inbox: Inbox, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """After a long refusal the journal says how many readings of which sensor are missing."""
        monkeypatch.setattr(recorder_module, "RETRY_EVERY", 300)
        monkeypatch.setattr(recorder_module, "MEMORY", 10)
        recorder.put(work(0, urgent=True))
        until(lambda: said(inbox), "the first commit")
        blocked = Blocked(tmp_path, 60)
        recorder.put(work(1, urgent=True))
        until(lambda: not recorder.well, "it cannot record", 20)
        settled: list[int] = []
        for number in range(2, 26):
            recorder.put(work(number, lambda: settled.append(1)))
        until(lambda: len(settled) == 24, "the broker is not stopped")
        assert recorder.waiting == 10
        blocked.end()
        until(lambda: recorder.well and not recorder._pending, "it records again", 20)
        with Archive.open(tmp_path) as archive:
            (line,) = archive.journal(kinds=[Kind.NOT_RECORDED])
            assert line.body["readings"] == {"box-1": 15}
            assert len(list(archive.replay_rows(0))) == 11

    def test_a_busy_logbook_is_said_settled_and_made_good(
        self, tmp_path: Path, recorder: Recorder, inbox: Inbox, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """While nothing can be written messages are settled as not recorded; all is stored afterwards."""
        monkeypatch.setattr(recorder_module, "RETRY_EVERY", 300)
        settled: list[int] = []
        recorder.put(work(0, urgent=True))
        until(lambda: said(inbox), "the first commit")
        blocked = Blocked(tmp_path, 60)
        for number in range(1, 40):
            recorder.put(work(number, lambda: settled.append(1)))
        until(lambda: not recorder.well, "it cannot record", 20)
        until(lambda: len(settled) == 39, "the broker is not stopped")
        assert said(inbox)[0][0] == 0.0
        assert recorder.unacknowledged == 39
        blocked.end()
        until(lambda: recorder.well, "it records again", 20)
        until(lambda: not recorder._pending, "all is on the card")
        with Archive.open(tmp_path) as archive:
            assert len(list(archive.replay_rows(0))) == 40
            assert archive.journal(kinds=[Kind.NOT_RECORDED]) == []
        assert said(inbox)[0][0] == 1.0

    def test_a_stuck_card_does_not_stop_acknowledgements(
        self, tmp_path: Path, recorder: Recorder, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A commit that does not end is noticed; the judge settles in its place, each message once."""
        monkeypatch.setattr(recorder_module, "STUCK", 0.5)
        settled: list[int] = []
        blocked = Blocked(tmp_path, 60)
        for number in range(10):
            recorder.put(work(number, lambda n=number: settled.append(n), urgent=True))  # type: ignore[misc]
        until(lambda: recorder.stuck, "it is stuck")
        assert settled == []
        for number in range(10, 20):
            recorder.put(work(number, lambda n=number: settled.append(n)))  # type: ignore[misc]
        recorder.relieve()
        assert settled == list(range(20))
        blocked.end()
        until(lambda: not recorder.stuck, "the card answers")
        recorder.relieve()
        until(lambda: recorder.settled() and not recorder._pending, "all is on the card")
        assert settled == list(range(20))
        with Archive.open(tmp_path) as archive:
            assert [one.stamp for one in archive.replay_rows(0)] == list(range(20))

    def test_a_chore_that_failed_comes_again(
        self, tmp_path: Path, recorder: Recorder, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Work on the logbook that the card refused is done after the next commit."""
        monkeypatch.setattr(recorder_module, "RETRY_EVERY", 100)
        (tmp_path / BALLAST).unlink(missing_ok=True)
        tries: list[range] = []

        def chore(logbook: Logbook) -> None:
            if not tries:
                tries.append(range(0))
                raise CannotRecord(Trouble.FULL)
            tries.append(logbook.reserve_numbers(10))

        recorder.put(Work(Batch(BASE), chore=chore))
        until(lambda: len(tries) == 2, "it came again")
        assert len(tries[1]) == 10


class TestMemory:
    def test_the_oldest_readings_give_way_and_are_listed(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Beyond the memory the oldest go, counted by sensor with the span; journal lines stay."""
        monkeypatch.setattr(recorder_module, "MEMORY", 10)
        pending = Pending()
        for number in range(25):
            line = (Entered(BASE, Kind.NOTE, {"n": number}),) if number == 2 else ()
            pending.add(Work(Batch(BASE + number, (entry(at=number),), journal=line)))
        assert pending.readings == 10
        listed = pending.listed()
        assert listed is not None
        body = listed.journal[0].body
        assert body == {"from": BASE, "to": BASE + 14, "readings": {"box-1": 15}}
        assert pending.listed() is None
        works = pending.all()
        assert [one.batch.now for one in works] == [BASE + 2, *range(BASE + 15, BASE + 25)]
        assert works[0].batch.journal

    def test_debts_are_paid_once_by_two_payers(self) -> None:
        """Whoever pays, each acknowledgement goes out once and none before its work."""
        debts = Debts()
        paid: list[int] = []
        for number in range(2_000):
            debts.owe(number, (lambda n=number: paid.append(n),))  # type: ignore[misc]
        assert debts.pay(9) == 10
        payers = [threading.Thread(target=debts.pay, args=(1_499,)) for _ in range(4)]
        for payer in payers:
            payer.start()
        for payer in payers:
            payer.join()
        assert sorted(paid) == list(range(1_500))
        assert len(debts) == 500


@pytest.mark.full
@pytest.mark.skipif(os.geteuid() != 0, reason="a small card of our own needs root")
class TestFullCard:
    def test_a_full_card_is_survived(self, tmp_path: Path, inbox: Inbox) -> None:
        """On a card without room readings stay in memory, are settled, and are stored once there is room."""
        card = tmp_path / "card"
        card.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8m", "none", str(card)], check=True)
        try:
            _fill_and_free(card, inbox)
        finally:
            subprocess.run(["umount", "-l", str(card)], check=True)


def fill(file: Path) -> None:
    """Take all the room that a card has."""
    number = os.open(file, os.O_CREAT | os.O_WRONLY, 0o600)
    with contextlib.suppress(OSError):
        while True:
            os.write(number, bytes(4096))
    os.close(number)


def _fill_and_free(card: Path, inbox: Inbox) -> None:
    settled: list[int] = []
    one = Recorder(card / "state", inbox, boottime, commit=200, window=16)
    one.start()
    one.put(work(0, urgent=True))
    until(lambda: said(inbox), "the first commit")
    fill(card / "filler")
    number = 1
    while one.well and number < 60_000:
        for _ in range(200):
            one.put(work(number, lambda: settled.append(1)))
            number += 1
        time.sleep(0.05)
    assert not one.well
    until(lambda: len(settled) == number - 1, "the broker is not stopped")
    (card / "filler").unlink()
    until(lambda: one.well and not one._pending, "it records again", 20)
    assert one.end(10)
    with Archive.open(card / "state") as archive:
        stamps = {entry.stamp for entry in archive.replay_rows(0)}
        assert stamps == set(range(number))
        assert archive.verify() == []
