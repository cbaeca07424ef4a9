"""What the readers of kernel files share: one thread a bus, deadlines, tries, words for faults.

A read of such a file may block for seconds (a conversion) or for ever (a hung bus).
So each bus has a worker thread of its own, and a supervisor that looks at how long
the present read takes. A worker past its deadline is abandoned: it is said, the
sensor it hangs on is left out until that read ends, and a new worker goes on with
the others. Nothing can end a thread that hangs in the kernel; at most
``MOST_ABANDONED`` of them are left for one bus.
"""

import errno
import math
import os
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event, Thread

from rules.reading import Quality, Quantity
from sensors.reader import Arrival, Boottime, Inbox, Reject, Value, says

SYSFS = Path("/sys")
"""Where the kernel shows its devices."""

LONGEST_TEXT = 4_096
"""One page: no such file is longer, bytes."""

TICK = 0.25
"""Pace of the supervisor, s."""

MOST_ABANDONED = 3
"""So many threads may hang on one bus before it is given up."""

ROUNDS_TO_AIL = 3
"""A sensor that failed in so many rounds in a row is spoken of."""

_AGAIN = frozenset({errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.EBUSY, errno.EPROTO})
_WORDS: Mapping[int, str] = {
    errno.EIO: "the device does not answer (EIO)",
    errno.ETIMEDOUT: "the device did not answer in time (ETIMEDOUT)",
    errno.ENODATA: "the device is switched off (ENODATA)",
    errno.ENOENT: "not there",
    errno.ENODEV: "gone from the bus (ENODEV)",
    errno.EACCES: "no permission to read it (is the service in the right group?)",
}


class SourceError(Exception):
    """A source gave no measurement.

    Attributes:
        reason: What is wrong, in words.
        again: Another try at once may help.
        instead: What to record when no try helps, where the device itself says that it
            failed; None: nothing came.
    """

    def __init__(
        self, reason: str, *, again: bool = False, instead: Mapping[Quantity, Value] | None = None
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.again = again
        self.instead = instead


@dataclass(frozen=True, slots=True)
class Source:
    """One sensor as its bus reads it.

    Attributes:
        sensor: The sensor's name.
        bus: The bus that it hangs on: reads of one bus follow one another.
        every: Its pace, ms.
        where: File or address, for messages.
        read: Gives its values; raises SourceError.
    """

    sensor: str
    bus: str
    every: int
    where: str
    read: Callable[[], Mapping[Quantity, Value]]


@dataclass(frozen=True, slots=True)
class Patience:
    """How long and how often a source is tried.

    Attributes:
        deadline: A read that takes longer is given up, ms.
        tries: Tries in one round.
        pause: Between two tries, ms (some devices need 1 to 2 s).
    """

    deadline: int = 10_000
    tries: int = 3
    pause: int = 1_000


def read_text(path: Path) -> str:
    """Read a kernel file of one page at most.

    Returns:
        Its text without the white space around it; never empty.

    Raises:
        SourceError: It cannot be read or is empty; says whether to try again.
    """
    try:
        with path.open("rb") as file:
            text = file.read(LONGEST_TEXT).decode("ascii", "replace").strip()
    except OSError as error:
        words = _WORDS.get(error.errno or 0, error.strerror or "cannot be read")
        raise SourceError(words, again=error.errno in _AGAIN) from error
    if not text:
        raise SourceError("the file is empty", again=True)
    return text


def read_number(path: Path) -> float:
    """Read a kernel file that holds one number, with or without a fraction.

    Raises:
        SourceError: It cannot be read, or holds no number.
    """
    text = read_text(path)
    try:
        number = float(text)
    except ValueError:
        raise SourceError(f'"{text[:20]}" is no number') from None
    if not math.isfinite(number):
        raise SourceError(f'"{text[:20]}" is no number')
    return number


def milli(number: float) -> Value:
    """Make a value of milli-units (31500 is 31.5)."""
    return Value(round(number / 1000, 4))


NO_VALUE = Value(math.nan, Quality.FAULT_CODE)
"""What a device gives that knows that it failed."""


def by_name(folder: Path, pattern: str, device: str, part: str | None) -> Path:
    """Find a device by its name and a part of its path; its number means nothing.

    Args:
        folder: Where the numbered devices stand.
        pattern: How they are numbered ("hwmon*").
        device: What their file "name" must say.
        part: What their path must contain, or None.

    Raises:
        SourceError: None is there, or several are.
    """
    found = [
        entry
        for entry in sorted(folder.glob(pattern))
        if name_of(entry) == device and (part is None or part in device_path(entry))
    ]
    if len(found) == 1:
        return found[0]
    if not found:
        raise SourceError(f'no device "{device}"' + (f' at "{part}"' if part else "") + " is there")
    paths = ", ".join(device_path(entry) for entry in found)
    raise SourceError(f'{len(found)} devices are named "{device}"; tell them apart by path: {paths}')


def name_of(entry: Path) -> str:
    """Give what a device's file "name" says, or ""."""
    try:
        return read_text(entry / "name")
    except SourceError:
        return ""


def device_path(entry: Path) -> str:
    """Give the stable path of a device, without its number.

    Notes:
        A class entry links into the tree of devices; the part before the class's own
        folder is the bus address ("i2c-1/1-0044"), which stays from boot to boot.
    """
    device = entry / "device"
    if device.exists():
        return os.path.realpath(device)
    path = os.path.realpath(entry)
    return str(Path(path).parent) if entry.is_symlink() else path


@dataclass(slots=True)
class _Worker:
    """The thread of one bus. Written by that thread, looked at by the supervisor.

    Attributes:
        bus: Its bus.
        busy: The source being read now, and since when (boot-time clock), or None.
        left: It was abandoned: it ends as soon as it can.
    """

    bus: str
    thread: Thread | None = None
    busy: tuple[Source, int] | None = None
    left: bool = False


@dataclass(slots=True)
class _Trouble:
    """What ails one sensor: how many rounds in a row, and why."""

    rounds: int = 0
    reason: str = ""


@dataclass(slots=True)
class _Book:
    """What the threads of one reader write down together (each key by one thread)."""

    due: dict[str, int] = field(default_factory=dict)
    trouble: dict[str, _Trouble] = field(default_factory=dict)
    hung: dict[str, Thread] = field(default_factory=dict)
    given_up: set[str] = field(default_factory=set)


class SysfsReader:
    """Reads kernel files at their pace; see the module for the threads."""

    name = "sysfs"

    def __init__(
        self, sources: Sequence[Source], boottime: Boottime, patience: Patience | None = None
    ) -> None:
        """Prepare; nothing is read yet."""
        self.sources = tuple(sources)
        self.retries: Counter[str] = Counter()
        self._boottime = boottime
        self._patience = patience or Patience()
        self._book = _Book()
        self._ending = Event()
        self._workers: dict[str, _Worker] = {}
        self._supervisor: Thread | None = None
        self._inbox: Inbox | None = None
        self._said: str | None = None

    def start(self, inbox: Inbox) -> None:
        """Begin; returns at once. Faults go into the inbox."""
        self._inbox = inbox
        self._supervisor = Thread(target=self._supervise, name=f"{self.name}-supervisor", daemon=True)
        self._supervisor.start()

    def stop(self) -> None:
        """End within 2 s; a thread that hangs in the kernel is left behind. Safe to call twice."""
        self._ending.set()
        if self._supervisor is not None:
            self._supervisor.join(1)
            self._supervisor = None
        end = self._boottime() + 900
        for worker in self._workers.values():
            if worker.thread is not None:
                worker.thread.join(max(0, end - self._boottime()) / 1000)

    def before_round(self, bus: str, due: Sequence[Source]) -> None:
        """Do what a bus wants before its sensors are read; nothing here."""

    def besides(self, now: int) -> None:
        """Do what the supervisor shall do besides; nothing here."""

    # --- supervisor ---------------------------------------------------------------

    def _supervise(self) -> None:
        """Start a worker for each bus, and look after them."""
        for bus in dict.fromkeys(source.bus for source in self.sources):
            self._work(bus)
        while not self._ending.wait(TICK):
            now = self._boottime()
            for worker in list(self._workers.values()):
                self._look_after(worker, now)
            self._speak()
            self.besides(now)

    def _work(self, bus: str) -> None:
        """Give a bus a new worker."""
        worker = _Worker(bus)
        worker.thread = Thread(target=self._run, args=(worker,), name=f"{self.name}-{bus}", daemon=True)
        self._workers[bus] = worker
        worker.thread.start()

    def _look_after(self, worker: _Worker, now: int) -> None:
        """Abandon a worker that hangs; take sensors back whose read has ended."""
        hung = self._book.hung
        for sensor in [name for name, thread in hung.items() if not thread.is_alive()]:
            del hung[sensor]
        busy = worker.busy
        if busy is None or worker.left or now - busy[1] <= self._patience.deadline:
            if worker.left and worker.bus in self._book.given_up and not self._hanging(worker.bus):
                self._book.given_up.discard(worker.bus)
                self._work(worker.bus)
            return
        source, since = busy
        worker.left = True
        if worker.thread is not None:
            hung[source.sensor] = worker.thread
        trouble = self._book.trouble.setdefault(source.sensor, _Trouble())
        trouble.rounds = ROUNDS_TO_AIL
        trouble.reason = f"a read has not ended after {(now - since) // 1000} s"
        if self._hanging(worker.bus) < MOST_ABANDONED:
            self._work(worker.bus)
        else:
            self._book.given_up.add(worker.bus)

    def _hanging(self, bus: str) -> int:
        """Count the threads that hang on a bus."""
        return sum(source.sensor in self._book.hung for source in self.sources if source.bus == bus)

    def _speak(self) -> None:
        """Say what ails the reader when that has changed."""
        ailing = {
            source.sensor: trouble.reason
            for source in self.sources
            if (trouble := self._book.trouble.get(source.sensor)) and trouble.rounds >= ROUNDS_TO_AIL
        }
        note = "; ".join(f"{sensor}: {reason}" for sensor, reason in ailing.items())
        if self._book.given_up:
            note += f"; given up until it answers: {', '.join(sorted(self._book.given_up))}"
        settled = ailing or all(source.sensor in self._book.trouble for source in self.sources)
        if settled and note != self._said:
            self._said = note
            self.tell(says("reader", self.name, well=not note, arrived=self._boottime(), note=note))

    def tell(self, arrival: Arrival) -> None:
        """Put something that an organ says into the inbox."""
        if self._inbox is not None:
            self._inbox.put(arrival)

    # --- worker ---------------------------------------------------------------------

    def _run(self, worker: _Worker) -> None:
        """Read the sensors of one bus, each at its pace, until the end."""
        mine = [source for source in self.sources if source.bus == worker.bus]
        book = self._book
        while not worker.left and not self._ending.is_set():
            now = self._boottime()
            due = [s for s in mine if book.due.get(s.sensor, now) <= now and s.sensor not in book.hung]
            if due:
                worker.busy = (due[0], now)
                self.before_round(worker.bus, due)
            for source in due:
                if worker.left or self._ending.is_set():
                    return
                worker.busy = (source, self._boottime())
                self._read(source, worker)
                book.due[source.sensor] = _next(
                    book.due.get(source.sensor, now), source.every, self._boottime()
                )
            worker.busy = None
            self._rest(mine)

    def _rest(self, mine: Sequence[Source]) -> None:
        """Wait until the next sensor is due; half a second at most, for the end's sake."""
        now = self._boottime()
        soonest = min((self._book.due.get(source.sensor, now) for source in mine), default=now)
        self._ending.wait(min(0.5, max(0.02, (soonest - now) / 1000)))

    def _read(self, source: Source, worker: _Worker) -> None:
        """Read one sensor, with tries, and hand over what came."""
        for tried in range(1, self._patience.tries + 1):
            try:
                values = source.read()
            except SourceError as error:
                if error.again and tried < self._patience.tries and not worker.left:
                    self.retries[source.sensor] += 1
                    self._ending.wait(self._patience.pause / 1000)
                    continue
                self._failed(source, error)
                return
            self._hand(source, values)
            return

    def _hand(self, source: Source, values: Mapping[Quantity, Value]) -> None:
        """Put a measurement into the inbox."""
        self._book.trouble[source.sensor] = _Trouble()
        if self._inbox is not None:
            self._inbox.put(Arrival(source.sensor, values, self._boottime()))

    def _failed(self, source: Source, error: SourceError) -> None:
        """Count a round without a measurement; what the device says of itself is recorded."""
        trouble = self._book.trouble.setdefault(source.sensor, _Trouble())
        trouble.rounds += 1
        trouble.reason = error.reason
        if self._inbox is None:
            return
        now = self._boottime()
        self._inbox.put(Reject(source.where, error.reason, "", now))
        if error.instead:
            self._inbox.put(Arrival(source.sensor, error.instead, now, note=error.reason))


def _next(due: int, every: int, now: int) -> int:
    """Give the next instant on the sensor's own grid; rounds that were missed are left out."""
    return due + max(1, math.ceil((now - due) / every)) * every if now > due else due + every
