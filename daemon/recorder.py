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
from threading import Event, Lock, Thread

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

SLOW = 1.0
"""A commit that takes longer than this is slow (s)."""

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
    _spared: list[Work] = field(default_factory=list)

    def add(self, work: Work) -> None:
        """Add one; the oldest readings give way when memory is full, never journal or alerts."""
        self.works.append(work)
        self.readings += len(work.batch.entries)
        while self.readings > MEMORY and self.works:
            self._thin(self.works.popleft())

    def _thin(self, work: Work) -> None:
        """Give up the readings of one work; keep what else it holds."""
        batch = work.batch
        for entry in batch.entries:
            self.lost[entry.sensor] += 1
        if batch.entries:
            self.lost_from = batch.now if self.lost_from is None else self.lost_from
            self.lost_to = batch.now
            self.readings -= len(batch.entries)
        if batch.journal or batch.alarms or batch.alerts or batch.delivered or batch.answers or work.chore:
            thin = replace(batch, entries=(), shown={})
            self._spared.append(replace(work, batch=thin, snapshot=None))

    def all(self) -> tuple[Work, ...]:
        """Give every work, oldest first."""
        return (*self._spared, *self.works)

    def __bool__(self) -> bool:
        """Tell whether anything waits."""
        return bool(self.works or self._spared)

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
        self._spared.clear()
        self.readings = 0


class Debts:
    """Acknowledgements that are owed, in the order of the work that they wait for.

    The recorder pays after a commit; while the card does not answer at all the judge's
    thread pays in its place. The lock makes sure that each is paid once.
    """

    def __init__(self) -> None:
        """Begin with none."""
        self._owed: deque[tuple[int, Settled]] = deque()
        self._lock = Lock()

    def __len__(self) -> int:
        return len(self._owed)

    def owe(self, number: int, settled: tuple[Settled, ...]) -> None:
        """Take on those of one piece of work."""
        self._owed.extend((number, one) for one in settled)

    def pay(self, until: int) -> int:
        """Pay those of all work up to a number; give how many that were."""
        due: list[Settled] = []
        with self._lock:
            while self._owed and self._owed[0][0] <= until:
                due.append(self._owed.popleft()[1])
        for settle in due:
            settle()
        return len(due)


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
        self._queue: SimpleQueue[tuple[int, Work]] = SimpleQueue()
        self._debts = Debts()
        self._given = 0
        self._taken = 0
        self._aside = Pending()
        self._ending = Event()
        self._pending = Pending()
        self._first = 0
        self._proven = False
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
        """Hand over work; never waits. The judge's thread alone calls it."""
        stuck = self.stuck
        if not stuck:
            self._hand_over()
        self._given += 1
        self._debts.owe(self._given, work.settled)
        if stuck:
            self._aside.add(work)
        else:
            self._queue.put((self._given, work))

    def relieve(self) -> None:
        """Do, about once a second, what a stuck recorder cannot; the judge's thread alone calls it.

        What waits in memory is acknowledged as not recorded, so that readings go on coming;
        once the card answers again it is handed over.
        """
        if self.stuck:
            self.unacknowledged += self._debts.pay(self._given)
        else:
            self._hand_over()

    def _hand_over(self) -> None:
        """Give the recorder what was laid aside while it was stuck."""
        if not self._aside:
            return
        listed = self._aside.listed()
        works = (*self._aside.all(), *([Work(listed)] if listed else []))
        self._aside = Pending()
        for work in works:
            self._queue.put((self._given, work))

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

    @property
    def slow(self) -> bool:
        """Tell whether the present commit takes longer than one should."""
        since = self.busy_since
        return since is not None and time.monotonic() - since > SLOW

    def settled(self) -> bool:
        """Tell whether everything that was handed over by now has been looked at."""
        return self._queue.empty() and not self._aside and self.busy_since is None

    @property
    def well(self) -> bool:
        """Tell whether the last commit went through."""
        return self._well

    @property
    def waiting(self) -> int:
        """Tell how many readings wait in memory."""
        return self._pending.readings + self._aside.readings

    def run(self) -> None:
        """Commit until told to end; see the class."""
        self._logbook = Logbook.open(self._folder)
        while not self._ending.is_set():
            self._gather(TURN)
            if self._due():
                self._commit()
            self._look_for_orders()
        self._gather(0)
        if self._pending:
            self._commit()
        self._logbook.close()

    def _gather(self, wait: float) -> None:
        try:
            number, work = self._queue.get(timeout=wait) if wait else self._queue.get_nowait()
            while True:
                self._take(number, work)
                number, work = self._queue.get_nowait()
        except Empty:
            return

    def _take(self, number: int, work: Work) -> None:
        if not self._pending:
            self._first = self._boottime()
        self._taken = number
        self._pending.add(work)
        if not self._well:
            self._settle_unrecorded()

    def _due(self) -> bool:
        if not self._pending:
            return False
        if not self._well:
            return self._boottime() >= self._retry_at
        works = self._pending.all()
        urgent = any(work.batch.urgent or work.chore or work.snapshot for work in works)
        waited = self._boottime() - self._first >= self.commit_every
        return urgent or waited or len(self._debts) >= self.window

    def _commit(self) -> None:
        works = self._pending.all()
        self.busy_since = time.monotonic()
        try:
            committed = self._logbook.commit([work.batch for work in works])
            self._after(works, committed)
        except CannotRecord as fault:
            self._cannot(str(fault))
            return
        finally:
            self.busy_since = None
        self.committed_at = self._boottime()
        self._again_well()

    def _after(self, works: tuple[Work, ...], committed: Committed) -> None:
        """What follows a commit: acknowledgements, alerts with their numbers, chores."""
        self._debts.pay(self._taken)
        alerts = [alert for work in works for alert in work.batch.alerts]
        for alert, number in zip(alerts, committed.alert_ids, strict=True):
            self.alerts.put(replace(alert, id=number))
        for work in works:
            self._handed.difference_update(order for order, _, _ in work.batch.answers)
        self._pending.clear()
        left = deque(works)
        while left:
            work = left[0]
            try:
                self._look_after(work, committed.last_row)
            except CannotRecord:
                # What was not done is tried again with the next commit.
                for one in left:
                    self._pending.add(replace(one, batch=Batch(one.batch.now)))
                raise
            left.popleft()

    def _look_after(self, work: Work, last_row: int) -> None:
        if work.snapshot is not None:
            self._logbook.save_snapshot(work.batch.now, last_row, work.snapshot)
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
        self.unacknowledged += self._debts.pay(self._taken)

    def _again_well(self) -> None:
        """Say that the card takes what it is given; once after a start, and after trouble."""
        if self._well and self._proven:
            return
        self._well = self._proven = True
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
