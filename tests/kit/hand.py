"""A watch in this process whose clock and readings the test moves by hand; the rest is real."""

import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from daemon.clock import ManualClock
from daemon.delivery import Reach
from daemon.logbook import Archive
from daemon.notify import ServiceManager
from daemon.opening import open_watch
from daemon.orders import write_order
from daemon.record import AlarmRow, Entered, Json, Kind
from daemon.settings import Loaded, load
from daemon.watch import Outside, Watch
from rules.reading import SECOND, Quantity
from sensors.reader import Arrival, Inbox, Reader, Reject, Value

WALL = 1_795_600_000_000
"""Wall clock at the start of a test, Unix ms: 2026-11-25, in the morning."""


@dataclass(slots=True)
class HandReader:
    """A reader like any other; the test gives it what comes in."""

    inbox: Inbox = field(default_factory=Inbox)
    name: str = "mqtt"

    def start(self, inbox: Inbox) -> None:
        """Take the inbox."""
        self.inbox = inbox

    def stop(self) -> None:
        """Nothing runs by itself."""


@dataclass(slots=True)
class Handled:
    """One room whose time passes only when the test says so.

    Attributes:
        folder: Where config and logbook lie.
        clock: The clocks.
        reach: Address of each contact; a dead one by default.
        reader: Gives readings to the watch.
        link: How often the reader has "connected".
    """

    folder: Path
    text: str
    clock: ManualClock = field(default_factory=lambda: ManualClock(WALL, boottime=3_600_000))
    reach: Mapping[str, Reach] = field(default_factory=dict)
    link: int = 0
    reader: HandReader = field(default_factory=HandReader)
    watch: Watch | None = None

    def __post_init__(self) -> None:
        """Write the config."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self.config.write_text(self.text)

    @property
    def config(self) -> Path:
        """The config."""
        return self.folder / "room.toml"

    @property
    def state(self) -> Path:
        """The folder of the logbook."""
        return self.folder / "state"

    def start(self) -> None:
        """Open the logbook and begin."""
        loaded = load(self.config)

        def readers(_: Loaded) -> list[Reader]:
            self.reader = HandReader()
            return [self.reader]

        outside = Outside(
            clock=self.clock,
            manager=ServiceManager({}),
            readers=readers,
            reach=lambda settings: {
                one.name: self.reach.get(one.name, lambda: "json://127.0.0.1:9/")
                for one in settings.model.contact
            },
            env={},
        )
        self.watch = Watch(open_watch(loaded, self.state, self.clock), self.state, outside)
        self.watch.begin()

    def pass_time(self, ms: int, step: int = SECOND) -> None:
        """Let time pass in steps; the recorder keeps up."""
        assert self.watch is not None
        for _ in range(0, ms, step):
            self.clock.advance(step)
            self.watch.turn()
            self.settle()

    def settle(self) -> None:
        """Wait until recorder and couriers are at rest, as time does in earnest."""
        watch = self.watch
        assert watch is not None
        ends = time.monotonic() + 20
        while not watch.at_rest:
            assert time.monotonic() < ends, "recorder and couriers come to rest"
            time.sleep(0.002)
            watch.turn()

    def put(self, sensor: str, celsius: float, **more: object) -> None:
        """Let one temperature arrive now."""
        values = {Quantity.TEMPERATURE: Value(celsius)}
        self.reader.inbox.put(Arrival(sensor, values, self.clock.boottime(), link=self.link, **more))  # type: ignore[arg-type]

    def reject(self, source: str, reason: str = "no number") -> None:
        """Let something arrive that is no measurement."""
        self.reader.inbox.put(Reject(source, reason, "?", self.clock.boottime()))

    def feed(self, values: Mapping[str, float], ms: int, every: int = 30 * SECOND) -> None:
        """Let sensors report at their pace for a while."""
        for _ in range(0, ms, every):
            for sensor, celsius in values.items():
                self.put(sensor, celsius)
            self.pass_time(every, step=every)

    def order(self, **body: Json) -> str:
        """Give an order and let a little time pass until it is answered."""
        number = write_order(self.state, "keeper", "command", body)
        ends = time.monotonic() + 15
        while time.monotonic() < ends:
            self.pass_time(SECOND)
            with self.archive() as archive:
                asked = archive.order(number)
            if asked is not None and asked.taken is not None:
                return asked.answer
            time.sleep(0.02)
        raise AssertionError("the order was not taken")

    def commit(self) -> None:
        """Let time pass until the recorder has written all that it has."""
        assert self.watch is not None
        recorder = self.watch._recorder
        ends = time.monotonic() + 15
        while recorder._pending or not recorder.settled():
            assert time.monotonic() < ends, "all is on the card"
            self.pass_time(5 * SECOND, step=5 * SECOND)
            time.sleep(0.15)

    def end(self) -> None:
        """End it as SIGTERM does."""
        assert self.watch is not None
        self.watch.end()
        self.watch = None

    def drop(self) -> None:
        """Let it go as SIGKILL does: what is not on the card is gone."""
        watch = self.watch
        assert watch is not None
        recorder = watch._recorder
        recorder._pending.clear()
        recorder._ending.set()
        recorder.join(10)
        watch._delivery.stop()
        self.watch = None

    # -- looking --------------------------------------------------------------------------

    def archive(self) -> Archive:
        """Open the logbook for reading."""
        return Archive.open(self.state)

    def alarms(self, rule: str | None = None, *, open_only: bool = False) -> list[AlarmRow]:
        """Give the recorded alarms."""
        with self.archive() as archive:
            rows = archive.alarms(open_only=open_only)
        return [row for row in rows if rule is None or row.key.rule == rule]

    def journal(self, *kinds: Kind) -> list[Entered]:
        """Give the journal."""
        with self.archive() as archive:
            return archive.journal(kinds=kinds)


HEAD = """\
[room]
name = "Cellar"
time_zone = "Europe/Lisbon"
data = "state"

[broker]
host = "127.0.0.1"
"""

CONTACT = """
[[contact]]
name = "first"
reach = "first"
priorities = ["high", "medium", "low"]
"""

PLACE = """
[[place]]
name = "{name}"
kind = "enclosure"
temperature = {{ ideal = ["28 C", "31 C"], safe = ["26 C", "33 C"] }}
hold = {{ ideal = "20 min", safe = "{hold}", off = "5 min" }}
deadband = {{ temperature = "0.3 C" }}

[[place.sensor]]
name = "{name}"
read = {{ by = "mqtt", topic = "{topic}", temperature = "/t", time = "/ts", every = "30 s" }}
"""


def room(*names: str, hold: str = "2 min", contact: bool = False, more: str = "") -> str:
    """Write the config of a room with a place and a thermometer for each name."""
    places = (PLACE.format(name=name, hold=hold, topic=f"cellar/{name}") for name in names)
    return HEAD + (CONTACT if contact else "") + "".join(places) + more
