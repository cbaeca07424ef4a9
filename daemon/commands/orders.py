"""``ovigil ack``, ``shelve``, ``service`` and ``stage``: orders from the command line."""

import argparse
import getpass
import time

from daemon.cli import OK, USAGE, Plain
from daemon.folders import data_folder, watched
from daemon.logbook import Archive
from daemon.orders import write_order
from daemon.record import Json
from daemon.settings import load
from daemon.units import duration

PATIENCE = 5.0
"""How long a command waits for the watch's answer (s)."""


def ack(given: argparse.Namespace) -> int:
    """Acknowledge an alarm."""
    return give(given, {"verb": "acknowledge", "alarm": given.number})


def shelve(given: argparse.Namespace) -> int:
    """Keep an alarm quiet for a while."""
    try:
        lasting = duration(given.lasting)
    except ValueError as error:
        raise Plain(f"--for: {error}", USAGE) from None
    return give(given, {"verb": "shelve", "alarm": given.number, "for_ms": lasting, "reason": given.reason})


def service(given: argparse.Namespace) -> int:
    """Take a place out of service, or back in."""
    return give(given, {"verb": "service", "place": given.place, "in": given.state == "in"})


def stage(given: argparse.Namespace) -> int:
    """Change the stage of a place."""
    return give(given, {"verb": "stage", "place": given.place, "stage": given.stage})


def give(given: argparse.Namespace, body: dict[str, Json]) -> int:
    """Write an order and wait for the watch's answer."""
    loaded = load(given.room)
    folder = data_folder(loaded)
    with Archive.open(folder):
        pass
    number = write_order(folder, given.by or getpass.getuser(), "command", body)
    if not watched(folder):
        print(f"order {number} is written; the watch does not run and takes it at its start")
        return OK
    ends = time.monotonic() + PATIENCE
    while time.monotonic() < ends:
        with Archive.open(folder) as archive:
            order = archive.order(number)
        if order is not None and order.taken is not None:
            return _answered(order.answer, number)
        time.sleep(0.1)
    print(f"order {number} is written; the watch has not taken it yet")
    return OK


def _answered(answer: str, number: int) -> int:
    if answer.startswith("refused"):
        raise Plain(answer, USAGE)
    print(f"{answer} (order {number})")
    return OK
