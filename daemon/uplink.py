"""``ovigil uplink``: the logbook's readings go to a time-series store, in a process of its own.

One thread works, the first one waits for the end. So a name server or a store that
hangs cannot hold up the end: whatever the worker is in the middle of, the cursor on
the card is right, and what it was sending is sent again by the next start.
"""

import logging
import os
import signal
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from itertools import islice
from pathlib import Path

from daemon.compile import correction_of
from daemon.folders import data_folder
from daemon.logbook import Archive, CannotRecord, Desk, Labels, LogbookDamaged, NoLogbook, TooSlow
from daemon.notify import ServiceManager
from daemon.record import Entry
from daemon.redact import Redactor, install
from daemon.secrets import Secrets
from daemon.settings import load
from daemon.settings_model import RoomFile, UplinkTable
from daemon.settings_sensor import SensorTable
from daemon.uplink_forward import Described, Pace, Uplink
from daemon.uplink_store import Store, Target
from rules.plan import Correction
from rules.reading import Quantity

log = logging.getLogger(__name__)

EXIT_UNAVAILABLE = 69
"""Not everything could be sent (sysexits.h, EX_UNAVAILABLE)."""

EXIT_TRY_LATER = 75
"""A request hung beyond every deadline (sysexits.h, EX_TEMPFAIL)."""

EXIT_CONFIG = 78
"""The config names no store, or its secret is missing (sysexits.h, EX_CONFIG)."""

FAREWELL = 2.0
"""How long the worker may take to end by itself, s."""

LONGEST_ROUND = 60.0
"""A round that lasts longer hangs, s: a batch may take 40 requests where lines are refused."""

_SIGNALS = (signal.SIGTERM, signal.SIGINT)

SECRET = "uplink"  # noqa: S105 - the name of the secret, not the secret
"""The secret that holds the store's token."""


class LogbookSource:
    """The logbook as the uplink reads it; opened anew each time, since a restore replaces its file.

    Raises:
        NoLogbook: There is none yet.
        LogbookDamaged: It is damaged; the watch restores it.
        CannotRecord: The card does not let it be read.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._labels = Labels()

    def after(self, row: int, limit: int) -> Sequence[Entry]:
        """Give up to ``limit`` committed readings with row numbers above ``row``, ascending."""
        with Archive.open(self._folder) as archive:
            self._labels = archive.labels()
            return list(islice(archive.replay_rows(row), limit))

    def newest(self) -> int:
        """Give the newest row number, 0 where there is none."""
        with Archive.open(self._folder) as archive:
            return archive.last_row()

    def offset(self, at: int) -> int | None:
        """Give wall minus room at an instant, or None while it may still become known.

        A boot that ended without a trusted look at the wall clock never gets one: then
        the trusted label before it goes on, or the first one after it.
        """
        labels = self._labels
        if not labels.starts or labels.trusted_at(at):
            return labels.offset_at(at) if labels.starts else None
        if at >= labels.starts[-1]:
            return None
        looks = list(zip(labels.starts, labels.offsets, labels.trusted, strict=True))
        before = [offset for start, offset, trusted in looks if trusted and start <= at]
        after = [offset for start, offset, trusted in looks if trusted and start > at]
        return before[-1] if before else next(iter(after), None)

    def tell_row(self, row: int) -> None:
        """Let retention delete up to ``row``; where that fails it keeps more, and hears it later."""
        try:
            with Desk(self._folder) as desk:
                desk.save_cursor(SECRET, row)
        except (CannotRecord, NoLogbook, LogbookDamaged) as trouble:
            log.warning("uplink: retention was not told of the cursor: %s", trouble)


class Worker:
    """The thread that forwards.

    Args:
        uplink: What it drives.
        once: End when everything is sent, or at the first trouble.
        told: Hears in words how it goes, after each round.
    """

    def __init__(
        self,
        uplink: Uplink,
        *,
        once: bool = False,
        told: Callable[[str], object] = lambda _: None,
    ) -> None:
        self._uplink, self._once, self._told = uplink, once, told
        self.ending = threading.Event()
        self._pause = Pace().idle
        self.fault: BaseException | None = None
        self.well = False
        self.busy_since: float | None = None
        self.done = threading.Event()
        self.thread = threading.Thread(target=self._run, name="uplink", daemon=True)

    def end(self, *_: object) -> None:
        """Ask it to end and wake who waits for it; a signal's handler."""
        self.ending.set()
        self.done.set()

    def hangs(self) -> bool:
        """Tell whether the present round lasts longer than any may."""
        since = self.busy_since
        return since is not None and time.monotonic() - since > LONGEST_ROUND

    def _run(self) -> None:
        """Forward until the end; a fault is handed to the thread that waits."""
        try:
            while not self.ending.is_set():
                wait = self._round()
                if self._once and wait:
                    break
                self.ending.wait(wait)
            self._keep()
        except BaseException as fault:  # noqa: BLE001 - re-raised by the thread that waits
            self.fault = fault
        finally:
            self.done.set()

    def _keep(self) -> None:
        """Put the cursor on the card; where that fails, what it stands for is sent again."""
        try:
            self._uplink.keep()
        except OSError as trouble:
            log.warning("uplink: its cursor was not kept: %s", trouble)

    def _round(self) -> float:
        """Do one round; trouble with the card or the logbook costs a pause, not the process."""
        self.busy_since = time.monotonic()
        try:
            wait = self._uplink.round()
            self.well = self._uplink.well
            words = self._uplink.cursor.state or f"{self._uplink.cursor.sent} readings sent"
        except (NoLogbook, LogbookDamaged, CannotRecord, TooSlow, OSError) as trouble:
            self.well, wait, words = False, self._pause, str(trouble)
            log.warning("uplink: %s", trouble)
        self.busy_since = None
        self._told(words)
        return wait


def run(path: Path, *, once: bool = False, env: Mapping[str, str] = os.environ) -> int:
    """Forward the room's readings until SIGTERM or SIGINT.

    Args:
        path: The config.
        once: Send what there is, then end.
        env: The environment: credentials, data folder and the service manager's socket.

    Returns:
        0 at a good end; 69 where ``once`` could not send everything; 75 where a request
        hung beyond every deadline; 78 where the config names no store or the secret is
        missing.

    Raises:
        SettingsError: The config cannot be used.
        LogbookNewer: A newer program wrote the logbook.
    """
    loaded = load(path, env)
    model = loaded.model
    token = Secrets.for_config(path, env).get(SECRET)
    if model.uplink is None or token is None:
        lacks = "a table [uplink]" if model.uplink is None else f'the secret "{SECRET}"'
        log.error("%s: the uplink needs %s", path, lacks)
        return EXIT_CONFIG
    manager = ServiceManager(env)
    uplink = _wired(model, model.uplink, token, data_folder(loaded, env))
    worker = Worker(uplink, once=once, told=manager.status)
    undo = install(Redactor.of([token]))
    before = [signal.signal(number, worker.end) for number in _SIGNALS]
    try:
        worker.thread.start()
        manager.ready()
        return _watched(worker, manager, once=once)
    finally:
        for number, handler in zip(_SIGNALS, before, strict=True):
            signal.signal(number, handler)
        undo()


def _watched(worker: Worker, manager: ServiceManager, *, once: bool) -> int:
    """Wait for the end and give the exit code."""
    while not worker.done.wait(5.0):
        if worker.hangs():
            log.error("uplink: a request hangs beyond every deadline")
            return EXIT_TRY_LATER
    manager.stopping()
    worker.thread.join(FAREWELL)
    if worker.fault is not None:
        raise worker.fault
    return EXIT_UNAVAILABLE if once and not worker.ending.is_set() and not worker.well else 0


def _wired(model: RoomFile, table: UplinkTable, token: str, folder: Path) -> Uplink:
    """Put the uplink together."""
    source = LogbookSource(folder)
    sensors = {
        name: (place.name, sensor.spot, _corrections(sensor))
        for place in model.place
        for name, sensor in zip(place.sensor_names(), place.sensor, strict=True)
    }

    def describe(entry: Entry) -> Described:
        place, spot, corrections = sensors.get(entry.sensor, ("", "", {}))
        correction = corrections.get(entry.quantity)
        return Described(place, spot, None if correction is None else correction.apply(entry.raw))

    return Uplink(
        source=source,
        sink=Store(Target(table.url, table.org, table.bucket, token)),
        folder=folder,
        target=f"{table.url} {table.org} {table.bucket}",
        describe=describe,
        told=source.tell_row,
    )


def _corrections(sensor: SensorTable) -> dict[Quantity, Correction]:
    """Give the corrections that the settings have in force now, by quantity."""
    written = {
        Quantity.TEMPERATURE: sensor.correction.temperature,
        Quantity.HUMIDITY: sensor.correction.humidity,
    }
    return {quantity: correction_of(points) for quantity, points in written.items() if points}
