"""A real watch (``ovigil run``) in a folder of its own, against real brokers and receivers."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from daemon.logbook import Archive, NoLogbook
from daemon.record import AlarmRow, Entry
from rules.reading import Quantity
from tests.kit.broker import Broker, until

ROOT = Path(__file__).parents[2]

HEAD = """\
[room]
name = "Cellar"
time_zone = "Europe/Lisbon"
data = "state"
commit = "{commit}"

[broker]
host = "127.0.0.1"
port = {port}
client = "{client}"
window = {window}
"""

PLACE = """
[[place]]
name = "{name}"
kind = "{kind}"
temperature = {{ ideal = ["28 C", "31 C"], safe = ["26 C", "33 C"] }}
hold = {{ ideal = "20 min", safe = "{hold}", off = "{off}" }}

[[place.sensor]]
name = "{name}"
read = {{ by = "mqtt", topic = "cellar/{name}", temperature = "/t"{pick}, every = "{every}" }}
"""

CONTACT = """
[[contact]]
name = "{name}"
reach = "{name}"
priorities = ["high", "medium", "low"]
"""


@dataclass(frozen=True, slots=True)
class Layout:
    """What a room of tests looks like.

    Attributes:
        sensors: So many places ("box-0" …), each with one thermometer of the same name.
        stamped: Messages carry the device's stamp at ``/ts``.
        every: Pace of each sensor, as in the config.
        hold: How long safe must be left before the alarm.
        off: How long it must be right again before it clears.
        window: The broker's window.
        commit: Longest wait for a commit.
        contacts: Addresses by name.
        kind: Kind of every place.
        more: More of the config, at its end.
    """

    sensors: int = 1
    stamped: bool = True
    every: str = "1 s"
    hold: str = "1 s"
    off: str = "1 s"
    window: int = 400
    commit: str = "1 s"
    contacts: Mapping[str, str] = field(default_factory=dict)
    kind: str = "enclosure"
    more: str = ""
    client: str = "ovigil"

    def text(self, port: int) -> str:
        """Write the config."""
        pick = ', time = "/ts"' if self.stamped else ""
        parts = [HEAD.format(port=port, window=self.window, commit=self.commit, client=self.client)]
        parts += [CONTACT.format(name=name) for name in self.contacts]
        parts += [
            PLACE.format(
                name=f"box-{n}", kind=self.kind, hold=self.hold, off=self.off, every=self.every, pick=pick
            )
            for n in range(self.sensors)
        ]
        return "".join(parts) + self.more


def wall() -> int:
    """Give the wall clock, Unix ms."""
    return time.time_ns() // 1_000_000


def reading(celsius: float, stamp: int | None = None) -> str:
    """Write one message."""
    return json.dumps({"t": celsius} if stamp is None else {"t": celsius, "ts": stamp})


@dataclass(slots=True)
class Ears:
    """The service manager's side: a socket that hears what the watch says of itself."""

    path: Path
    said: list[tuple[float, str]] = field(default_factory=list)
    _socket: socket.socket | None = None

    def listen(self) -> None:
        """Begin to listen."""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(self.path))
        threading.Thread(target=self._hear, args=(self._socket,), daemon=True).start()

    def _hear(self, door: socket.socket) -> None:
        while True:
            try:
                words = door.recv(4096).decode()
            except OSError:
                return
            if not words:
                return
            self.said.append((time.monotonic(), words))

    def heard(self, word: str, since: float = 0.0) -> bool:
        """Tell whether a word was said since an instant (monotonic s)."""
        return any(at >= since and word in words for at, words in list(self.said))

    def close(self) -> None:
        """Listen no more."""
        if self._socket is not None:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as last:
                last.sendto(b"", str(self.path))
            self._socket.close()
            self.path.unlink(missing_ok=True)
            self._socket = None


@dataclass(slots=True)
class LiveWatch:
    """``ovigil run`` as a process of its own; ``with LiveWatch(...) as watch`` starts and ends it.

    Attributes:
        folder: Where config, credentials and logbook lie.
        layout: What the room looks like.
        broker: Its broker.
        env: More of its environment.
        before: Words before the command (``strace …``).
        secrets: Credentials beside the addresses of the contacts, by name.
        process: The process, while it runs.
        starts: How often it was started.
    """

    folder: Path
    layout: Layout
    broker: Broker
    env: Mapping[str, str] = field(default_factory=dict)
    before: tuple[str, ...] = ()
    secrets: Mapping[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    starts: int = 0
    ears: Ears = field(init=False)

    def __post_init__(self) -> None:
        """Lay the room out."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self.ears = Ears(self.folder / "notify")
        self.write(self.layout)

    def __enter__(self) -> Self:
        """Start it and wait until it is ready."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End it."""
        self.kill()
        self.ears.close()

    @property
    def config(self) -> Path:
        """The config."""
        return self.folder / "room.toml"

    @property
    def state(self) -> Path:
        """The folder of the logbook."""
        return self.folder / "state"

    @property
    def log(self) -> str:
        """What it has said on standard error, over all its starts."""
        return (self.folder / "watch.log").read_text(errors="replace")

    def write(self, layout: Layout) -> None:
        """Write config and credentials."""
        self.layout = layout
        secrets = self.folder / "credentials"
        secrets.mkdir(mode=0o700, exist_ok=True)
        for name, secret in {**layout.contacts, **self.secrets}.items():
            (secrets / name).touch(mode=0o600)
            (secrets / name).write_text(secret)
        self.config.write_text(layout.text(self.broker.port))

    def start(self, *, wait: bool = True, seconds: float = 25) -> None:
        """Start it; unless told otherwise wait until it says that it is ready."""
        if self.ears._socket is None:
            self.ears.listen()
        since = time.monotonic()
        words = [*self.before, sys.executable, "-m", "daemon.cli", "run", str(self.config)]
        with (self.folder / "watch.log").open("ab") as log:
            self.process = subprocess.Popen(words, cwd=ROOT, stdout=log, stderr=log, env=self.environment())
        self.starts += 1
        if wait:
            until(lambda: self._ready(since), "the watch is ready", seconds)

    def environment(self) -> dict[str, str]:
        """Give its environment: ours, with the socket of the service manager."""
        kept = {name: value for name, value in os.environ.items() if not name.startswith("OVIGIL_")}
        return {**kept, "NOTIFY_SOCKET": str(self.ears.path), "PYTHONUNBUFFERED": "1", **self.env}

    def _ready(self, since: float) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log
        return self.ears.heard("READY=1", since)

    def kill(self) -> None:
        """Kill it as the kernel would, and whatever couriers it has."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
        self._wait(10)

    def stop(self, seconds: float = 15) -> float:
        """Ask it to end; give how long that took (s)."""
        assert self.process is not None
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        self._wait(seconds)
        return time.monotonic() - began

    def signal(self, number: signal.Signals) -> None:
        """Send it a signal."""
        assert self.process is not None
        self.process.send_signal(number)

    def _wait(self, seconds: float) -> None:
        if self.process is not None:
            self.process.wait(seconds)

    # -- what became of it --------------------------------------------------------------

    def archive(self) -> Archive:
        """Open its logbook for reading."""
        return Archive.open(self.state)

    def entries(self, sensor: str | None = None) -> list[Entry]:
        """Give the keeper's readings that are recorded, in order of arrival."""
        try:
            with self.archive() as archive:
                found = list(archive.replay_rows(0))
        except NoLogbook:
            return []
        return [
            one
            for one in found
            if one.quantity is Quantity.TEMPERATURE and (sensor is None or one.sensor == sensor)
        ]

    def alarms(self, rule: str | None = None, *, open_only: bool = False) -> list[AlarmRow]:
        """Give the recorded alarms."""
        try:
            with self.archive() as archive:
                rows = archive.alarms(open_only=open_only)
        except NoLogbook:
            return []
        return [row for row in rows if rule is None or row.key.rule == rule]

    def command(self, *words: str) -> "subprocess.CompletedProcess[str]":
        """Run another command of the program on this room ("ack", "1", …)."""
        name, *rest = words
        return subprocess.run(
            [sys.executable, "-m", "daemon.cli", name, str(self.config), *rest],
            cwd=ROOT,
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
            env=self.environment(),
        )

    def feed(self, celsius: float, *, sensor: int = 0, back: int = 0) -> None:
        """Publish one reading of one sensor, stamped ``back`` ms ago."""
        self.broker.publish([message(self.layout, sensor, celsius, wall() - back)])


def message(layout: Layout, sensor: int, celsius: float, stamp: int) -> tuple[str, str]:
    """Write topic and payload of one reading."""
    return f"cellar/box-{sensor}", reading(celsius, stamp if layout.stamped else None)


@dataclass(slots=True)
class Feeder:
    """A thread that publishes readings at a pace, as sensors do; keeps what the broker took.

    Attributes:
        celsius: What every sensor says now.
        acked: (sensor, stamp, °C) that the broker has acknowledged.
    """

    watch: LiveWatch
    pace: float = 0.2
    celsius: float = 29.5
    acked: list[tuple[str, int, float]] = field(default_factory=list)
    _end: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        """Begin."""
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End."""
        self.stop()

    def stop(self) -> None:
        """Publish no more; from now on ``acked`` stays as it is."""
        self._end.set()
        if self._thread is not None:
            self._thread.join(20)

    def _run(self) -> None:
        client = self.watch.broker.client()
        number = 0
        while not self._end.wait(self.pace):
            sensor, stamp = number % self.watch.layout.sensors, wall()
            celsius = round(self.celsius + number % 10 / 100, 2)
            topic, payload = message(self.watch.layout, sensor, celsius, stamp)
            info = client.publish(topic, payload, qos=1)
            info.wait_for_publish(10)
            if info.is_published():
                self.acked.append((f"box-{sensor}", stamp, celsius))
            number += 1
        self.watch.broker.dismiss(client)


def missing(watch: LiveWatch, acked: Iterable[tuple[str, int, float]]) -> set[tuple[str, int, float]]:
    """Give the stamped readings that the broker took and the logbook lacks."""
    stored = {(one.sensor, one.stamp, one.raw) for one in watch.entries()}
    return {one for one in acked if one not in stored}
