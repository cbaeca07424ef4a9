"""What every way of reading has in common: arrivals, the inbox, the reader.

A reader runs threads of its own (one per bus), puts arrivals and its own faults
into the inbox and does nothing else. The judge drains the inbox on a short
tick; nobody is woken for a message.
"""

from collections import Counter, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Protocol

from rules.plan import WATCH
from rules.reading import Quality, Quantity

Boottime = Callable[[], int]
"""Milliseconds of the boot-time clock (counts suspend, never steps)."""

Settled = Callable[[], None]
"""Called once when an arrival is safely on the card (or counted as not recorded)."""


@dataclass(frozen=True, slots=True)
class Value:
    """One raw value of a measurement and what the reader knows of its quality.

    Attributes:
        raw: °C, percent, 0/1, or NaN where the source gave no number.
        quality: GOOD, or what the reader itself found (NOT_A_NUMBER, FAULT_CODE).
    """

    raw: float
    quality: Quality = Quality.GOOD


@dataclass(frozen=True, slots=True)
class Arrival:
    """One measurement as it came in: every quantity of one message or one read.

    Attributes:
        sensor: The sensor's name; for a wildcard topic the captured name.
        values: What was measured, by quantity.
        arrived: Boot-time clock when it came in, ms.
        stamp: The device's own stamp as sent (Unix ms), or None.
        counter: The device's own counter, or None.
        retained: The broker kept it: its age is not known.
        link: How often the reader had connected when it came: a new number means that
            there may be a backlog.
        template: Name in the config of the sensor with the wildcard, or "".
        settled: To be called after the commit (the MQTT acknowledgement), or None.
        note: What the reader has to say, for its own faults.
    """

    sensor: str
    values: Mapping[Quantity, Value]
    arrived: int
    stamp: int | None = None
    counter: int | None = None
    retained: bool = False
    link: int = 0
    template: str = ""
    settled: Settled | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Reject:
    """Something that came in and is no measurement.

    Attributes:
        source: Topic, file or bus.
        reason: What is wrong, in words; never the whole payload.
        start: The first bytes, printable, at most 40 characters.
        arrived: Boot-time clock, ms.
        settled: To be called when it is counted, or None.
    """

    source: str
    reason: str
    start: str
    arrived: int
    settled: Settled | None = None


@dataclass(slots=True)
class Inbox:
    """The one bounded queue between readers and judge.

    Full, it refuses the new arrival *without* calling ``settled`` (so a broker keeps
    it) and counts the refusal. Any thread may put; only the judge drains.
    """

    size: int = 20_000
    refused: Counter[str] = field(default_factory=Counter)
    _arrivals: deque[Arrival | Reject] = field(default_factory=deque)
    _lock: Lock = field(default_factory=Lock)

    def put(self, arrival: Arrival | Reject) -> bool:
        """Add one; False when it was refused because the inbox is full."""
        if len(self._arrivals) >= self.size:
            name = arrival.sensor if isinstance(arrival, Arrival) else arrival.source
            with self._lock:
                self.refused[name] += 1
            return False
        self._arrivals.append(arrival)
        return True

    def drain(self) -> list[Arrival | Reject]:
        """Take everything that is there, oldest first."""
        return [self._arrivals.popleft() for _ in range(len(self._arrivals))]


class Reader(Protocol):
    """One way of reading, for all its sensors."""

    name: str
    """Its name in the config: "mqtt", "1-wire", "hwmon", "iio", "simulated"."""

    def start(self, inbox: Inbox) -> None:
        """Begin; returns at once. Faults go into the inbox, never to the caller."""

    def stop(self) -> None:
        """End within 2 s: threads joined, links closed. Safe to call twice."""


def organ(kind: str, name: str = "") -> str:
    """Name the sensor of one of the watch's own organs ("watch/reader/mqtt")."""
    return f"{WATCH}/{kind}/{name}" if name else f"{WATCH}/{kind}"


def says(kind: str, name: str, *, well: bool, arrived: int, note: str = "") -> Arrival:
    """Make the arrival by which an organ says that it is well, or what ails it."""
    values = {Quantity.CONTACT: Value(1.0 if well else 0.0)}
    return Arrival(sensor=organ(kind, name), values=values, arrived=arrived, note=note)
