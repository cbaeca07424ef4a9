"""What the tests of the readers share."""

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from rules.reading import Quantity
from sensors.reader import Arrival, Inbox, Reader, Reject, organ
from tests.kit.broker import Broker, until


def boottime() -> int:
    """Milliseconds of the boot-time clock."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


@dataclass
class Judge:
    """Stands where the judge stands: drains the inbox and keeps what came."""

    inbox: Inbox = field(default_factory=Inbox)
    arrivals: list[Arrival] = field(default_factory=list)
    rejects: list[Reject] = field(default_factory=list)
    said: list[Arrival] = field(default_factory=list)
    readers: list[Reader] = field(default_factory=list)
    done: set[int] = field(default_factory=set)

    def run(self, reader: Reader) -> Reader:
        """Start a reader; it is stopped when the test ends."""
        self.readers.append(reader)
        reader.start(self.inbox)
        return reader

    def look(self) -> "Judge":
        """Drain the inbox and sort what was in it."""
        for item in self.inbox.drain():
            if isinstance(item, Reject):
                self.rejects.append(item)
            elif item.sensor.startswith("watch/"):
                self.said.append(item)
            else:
                self.arrivals.append(item)
        return self

    def settle(self) -> int:
        """Acknowledge everything that is there and new; give the number of arrivals so far."""
        self.look()
        for item in (*self.arrivals, *self.rejects):
            if item.settled is not None and id(item) not in self.done:
                self.done.add(id(item))
                item.settled()
        return len(self.arrivals)

    def values(self, quantity: Quantity = Quantity.TEMPERATURE) -> list[float]:
        """Give the values of one quantity in order of arrival."""
        return [a.values[quantity].raw for a in self.look().arrivals if quantity in a.values]

    def notes(self, kind: str = "reader", name: str = "mqtt") -> list[tuple[bool, str]]:
        """Give what an organ said: well or not, and its note."""
        name = organ(kind, name)
        return [(a.values[Quantity.CONTACT].raw == 1.0, a.note) for a in self.look().said if a.sensor == name]

    def ails(self, words: str, name: str = "mqtt") -> bool:
        """Tell whether the last word of a reader is an ailment with ``words`` in it."""
        notes = self.notes("reader", name)
        return bool(notes) and not notes[-1][0] and words in notes[-1][1]

    def well(self, name: str = "mqtt") -> bool:
        """Tell whether the last word of a reader is that it is well."""
        notes = self.notes("reader", name)
        return bool(notes) and notes[-1][0]

    def wait(self, count: int, what: str = "arrivals") -> None:
        """Wait until ``count`` arrivals are there."""
        until(lambda: len(self.look().arrivals) >= count, f"{count} {what}, got {len(self.arrivals)}")


@pytest.fixture(name="judge")
def _judge() -> Iterator[Judge]:
    """Give a judge whose readers are stopped at the end."""
    judge = Judge()
    yield judge
    for reader in judge.readers:
        reader.stop()


@pytest.fixture(name="broker")
def _broker(tmp_path: Path) -> Iterator[Broker]:
    """Give a running broker that keeps its state on disk."""
    with Broker(tmp_path / "broker") as broker:
        yield broker
