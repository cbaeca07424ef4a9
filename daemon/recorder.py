"""The recorder: one thread that owns the logbook.

Batches come over a queue, so that judging never waits for the disk. A commit comes at
the latest after ``commit``, when as many messages wait for their acknowledgement as the
broker lets out, and at once when an alarm changed. While the logbook cannot be written,
batches stay in memory, their messages are acknowledged as not recorded, and what did
not fit in the end is counted and listed afterwards.
"""

import time
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import Event, Thread

from daemon.logbook import CannotRecord, Committed, Logbook
from daemon.record import Alert, Asked, Batch, Entered, Kind
from rules.plan import ContactKind
from rules.reading import SECOND
from sensors.reader import Boottime, Inbox, Settled, says

TURN = 0.1
"""How long the recorder waits for work before it looks at the clock (s)."""

ORDERS_EVERY = SECOND
"""How often it looks for orders (ms)."""

RETRY_EVERY = 5 * SECOND
"""How often it tries again while the logbook cannot be written (ms)."""

MEMORY = 60_000
"""So many readings are kept in memory at most: more than an hour of 120 curves at 10 s."""

STUCK = 10.0
"""A commit that takes longer than this is stuck (s)."""


@dataclass(frozen=True, slots=True)
class Work:
    """What the judge hands over.

    Attributes:
        batch: To be committed.
        settled: To be called after the commit.
        snapshot: The engine's state after this batch, or None.
        chore: Work on the logbook itself after the commit (sealing, trimming), or None.
    """

    batch: Batch
    settled: tuple[Settled, ...] = ()
    snapshot: bytes | None = None
    chore: Callable[[Logbook], None] | None = None


@dataclass(slots=True)
class Pending:
    """What waits for the next commit.

    Attributes:
        works: In order.
        readings: How many readings they hold.
        lost: Readings that did not fit into memory, by sensor.
        lost_from, lost_to: Room time of the first and the last of them.
    """

    works: deque[Work] = field(default_factory=deque)
    readings: int = 0
    lost: Counter[str] = field(default_factory=Counter)
    lost_from: int | None = None
    lost_to: int | None = None

    def add(self, work: Work) -> None:
        """Add one; the oldest readings give way when memory is full, never journal or alerts."""
        self.works.append(work)
        self.readings += len(work.batch.entries)
        index = 0
        while self.readings > MEMORY and index < len(self.works):
            batch = self.works[index].batch
            for entry in batch.entries:
                self.lost[entry.sensor] += 1
            if batch.entries:
                self.lost_from = batch.now if self.lost_from is None else self.lost_from
                self.lost_to = batch.now
                self.readings -= len(batch.entries)
                self.works[index] = replace(self.works[index], batch=replace(batch, entries=()))
            index += 1

    def listed(self) -> Batch | None:
        """Give the batch that lists what was lost, once."""
        if not self.lost or self.lost_to is None:
            return None
        body = {"from": self.lost_from, "to": self.lost_to, "readings": dict(self.lost)}
        entered = Entered(self.lost_to, Kind.NOT_RECORDED, body)  # type: ignore[arg-type]  # plain values
        self.lost = Counter()
        self.lost_from = self.lost_to = None
        return Batch(entered.now, journal=(entered,))

    def clear(self) -> None:
        """Everything is on the card."""
        self.works.clear()
        self.readings = 0


class Recorder(Thread):
    """Owns the logbook from :meth:`start` to :meth:`end`.

    Attributes:
        alerts: Alerts with their outbox numbers, for delivery.
        orders: Orders that wait, for the judge.
        busy_since: When the present work began (s, monotonic), or None.
        unacknowledged: Messages settled as "not recorded".
    """

    def __init__(self, folder: Path, inbox: Inbox, boottime: Boottime, *, commit: int, window: int) -> None:
        """Prepare; ``commit`` in ms, ``window`` in messages. The thread itself opens the logbook."""
        super().__init__(name="recorder", daemon=True)
        self._folder = folder
        self._inbox = inbox
        self._boottime = boottime
        self.commit_every = commit
        self.window = window
        self._queue: SimpleQueue[Work] = SimpleQueue()
        self._ending = Event()
        self._pending = Pending()
        self._first = 0
        self._unsettled = 0
        self._well = True
        self._retry_at = 0
        self._orders_at = 0
        self._handed: set[int] = set()
        self.alerts: SimpleQueue[Alert] = SimpleQueue()
        self.orders: SimpleQueue[Asked] = SimpleQueue()
        self.busy_since: float | None = None
        self.unacknowledged = 0
        self.committed_at = boottime()

    def put(self, work: Work) -> None:
        """Hand over work; never waits."""
        self._queue.put(work)

    def end(self, within: float) -> bool:
        """Commit what is there and end; False where the disk did not answer in time (s)."""
        self._ending.set()
        self.join(within)
        return not self.is_alive()

    @property
    def stuck(self) -> bool:
        """Tell whether the present commit has taken too long."""
        since = self.busy_since
        return since is not None and time.monotonic() - since > STUCK

    def settled(self) -> bool:
        """Tell whether everything that was handed over by now has been looked at."""
        return self._queue.empty() and self.busy_since is None

    @property
    def well(self) -> bool:
        """Tell whether the last commit went through."""
        return self._well

    @property
    def waiting(self) -> int:
        """Tell how many readings wait in memory."""
        return self._pending.readings

    def run(self) -> None:
        """Commit until told to end; see the class."""
        self._logbook = Logbook.open(self._folder)
        while not self._ending.is_set():
            self._gather(TURN)
            if self._due():
                self._commit()
            self._look_for_orders()
        self._gather(0)
        if self._pending.works:
            self._commit()
        self._logbook.close()

    def _gather(self, wait: float) -> None:
        try:
            work = self._queue.get(timeout=wait) if wait else self._queue.get_nowait()
            while True:
                self._take(work)
                work = self._queue.get_nowait()
        except Empty:
            return

    def _take(self, work: Work) -> None:
        if not self._pending.works:
            self._first = self._boottime()
        self._pending.add(work)
        self._unsettled += len(work.settled)
        if not self._well:
            self._settle_unrecorded()

    def _due(self) -> bool:
        if not self._pending.works:
            return False
        if not self._well:
            return self._boottime() >= self._retry_at
        urgent = any(work.batch.urgent or work.chore or work.snapshot for work in self._pending.works)
        waited = self._boottime() - self._first >= self.commit_every
        return urgent or waited or self._unsettled >= self.window

    def _commit(self) -> None:
        works = tuple(self._pending.works)
        batches = [work.batch for work in works]
        self.busy_since = time.monotonic()
        try:
            committed = self._logbook.commit(batches)
            self._after(works, committed)
        except CannotRecord as fault:
            self._cannot(str(fault))
            return
        finally:
            self.busy_since = None
        self.committed_at = self._boottime()
        self._pending.clear()
        self._unsettled = 0
        self._again_well()

    def _after(self, works: tuple[Work, ...], committed: Committed) -> None:
        """What follows a commit: acknowledgements, alerts with their numbers, chores."""
        for work in works:
            for settle in work.settled:
                settle()
        alerts = [alert for work in works for alert in work.batch.alerts]
        for alert, number in zip(alerts, committed.alert_ids, strict=True):
            self.alerts.put(replace(alert, id=number))
        for work in works:
            self._handed.difference_update(order for order, _, _ in work.batch.answers)
        self._pending.clear()
        for work in works:
            if work.snapshot is not None:
                self._logbook.save_snapshot(work.batch.now, committed.last_row, work.snapshot)
            if work.chore is not None:
                work.chore(self._logbook)

    def _cannot(self, words: str) -> None:
        self._retry_at = self._boottime() + RETRY_EVERY
        if self._well:
            self._well = False
            self._inbox.put(
                says(ContactKind.RECORDER.value, "", well=False, arrived=self._boottime(), note=words)
            )
        self._settle_unrecorded()

    def _settle_unrecorded(self) -> None:
        """Acknowledge what is judged and in memory: the broker must not stop."""
        works = [replace(work, settled=()) for work in self._pending.works]
        for work in self._pending.works:
            for settle in work.settled:
                settle()
                self.unacknowledged += 1
        self._pending.works = deque(works)
        self._unsettled = 0

    def _again_well(self) -> None:
        if self._well:
            return
        self._well = True
        self._inbox.put(says(ContactKind.RECORDER.value, "", well=True, arrived=self._boottime()))
        listed = self._pending.listed()
        if listed is not None:
            self._pending.add(Work(listed))

    def _look_for_orders(self) -> None:
        now = self._boottime()
        if now < self._orders_at:
            return
        self._orders_at = now + ORDERS_EVERY
        self.busy_since = time.monotonic()
        try:
            waiting = self._logbook.orders_waiting()
        except CannotRecord:
            return
        finally:
            self.busy_since = None
        for asked in waiting:
            if asked.id not in self._handed:
                self._handed.add(asked.id)
                self.orders.put(asked)
