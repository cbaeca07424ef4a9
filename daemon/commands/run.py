"""``ovigil run``: the watch as a process."""

import argparse
import logging
import os
import signal
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from threading import Event, Thread

from daemon.cli import CONFIG, OK, TRY_LATER, UNAVAILABLE, Plain
from daemon.clock import FIRST_ROOM_TIME, SystemClock
from daemon.delivery import Reach
from daemon.folders import Taken, WatchLock, backup_folders, data_folder
from daemon.logbook import Archive, CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook
from daemon.logbook.recovery import recover_on_start
from daemon.notify import ServiceManager
from daemon.opening import open_watch
from daemon.readers import build
from daemon.redact import Redactor, install
from daemon.secrets import Secrets
from daemon.settings import Loaded, load
from daemon.watch import Outside, Watch

log = logging.getLogger("ovigil")

HEEDED = frozenset({signal.SIGTERM, signal.SIGINT, signal.SIGHUP})
"""The first two end the watch; the last one has the settings read again."""


def run(given: argparse.Namespace) -> int:
    """Watch until SIGTERM or SIGINT; SIGHUP reads the settings again."""
    os.umask(0o077)
    loaded = load(given.room)
    secrets = Secrets.for_config(loaded.path, os.environ)
    _refuse_missing(loaded, secrets)
    _start_logging(loaded, secrets)
    folder = data_folder(loaded)
    try:
        lock = WatchLock(folder)
    except Taken as taken:
        raise Plain(str(taken), UNAVAILABLE) from None
    except OSError as error:
        raise Plain(f"{folder}: {error.strerror}", TRY_LATER) from None
    try:
        _watch(loaded, secrets, folder)
    finally:
        lock.release()
    return OK


def _watch(loaded: Loaded, secrets: Secrets, folder: Path) -> None:
    clock = SystemClock(last_known=last_known(folder), vouched=loaded.model.room.time_from == "board")
    now = clock.wall() if clock.trusted() else FIRST_ROOM_TIME
    recovered = recover_on_start(folder, backup_folders(loaded, folder), now, clock.wall())
    if recovered is not None:
        log.warning("the logbook was damaged and set aside: %s", "; ".join(recovered.damage))
    opened = open_watch(loaded, folder, clock)
    signal.pthread_sigmask(signal.SIG_BLOCK, HEEDED)
    outside = Outside(
        clock=clock,
        manager=ServiceManager(),
        readers=lambda settings: build(settings, secrets, clock.boottime),
        reach=lambda settings: reach_of(settings, secrets),
        heartbeat=lambda settings: heartbeat_of(settings, secrets),
        pictures=True,
    )
    try:
        watch = Watch(opened, folder, outside)
    except ValueError as error:
        raise Plain(f"{loaded.path}: {error}", CONFIG) from None
    stop = Event()
    Thread(target=_heed, args=(stop, watch), name="signals", daemon=True).start()
    watch.run(stop)


def _heed(stop: Event, watch: Watch) -> None:
    """Wait for signals on a thread of its own.

    A handler would run inside the judge's own wait on ``stop``, whose lock it needs.
    """
    while True:
        if signal.sigwait(HEEDED) == signal.SIGHUP:
            watch.reload()
        else:
            stop.set()


def last_known(folder: Path) -> int:
    """Give the Unix ms of the newest record that a trusted clock labelled, 0 where there is none."""
    try:
        with Archive.open(folder) as archive:
            last, labels = archive.last_instant(), archive.labels()
    except (NoLogbook, LogbookDamaged, LogbookNewer, CannotRecord):
        return 0
    return labels.wall(last) if last is not None and labels.trusted_at(last) else 0


def heartbeat_of(loaded: Loaded, secrets: Secrets) -> Reach | None:
    """Give the way to the heartbeat's address, None where there is none."""
    name = loaded.model.watch.heartbeat
    return None if name is None else lambda: secrets.get(name) or ""


def needed(loaded: Loaded) -> list[str]:
    """Name the secrets without which the watch does not start."""
    model = loaded.model
    names = [contact.reach for contact in model.contact]
    names += ["broker"] if model.broker and model.broker.user else []
    names += [model.watch.heartbeat] if model.watch.heartbeat else []
    return names


def _refuse_missing(loaded: Loaded, secrets: Secrets) -> None:
    missing = [name for name in needed(loaded) if secrets.get(name) is None]
    if missing:
        words = ", ".join(f'"{name}"' for name in dict.fromkeys(missing))
        raise Plain(f"{loaded.path}: missing in the credentials folder: {words}", CONFIG)


def reach_of(loaded: Loaded, secrets: Secrets) -> Mapping[str, Reach]:
    """Give the way to each contact; the address is read anew for each attempt."""

    def reach(name: str) -> Callable[[], str]:
        return lambda: secrets.get(name) or ""

    return {contact.name: reach(contact.reach) for contact in loaded.model.contact}


def _start_logging(loaded: Loaded, secrets: Secrets) -> None:
    """Log to standard error in the service manager's form, with secrets taken out."""
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(message)s")
    logging.getLogger("apprise").setLevel(logging.CRITICAL)
    known = [secrets.get(name) for name in needed(loaded)]
    install(Redactor.of([secret for secret in known if secret]))
