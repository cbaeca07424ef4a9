"""The settings as the page keeps them: loaded by a child, renewed as the journal says."""

import json
import pickle
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from daemon.logbook import Archive
from daemon.page.room import Room
from daemon.record import Entered, Json, Kind
from rules.events import Verb

DEADLINE = 30
"""The child that loads the settings has this long (s)."""

_CHILD = "from daemon.page.settings import answer; answer()"
_ORDERED = ("stage", "species", "in_use", "hatching", "settling", "heard")


@dataclass(frozen=True, slots=True)
class Opened:
    """A config as the page is started with it.

    Attributes:
        room: What the page needs of it.
        host: What to listen on.
        port: TCP port.
        digest: SHA-256 of the config's text.
        path: The config.
    """

    room: Room
    host: str
    port: int
    digest: str
    path: Path


class CannotOpenError(Exception):
    """The config cannot be used; it says each problem on a line of its own."""


def opened_by_child(path: Path, basis: Mapping[str, Json] | None = None) -> Opened:
    """Load a config in a child, so that the settings library's memory is not kept.

    Args:
        path: The config.
        basis: See ``daemon.page.settings.opened``.

    Raises:
        CannotOpenError: The config cannot be used.
    """
    asked = json.dumps([str(path), basis]).encode()
    command = [sys.executable, "-c", _CHILD]
    done = subprocess.run(command, input=asked, stdout=subprocess.PIPE, timeout=DEADLINE, check=True)  # noqa: S603 - ours
    found = pickle.loads(done.stdout)  # noqa: S301 - our own child wrote it
    if not isinstance(found, Opened):
        raise CannotOpenError("\n".join(str(problem) for problem in found))
    return found


class Following:
    """Keeps the room as the watch has it: orders change stages, wildcards bring sensors.

    Owned by the page's one thread.

    Args:
        given: The config that the page was started with.
    """

    def __init__(self, given: Opened) -> None:
        self._given = given
        self._row = 0
        self._basis: dict[str, Json] = {}

    def __call__(self, room: Room, archive: Archive) -> Room:
        """Give the room, renewed where the journal has newer plans or orders of this config."""
        plan: Entered | None = None
        for entry in archive.journal(kinds=(Kind.PLAN, Kind.ORDER), after_row=self._row):
            self._row = entry.row or self._row
            if entry.kind is Kind.PLAN:
                plan = entry
            else:
                room = _ordered(room, entry)
        return room if plan is None else self._planned(room, plan)

    def _planned(self, room: Room, entry: Entered) -> Room:
        """Take over a plan, if it is one of this config and orders or names changed it."""
        basis = {name: entry.body[name] for name in _ORDERED if entry.body.get(name)}
        if entry.body.get("digest") != self._given.digest or basis == self._basis:
            return room
        self._basis = basis
        renewed = opened_by_child(self._given.path, {**entry.body})
        return replace(room, plan=renewed.room.plan)


def _ordered(room: Room, entry: Entered) -> Room:
    """Take over which places are out of service."""
    given = entry.body.get("engine")
    verb, place = (given.get("verb"), given.get("place")) if isinstance(given, dict) else (None, None)
    if verb == Verb.OUT_OF_SERVICE.value:
        return replace(room, out_of_service=room.out_of_service | {str(place)})
    if verb == Verb.IN_SERVICE.value:
        return replace(room, out_of_service=room.out_of_service - {str(place)})
    return room
