"""The demo: one night of a made-up room, in less than a minute.

Everything is the real thing but the room and the clock: the simulated room speaks through
the readers' interface, the watch judges and records, couriers carry the alerts to a
receiver on this machine, which shows them.
"""

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from pathlib import Path
from threading import Thread
from zoneinfo import ZoneInfo

from daemon.clock import ManualClock
from daemon.notify import ServiceManager
from daemon.opening import open_watch
from daemon.orders import write_order
from daemon.scenes import scene_of
from daemon.settings import Loaded, load
from daemon.watch import Outside, Watch
from rules.plan import Priority
from rules.reading import HOUR, MINUTE, SECOND
from sensors.happenings import Happening, Happens
from sensors.reader import Inbox
from sensors.simulated import SimulatedReader

START = datetime(2026, 5, 14, 17, 0)  # noqa: DTZ001 - local time of the demo's room
"""Local time at which the demo begins: four hours before dusk, so that ideal counts by then."""

LASTING = 14 * HOUR + 30 * MINUTE
"""How long it lasts (ms): until half past seven in the morning."""

STEP = 10 * SECOND
"""The simulated clock goes on in such steps (ms)."""

HAPPENINGS = (
    Happening(4 * HOUR + 40 * MINUTE, Happens.LID_OPENED, "box-2"),
    Happening(5 * HOUR + 10 * MINUTE, Happens.SEAL_LEAKS, "box-3", 9 * HOUR),
    Happening(7 * HOUR, Happens.HEATER_LOST, "incubator-2", 3 * HOUR),
    Happening(10 * HOUR + 20 * MINUTE, Happens.SILENT, "nursery-1", 2 * HOUR),
    Happening(11 * HOUR + 30 * MINUTE, Happens.MAINS_LOST, "", 25 * MINUTE),
)
"""What happens in the night: a lid that is nobody's worry, and four things that are."""

ROOM = "room.toml"
"""Name of the demo's settings in its folder."""

WAKES_UP = 6 * MINUTE
"""The demo's keeper has seen an urgent alarm after so long (ms)."""

LONGEST_WAIT = 20.0
"""So long a courier may take before the simulated clock goes on without it (s)."""

Say = Callable[[str], None]
"""Takes a line for the terminal."""


class _Pumped:
    """The simulated room as a reader whose clock is the demo's own."""

    name = "simulated"

    def __init__(self, inner: SimulatedReader) -> None:
        self._inner = inner
        self._inbox: Inbox | None = None

    def start(self, inbox: Inbox) -> None:
        """Take the inbox; the demo pumps."""
        self._inbox = inbox

    def stop(self) -> None:
        """Nothing runs by itself."""

    def pump(self, boottime: int) -> None:
        """Let the room go on."""
        if self._inbox is not None:
            self._inner.pump(self._inbox, boottime)


@dataclass(frozen=True, slots=True)
class Receiver:
    """A phone service on this machine: it says what it was given."""

    server: ThreadingHTTPServer

    @classmethod
    def start(cls, say: Say) -> "Receiver":
        """Listen on a free port of the loopback."""

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = int(self.headers.get("content-length", "0"))
                message = json.loads(self.rfile.read(length))
                say(f"{message['title']}\n{message['message']}")
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Say nothing of one's own."""

        server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        Thread(target=server.serve_forever, name="receiver", daemon=True).start()
        return cls(server)

    @property
    def address(self) -> str:
        """Where a courier reaches it."""
        return f"json://127.0.0.1:{self.server.server_address[1]}/"

    def stop(self) -> None:
        """Listen no more."""
        self.server.shutdown()
        self.server.server_close()


def lay_out(folder: Path) -> Path:
    """Put the demo's settings into a folder; give their path.

    Raises:
        FileExistsError: There are settings already.
    """
    path = folder / ROOM
    if path.exists():
        raise FileExistsError(f"{path} is there already; give an empty folder")
    (folder / "credentials").mkdir(mode=0o700, parents=True, exist_ok=True)
    secret = folder / "credentials" / "bedside"
    secret.touch(mode=0o600)
    secret.write_text("json://127.0.0.1:9/demo\n")
    path.write_text(files("daemon").joinpath("demo_room.toml").read_text("utf-8"), "utf-8")
    return path


def play(path: Path, *, seed: int, say: Say, progress: Callable[[int], None]) -> int:
    """Play the night into the logbook beside the settings.

    Args:
        path: The demo's settings.
        seed: Another one gives another night.
        say: Takes each alert.
        progress: Told how many minutes have gone by.

    Returns:
        Unix ms at the end of the night.
    """
    loaded = load(path)
    zone = ZoneInfo(loaded.model.room.time_zone)
    wall = int(START.replace(tzinfo=zone).timestamp() * 1000)
    clock = ManualClock(wall, boottime=HOUR)
    scene = scene_of(loaded.model, seed=seed, start_hour=START.hour, happenings=HAPPENINGS)
    reader = _Pumped(SimulatedReader(scene, clock.boottime, wall))
    receiver = Receiver.start(say)
    folder = path.parent / loaded.model.room.data
    try:
        watch = Watch(open_watch(loaded, folder, clock), folder, _outside(clock, reader, receiver))
        watch.begin()
        _night(watch, clock, reader, Keeper(folder, progress))
        watch.end()
    finally:
        receiver.stop()
    return clock.wall()


def _outside(clock: ManualClock, reader: _Pumped, receiver: Receiver) -> Outside:
    def reach(loaded: Loaded) -> dict[str, Callable[[], str]]:
        return {contact.name: lambda: receiver.address for contact in loaded.model.contact}

    return Outside(clock=clock, manager=ServiceManager({}), readers=lambda _: [reader], reach=reach)


@dataclass(slots=True)
class Keeper:
    """Whoever the phone wakes: sees what is urgent a few minutes after it was told."""

    folder: Path
    progress: Callable[[int], None]
    seen: set[int] = field(default_factory=set)

    def look(self, watch: Watch, gone: int) -> None:
        """Acknowledge, through an order as any other, what was told long enough ago."""
        self.progress(gone // MINUTE)
        for row in watch.open_rows():
            told = row.alerted is not None and row.priority is Priority.HIGH
            if told and row.number not in self.seen and watch.now() - (row.alerted or 0) > WAKES_UP:
                self.seen.add(row.number)
                write_order(self.folder, "Rosa", "demo", {"verb": "acknowledge", "alarm": row.number})


def _night(watch: Watch, clock: ManualClock, reader: _Pumped, keeper: Keeper) -> None:
    """Let the clock run; it waits for couriers and the card, as time does in earnest."""
    for gone in range(0, LASTING, STEP):
        clock.advance(STEP)
        reader.pump(clock.boottime())
        watch.turn()
        if not watch.at_rest:
            _wait(watch)
        keeper.look(watch, gone)


def _wait(watch: Watch) -> None:
    ends = time.monotonic() + LONGEST_WAIT
    while not watch.at_rest and time.monotonic() < ends:
        time.sleep(0.002)
        watch.turn()
